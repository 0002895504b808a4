"""The sentences of an answer, made from the numbers for any fauna.

One function for each kind of evidence; every sentence is plain and stands alone.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from wingtone.evidence.answer import percent
from wingtone.evidence.case import answer_probabilities, tone_of
from wingtone.evidence.dates import week_words
from wingtone.evidence.lineup import CASTES, NOT_A_BUMBLEBEE
from wingtone.evidence.observe import CONDITION
from wingtone.evidence.prior import activity, in_season, is_outside, log_prior
from wingtone.evidence.tone_size import itd_interval, size_words, tone_band_hz
from wingtone.fauna import SEASON_FLOOR

if TYPE_CHECKING:
    import datetime as dt

    from numpy.typing import NDArray

    from wingtone.evidence.case import Case
    from wingtone.evidence.lineup import Lineup
    from wingtone.evidence.weigh import Weighed
    from wingtone.notebook.places import Place

    Floats = NDArray[np.float64]

__all__ = ["LITTLE_BITS", "evidence_sentence", "plural", "plural_name", "size_sentence", "who"]

_CONDITION = {
    "fresh": "The bee was fresh, so its colours are taken much as they look.",
    "faded": "The bee was faded, so its colours may have been stronger once.",
    "bald": "The bee was worn bald, so the colours of its hair count for little.",
}
LITTLE_BITS = 0.3
"""Below this weight a piece is said to tell little, and its sentence need not tell for or against. Ours."""

ALMOST_ONLY = 0.97
MOSTLY = 0.85
FEW = 0.05
"""Shares of the bumblebees on the wing from which the words "hardly any but", mostly and "also" hold; below
the last, of the best week of the year, few fly at all. Ours."""

HARDLY_ANY = 0.002
"""Share of the best week of the year below which hardly any bumblebee flies. Ours: half of what the winter
nests of the south make (Stelzer et al. 2010), and more than twice what floors alone make in the north."""

ABOVE_FLOOR = 3.0 * SEASON_FLOOR
"""Share of its best week from which a bee is said to fly; below it no more is known than that nothing is
impossible. Ours."""

RARE = 0.001
"""Share of all that a fauna lists below which a bee is called rare. Ours: one in a thousand."""

MORE, LESS = 1.15, 0.87
"""Ratios to elsewhere from which a part is called larger or smaller; about the same in between. Ours."""


def plural(caste: str) -> str:
    """Give the plural of a caste; a caste without sexes told apart is ``insects``."""
    return f"{caste}s" if caste not in ("adult", "any", NOT_A_BUMBLEBEE) else "insects"


def plural_name(lineup: Lineup, candidate: int) -> str:
    """Give the plain name of a candidate's taxon in the plural: ``Tree bumblebees``, ``Drone-flies``."""
    if candidate == len(lineup) - 1:
        return "insects not in the fauna"
    name = str(lineup.vernaculars[lineup.taxon_of[candidate]])
    if name.endswith("s"):
        return name
    return f"{name[:-1]}ies" if name.endswith("fly") else f"{name}s"


def who(lineup: Lineup, candidate: int) -> str:
    """Name a candidate in the plural: ``Tree bumblebee queens``, ``queens of Common and German wasps``."""
    caste, name = lineup.castes[candidate], plural_name(lineup, candidate)
    if candidate == len(lineup) - 1 or plural(caste) == "insects":
        return name
    if caste == "cuckoo female":
        caste = "female"  # its name says that it is a cuckoo
    singular = lineup.vernaculars[lineup.taxon_of[candidate]]
    return f"{plural(caste)} of {name}" if singular == name else f"{singular} {plural(caste)}"


def evidence_sentence(
    lineup: Lineup, case: Case, piece: Weighed, leading: NDArray[np.bool_], top: int, label: str
) -> str:
    """Say in one plain sentence what a piece of evidence means.

    Parameters
    ----------
    piece
        As weighed for the leading name.
    leading
        Candidates of the leading name, shape (n,).
    top
        The likeliest candidate of the leading name.
    label
        The leading name in the plural, in words.
    """
    if piece.kind == "date":
        return _date(lineup, case, piece.weight_bits, top)
    if piece.kind == "place":
        return _place(lineup, case, piece.weight_bits, leading, label)
    if piece.kind == "tone":
        return _tone(lineup, case, piece.weight_bits, top)
    if piece.kind == "model":
        return _model(case)
    return _hint(lineup, case, piece, leading, label)


