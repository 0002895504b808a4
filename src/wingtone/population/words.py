"""The summary and the cautions, in plain words.

- `summary_of`, `cautions_of`: sentences for a person, the main things first.
- `day_words`, `percent`: a day and a share as they stand in them.
"""

from __future__ import annotations

import datetime as dt
import math
from typing import TYPE_CHECKING

from wingtone.errors import how_many
from wingtone.population.comparison import ALPHA, LEAST_CLUSTERS
from wingtone.population.results import three_figures

if TYPE_CHECKING:
    from collections.abc import Sequence

    from wingtone.population.activity import Activity
    from wingtone.population.castes import Castes
    from wingtone.population.changeover import Changeover
    from wingtone.population.comparison import Comparison, Pair, Power
    from wingtone.population.expected import Expected
    from wingtone.population.individuals import Individual, Selection
    from wingtone.population.resampling import Clusters
    from wingtone.population.results import Counted, Tone
    from wingtone.population.thorax import Thorax

__all__ = ["cautions_of", "day_words", "percent", "summary_of"]

UNLIKE = 1.3
"""Other ways of counting bees are mentioned when they differ by more than this factor. Ours."""
FEW_DAYS = 10
"""Days below which the intervals of bees an hour fall short: 86 to 93 % in the benchmark with five days."""
MOST_PAIRS = 5
"""Pairs of groups that the summary names of a kind; the tables have them all. Ours."""
APART_DAYS = 14
"""Groups whose middle days lie further apart than this differ in season. Ours."""


def day_words(iso: str) -> str:
    """Write ``2026-05-19`` as ``19 May``."""
    day = dt.date.fromisoformat(iso)
    return f"{day.day} {day:%B}"


def percent(share: float) -> str:
    """Write a share as a percentage without false digits; 0 and 100 % are none and all."""
    whole = f"{100 * share:.0f} %"
    if whole == "0 %" and share > 0.0:
        return "under 1 %"
    return "over 99 %" if whole == "100 %" and share < 1.0 else whole


def summary_of(
    *,
    selection: Selection,
    counted: Sequence[Counted],
    cluster: str,
    group: str,
    tone: Tone | None,
    thorax: Thorax | None,
    castes: Castes | None,
    changeover: Changeover | None,
    comparison: Comparison | None,
    activity: Activity | None,
    power: Power | None,
) -> tuple[str, ...]:
    """Say what was found; ``cluster`` is what bees are alike in: a day or a recording.

    ``group`` is what is compared, or could be: a site, a month or a folder.
    """
    used = next(c for c in counted if c.used)
    if tone is None:
        return (_none_left(selection),)
    bees = how_many(used.n, "bee")
    lines = [f"{bees}, from {selection.n_used} of {how_many(selection.n_bouts, 'bout')}."]
    lines.append(_tone_words(tone, used.n))
    if thorax is not None:
        by = {q.probability: q.value for q in thorax.quantiles}
        lines.append(
            f"That sounds like bees of mostly {by[0.1]:.1f} to {by[0.9]:.1f} mm between the wing bases "
            f"(ITD), half of them below {by[0.5]:.1f} mm; all of it may be off by "
            f"{100 * (thorax.line_factor - 1):.0f} %."
        )
    if castes is not None:
        lines.append(_caste_words(castes))
    if changeover is not None and changeover.found:
        lines.append(
            f"Half are {_upper(castes)} from {day_words(changeover.date)} on (95 % interval "
            f"{day_words(changeover.low_date)} to {day_words(changeover.high_date)})."
        )
    elif changeover is not None and castes is not None and len(castes.groups) == 2:
        lines.append(f"No day of changeover can be given: {changeover.reason}.")
    if comparison is not None:
        lines += _comparison_words(comparison)
    if activity is not None and activity.rates:
        rate = activity.rates[0]
        lines.append(
            f"{three_figures(rate.rate)} bees an hour of listening{_ends(rate.low, rate.high)}, over "
            f"{three_figures(rate.hours)} hours on {how_many(rate.days, 'day')}."
        )
    elif activity is None:
        lines.append("Nothing is said of activity, as there is no table of how long was listened.")
    if power is not None:
        n, hz = power.bees_a_group[1], power.detectable_hz[1]
        lines.append(
            f"With this spread, and bees of a {cluster} as alike as here, {n} bees a {group} show a "
            f"difference of {hz:.0f} Hz with 80 % power."
        )
    return tuple(lines)


def _tone_words(tone: Tone, n: int) -> str:
    """Say where the tones of `n` bees lie, with one figure where the ends are told alike."""
    middle = next(q for q in tone.quantiles if q.probability == 0.5)
    interval = _ends(middle.low, middle.high, " Hz")
    low, high = (f"{q.value:.0f}" for q in tone.quantiles if q.probability in (0.1, 0.9))
    if low == high:
        return f"{'It flies' if n == 1 else 'The middle four fifths fly'} at {low} Hz{interval}."
    return (
        f"Half of them fly below {middle.value:.0f} Hz{interval}; the middle four fifths lie between {low} "
        f"and {high} Hz."
    )


