"""Made-up individuals of a given size: from intertegular distance to wingbeat frequency.

Conventions
-----------
ITD (intertegular distance) in mm, tones in Hz. Between groups the tone follows the size line; within a
group it hardly does (the project's science notes: weak, or even turned), so the default is no relation at all
and a spread of its own.

- `line_tone_hz`: the line between groups
- `Group`, `Individual`, `draw_individuals`
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = [
    "ANCHOR_F0_HZ",
    "ANCHOR_ITD_MM",
    "EXPONENT",
    "Group",
    "Individual",
    "draw_individuals",
    "line_tone_hz",
]

ANCHOR_F0_HZ = 155.0
"""A worker of 175 mg, hovering to slow flight (Dudley & Ellington 1990 and later tables; memory)."""

ANCHOR_ITD_MM = 4.15
"""Mean of 66 *Bombus terrestris* workers (Kendall et al. 2019 table; derived)."""

EXPONENT = -1.05
"""Three times -0.35, the exponent of mass in Casey, May & Morgan 1985 (memory; abstract: -0.368, derived)."""


def line_tone_hz(itd_mm: ArrayLike) -> NDArray[np.float64]:
    """Wingbeat frequency expected of a bee of this size, between species and castes (derived)."""
    return ANCHOR_F0_HZ * (np.asarray(itd_mm, dtype=float) / ANCHOR_ITD_MM) ** EXPONENT


@dataclass(frozen=True)
class Group:
    """A species and caste, or any other group with a size of its own.

    Attributes
    ----------
    label, caste
        Words to hand on.
    itd_mm_mean, itd_mm_sd
        Size.
    f0_log_sd
        Standard deviation of ln f0 between individuals of equal size. 0.12 is 19 Hz at 155 Hz (ours: the
        literature advises at least 20 Hz for any species and caste).
    within_exponent
        How f0 follows size within the group, as a power; 0 is none (ours).
    """

    label: str
    caste: str
    itd_mm_mean: float
    itd_mm_sd: float
    f0_log_sd: float = 0.12
    within_exponent: float = 0.0


@dataclass(frozen=True)
class Individual:
    """One made-up bee."""

    label: str
    caste: str
    itd_mm: float
    f0_hz: float


def draw_individuals(rng: np.random.Generator, group: Group, n: int) -> tuple[Individual, ...]:
    """Draw ``n`` bees of a group; sizes are kept within 3 standard deviations and above 1 mm."""
    spread = np.clip(rng.standard_normal(n), -3.0, 3.0)
    itd_mm = np.maximum(group.itd_mm_mean + group.itd_mm_sd * spread, 1.0)
    f0_hz = line_tone_hz(group.itd_mm_mean) * (itd_mm / group.itd_mm_mean) ** group.within_exponent
    f0_hz = f0_hz * np.exp(group.f0_log_sd * rng.standard_normal(n))
    return tuple(
        Individual(group.label, group.caste, float(size), float(tone))
        for size, tone in zip(itd_mm, f0_hz, strict=True)
    )
