"""What is known of the bees of a region, as plain values and arrays.

Conventions
-----------
- An *entry* is one candidate: a living taxon, a caste, and a colour form (empty for the typical one). All
  per-entry arrays have shape (n_entries,) and the order of `Fauna.entries`; they are read-only.
- Abundance is relative: expected share, among 100 bees a beginner would stop for, at the taxon's best time.
  `abundance(region) * season(week, latitude)` is proportional to how many of an entry are met.
- Sizes in millimetres, tones in hertz, angles in degrees (WGS 84), weeks as in `wingtone.fauna.season`.

Public: `Fauna`, `Entry`, `Taxon`, `Aggregate`, `Character`, `Lookalike`, `Form`, `Source`.
"""

from __future__ import annotations

import difflib
import math
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from wingtone.errors import RequestError
from wingtone.fauna.names import NameBook
from wingtone.fauna.season import SEASON_FLOOR, soft_trapezoid

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping

    from numpy.typing import NDArray

    from wingtone.fauna.tables import Row

__all__ = ["Aggregate", "Character", "Entry", "Fauna", "Form", "Lookalike", "Source", "Taxon"]


@dataclass(frozen=True)
class Source:
    """Where a fact comes from, and how well it is known (see `wingtone.fauna.schema`)."""

    source: str
    how_known: str
    note: str


@dataclass(frozen=True)
class Taxon:
    """One taxon of the fauna.

    Attributes
    ----------
    taxon, vernacular
        Scientific and plain name.
    group
        ``social``, ``cuckoo``, ``not a bumblebee`` or ``not a candidate``.
    rank
        ``species``, ``aggregate``, ``genus`` or ``group``.
    aggregates
        Names of the aggregates it belongs to; may be empty.
    castes
        Castes that exist, in order; empty for a taxon that is not a candidate.
    status, advice
        In words; advice may be empty.
    """

    taxon: str
    vernacular: str
    group: str
    rank: str
    aggregates: tuple[str, ...]
    castes: tuple[str, ...]
    status: str
    advice: str
    source: Source

    @property
    def is_bumblebee(self) -> bool:
        """Whether it is a bumblebee (living here or not)."""
        return self.group != "not a bumblebee"

    @property
    def is_invasive(self) -> bool:
        """Whether its status says so; its advice is then to report it at once."""
        return "invasive" in self.status.casefold()


@dataclass(frozen=True)
class Form:
    """A colour form other than the typical one, and its share among the individuals of a taxon and caste."""

    taxon: str
    caste: str
    form: str
    share: float
    description: str
    source: Source


@dataclass(frozen=True)
class Entry:
    """One candidate. ``share`` is the part of the taxon and caste that has this form (1 without forms)."""

    taxon: str
    caste: str
    form: str
    group: str
    vernacular: str
    share: float

    @property
    def is_bumblebee(self) -> bool:
        """Whether it is a bumblebee."""
        return self.group != "not a bumblebee"


@dataclass(frozen=True)
class Aggregate:
    """Taxa that cannot be told apart in the field, for the castes named."""

    aggregate: str
    vernacular: str
    members: tuple[str, ...]
    castes: tuple[str, ...]
    reason: str
    source: Source


@dataclass(frozen=True)
class Character:
    """Something to look at, and what can be answered.

    Attributes
    ----------
    states
        Legal answers, in order.
    question
        A plain question.
    ease
        1 seen on a flying bee, 2 seen on a feeding bee, 3 needs a settled bee or a close photo.
    error
        By true state: probability that a beginner answers something else; NaN for characters that are worked
        out (``size``, ``condition``).
    looks_like
        By true state: the states it is mostly mistaken for; may be empty.
    fades_to
        By true state: the state it becomes when hair bleaches or wears off; states that stay are left out.
    """

    character: str
    states: tuple[str, ...]
    question: str
    ease: int
    error: Mapping[str, float]
    looks_like: Mapping[str, tuple[str, ...]]
    fades_to: Mapping[str, str]


