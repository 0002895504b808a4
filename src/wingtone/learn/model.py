"""A trained model: plain numbers, what it was trained on, and how good it is. Its word as a likelihood.

- `Model`: the whole of it
- `word_of`, `model_words`: what it says of one bee, and of each bee of a recording
- `check_usable`: whether its classes can enter an identification
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from wingtone.errors import RequestError
from wingtone.evidence.case import Likelihood
from wingtone.evidence.lineup import CASTES

if TYPE_CHECKING:
    import os
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from wingtone.fauna import Fauna
    from wingtone.learn.assessment import Assessment
    from wingtone.learn.dataset import Heard
    from wingtone.learn.numbers import Numbers
    from wingtone.tone.results import Bout, ToneResult

    Floats = NDArray[np.float64]

__all__ = ["Model", "Word", "check_usable", "model_words", "word_of"]

MOST_SHARED = 0.2
"""Share of a flight that may overlap with another bee's before the model is not asked about it. Ours: it was
trained on bees by themselves, and where two sound at once each is heard through the other."""


@dataclass(frozen=True, eq=False)
class Model:
    """A trained classifier.

    Attributes
    ----------
    name
        Short, for the sentence of evidence.
    target
        ``caste`` or ``taxon``.
    classes, features
        In the order of the arrays.
    features_version
        That of `wingtone.learn.features` when it was trained.
    numbers
        The arrays.
    card
        ``title``, ``text`` and, when it must be told each time it is used, ``notice``.
    training
        Counts, seed and checksums of what it was trained on.
    assessment
        How good it is on groups it has not heard.
    wingtone_version
        Of the program that trained it.
    """

    name: str
    target: str
    classes: tuple[str, ...]
    features: tuple[str, ...]
    features_version: int
    numbers: Numbers
    card: Mapping[str, str]
    training: Mapping[str, Any]
    assessment: Assessment
    wingtone_version: str

    @property
    def notice(self) -> str:
        """What must be said whenever it is used; empty when nothing."""
        return self.card.get("notice", "")


@dataclass(frozen=True)
class Word:
    """What a model says of one individual.

    Attributes
    ----------
    likelihood
        None when no bout is like anything in its training: the built-in cue then stands.
    n_bouts, n_out_of_range
        Flight bouts heard, and how many of them were left out as unlike anything in the training.
    n_overlapped
        How many more were left out because another bee sounded at the same time.
    """

    likelihood: Likelihood | None
    n_bouts: int
    n_out_of_range: int
    n_overlapped: int = 0

    @property
    def warnings(self) -> tuple[tuple[str, str], ...]:
        """Pairs of a short code and a sentence; empty when all is well."""
        if self.n_overlapped and self.likelihood is None:
            what = (
                "Another bee sounded at the same time, and the model knows bees by themselves: the built-in "
                "cue was used instead."
            )
            return (("model not used", what),)
        if self.n_bouts and self.likelihood is None:
            what = (
                "The flight is unlike anything the model was trained on: the built-in cue was used instead."
            )
            return (("out of range", what),)
        if self.n_out_of_range:
            what = (
                f"{self.n_out_of_range} of {self.n_bouts} bouts are unlike anything the model was trained on "
                "and were left out of its judgement."
            )
            return (("out of range", what),)
        return ()


def check_usable(model: Model, *, fauna: Fauna | None = None) -> tuple[tuple[str, ...], ...]:
    """Refuse a model whose classes cannot enter an identification.

    Parameters
    ----------
    fauna
        Whose taxa a model of taxa may tell; None where only castes will do.

    Returns
    -------
    tuple of tuples of str
        The taxa that each class stands for, an aggregate for its members; empty for a model of castes.

    Raises
    ------
    RequestError
        Its classes are neither castes nor taxa of the fauna, or two of them stand for one taxon.
    """
    if model.target == "caste" and set(model.classes) <= set(CASTES):
        return ()
    if model.target == "caste" or fauna is None:
        raise RequestError(
            f"the model {model.name} tells {', '.join(model.classes[:4])}; only castes can enter here",
            remedy="train one with wingtone train --target caste",
        )
    aggregates = {
        name.casefold(): one.members for one in fauna.aggregates for name in (one.aggregate, one.vernacular)
    }
    taxa: list[tuple[str, ...]] = []
    for name in model.classes:
        try:
            taxa.append(aggregates.get(name.casefold()) or (fauna.taxon(name).taxon,))
        except RequestError as error:
            raise RequestError(
                f"the model {model.name} tells {name}, but {error.what}",
                remedy=error.remedy,
            ) from error
    every = [taxon for names in taxa for taxon in names]
    twice = sorted({taxon for taxon in every if every.count(taxon) > 1})
    if twice:
        raise RequestError(
            f"two classes of the model {model.name} stand for {', '.join(twice)}",
            remedy="train it with one name for each taxon",
        )
    return tuple(taxa)


def word_of(model: Model, heard: Heard, *, fauna: Fauna | None = None) -> Word:
    """Return what a model says of one individual.

    The bouts of one individual are alike, so their evidence is pooled and not added up: the log-likelihood is
    the mean over the bouts in range, each weighted by its length.

    Raises
    ------
    RequestError
        See `check_usable`.
    """
    taxa = check_usable(model, fauna=fauna)
    n = len(heard.flight)
    good = model.numbers.in_range(heard.table) if n else np.zeros(0, bool)
    if not good.any():
        return Word(None, n, n)
    length = np.array([bout.duration_s for bout in heard.flight])[good]
    each = model.numbers.log_likelihood(heard.table[good])
    pooled = np.average(each, axis=0, weights=np.maximum(length, 1e-3))
    values = tuple(float(v) for v in pooled - pooled.max())
    return Word(Likelihood(model.classes, values, model.name, taxa), n, int((~good).sum()))


def model_words(
    model: Model,
    path: str | os.PathLike[str],
    tone: ToneResult,
    *,
    bees: Sequence[Sequence[Bout]],
    fauna: Fauna | None = None,
) -> list[Word]:
    """Listen to the flights of a recording, and return what the model says of each of its bees.

    Parameters
    ----------
    path
        The recording; it is read once more.
    tone
        What `wingtone.tone.measure` found in it.
    bees
        The bouts of each, out of those of ``tone``; those that are not flight are passed over. A flight that
        overlaps with another bee's by more than `MOST_SHARED` of its length is left out.
    fauna
        See `check_usable`.

    Raises
    ------
    RequestError
        See `check_usable`.
    RecordingError
        The recording cannot be read any more.
    MissingExtraError
        librosa is not installed.
    """
    from pathlib import Path

    from wingtone.learn.dataset import Heard, hear

    check_usable(model, fauna=fauna)
    heard = hear(Path(path), tone=tone, checksum=False)
    words = []
    for bouts in bees:
        own = {id(bout) for bout in bouts}
        others = [bout for bees_bouts in bees for bout in bees_bouts if id(bout) not in own]
        mine = [i for i, bout in enumerate(heard.flight) if id(bout) in own]
        alone = [
            i for i in mine if _shared_s(heard.flight[i], others) <= MOST_SHARED * heard.flight[i].duration_s
        ]
        part = Heard(tuple(heard.flight[i] for i in alone), heard.table[alone])
        word = word_of(model, part, fauna=fauna)
        words.append(replace(word, n_bouts=len(mine), n_overlapped=len(mine) - len(alone)))
    return words


def _shared_s(bout: Bout, others: Sequence[Bout]) -> float:
    """Return for how long another bee flies during a bout, at most; seconds."""
    return max(
        (
            min(bout.end_s, other.end_s) - max(bout.start_s, other.start_s)
            for other in others
            if other.kind == "flight"
        ),
        default=0.0,
    )