def _date(lineup: Lineup, case: Case, weight_bits: float, top: int) -> str:
    assert case.date is not None
    prior = np.exp(log_prior(lineup, case.date, case.place))
    season = in_season(lineup, case.date, case.place)
    fly = lineup.is_bumblebee & np.append(season >= ABOVE_FLOOR, False)
    shares = lineup.by_caste(np.where(fly, prior, 0.0))
    active = activity(lineup, case.date, case.place)
    share = shares / max(shares.sum(), 1e-300) if active >= HARDLY_ANY else np.zeros_like(shares)
    ranked = [(share[i], plural(CASTES[i])) for i in np.argsort(-share) if share[i] >= FEW]
    text = _flying(ranked, week_words(case.date))
    few = bool(ranked) and active < FEW
    if few:
        text += ", but few"
    if ranked and not lineup.is_bumblebee[top] and top != len(lineup) - 1:
        text = f"Among bumblebees, {_run_on(text)}"
    if is_outside(lineup, case.place):
        text = f"In the area of this fauna, {_run_on(text)}"
    if top == len(lineup) - 1:
        return text + "."
    along = float(season[top])
    if along >= 0.5:
        others = ", but less than others it could be" if weight_bits <= -LITTLE_BITS else ""
        return f"{text}; {who(lineup, top)} are in season{others}."
    if along >= FEW:
        return f"{text}; {who(lineup, top)} are at the edge of their season."
    if few and prior[top] >= FEW:
        return f"{text}; {who(lineup, top)} are among them."
    others = ", but others it could be are scarcer still" if weight_bits >= LITTLE_BITS else ""
    return f"{text}; {who(lineup, top)} are hardly ever seen then{others}."


def _flying(ranked: list[tuple[float, str]], when: str) -> str:
    """Say which castes of bumblebees fly; `ranked` holds share and plural, the commonest first."""
    if not ranked:
        return f"Hardly any bumblebee flies in {when}"
    share, first = ranked[0]
    if share >= ALMOST_ONLY:
        return f"Hardly any but {first} fly in {when}"
    if len(ranked) == 1 or share >= MOSTLY:
        return f"Mostly {first} fly in {when}"
    return f"{_listed([caste for _, caste in ranked]).capitalize()} fly in {when}"


def _place(lineup: Lineup, case: Case, weight_bits: float, leading: NDArray[np.bool_], label: str) -> str:
    if is_outside(lineup, case.place):
        return "The place lies outside the area of this fauna, so other insects are likelier."
    if leading[-1]:
        return "Insects not in the fauna may turn up anywhere."
    here, anywhere = _met_as(lineup, leading, case.date, case.place)
    name = f"{label[:1].upper()}{label[1:]}"
    ratio = here / max(anywhere, 1e-12)
    rare_here, rare = (share < RARE for share in _met_as(lineup, leading, None, case.place))
    if rare_here and ratio < LESS and weight_bits < 0.0:
        return f"{name} are hardly ever met here."
    if rare and rare_here and ratio >= LESS:
        return f"{name} are rare everywhere, {'but less so here' if ratio > MORE else 'and no rarer here'}."
    part = "a larger part" if ratio > MORE else "a smaller part" if ratio < LESS else "about the same part"
    than = "as" if part.startswith("about") else "than"
    # The share is of all that flies, the weight is against what the rest leaves possible.
    others = ""
    if weight_bits <= -LITTLE_BITS and ratio >= LESS:
        others = ", but less so than others it could be"
    elif weight_bits >= LITTLE_BITS and ratio <= MORE:
        others = ", but others it could be are scarcer still"
    return f"{name} are {part} of what flies here {than} elsewhere{others}."


def _met_as(
    lineup: Lineup, leading: NDArray[np.bool_], date: dt.date | None, place: Place | None
) -> tuple[float, float]:
    """Share of all that is met at a place, and anywhere, that goes by the leading name."""
    here, anywhere = (float(np.exp(log_prior(lineup, date, at))[leading].sum()) for at in (place, None))
    return here, anywhere