@dataclass(frozen=True)
class Lookalike:
    """How to tell a taxon (in one caste, or ``any``) from another."""

    taxon: str
    caste: str
    other: str
    tell: str
    source: Source


@dataclass(frozen=True, eq=False)
class Box:
    """A patch of a region in latitude and longitude, with soft edges."""

    region: str
    latitude_deg: tuple[float, float]
    longitude_deg: tuple[float, float]
    softness_deg: float
    weight: float
    share: float

    def at(self, latitude_deg: float, longitude_deg: float) -> float:
        """Weight of the box at a point: `weight` well inside, half of it on an edge, falling to 0 outside."""
        inside = self.weight
        for value, (low, high) in ((latitude_deg, self.latitude_deg), (longitude_deg, self.longitude_deg)):
            for distance in (value - low, high - value):
                inside *= 0.5 * (1.0 + math.tanh(distance / self.softness_deg))
        return inside


@dataclass(frozen=True, eq=False)
class Seasons:
    """The season table as arrays, shape (n_rows,); `entry` is the index of the entry each row belongs to."""

    entry: NDArray[np.int_]
    first_week: NDArray[np.float64]
    full_week: NDArray[np.float64]
    fade_week: NDArray[np.float64]
    last_week: NDArray[np.float64]
    soft_weeks: NDArray[np.float64]
    level: NDArray[np.float64]
    start_shift: NDArray[np.float64]
    end_shift: NDArray[np.float64]


_MIN_REGION_WEIGHT = 0.01
"""Below this total the point is taken to lie outside the fauna's area."""


