"""From rows of bouts to what a population sounds like.

- `sizes`: the whole way; `sizes_of`: for rows that say where they stand.
- `unused_sites`: what a table of sites names in vain.
- `GROUPINGS`: what bees can be grouped by.
"""

from __future__ import annotations

import math
import sys
from numbers import Integral, Real
from typing import TYPE_CHECKING, Any

import numpy as np

from wingtone.errors import RequestError, shown_value
from wingtone.population.activity import activity, effort_of
from wingtone.population.bouts import Located, folder_of, plain_rows, read_heard, text_of
from wingtone.population.castes import LEAST_BEES, castes
from wingtone.population.changeover import changeover, turning_day
from wingtone.population.comparison import compare, power_statement
from wingtone.population.distribution import density, histogram, quantiles, spread
from wingtone.population.expected import expected_castes
from wingtone.population.individuals import GAP_S, RULES, Quality, individuals_of, select
from wingtone.population.resampling import LEVEL, cluster_of, effective_size
from wingtone.population.results import Counted, Settings, Sizes, Tone
from wingtone.population.thorax import thorax
from wingtone.population.words import cautions_of, summary_of

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from wingtone.fauna import Fauna
    from wingtone.notebook.places import Place
    from wingtone.population.bouts import Heard
    from wingtone.population.individuals import Individual

__all__ = ["GROUPINGS", "sizes", "sizes_of", "unused_sites"]

GROUPINGS = ("site", "month", "folder")
DRAWS = 400
LEAST_DRAWS = 40
"""Ours: fewer tell nothing about the ends of an interval of 95 %."""
MOST_NUMBERS = 4_000_000
"""Draws times bees; above it draws become fewer, down to `LEAST_DRAWS`, so that memory stays below half a
gigabyte. Many bees need fewer draws: their intervals are narrow. Ours."""
OTHER_GAPS_S = (10.0, 120.0)
"""Gaps that are shown beside the one used."""


def sizes(
    rows: Any,
    *,
    recordings: Any = None,
    fauna: Fauna | None = None,
    date: dt.date | None = None,
    place: Place | None = None,
    taxa: Sequence[str] = (),
    group_by: str | None = None,
    sites: Mapping[str, str] | None = None,
    quality: Quality | None = None,
    gap_s: float = GAP_S,
    draws: int = DRAWS,
    seed: int = 1,
) -> Sizes:
    """Say how large the bees are, how many are queens, when workers take over, and whether groups differ.

    Parameters
    ----------
    rows
        Bouts: a sequence of mappings, a mapping of columns, or a data frame of any library, with the columns
        of `wingtone.population.bouts`.
    recordings
        Listening effort in the same forms, for the activity, see `wingtone.population.activity`; None
        without.
    fauna
        What is known of the bees of the area; None for those of Britain and Ireland.
    date
        Day of the bouts that state none.
    place
        Where, for who is expected there.
    taxa
        Names of the species that the sample can hold, where that is known; empty for all.
    group_by
        Compare groups: by ``site`` (a column of that name, or ``sites``), ``month``, or ``folder``.
    sites
        Path of a recording or folder to its site or period; the longest path that fits counts.
    quality
        Which bouts take part; None for the usual.
    gap_s
        Silence in seconds after which whoever is heard counts as another bee.
    draws
        Bootstrap draws, `LEAST_DRAWS` at least. Half as many simulations and 25 times as many permutations go
        with them. Fewer are quicker, and rougher.
    seed
        Of all chance in it, so that the same rows give the same answer.

    Returns
    -------
    Sizes
        With no usable flight most of its parts are None, and the summary says so.

    Raises
    ------
    TableError
        Rows that cannot be right, every fault with its row.
    InputError
        ``rows`` is no table.
    RequestError
        A grouping, a taxon, a gap, a seed or a number of draws that is none.
    """
    given = [Located("rows", i, row) for i, row in enumerate(plain_rows(rows), 1)]
    effort = None
    if recordings is not None:
        effort = [Located("recordings", i, row) for i, row in enumerate(plain_rows(recordings), 1)]
    return sizes_of(
        given,
        effort,
        fauna=fauna,
        date=date,
        place=place,
        taxa=taxa,
        group_by=group_by,
        sites=sites,
        quality=quality,
        gap_s=gap_s,
        draws=draws,
        seed=seed,
    )


