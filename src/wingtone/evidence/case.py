"""One case: what is known of one bee, and the posterior over the line-up.

    ln posterior = ln prior(date, place) + ln P(tone) (or the trained model's) + sum of ln P(hint)

The terms are independent given the candidate, with three exceptions, all handled exactly:

- the size by eye depends on the tone through the ITD: it is judged against ITD *given* the tone;
- ``bands`` counts what ``collar``, ``scutellum`` and ``front-band`` show, `wingtone.evidence.bands`;
- ``behaviour`` goes with the pollen on the legs, and ``nest`` with the behaviour, `wingtone.evidence.doing`.

Conventions
-----------
Arrays over candidates have shape (n,), `wingtone.evidence.lineup`. All logarithms are natural.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from wingtone.evidence import observe
from wingtone.evidence.bands import BAND_PARTS, BANDS, bands_given_parts, can_count
from wingtone.evidence.doing import (
    BEHAVIOUR,
    LEGS,
    NEST,
    behaviour_given_legs,
    can_carry,
    can_go_in,
    going_in,
)
from wingtone.evidence.lineup import CASTES, SOMETHING_ELSE
from wingtone.evidence.prior import log_prior
from wingtone.evidence.tone_size import tone_terms
from wingtone.fauna import week_of

if TYPE_CHECKING:
    import datetime as dt

    from numpy.typing import NDArray

    from wingtone.evidence.answer import EvidenceKind
    from wingtone.evidence.lineup import Lineup
    from wingtone.evidence.tone_size import ToneCue, ToneTerms
    from wingtone.notebook.places import Place

    Floats = NDArray[np.float64]

__all__ = ["Case", "Likelihood", "answer_probabilities", "log_likelihood", "posterior"]


@dataclass(frozen=True)
class Likelihood:
    """What a trained classifier says of one recording, in place of the built-in tone likelihood.

    Attributes
    ----------
    classes
        Names among `wingtone.evidence.lineup.CASTES`, or any names with ``taxa`` beside them. A caste that is
        missing gets the mean likelihood; for taxa see `_taxon_term`.
    log_likelihood
        ln P(sound | class) up to a common constant: a classifier's ln posterior minus its ln training prior.
    name
        Name of the model, for the sentence of evidence.
    taxa
        For a classifier of taxa: the taxa of the fauna that each class stands for, by their scientific names.
        Empty for one of castes.
    """

    classes: tuple[str, ...]
    log_likelihood: tuple[float, ...]
    name: str = "model"
    taxa: tuple[tuple[str, ...], ...] = ()

    def __post_init__(self) -> None:
        if len(self.classes) != len(self.log_likelihood) or not self.classes:
            raise ValueError("a likelihood needs one number for each class")
        if self.taxa and (len(self.taxa) != len(self.classes) or not all(self.taxa)):
            raise ValueError("each class needs the taxa it stands for")
        if not self.taxa and (unknown := set(self.classes) - set(CASTES)):
            raise ValueError(
                f"no such caste: {', '.join(sorted(unknown))}; the castes are {', '.join(CASTES)}"
            )
        if not np.isfinite(self.log_likelihood).all():
            raise ValueError("log-likelihoods must be finite")


@dataclass(frozen=True)
class Case:
    """Everything known of one bee. ``hints`` are (character, state) in the order of the fauna."""

    date: dt.date | None = None
    place: Place | None = None
    temperature_c: float | None = None
    tone: ToneCue | None = None
    hints: tuple[tuple[str, str], ...] = ()
    model: Likelihood | None = None

    def hint(self, character: str) -> str | None:
        """Return the state reported for a character, or None."""
        return next((state for name, state in self.hints if name == character), None)

    @property
    def seen(self) -> bool:
        """Whether anything was seen that tells insects apart; how worn the hair is does not by itself."""
        return any(name != observe.CONDITION for name, _ in self.hints)

    @property
    def heard(self) -> bool:
        """Whether anything was heard of the insect."""
        return self.tone is not None or self.model is not None

    def without(self, kind: EvidenceKind, name: str = "") -> Case:
        """Return the case as if this piece of evidence had not been given.

        Without the model's word the tone does not come back in its place: they are one piece.
        """
        if kind == "hint":
            return dataclasses.replace(self, hints=tuple(hint for hint in self.hints if hint[0] != name))
        if kind in ("tone", "model"):
            return dataclasses.replace(self, tone=None, model=None)
        return (
            dataclasses.replace(self, date=None) if kind == "date" else dataclasses.replace(self, place=None)
        )

    def with_hint(self, character: str, state: str) -> Case:
        """Return the case with one more answer."""
        return dataclasses.replace(self, hints=(*self.without("hint", character).hints, (character, state)))

    @property
    def pieces(self) -> tuple[tuple[EvidenceKind, str], ...]:
        """Kind and name of every piece of evidence."""
        kinds: list[tuple[EvidenceKind, str]] = []
        if self.date is not None:
            kinds.append(("date", "date"))
        if self.place is not None:
            kinds.append(("place", "place"))
        if self.model is not None:
            kinds.append(("model", self.model.name))
        elif self.tone is not None:
            kinds.append(("tone", "tone"))
        return (*kinds, *(("hint", name) for name, _ in self.hints))


def tone_of(lineup: Lineup, case: Case) -> ToneTerms:
    """Return what the tone says of each candidate, `wingtone.evidence.tone_size.tone_terms`."""
    return tone_terms(lineup.tone, case.tone, temperature_c=case.temperature_c)


def log_likelihood(lineup: Lineup, case: Case) -> Floats:
    """Return ln P(tone or model, hints | candidate) up to a constant, shape (n,)."""
    tone = tone_of(lineup, case)
    if case.model is None:
        total = tone.log_likelihood
    elif case.model.taxa:
        total = _taxon_term(lineup, case, case.model, tone)
    else:
        total = _model_term(lineup, case.model)
    for character, state in case.hints:
        if character != observe.CONDITION:
            reports = _reports(lineup, case, character, tone)
            total = total + np.log(reports[:, lineup.traits[character].states.index(state)])
    return total


def posterior(lineup: Lineup, case: Case) -> Floats:
    """Return the posterior probability of every candidate, shape (n,); sums to 1."""
    return normalised(log_prior(lineup, case.date, case.place) + log_likelihood(lineup, case))


def normalised(log_weight: Floats) -> Floats:
    """Turn logarithms of weights into probabilities that sum to 1."""
    weight = np.exp(log_weight - log_weight.max())
    return np.asarray(weight / weight.sum())


def answer_probabilities(lineup: Lineup, case: Case, character: str) -> Floats:
    """Return P(answer to one question | candidate, the rest of the case), shape (n, n_states).

    What the case already says of the character is left out. The rows sum to 1, but for ``nest`` to the chance
    that there is an answer: that the insect is seen to go in at all.
    """
    rest = case.without("hint", character)
    if any(rest.hint(later) is not None for later in _told_given(lineup, character)):
        states = lineup.traits[character].states
        joint = np.stack(
            [log_likelihood(lineup, rest.with_hint(character, state)) for state in states], axis=1
        )
        weight = np.exp(joint - joint.max(axis=1, keepdims=True))
        return np.asarray(weight / weight.sum(axis=1, keepdims=True))
    return _reports(lineup, rest, character, tone_of(lineup, rest))


def _told_given(lineup: Lineup, character: str) -> tuple[str, ...]:
    """Give the characters that are judged given this one."""
    if character in BAND_PARTS and can_count(lineup):
        return (BANDS,)
    if character == LEGS and can_carry(lineup):
        return (BEHAVIOUR, NEST) if can_go_in(lineup) else (BEHAVIOUR,)
    return (NEST,) if character == BEHAVIOUR and can_go_in(lineup) else ()


def _reports(lineup: Lineup, case: Case, character: str, tone: ToneTerms) -> Floats:
    """P(reported state | candidate) of one character, given the tone and the characters it hangs on."""
    if character == observe.SIZE:
        return _size_reports(lineup.traits[character].states, tone)
    legs = case.hint(LEGS)
    if character == BEHAVIOUR and legs is not None and can_carry(lineup):
        return behaviour_given_legs(lineup, legs)
    if character == NEST and can_go_in(lineup):
        return _of_traits(lineup, case, NEST) * _goes_in(lineup, case, tone)[:, None]
    return _of_traits(lineup, case, character)


def _goes_in(lineup: Lineup, case: Case, tone: ToneTerms) -> Floats:
    """P(seen to go in somewhere | candidate, what it was seen to do), shape (n,)."""
    behaviour = case.hint(BEHAVIOUR)
    if behaviour is not None:
        return np.asarray(going_in(lineup)[:, lineup.traits[BEHAVIOUR].states.index(behaviour)])
    return np.asarray((going_in(lineup) * _reports(lineup, case, BEHAVIOUR, tone)).sum(axis=1))


def _of_traits(lineup: Lineup, case: Case, character: str) -> Floats:
    """P(reported state | candidate) of one character of the tables, given the parts of the bands."""
    condition = case.hint(observe.CONDITION)
    bald = observe.BALD_NOISE if condition == "bald" and character in observe.HAIR_CHARACTERS else 0.0
    fading = observe.fading_chance(None if case.date is None else week_of(case.date), condition)
    parts = {part: state for part, state in case.hints if part in BAND_PARTS}
    if character == BANDS and parts and can_count(lineup):
        return bands_given_parts(lineup, parts, fading=fading, bald=bald)
    return lineup.reports(character, fading=fading, bald=bald)


@lru_cache(maxsize=64)
def _size_reports(states: tuple[str, ...], tone: ToneTerms) -> Floats:
    """P(reported size | candidate); a fauna may ask for fewer sizes, other words than ours say nothing."""
    if not set(states) <= set(observe.SIZE_STATES):
        return np.full((len(tone.itd_var), len(states)), 1.0 / len(states))
    by_eye = observe.size_by_eye(tone.itd_mean_ln_mm, tone.itd_var)
    asked = by_eye[:, [observe.SIZE_STATES.index(state) for state in states]]
    return np.asarray(asked / asked.sum(axis=1, keepdims=True))


def _model_term(lineup: Lineup, model: Likelihood) -> Floats:
    values = np.array(model.log_likelihood)
    mean = values.max() + np.log(np.exp(values - values.max()).mean())
    by_class = np.array(
        [values[model.classes.index(caste)] if caste in model.classes else mean for caste in CASTES]
    )
    term = by_class[lineup.caste_class]
    term[lineup.taxon_of == lineup.taxa.index(SOMETHING_ELSE)] = mean
    return np.asarray(term)


def _taxon_term(lineup: Lineup, case: Case, model: Likelihood, tone: ToneTerms) -> Floats:
    """Let a classifier of taxa decide among the taxa it knows, and the built-in tone model all the rest.

        P(sound | taxon, caste) = P(sound | taxon) P(tone | taxon, caste) / P(tone | taxon)

    The model says how the known taxa compare, the tone how the castes of one taxon do, so nothing is counted
    twice. P(tone | taxon) is the mean over castes as they are met at that date and place. The model's
    likelihoods are scaled so that all known taxa together, as they are met, are as likely against those it
    never heard as the tone makes them.
    """
    log_tone = np.asarray(tone.log_likelihood, dtype=float)
    prior = log_prior(lineup, case.date, case.place)
    n = len(lineup.taxa)
    met, of_taxon = np.full(n, -np.inf), np.full(n, -np.inf)
    np.logaddexp.at(met, lineup.taxon_of, prior)
    entries = np.bincount(lineup.taxon_of, minlength=n)[lineup.taxon_of]
    absent = np.isinf(met[lineup.taxon_of])  # not met at all then: its castes count alike
    share = np.where(absent, -np.log(entries), prior - np.where(absent, 0.0, met[lineup.taxon_of]))
    np.logaddexp.at(of_taxon, lineup.taxon_of, share + log_tone)
    known = [lineup.taxa.index(name) for names in model.taxa for name in names]
    said = np.array([v for v, names in zip(model.log_likelihood, model.taxa, strict=True) for _ in names])
    weight = met[known] if np.isfinite(met[known]).any() else np.zeros(len(known))
    scale = np.logaddexp.reduce(weight + of_taxon[known]) - np.logaddexp.reduce(weight + said)
    moved = np.zeros(n)
    moved[known] = said + scale - of_taxon[known]
    return np.asarray(log_tone + moved[lineup.taxon_of])
