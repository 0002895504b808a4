"""Populations whose truth is known: bees with several bouts each, measured with error, on several days.

Nothing is synthesised; tones are drawn from the stated model:

    ln tone of a bee = mean of its caste in this garden + day + bee
    ln tone of a bout = ln tone of its bee + moment + measurement

The mean of a caste in this garden lies off what the fauna expects by a draw of the doubt it states; queens
stay below workers. ``day`` is common to the bees of one day.
"""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from wingtone.population.individuals import Individual

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from wingtone.population.expected import Expected

WITHIN = 0.05
MEASUREMENT = 0.01
DAY_SD = 0.02
FIRST_DAY = dt.date(2026, 4, 10)


@dataclass(frozen=True, eq=False)
class Drawn:
    """Bees as wingtone would take them, and the truth: who is of the lower group, and the garden's means."""

    bees: list[Individual]
    lower: NDArray[np.bool_]
    means_ln: NDArray[np.float64]
    sds_ln: NDArray[np.float64]

    @property
    def tone_hz(self) -> NDArray[np.float64]:
        return np.array([bee.tone_hz for bee in self.bees])

    @property
    def tone_ln(self) -> NDArray[np.float64]:
        return np.log(self.tone_hz)

    @property
    def error_ln(self) -> NDArray[np.float64]:
        return np.array([bee.error_ln for bee in self.bees])


def draw(
    rng: np.random.Generator,
    expected: Expected,
    n: int,
    share: float,
    *,
    n_days: int = 12,
    day_sd: float = DAY_SD,
    doubt: bool = True,
    changeover: tuple[float, float] | None = None,
    composed: float | None = None,
) -> Drawn:
    """Draw bees.

    Parameters
    ----------
    share
        Of the lower group (queens).
    doubt
        Whether the garden's means lie off the expected ones.
    changeover
        Day of the year and days from 10 to 90 %, in place of ``share``.
    composed
        Pseudo-bees of a Dirichlet draw of the taxa in each caste, in place of a normal caste.
    """
    low, high = expected.groups
    day = rng.integers(0, n_days, n) if changeover is None else np.sort(rng.integers(0, n_days, n))
    step = 1 if changeover is None else 3
    dates = [FIRST_DAY + dt.timedelta(days=int(d) * step) for d in day]
    if changeover is None:
        lower = rng.random(n) < share
    else:
        of_year = np.array([d.timetuple().tm_yday for d in dates])
        upper = 1 / (1 + np.exp(-(of_year - changeover[0]) / (changeover[1] / (2 * math.log(9)))))
        lower = rng.random(n) > upper
    means = np.array([low.mean_ln, high.mean_ln])
    sds = np.array([low.sd_ln, high.sd_ln])
    if doubt:
        doubts = np.array([low.doubt_ln, high.doubt_ln])
        while True:  # queens stay below workers in every garden
            means = np.array([low.mean_ln, high.mean_ln]) + doubts * rng.standard_normal(2)
            if means[0] < means[1]:
                break
    own = np.where(lower, means[0], means[1])
    if composed is None:
        own = own + np.where(lower, sds[0], sds[1]) * rng.standard_normal(n)
    else:
        for k, group in enumerate((low, high)):
            rows = np.flatnonzero(lower == (k == 0))
            at, var, weight = (np.array(column) for column in zip(*group.parts, strict=True))
            mix = rng.dirichlet(np.maximum(composed * weight, 1e-3))
            taxon = rng.choice(len(at), len(rows), p=mix)
            own[rows] = at[taxon] + np.sqrt(var[taxon]) * rng.standard_normal(len(rows))
    own = own + day_sd * rng.standard_normal(n_days)[day]
    bouts = 1 + rng.poisson(1.0, n)
    variance = (WITHIN**2 + MEASUREMENT**2) / np.minimum(bouts, 6)
    tone = own + np.sqrt((WITHIN**2 + MEASUREMENT**2) / bouts) * rng.standard_normal(n)
    bees = [
        Individual(
            tone_hz=math.exp(tone[i]),
            error_ln=math.sqrt(variance[i]),
            n_bouts=int(bouts[i]),
            recording=f"{dates[i]}/{i // 2}",
            path=f"{dates[i]}/{i // 2}.wav",
            day=dates[i],
        )
        for i in range(n)
    ]
    return Drawn(bees, lower, means, sds)


def rows_of(
    tones_hz: list[float], *, bouts: int = 1, path: str = "{i}.wav", **more: Any
) -> list[dict[str, Any]]:
    """Rows of a table of bouts: a recording a tone, so many bouts in each, 3 s apart."""
    return [
        {
            "path": path.format(i=i),
            "kind": "flight",
            "start_s": 3.0 * k,
            "end_s": 3.0 * k + 1,
            "f0_hz": tone,
            "f0_low_hz": 0.99 * tone,
            "f0_high_hz": 1.01 * tone,
            "snr_db": 10.0,
            **more,
        }
        for i, tone in enumerate(tones_hz)
        for k in range(bouts)
    ]