def _tone(lineup: Lineup, case: Case, weight_bits: float, top: int) -> str:
    assert case.tone is not None
    hz = f"A tone of {case.tone.f0_hz:.0f} Hz"
    low, high = tone_band_hz(lineup.tone, top)
    if not math.isfinite(low):
        if weight_bits <= 0.0:
            return f"{hz} fits what is in the fauna, so something else is less likely."
        return f"{hz} fits none of the insects of the fauna well."
    below = float(tone_of(lineup, case).cdf[top])
    how = "is high for" if below > 0.9 else "is low for" if below < 0.1 else "fits"
    # How it fits is that of one caste alone, the weight is against what the rest leaves possible.
    others = ""
    if weight_bits <= -LITTLE_BITS and how == "fits":
        others = ", but speaks more for others it could be"
    elif weight_bits >= LITTLE_BITS and how != "fits":
        others = ", but speaks still more against others it could be"
    return f"{hz} {how} {who(lineup, top)} (nine in ten sound between {low:.0f} and {high:.0f} Hz){others}."


def _model(case: Case) -> str:
    assert case.model is not None
    values = np.array(case.model.log_likelihood)
    share = np.exp(values - values.max())
    best = int(share.argmax())
    named = case.model.classes[best]
    return (
        f"The trained model {case.model.name} hears {named if case.model.taxa else _a(named)} "
        f"({percent(share[best] / share.sum())} if all its classes were equally common)."
    )


def _hint(lineup: Lineup, case: Case, piece: Weighed, leading: NDArray[np.bool_], label: str) -> str:
    name, rest = piece.name, piece.rest
    state = case.hint(name)
    assert state is not None
    if name == CONDITION:
        return _CONDITION.get(state, "The condition of the hair changes how its colours are read.")
    answers = answer_probabilities(lineup, case, name)[:, lineup.traits[name].states.index(state)]

    def of(mask: NDArray[np.bool_]) -> float:
        weight = np.where(mask, rest, 0.0)
        return float(weight @ answers / weight.sum()) if weight.sum() > 0.0 else math.nan

    ours, others = of(leading), of(~leading)
    if leading[-1] and math.isfinite(others):
        return f'People say "{name} {state}" of {_in_100(others)} in 100 of the known insects it could be.'
    text = f'People say "{name} {state}" of {_in_100(ours)} in 100 {label}'
    if not math.isfinite(others):
        return f"{text}."
    return f"{text}, and of {_in_100(others)} in 100 of what else it could be."


def size_sentence(
    lineup: Lineup, case: Case, probability: Floats, level: float
) -> tuple[float, float, float, str, str]:
    """Return median, low and high of ITD in mm, the size class in words, and a sentence.

    The sizes of the bumblebees in the line-up, each given its tone, weighted with their posterior. NaNs and
    an empty class without a tone, or when the insect is probably not a bumblebee.
    """
    if case.tone is None:
        return math.nan, math.nan, math.nan, "", "Without a tone nothing is said about the size."
    weight = np.where(lineup.is_bumblebee, probability, 0.0)
    if weight.sum() < 0.5:
        what = "Perhaps no bumblebee" if is_outside(lineup, case.place) else "Probably not a bumblebee"
        text = f"{what}, and then the tone says nothing about the size."
        return math.nan, math.nan, math.nan, "", text
    low, middle, high = itd_interval(tone_of(lineup, case), weight, level=level)
    least, most = size_words(low), size_words(high)
    span = least if least == most else f"{least} to {most}"
    if is_outside(lineup, case.place):
        how = "is by sound and sight" if case.seen else "sounds like"
        text = f"If it is like the bumblebees of this fauna, it {how} {_a(span)} one"
    else:
        text = f"{'By sound and sight,' if case.seen else 'Sounds like'} {_a(span)} bumblebee"
    text += f" ({low:.1f} to {high:.1f} mm between the wing bases)."
    return middle, low, high, size_words(middle), text


def _in_100(probability: float) -> str:
    """Write a probability as a whole number in a hundred; below one as ``fewer than 1``."""
    return "fewer than 1" if probability < 0.005 else f"{min(round(100.0 * probability), 99)}"


def _a(words: str) -> str:
    return words if words.startswith("not ") else f"{'an' if words[:1] in 'aeiou' else 'a'} {words}"


def _run_on(text: str) -> str:
    """Give a sentence without its capital, to stand behind other words."""
    return f"{text[:1].lower()}{text[1:]}"


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