def sizes_of(
    rows: Sequence[Located],
    recordings: Sequence[Located] | None,
    *,
    fauna: Fauna | None = None,
    date: dt.date | None = None,
    place: Place | None = None,
    taxa: Sequence[str] = (),
    group_by: str | None = None,
    sites: Mapping[str, str] | None = None,
    quality: Quality | None = None,
    gap_s: float = GAP_S,
    draws: int = DRAWS,
    seed: int = 1,
) -> Sizes:
    """Do the same as `sizes` for rows that say where they stand."""
    from wingtone.fauna import load

    if group_by is not None and not (isinstance(group_by, str) and group_by in GROUPINGS):
        raise RequestError(f"{shown_value(group_by)} is no grouping", remedy=f"one of {', '.join(GROUPINGS)}")
    _check_numbers(gap_s, draws, seed)
    if sites is not None and group_by is None:
        group_by = "site"
    fauna = fauna or load()
    heard = read_heard(rows, date=date)
    grouping = _grouping(group_by, sites)

    def group_of(one: Heard) -> str:
        return grouping(one.path, one.day, one.site)

    if group_by == "site" and heard and not any(group_of(one) for one in heard):
        raise RequestError(
            "no bout has a site",
            remedy="give a column named site, or a table of sites that names their paths",
        )
    kept, selection = select(heard, quality or Quality())
    within_ln = fauna.tone_model["sd_within"][0]

    def count(rule: str, gap: float) -> list[Individual]:
        return individuals_of(kept, rule=rule, gap_s=gap, within_ln=within_ln, group_of=group_of)

    bees = count(RULES[-1], gap_s)
    counted = [_counted(RULES[-1], gap_s, bees, used=True)]
    counted += [_counted(rule, None, count(rule, gap_s), used=False) for rule in RULES[:-1]]
    counted += [
        _counted(RULES[-1], gap, count(RULES[-1], gap), used=False) for gap in OTHER_GAPS_S if gap != gap_s
    ]
    rng = np.random.default_rng(seed)
    draws = min(draws, max(LEAST_DRAWS, MOST_NUMBERS // max(len(bees), 1)))
    clusters = cluster_of(bees)
    expected = expected_castes(fauna, dates=[bee.day for bee in bees] or [date], place=place, taxa=taxa)
    settings = Settings(
        fauna=fauna.id,
        fauna_version=fauna.version,
        place="" if place is None else place.text,
        taxa=expected.taxa if taxa else (),
        grouped_by=group_by or "",
        gap_s=gap_s,
        cluster=clusters.kind,
        n_clusters=clusters.n,
        draws=draws,
        seed=seed,
        level=LEVEL,
    )
    parts: dict[str, Any] = dict.fromkeys(
        ("tone", "thorax", "castes", "changeover", "comparison", "activity", "power")
    )
    probability: tuple[float | None, ...] = (None,) * len(bees)
    if bees:
        tone_hz = np.array([bee.tone_hz for bee in bees])
        tone_ln, error_ln = np.log(tone_hz), np.array([bee.error_ln for bee in bees])
        parts["tone"] = Tone(
            spread(tone_hz, error_ln, clusters, rng=rng, n_draws=draws),
            quantiles(tone_hz, clusters),
            histogram(tone_hz),
            density(tone_hz),
        )
        parts["thorax"] = thorax(
            bees, clusters, fauna, rng=rng, place=place, taxa=settings.taxa, n_draws=draws
        )
        parts["castes"], members = castes(
            tone_ln, error_ln, clusters, expected, rng=rng, n_draws=draws, n_null=draws // 2 - 1
        )
        if members is not None:
            probability = tuple(map(float, members.probability))
            turning = turning_day(fauna, place=place, taxa=taxa)
            days = [bee.day for bee in bees]
            parts["changeover"] = changeover(days, tone_ln, error_ln, members, clusters, until_day=turning)
        of_groups = cluster_of(bees, within_groups=True)
        if group_by is not None:
            parts["comparison"] = compare(
                tone_hz, [bee.group for bee in bees], of_groups, rng=rng, n_permutations=25 * draws - 1
            )
        if len(bees) >= LEAST_BEES:  # fewer do not tell the spread
            design_effect = len(bees) / effective_size(tone_hz, of_groups.of)
            parts["power"] = power_statement(parts["tone"].spread.sd_hz, design_effect)
    if recordings is not None:
        site_of = {one.path: one.site for one in heard}
        parts["activity"] = activity(
            bees,
            effort_of(recordings),
            group_of=lambda part: grouping(part.path, part.day, site_of.get(part.path, "")),
        )
    return Sizes(
        summary=summary_of(
            selection=selection, counted=counted, cluster=clusters.kind, group=group_by or "site", **parts
        ),
        cautions=cautions_of(
            individuals=bees,
            counted=counted,
            clusters=clusters,
            castes=parts["castes"],
            changeover=parts["changeover"],
            comparison=parts["comparison"],
            activity=parts["activity"],
            expected=expected,
            n_ungrouped=sum(not bee.group for bee in bees),
        ),
        settings=settings,
        selection=selection,
        counted=tuple(counted),
        individuals=tuple(bees),
        lower_probability=probability,
        **parts,
    )


def _check_numbers(gap_s: Any, draws: Any, seed: Any) -> None:
    seconds: Any = gap_s if isinstance(gap_s, Real) else math.nan
    if not 0 < seconds <= sys.float_info.max:
        raise RequestError(f"a gap of {shown_value(gap_s)} s is none", remedy="give seconds above 0")
    if not isinstance(draws, Integral) or draws < LEAST_DRAWS:
        what = f"{shown_value(draws)} draws are too few"
        raise RequestError(what, remedy=f"give at least {LEAST_DRAWS}")
    if not isinstance(seed, Integral) or seed < 0:
        what = f"a seed of {shown_value(seed)} is none"
        raise RequestError(what, remedy="give a whole number from 0 on")


def _counted(rule: str, gap_s: float | None, bees: Sequence[Individual], *, used: bool) -> Counted:
    if not bees:
        return Counted(rule, gap_s, used, 0, math.nan, math.nan, math.nan)
    (middle,) = quantiles(np.array([bee.tone_hz for bee in bees]), cluster_of(bees), probabilities=(0.5,))
    return Counted(rule, gap_s, used, len(bees), middle.value, middle.low, middle.high)


def _grouping(
    group_by: str | None, sites: Mapping[str, str] | None
) -> Callable[[str, dt.date | None, str], str]:
    """Give the function from path, day and the table's own site to a group; empty for none."""
    if group_by is None:
        return lambda path, day, site: ""
    if group_by == "month":
        return lambda path, day, site: "" if day is None else f"{day:%Y-%m}"
    if group_by == "folder":
        return lambda path, day, site: folder_of(path)
    if sites is None:
        return lambda path, day, site: site
    known = {_tidy(path): site for path, site in sites.items()}

    def of_longest_path(path: str, day: dt.date | None, site: str) -> str:
        path = _tidy(path)
        while path not in known:
            path, cut, _ = path.rpartition("/")
            if not cut:
                return known.get(".", site)
        return known[path]

    return of_longest_path


def unused_sites(sites: Mapping[str, str], rows: Iterable[Located]) -> list[str]:
    """Give the paths of a table of sites that no recording of the rows has, or lies in."""
    known: set[str] = {"."}
    for recording in {text_of(row.values.get("path")) for row in rows}:
        path, cut = _tidy(recording), "/"
        while cut:
            known.add(path)
            path, cut, _ = path.rpartition("/")
    return [path for path in sites if _tidy(path) not in known]


def _tidy(path: str) -> str:
    """Write a path with single forward slashes, and none at its end."""
    return "/".join(part for part in path.replace("\\", "/").split("/") if part not in ("", ".")) or "."
