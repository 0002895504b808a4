"""The season of a caste: a trapezoid over the weeks of a year, with soft edges.

Conventions
-----------
- Weeks are fractional and counted from 1 January: 1.0 is the start of 1 January, 11.0 the start of about
  12 March. This is within half a week of the ISO week number.
- The year is a circle of 52.18 weeks, so that a winter season runs on over New Year.

Public: `week_of`, `soft_trapezoid`, `SEASON_FLOOR`, `WEEKS_IN_YEAR`.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    import datetime

    from numpy.typing import NDArray

__all__ = ["SEASON_FLOOR", "WEEKS_IN_YEAR", "soft_trapezoid", "week_of"]

WEEKS_IN_YEAR = 365.2425 / 7.0
SEASON_FLOOR = 3e-4
"""Lowest value of a season, as a share of the bee's own full season: out of season it is very unlikely, never
impossible (odd individuals of most species have been reported in almost any month). Ours: of that order,
and low enough that a worker in December in the south stays *terrestris* until shown otherwise (Stelzer et al.
2010; all species together have many more workers than its winter nests), and that before the first workers
nearly every bee is a queen; at one in a thousand neither would hold."""


def week_of(day: datetime.date) -> float:
    """Week of the year of the middle of a day, from 1.07 (1 January) to 53.2."""
    return 1.0 + (day.timetuple().tm_yday - 0.5) / 7.0


def soft_trapezoid(
    week: float,
    *,
    first_week: NDArray[np.float64],
    full_week: NDArray[np.float64],
    fade_week: NDArray[np.float64],
    last_week: NDArray[np.float64],
    soft_weeks: NDArray[np.float64],
) -> NDArray[np.float64]:
    """Height of soft trapezoids at one week.

    The trapezoid rises linearly from 0 at `first_week` to 1 at `full_week`, stays, and falls from `fade_week`
    to 0 at `last_week`; it is then smoothed by a normal distribution with standard deviation `soft_weeks`,
    which is how far seasons differ from year to year. All arrays have shape (n,).

    Returns
    -------
    height
        Shape (n,), 0 to 1 up to rounding. Not floored.

    Notes
    -----
    With G(z) = z Phi(z) + phi(z), a ramp from a to b smoothed with s is s/(b-a) (G((x-a)/s) - G((x-b)/s));
    the trapezoid is the rising ramp minus the falling one. Closed form, our own working.
    """
    height = np.zeros(len(first_week))
    for turn in (-1, 0, 1):
        at = week + turn * WEEKS_IN_YEAR
        height += _ramp(at, first_week, full_week, soft_weeks) - _ramp(at, fade_week, last_week, soft_weeks)
    return np.clip(height, 0.0, 1.0)


_MIN_RAMP_WEEKS = 1e-5


def _ramp(
    x: float, low: NDArray[np.float64], high: NDArray[np.float64], soft: NDArray[np.float64]
) -> NDArray[np.float64]:
    width = np.maximum(high - low, _MIN_RAMP_WEEKS)
    return soft / width * (_smooth((x - low) / soft) - _smooth((x - low - width) / soft))


def _smooth(z: NDArray[np.float64]) -> NDArray[np.float64]:
    phi = np.exp(-0.5 * z * z) / math.sqrt(2.0 * math.pi)
    capital_phi = np.array([0.5 * math.erfc(-value / math.sqrt(2.0)) for value in z])
    smooth: NDArray[np.float64] = z * capital_phi + phi
    return smooth