def _none_left(selection: Selection) -> str:
    """Say that there is no bee, and what became of the bouts."""
    if not selection.n_bouts:
        return "There is no bout in it, so no bee to say anything about."
    reasons = ", ".join(f"{reason} ({n})" for reason, n in selection.dropped)
    return (
        f"No bee is left of {how_many(selection.n_bouts, 'bout')}, so nothing can be said about size. "
        f"Left out: {reasons}."
    )


def _ends(low: float, high: float, unit: str = "") -> str:
    if math.isnan(low) or math.isnan(high):
        return ""
    least, most = (f"{end:.0f}" if unit else three_figures(end) for end in (low, high))
    return f" (95 % interval {least} to {most}{unit})"


def _upper(castes: Castes | None) -> str:
    return castes.groups[1].name if castes is not None and len(castes.groups) == 2 else "workers"


def _caste_words(castes: Castes) -> str:
    if castes.answer == "too few bees":
        return "There are too few bees to ask about castes."
    if castes.answer == "none expected":
        return "The fauna expects none of these bees at these dates, so castes were not asked about."
    if castes.answer == "one group expected":
        return f"At these dates only {castes.groups[0].name} are expected, so castes were not told apart."
    lower, upper = castes.groups
    if castes.answer == "two groups":
        return (
            f"The tones fall into two groups: {lower.name} near {lower.tone_hz:.0f} Hz, "
            f"{percent(lower.share)} of the "
            f"bees (95 % interval {percent(lower.low)} to {percent(lower.high)}), and {upper.name} near "
            f"{upper.tone_hz:.0f} Hz, {percent(upper.share)} ({percent(upper.low)} to {percent(upper.high)})."
        )
    name, chance = castes.one_group[0]
    why = "one group explains the tones as well as two"
    if castes.one_refuted:
        why = "one group does not explain the tones, but with other recordings of them one might be left"
    return (
        f"Castes cannot be separated: {why}. If it is one, it is likeliest of "
        f"{name} ({percent(chance)}); the share of {lower.name} may be anything from {percent(lower.low)} to "
        f"{percent(lower.high)}."
    )


def _comparison_words(comparison: Comparison) -> list[str]:
    if not comparison.groups:
        return ["No bee belongs to a group, so there is nothing to compare."]
    if len(comparison.groups) == 1:
        return [f"All bees are of one group, {comparison.groups[0].name}, so there is nothing to compare."]
    if not comparison.pairs:
        return [
            f"Too few {comparison.cluster}s to compare the groups: two of them need {LEAST_CLUSTERS} or more."
        ]
    lines = []
    tested = sorted((pair for pair in comparison.pairs if pair.tested), key=lambda pair: pair.p_holm)
    clear = [pair for pair in tested if pair.p_holm <= ALPHA]
    for pair in clear[:MOST_PAIRS]:
        side = "higher" if pair.difference_hz > 0 else "lower"
        low, high = sorted((abs(pair.low_hz), abs(pair.high_hz)))
        if pair.low_hz < 0 < pair.high_hz:
            low = 0.0
        interval = "" if math.isnan(pair.low_hz) else f"95 % interval {low:.0f} to {high:.0f} Hz; "
        lines.append(
            f"{pair.second} sounds {abs(pair.difference_hz):.0f} Hz {side} than {pair.first} ({interval}p = "
            f"{pair.p_holm:.2g}{' after correction' if len(tested) > 1 else ''})."
        )
    if tested and not clear:
        pair = tested[0]
        which = f"{pair.first} and {pair.second} do not differ"
        if len(tested) > 1:
            could = "" if len(tested) == len(comparison.pairs) else " that could be tested"
            which = f"No two groups{could} differ"
        lines.append(
            f"{which} clearly (least p = {pair.p_holm:.2g}; {_minus(pair)}). "
            "That is not proof that they are alike."
        )
    return lines + _untested_words(comparison)


def _untested_words(comparison: Comparison) -> list[str]:
    """Give the effects of the pairs that have too few recordings to be tested, and claim nothing of them."""
    kind = f"{comparison.cluster}s"
    number = {group.name: group.n_clusters for group in comparison.groups}
    pairs = [pair for pair in comparison.pairs if not pair.tested]
    lines = [
        f"Too few {kind} to test whether {pair.first} and {pair.second} differ: {number[pair.first]} and "
        f"{number[pair.second]} {kind} give a p of {pair.least_p:.2g} at the least"
        f"{', before the correction for several pairs' if pair.least_p <= ALPHA else ''} ({_minus(pair)})."
        for pair in pairs[:MOST_PAIRS]
    ]
    if len(pairs) > MOST_PAIRS:
        lines.append(f"The same holds for {how_many(len(pairs) - MOST_PAIRS, 'other pair')} of groups.")
    return lines


def _minus(pair: Pair) -> str:
    """Write the effect of a pair with its sign."""
    effect = f"{pair.second} minus {pair.first}: {round(pair.difference_hz):+d} Hz"
    if math.isnan(pair.low_hz):
        return effect
    return f"{effect}, 95 % interval {round(pair.low_hz):+d} to {round(pair.high_hz):+d} Hz"