@dataclass(frozen=True, eq=False)
class Fauna:
    """What is known of the bees of a region.

    Attributes
    ----------
    id, title, version, licence
        What it is. `licence` is that of the tables.
    latitude_deg
        Latitude for which the season table holds.
    taxa
        All taxa, those that are not candidates included.
    entries
        All candidates, in a fixed order: taxa in table order, castes in order, the typical form first.
    forms, aggregates, characters, regions
        `regions` maps the name of a region to its title.
    synonyms
        Other names, old or plain, and the taxon each stands for.
    itd_mean_mm, itd_sd_mm
        Intertegular distance: mean, and spread between individuals (with the doubt about the mean).
    itd_n
        Number of measured individuals; NaN where the figure is not measured.
    length_min_mm, length_max_mm, forewing_mm
        Body length from and to; forewing length, NaN where not known.
    tone_override
        For each entry a tuple of (f0_mean_hz, f0_sd_hz, weight), weights summing to 1: the tone of a bee or
        fly that does not follow the line of `tone_model`. Empty for entries on the line.
    tone_model
        Parameter -> (value, sd); see `wingtone.fauna.schema.TONE_PARAMETERS`.
    rows
        The tables as read, by table name, for sources and sheets.
    """

    id: str
    title: str
    version: str
    licence: str
    latitude_deg: float
    taxa: tuple[Taxon, ...]
    entries: tuple[Entry, ...]
    forms: tuple[Form, ...]
    aggregates: tuple[Aggregate, ...]
    characters: Mapping[str, Character]
    regions: Mapping[str, str]
    synonyms: Mapping[str, str]
    itd_mean_mm: NDArray[np.float64]
    itd_sd_mm: NDArray[np.float64]
    itd_n: NDArray[np.float64]
    length_min_mm: NDArray[np.float64]
    length_max_mm: NDArray[np.float64]
    forewing_mm: NDArray[np.float64]
    tone_override: tuple[tuple[tuple[float, float, float], ...], ...]
    tone_model: Mapping[str, tuple[float, float]]
    rows: Mapping[str, tuple[Row, ...]]
    boxes: tuple[Box, ...]
    seasons: Seasons
    abundance_by_region: Mapping[str, NDArray[np.float64]]
    appearance_by_character: Mapping[str, NDArray[np.float64]]
    lookalike_rows: tuple[Lookalike, ...]

    def __repr__(self) -> str:
        return f"Fauna({self.id!r}, {len(self.taxa)} taxa, {len(self.entries)} entries)"

    def abundance(self, region: str) -> NDArray[np.float64]:
        """Abundance of each entry's taxon in a region, times the entry's `share`; 0 = absent.

        Shape (n_entries,).

        Raises
        ------
        KeyError
            No such region.
        """
        return self.abundance_by_region[region]

    def season(self, week: float, latitude_deg: float | None = None) -> NDArray[np.float64]:
        """How many of each entry fly in a week, relative to the full season of the taxon's commonest caste.

        Parameters
        ----------
        week
            Week of the year, see `wingtone.fauna.season.week_of`.
        latitude_deg
            Seasons shift with latitude as the table says; None means the fauna's own latitude.

        Returns
        -------
        height
            Shape (n_entries,); level times the height of the soft trapezoid, summed over broods, never below
            `season_floor`.
        """
        height = self.seasons.level * self._heights(week, latitude_deg)
        total = np.bincount(self.seasons.entry, weights=height, minlength=len(self.entries))
        return np.maximum(total, self.season_floor)

    def in_a_brood(self, week: float, latitude_deg: float | None = None) -> NDArray[np.bool_]:
        """Tell which entries have a brood at least half of which flies then, shape (n_entries,).

        However small the brood: workers of winter nests are few, but they fly in their own time.
        """
        within = np.zeros(len(self.entries), dtype=bool)
        within[self.seasons.entry[self._heights(week, latitude_deg) >= 0.5]] = True
        return within

    def _heights(self, week: float, latitude_deg: float | None) -> NDArray[np.float64]:
        """How much of each brood flies in a week, shape (n_rows,)."""
        north = 0.0 if latitude_deg is None else latitude_deg - self.latitude_deg
        rows = self.seasons
        return soft_trapezoid(
            week,
            first_week=rows.first_week + north * rows.start_shift,
            full_week=rows.full_week + north * rows.start_shift,
            fade_week=rows.fade_week + north * rows.end_shift,
            last_week=rows.last_week + north * rows.end_shift,
            soft_weeks=rows.soft_weeks,
        )

    @cached_property
    def season_floor(self) -> NDArray[np.float64]:
        """Lowest season of each entry, shape (n_entries,): `SEASON_FLOOR` times the level of its best brood.

        Relative to its own level, so that out of season the castes of a taxon compare as they do in it: a
        floor alike for all would make its rarest caste as likely as the commonest.
        """
        level = np.zeros(len(self.entries))
        np.maximum.at(level, self.seasons.entry, self.seasons.level)
        return np.asarray(SEASON_FLOOR * np.where(level > 0.0, level, 1.0))

    def appearance(self, character: str) -> NDArray[np.float64]:
        """Frequency of each state in each entry. Shape (n_entries, n_states); rows sum to 1.

        Raises
        ------
        KeyError
            No such character, or one that is worked out (``size``, ``condition``).
        """
        return self.appearance_by_character[character]

    def region_of(self, latitude_deg: float | None, longitude_deg: float | None) -> dict[str, float]:
        """Regions a point may belong to, with weights that sum to 1.

        Without a point, or far outside the fauna's area (see `covers`), these are the shares of records that
        come from each region.
        """
        weights = dict.fromkeys(self.regions, 0.0)
        for box in self.boxes:
            if latitude_deg is None or longitude_deg is None:
                weights[box.region] += box.share
            else:
                weights[box.region] += box.at(latitude_deg, longitude_deg)
        total = sum(weights.values())
        if latitude_deg is not None and total < _MIN_REGION_WEIGHT:
            return self.region_of(None, None)
        return {region: weight / total for region, weight in weights.items()}

    def covers(self, latitude_deg: float, longitude_deg: float) -> bool:
        """Whether a point lies in or near the area the fauna was made for."""
        return sum(box.at(latitude_deg, longitude_deg) for box in self.boxes) >= _MIN_REGION_WEIGHT

    def lookalikes(self, taxon: str) -> tuple[Lookalike, ...]:
        """List what a taxon is confused with, in table order; empty when nothing is listed."""
        return tuple(row for row in self.lookalike_rows if row.taxon == taxon)

    @property
    def vernaculars(self) -> dict[str, str]:
        """Plain names of taxa and aggregates by their scientific ones."""
        names = {taxon.taxon: taxon.vernacular for taxon in self.taxa}
        return names | {aggregate.aggregate: aggregate.vernacular for aggregate in self.aggregates}

    @property
    def castes(self) -> dict[str, tuple[str, ...]]:
        """Castes of each bumblebee by its scientific name."""
        return {taxon.taxon: taxon.castes for taxon in self.taxa if taxon.is_bumblebee and taxon.castes}

    def known_as(self, name: str) -> str:
        """Give the taxon, aggregate or genus that a name stands for; empty where none or several could.

        However it is written, `wingtone.fauna.names`; but empty too where it cannot take the place of what
        was written, as that says more: a doubt, a subspecies.
        """
        found = self.names.meant(name)
        return found.name if found is not None and found.exact else ""

    @cached_property
    def names(self) -> NameBook:
        """The names of its taxa and aggregates, for looking up what somebody wrote."""
        return NameBook(
            {taxon.taxon: taxon.vernacular for taxon in self.taxa},
            {one.aggregate: (one.vernacular, one.members) for one in self.aggregates},
            self.synonyms,
        )

    def taxon(self, name: str) -> Taxon:
        """Find a taxon by its scientific or plain name: any case, or a part of it when only one taxon fits.

        A part is the beginning, or the last words of a plain name: of several hornets and a hornet hoverfly
        "hornet" may mean any.

        Raises
        ------
        RequestError
            Nothing or several taxa fit, or it is an aggregate; the message names the nearest, or the members.
        """
        known, begun = self.known_as(name), {*self.names.beginning(name), *self.names.ending(name)}
        fits = [taxon for taxon in self.taxa if taxon.taxon == known] or [
            taxon for taxon in self.taxa if taxon.taxon in begun
        ]
        fits = list(dict.fromkeys(fits))
        if len(fits) == 1:
            return fits[0]
        if not fits:
            meant = self.names.meant(name)
            self._refuse_aggregate(name, (meant.name,) if meant else begun)
        near = fits[:8] or self._spelt_like(name)
        listed = _listed(near)
        what = f"{name[:80]!r} fits several taxa" if fits else f"{name[:80]!r} is not in the fauna {self.id}"
        raise RequestError(
            what, remedy=f"did you mean {listed}?" if listed else "wingtone fauna list names all taxa"
        )

    def _refuse_aggregate(self, name: str, known: Collection[str]) -> None:
        """Say what an aggregate is and which taxa to name in its place, where a name is that of one."""
        for one in self.aggregates:
            if one.aggregate in known:
                what = f"{name[:80]!r} is no single taxon in the fauna {self.id}: {one.reason}"
                members = [taxon for taxon in self.taxa if taxon.taxon in one.members]
                raise RequestError(what, remedy=f"give one or each of {_listed(members)}")

    def _spelt_like(self, name: str) -> list[Taxon]:
        texts = {text.casefold(): taxon for taxon in self.taxa for text in (taxon.taxon, taxon.vernacular)}
        near = difflib.get_close_matches(" ".join(name.casefold().split()), texts, n=5, cutoff=0.5)
        return list(dict.fromkeys(texts[text] for text in near))


def _listed(taxa: Iterable[Taxon]) -> str:
    return ", ".join(f"{taxon.taxon} ({taxon.vernacular})" for taxon in taxa)
