"""The sentences of an answer, made from the numbers for any fauna.

One function for each kind of evidence; every sentence is plain and stands alone.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from wingtone.fauna import week_of
from wingtone.identify.case import answer_probabilities, tone_of
from wingtone.identify.dates import week_words
from wingtone.identify.lineup import CASTES, NOT_A_BUMBLEBEE
from wingtone.identify.observe import CONDITION
from wingtone.identify.prior import log_prior
from wingtone.identify.tone_size import mixture_quantile, size_words, tone_band_hz

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from wingtone.identify.answer import EvidenceKind
    from wingtone.identify.case import Case
    from wingtone.identify.lineup import Lineup

    Floats = NDArray[np.float64]

__all__ = ["evidence_sentence", "plural", "size_sentence", "who"]

_PLURAL = {"queen": "queens", "worker": "workers", "male": "males", "cuckoo female": "cuckoo females"}
_CONDITION = {
    "fresh": "The bee was fresh, so its colours are taken much as they look.",
    "faded": "The bee was faded, so its colours may have been stronger once.",
    "bald": "The bee was worn bald, so the colours of its hair count for little.",
}
ONLY = 0.97
MOSTLY = 0.85
FEW = 0.05
"""Shares of the bumblebees on the wing from which the words only, mostly and "also" hold. Ours."""


def plural(caste: str) -> str:
    """Give the plural of a caste; a caste without sexes told apart is ``insects``."""
    return _PLURAL.get(caste, f"{caste}s" if caste not in ("adult", "any", NOT_A_BUMBLEBEE) else "insects")


def who(lineup: Lineup, candidate: int) -> str:
    """Name a candidate in the plural: ``queens of Bombus terrestris``."""
    taxon = lineup.taxa[lineup.taxon_of[candidate]]
    if candidate == len(lineup) - 1:
        return "insects not in the fauna"
    return f"{plural(lineup.castes[candidate])} of {taxon}"


def evidence_sentence(
    lineup: Lineup,
    case: Case,
    kind: EvidenceKind,
    name: str,
    rest: Floats,
    leading: NDArray[np.bool_],
    top: int,
) -> str:
    """Say in one plain sentence what a piece of evidence means.

    Parameters
    ----------
    rest
        Posterior without this piece, shape (n,).
    leading
        Candidates of the leading name, shape (n,).
    top
        The likeliest candidate of the leading name.
    """
    if kind == "date":
        return _date(lineup, case, top)
    if kind == "place":
        return _place(lineup, case, leading, top)
    if kind == "tone":
        return _tone(lineup, case, top)
    if kind == "model":
        return _model(case)
    return _hint(lineup, case, name, rest, leading, top)


def _date(lineup: Lineup, case: Case, top: int) -> str:
    assert case.date is not None
    prior = np.exp(log_prior(lineup, case.date, case.place))
    shares = lineup.by_caste(np.where(lineup.is_bumblebee, prior, 0.0))
    when = week_words(case.date)
    total = shares.sum()
    flying = sorted(
        (
            (share / total, CASTES[i])
            for i, share in enumerate(shares)
            if total > 0.0 and share >= FEW * total
        ),
        reverse=True,
    )
    if not flying:
        text = f"Hardly any bumblebee flies in {when}"
    elif flying[0][0] >= ONLY:
        text = f"Only {plural(flying[0][1])} fly in {when}"
    elif len(flying) == 1 or flying[0][0] >= MOSTLY:
        text = f"Mostly {plural(flying[0][1])} fly in {when}"
    else:
        castes = [plural(caste) for _, caste in flying]
        text = f"{_listed(castes).capitalize()} fly in {when}"
    if top == len(lineup) - 1:
        return text + "."
    season = lineup.fauna.season(week_of(case.date), None if case.place is None else case.place.latitude_deg)
    along = season[top] / max(float(lineup.year[:, top].max()), 1e-12)
    if along >= 0.5:
        return f"{text}; {who(lineup, top)} are in season."
    if along >= FEW:
        return f"{text}; {who(lineup, top)} are at the edge of their season."
    return f"{text}; {who(lineup, top)} are hardly ever seen then."


def _place(lineup: Lineup, case: Case, leading: NDArray[np.bool_], top: int) -> str:
    here = float(np.exp(log_prior(lineup, case.date, case.place))[leading].sum())
    anywhere = float(np.exp(log_prior(lineup, case.date, None))[leading].sum())
    name = lineup.taxa[lineup.taxon_of[top]]
    if here < 0.001:
        return f"{name} is hardly ever met here."
    ratio = here / max(anywhere, 1e-12)
    how = (
        "more often met here than"
        if ratio > 1.15
        else "less often met here than"
        if ratio < 0.87
        else "met here as often as"
    )
    return f"{name} is {how} elsewhere in the area."


def _tone(lineup: Lineup, case: Case, top: int) -> str:
    assert case.tone is not None
    hz = f"A tone of {case.tone.f0_hz:.0f} Hz"
    low, high = tone_band_hz(lineup.tone, top)
    if not math.isfinite(low):
        return f"{hz} fits none of the insects of the fauna well."
    below = float(tone_of(lineup, case).cdf[top])
    how = "is high for" if below > 0.9 else "is low for" if below < 0.1 else "is right for"
    return f"{hz} {how} {who(lineup, top)} (nine in ten sound between {low:.0f} and {high:.0f} Hz)."


def _model(case: Case) -> str:
    assert case.model is not None
    values = np.array(case.model.log_likelihood)
    share = np.exp(values - values.max())
    best = int(share.argmax())
    return (
        f"The trained model {case.model.name} hears {_a(case.model.classes[best])} "
        f"({100.0 * share[best] / share.sum():.0f} % if all its classes were equally common)."
    )


def _hint(lineup: Lineup, case: Case, name: str, rest: Floats, leading: NDArray[np.bool_], top: int) -> str:
    state = case.hint(name)
    assert state is not None
    if name == CONDITION:
        return _CONDITION.get(state, "The condition of the hair changes how its colours are read.")
    answers = answer_probabilities(lineup, case, name)[:, lineup.traits[name].states.index(state)]

    def of(mask: NDArray[np.bool_]) -> float:
        weight = np.where(mask, rest, 0.0)
        return float(weight @ answers / weight.sum()) if weight.sum() > 0.0 else math.nan

    ours, others = of(leading), of(~leading)
    taxon = lineup.taxa[lineup.taxon_of[top]]
    text = f"Of 100 people looking at {taxon}, {_in_100(ours)} would say {name} {state}"
    if not math.isfinite(others):
        return f"{text}."
    return f"{text}; of 100 looking at what else it could be, {_in_100(others)}."


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
        text = "Probably not a bumblebee, and then the tone says nothing about the size."
        return math.nan, math.nan, math.nan, "", text
    terms = tone_of(lineup, case)
    mean, sd = np.nan_to_num(terms.itd_mean_ln_mm), np.sqrt(np.nan_to_num(terms.itd_var, nan=1.0))
    low, middle, high = (
        math.exp(mixture_quantile(weight, mean, sd, q)) for q in (0.5 - level / 2, 0.5, 0.5 + level / 2)
    )
    least, most = size_words(low), size_words(high)
    span = least if least == most else f"{least} to {most}"
    text = (
        f"Sounds like {_a(span)} bumblebee, {low:.1f} to {high:.1f} mm across the thorax between the wings."
    )
    return middle, low, high, size_words(middle), text


def _in_100(probability: float) -> str:
    """Write a probability as a whole number in a hundred; below one as ``fewer than 1``."""
    return "fewer than 1" if probability < 0.005 else f"{min(round(100.0 * probability), 99)}"


def _a(words: str) -> str:
    return words if words.startswith("not ") else f"{'an' if words[:1] in 'aeiou' else 'a'} {words}"


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"