def cautions_of(
    *,
    individuals: Sequence[Individual],
    counted: Sequence[Counted],
    clusters: Clusters,
    castes: Castes | None,
    changeover: Changeover | None,
    comparison: Comparison | None,
    activity: Activity | None,
    expected: Expected,
    n_ungrouped: int,
) -> tuple[str, ...]:
    """Say what to keep in mind."""
    lines = [
        "Pitch is a cue of size, not a measure: within a species the two hang together loosely.",
        "Recordings are no random sample of bees: where, when and how near somebody recorded decides who is "
        "heard, "
        "and the intervals know nothing of that.",
    ]
    used = next(c for c in counted if c.used)
    others = [c for c in counted if not c.used and max(c.n, 1) > UNLIKE * max(used.n, 1)]
    others += [c for c in counted if not c.used and max(used.n, 1) > UNLIKE * max(c.n, 1)]
    if others:
        few, most = min(c.n for c in counted), max(c.n for c in counted)
        lines.append(
            f"How many bees there were is itself unsure: other ways of counting give {few} to {most}. A bee "
            "that "
            "comes back later counts again."
        )
    if expected.not_bumblebees > 0.05 and individuals:
        lines.append(
            "Every flight is taken for a bumblebee's. The fauna expects "
            f"{percent(expected.not_bumblebees)} of the insects met to be something else, hoverflies and "
            "hive bees "
            "mostly, and their pitch says nothing about size: leave out those that you know."
        )
    if castes is not None and castes.answer in ("two groups", "cannot be separated") and not expected.named:
        lines.append(
            "Two species of different size sound like two castes. Where you know the species, name it "
            "(--taxon), and castes are told apart better."
        )
    if castes is not None and len(castes.bic) == 3 and castes.bic[2] < min(castes.bic[:2]) - 6:
        lines.append("Three groups describe the tones better than two; another species may be among them.")
    if not any(one.day for one in individuals) and individuals:
        lines.append("No bee has a date, so the season could not help.")
    elif any(one.day is None for one in individuals):
        n = sum(one.day is None for one in individuals)
        have = "has" if n == 1 else "have"
        lines.append(f"{n} of the bees {have} no date; the season counts for the others only.")
    if individuals and clusters.kind == "recording":
        lines.append("Too few days to resample days: the spread from day to day is not in the intervals.")
    if 0 < clusters.n < 10:
        lines.append(f"All rests on {how_many(clusters.n, clusters.kind)}; intervals from so few are rough.")
    if changeover is not None and changeover.left_out:
        lines.append(
            f"{how_many(changeover.left_out, 'bee')} from after the time when new queens begin to fly took "
            "no part in the changeover."
        )
    if changeover is not None and len(changeover.years) > 1 and changeover.found:
        lines.append("Years are put on top of one another; the changeover differs from year to year.")
    if comparison is not None:
        lines += _season_cautions(individuals)
        if n_ungrouped:
            belong = "belongs" if n_ungrouped == 1 else "belong"
            lines.append(
                f"{how_many(n_ungrouped, 'bee')} {belong} to no group and took no part in the comparison."
            )
        if comparison.skipped:
            named = ", ".join(comparison.skipped[:6])
            lines.append(f"Too few recordings or days to compare: {named}.")
        if any(not pair.tested for pair in comparison.pairs):
            lines.append(
                "Where there are too few recordings to test, the interval of a difference is all there is, "
                "and it takes on trust that recordings scatter evenly about their mean."
            )
    if activity is not None and activity.rates:
        lines.append(
            "Bees an hour hold for recorders that were left running: clips that somebody started because a "
            "bee was there say nothing about it."
        )
        if activity.rates[0].days < FEW_DAYS:
            lines.append("Bees an hour of so few days: where days differ much, its intervals are too narrow.")
    if activity is not None and activity.without_time:
        come = "comes" if activity.without_time == 1 else "come"
        lines.append(
            f"{how_many(activity.without_time, 'bee')} {come} from recordings without a date or without "
            "effort: not counted in the activity."
        )
    if activity is not None and activity.without_hour and any(rate.by == "hour" for rate in activity.rates):
        lines.append(
            f"{how_many(activity.without_hour, 'bee')} flew at an hour that is not known, or in which "
            "nothing was listened to by the table of listening: counted in the activity, but at no hour of "
            "the day."
        )
    return tuple(lines)


def _season_cautions(individuals: Sequence[Individual]) -> list[str]:
    """Warn where groups were recorded at different times of the season."""
    days: dict[str, list[int]] = {}
    for one in individuals:
        if one.group and one.day is not None:
            days.setdefault(one.group, []).append(one.day.timetuple().tm_yday)
    middles = [sorted(of)[len(of) // 2] for of in days.values()]
    if len(middles) > 1 and max(middles) - min(middles) > APART_DAYS:
        return [
            "The groups were recorded at different times of the season, which alone makes tones differ: "
            "queens come "
            "first, and late workers sound small."
        ]
    return []
