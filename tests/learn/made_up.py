"""Described bouts of made-up animals, drawn straight as features, with their Bayes limit.

Two castes differ in ln f0 and, when asked for, a little in the levels of the harmonics; every other figure is
drawn alike for both. An animal keeps most of its figures from clip to clip. With normal distributions of one
common covariance the best there is (Bayes) is a plane between the means, and its accuracy is
``Phi(distance / 2)`` (any textbook of pattern recognition, such as Duda, Hart & Stork 2001, ch. 2; memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from statistics import NormalDist
from typing import TYPE_CHECKING, Any

import numpy as np

from wingtone.learn.dataset import Dataset
from wingtone.learn.features import NAMES

if TYPE_CHECKING:
    from numpy.typing import NDArray

OF_ANIMAL = 0.85
"""Standard deviation between animals of a caste, of 1 in all: clips of one animal are much alike."""

CASTES = np.array(["queen", "worker"])


@dataclass(frozen=True, eq=False)
class Population:
    """Bouts, and what the best possible classifier would call them."""

    table: NDArray[np.float64]
    caste: NDArray[np.int_]
    animal: NDArray[np.int_]
    bayes_calls: NDArray[np.int_]
    bayes_accuracy: float

    def dataset(self, **changes: object) -> Dataset:
        """The bouts as a dataset."""
        names = np.array([f"recorder {a % 3}" for a in self.animal // 2])
        fields: dict[str, Any] = {
            "target": "caste",
            "features": NAMES,
            "table": self.table,
            "y": CASTES[self.caste],
            "group": self.animal,
            "grouped_by": "individual",
            "surroundings": {"recorder": names},
            "f0_hz": np.exp(self.table[:, 0]),
        }
        return Dataset(**(fields | changes))


def population(
    seed: int, *, animals: int = 60, clips: int = 8, tone: float = 2.4, timbre: float = 0.0
) -> Population:
    """Draw animals, half of each caste.

    ``tone`` and ``timbre`` are the distances of the castes in ln f0 and in the six harmonic levels
    together, in standard deviations.
    """
    rng = np.random.default_rng(seed)
    m = len(NAMES)
    gap = np.zeros(m)
    gap[NAMES.index("ln_f0")] = tone
    first = NAMES.index("harmonic_1_db")
    gap[first : first + 6] = timbre / np.sqrt(6)
    caste = np.arange(animals) % 2
    bee = (caste[:, None] - 0.5) * gap + OF_ANIMAL * rng.standard_normal((animals, m))
    clip = np.sqrt(1 - OF_ANIMAL**2) * rng.standard_normal((animals * clips, m))
    standard = np.repeat(bee, clips, axis=0) + clip
    # From standard deviations to figures of a sensible size: ln f0 about 150 Hz +- 15 %, levels in dB.
    table = 6.0 * standard
    table[:, 0] = np.log(150.0) + 0.15 * standard[:, 0]
    return Population(
        table=table,
        caste=np.repeat(caste, clips),
        animal=np.repeat(np.arange(animals), clips),
        bayes_calls=(standard @ gap > 0).astype(int),
        bayes_accuracy=NormalDist().cdf(float(np.linalg.norm(gap)) / 2),
    )
