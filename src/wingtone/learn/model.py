"""A trained model: plain numbers, what it was trained on, and how good it is. Its word as a likelihood.

- `Model`: the whole of it
- `model_likelihood`: what it says of one individual, for `wingtone.evidence.identify`
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from wingtone.errors import RequestError
from wingtone.evidence.case import Likelihood
from wingtone.evidence.lineup import CASTES

if TYPE_CHECKING:
    import os
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from wingtone.learn.assessment import Assessment
    from wingtone.learn.dataset import Heard
    from wingtone.learn.numbers import Numbers
    from wingtone.tone.results import ToneResult

    Floats = NDArray[np.float64]

__all__ = ["Model", "Word", "check_usable", "model_likelihood", "word_of"]


@dataclass(frozen=True, eq=False)
class Model:
    """A trained classifier.

    Attributes
    ----------
    name
        Short, for the sentence of evidence.
    target
        ``caste`` or ``taxon``. Only castes enter an identification.
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
    """

    likelihood: Likelihood | None
    n_bouts: int
    n_out_of_range: int

    @property
    def warnings(self) -> tuple[tuple[str, str], ...]:
        """Pairs of a short code and a sentence; empty when all is well."""
        if self.n_bouts and self.likelihood is None:
            what = "the flight is unlike anything the model was trained on: the built-in cue was used instead"
            return (("out-of-range", what),)
        if self.n_out_of_range:
            what = (
                f"{self.n_out_of_range} of {self.n_bouts} bouts are unlike anything the model was trained on "
                "and were left out of its judgement"
            )
            return (("out-of-range", what),)
        return ()


def check_usable(model: Model) -> None:
    """Refuse a model whose classes cannot enter an identification.

    Raises
    ------
    RequestError
        Its classes are not castes.
    """
    if model.target != "caste" or not set(model.classes) <= set(CASTES):
        raise RequestError(
            f"the model {model.name} tells {', '.join(model.classes[:4])}; only castes can enter an "
            "identification",
            remedy="train one with wingtone train --target caste",
        )


def word_of(model: Model, heard: Heard) -> Word:
    """Return what a model says of one individual.

    The bouts of one individual are alike, so their evidence is pooled and not added up: the log-likelihood is
    the mean over the bouts in range, each weighted by its length.

    Raises
    ------
    RequestError
        See `check_usable`.
    """
    check_usable(model)
    n = len(heard.flight)
    good = model.numbers.in_range(heard.table) if n else np.zeros(0, bool)
    if not good.any():
        return Word(None, n, n)
    length = np.array([bout.duration_s for bout in heard.flight])[good]
    each = model.numbers.log_likelihood(heard.table[good])
    pooled = np.average(each, axis=0, weights=np.maximum(length, 1e-3))
    likelihood = Likelihood(model.classes, tuple(float(v) for v in pooled - pooled.max()), model.name)
    return Word(likelihood, n, int((~good).sum()))


def model_likelihood(model: Model, path: str | os.PathLike[str], tone: ToneResult) -> Word:
    """Listen to the flight bouts of a recording and return what the model says of them.

    Parameters
    ----------
    path
        The recording; it is read once more.
    tone
        What `wingtone.tone.measure` found in it. All flight bouts count as one individual.

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

    from wingtone.learn.dataset import hear

    check_usable(model)
    return word_of(model, hear(Path(path), tone=tone, checksum=False))
