"""The line-up: a fauna made ready for weighing evidence.

Candidates are the entries of the fauna (taxon, caste, colour form) in its order, and one more at the end:
`SOMETHING_ELSE`, something not in the fauna, so that the world stays open. All arrays have shape (n,) with
``n = n_entries + 1`` unless said otherwise.

A line-up is built once for a `wingtone.fauna.Fauna` and kept for the next question.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from wingtone.evidence import observe
from wingtone.evidence.tone_size import ToneComponents

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from wingtone.fauna import Fauna

    Floats = NDArray[np.float64]

__all__ = ["CASTES", "NOT_A_BUMBLEBEE", "SOMETHING_ELSE", "Lineup", "Traits", "line_up"]

SOMETHING_ELSE = "something else"
"""Name of the last candidate: anything the fauna does not list."""

NOT_A_BUMBLEBEE = "not a bumblebee"
CASTES = ("queen", "worker", "male", "cuckoo female", NOT_A_BUMBLEBEE)
"""Castes of an answer. Whatever is not a bumblebee, something else included, is one class."""


@dataclass(frozen=True, eq=False)
class Traits:
    """One character of the fauna.

    ``frequency`` holds P(true state) of each entry, shape (n - 1, n_states). ``errors`` and ``fades_to`` are
    those of `wingtone.evidence.observe`. For characters worked out elsewhere (size, condition) the frequency
    is None and the errors are none.
    """

    character: str
    states: tuple[str, ...]
    question: str
    ease: int
    frequency: Floats | None
    errors: Floats
    fades_to: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class Lineup:
    """The candidates and all that is known of them, as arrays.

    Attributes
    ----------
    taxa, vernaculars
        Names of the taxa that can be an answer, shape (n_taxa,), `SOMETHING_ELSE` last.
    taxon_of
        Index into ``taxa`` of each candidate.
    castes
        Caste of each candidate as the fauna names it.
    caste_class
        Index into `CASTES` of each candidate.
    is_bumblebee
        Whether each candidate is a bumblebee.
    traits
        The characters by name, in the order of the fauna.
    couplings
        What `wingtone.evidence.bands` has worked out so far.
    latitude_deg
        Middle latitude of each region, for when no place was given.
    """

    fauna: Fauna
    taxa: tuple[str, ...]
    vernaculars: tuple[str, ...]
    taxon_of: NDArray[np.intp]
    castes: tuple[str, ...]
    caste_class: NDArray[np.intp]
    is_bumblebee: NDArray[np.bool_]
    tone: ToneComponents
    traits: dict[str, Traits]
    latitude_deg: dict[str, float]
    couplings: dict[tuple[float, float], Floats] = field(default_factory=dict, repr=False)
    _reports: dict[tuple[str, float, float], Floats] = field(default_factory=dict, repr=False)
    _years: dict[float, Floats] = field(default_factory=dict, repr=False)

    def __len__(self) -> int:
        return len(self.castes)

    def year(self, latitude_deg: float | None) -> Floats:
        """Season of each entry at the middle of weeks 1-52 at a latitude, shape (52, n - 1), read-only.

        None means the fauna's own latitude. Kept, by the half degree, as places are many; a season that moves
        half a week per degree, as most do, is then out by an eighth of a week at most.
        """
        key = math.inf if latitude_deg is None else round(2.0 * latitude_deg) / 2.0
        if key not in self._years:
            at = None if latitude_deg is None else key
            year = np.array([self.fauna.season(week + 0.5, at) for week in range(1, 53)])
            year.setflags(write=False)
            if len(self._years) > 500:
                self._years.clear()
            self._years[key] = year
        return self._years[key]

    def reports(self, character: str, *, fading: float, bald: float) -> Floats:
        """Return P(reported state | candidate), shape (n, n_states); even for something else.

        Only for characters with frequencies of their own. Kept, as a handful of fading chances recur.
        """
        key = (character, round(fading, 3), bald)
        if key not in self._reports:
            traits = self.traits[character]
            if traits.frequency is None:
                raise KeyError(character)
            matrix = observe.report_matrix(traits.errors, traits.fades_to, fading=key[1], bald=bald)
            known = traits.frequency @ matrix
            even = np.full((1, len(traits.states)), 1.0 / len(traits.states))
            if len(self._reports) > 500:
                self._reports.clear()
            self._reports[key] = np.concatenate([known, even])
        return self._reports[key]

    def by_taxon(self, probability: Floats) -> Floats:
        """Sum over the castes and forms of each taxon, shape (n_taxa,)."""
        return np.bincount(self.taxon_of, probability, minlength=len(self.taxa)).astype(np.float64)

    def by_caste(self, probability: Floats) -> Floats:
        """Sum over taxa for each of `CASTES`, shape (5,)."""
        return np.bincount(self.caste_class, probability, minlength=len(CASTES)).astype(np.float64)


@lru_cache(maxsize=4)
def line_up(fauna: Fauna) -> Lineup:
    """Make a fauna ready; the same object gives the same line-up while it is one of the last four."""
    entries = fauna.entries
    order = {name: number for number, name in enumerate(dict.fromkeys(entry.taxon for entry in entries))}
    names = {entry.taxon: entry.vernacular for entry in entries}
    classes = [
        CASTES.index(entry.caste if entry.is_bumblebee and entry.caste in CASTES else NOT_A_BUMBLEBEE)
        for entry in entries
    ]
    return Lineup(
        fauna=fauna,
        taxa=(*order, SOMETHING_ELSE),
        vernaculars=(*(names[taxon] for taxon in order), "Something not in the fauna"),
        taxon_of=np.array([*(order[entry.taxon] for entry in entries), len(order)], dtype=np.intp),
        castes=(*(entry.caste for entry in entries), "any"),
        caste_class=np.array([*classes, CASTES.index(NOT_A_BUMBLEBEE)], dtype=np.intp),
        is_bumblebee=np.array([*(entry.is_bumblebee for entry in entries), False]),
        tone=_tone(fauna),
        traits={name: _traits(fauna, name) for name in fauna.characters},
        latitude_deg={region: _middle_latitude(fauna, region) for region in fauna.regions},
    )


def _middle_latitude(fauna: Fauna, region: str) -> float:
    """Give the latitude of the middle of a region's boxes, weighted by their share of records."""
    boxes = [box for box in fauna.boxes if box.region == region]
    shares = [box.share + 1e-9 for box in boxes]
    return sum(s * sum(box.latitude_deg) / 2 for s, box in zip(shares, boxes, strict=True)) / sum(shares)


def _traits(fauna: Fauna, name: str) -> Traits:
    character = fauna.characters[name]
    states = character.states
    worked_out = name in (observe.SIZE, observe.CONDITION)
    return Traits(
        character=name,
        states=states,
        question=character.question,
        ease=character.ease,
        frequency=None if worked_out else fauna.appearance(name),
        errors=np.eye(len(states))
        if worked_out
        else observe.error_matrix(
            states,
            [character.error[state] for state in states],
            [character.looks_like.get(state, ()) for state in states],
        ),
        fades_to=tuple(
            states.index(character.fades_to[state]) if state in character.fades_to else -1 for state in states
        ),
    )


def _lognormal(mean: float, sd: float) -> tuple[float, float]:
    """Mean and variance of the logarithm of a lognormal with this mean and standard deviation."""
    var = math.log1p((sd / mean) ** 2)
    return math.log(mean) - 0.5 * var, var


def _tone(fauna: Fauna) -> ToneComponents:
    """Build the tone components of `wingtone.evidence.tone_size` from the tone tables.

    The doubt about the exponent grows with the distance from the anchor; ``sd_wear`` joins the spread
    between bees of one size. When the spread of a candidate on the line comes out below
    ``sd_total_min_hz``, what lacks is added: no measured mean of a British species stands behind it.
    """
    value = {name: pair[0] for name, pair in fauna.tone_model.items()}
    exponent = value["exponent"]
    about_line = value["sd_line"] ** 2 + value["sd_between"] ** 2 + value["sd_wear"] ** 2
    rows: list[tuple[int, float, float, float, float, float, float]] = []
    for index, parts in enumerate(fauna.tone_override):
        itd_mean, itd_var = _lognormal(float(fauna.itd_mean_mm[index]), float(fauna.itd_sd_mm[index]))
        if parts:
            for hz, sd_hz, weight in parts:
                mean, var = _lognormal(hz, sd_hz)
                rows.append((index, weight, mean, var, 0.0, itd_mean, itd_var))
            continue
        slope = value["within_caste"] * exponent
        from_anchor = itd_mean - math.log(value["anchor_itd_mm"])
        mean = math.log(value["anchor_f0_hz"]) + exponent * from_anchor
        own = about_line + (fauna.tone_model["exponent"][1] * from_anchor) ** 2
        _, least = _lognormal(math.exp(mean), value["sd_total_min_hz"])
        lacking = least - own - slope**2 * itd_var - value["sd_within"] ** 2
        rows.append((index, 1.0, mean, own + max(lacking, 0.0), slope, itd_mean, itd_var))
    columns = [np.array(column) for column in zip(*rows, strict=True)]
    return ToneComponents(
        candidate=columns[0].astype(np.intp),
        weight=columns[1],
        mean_ln_hz=columns[2],
        own_var=columns[3],
        exponent=columns[4],
        itd_mean_ln_mm=columns[5],
        itd_var=columns[6],
        within_sd=value["sd_within"],
        temperature_sd_hz_per_c=fauna.tone_model["temperature_slope_hz_per_c"][1],
        reference_temperature_c=value["reference_temperature_c"],
        n_candidates=len(fauna.entries) + 1,
    )
