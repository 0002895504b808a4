"""Tone to size to caste: one hierarchical model of the wingbeat frequency.

A bumblebee of taxon and caste ``e`` has an intertegular distance (ITD) drawn from a lognormal with the
mean ``ITD_e`` and spread of the size table. The castes lie about one allometric line for all bumblebees,
the individuals of a caste about a flatter one through their caste:

    ln f0 = ln f_anchor + b ln(ITD_e / ITD_anchor) + w b ln(ITD / ITD_e)
            + line + individual + moment + temperature + measurement

with ``w`` the ``within_caste`` of the fauna's tone model and independent normal terms:

``line``          how far a taxon lies off the line, and what is not known of the line itself
``individual``    between bees of the same size: build, load, wing wear
``moment``        the same bee from one bout to the next; shrinks with the number of bouts
``temperature``   (0 +- slope) Hz per degree away from the reference temperature
``measurement``   from the 95 % interval of the measured tone

So ``ln f0 | e`` is normal, and so is ``ln ITD | f0, e``. What is not on the line (flies, wasps, the honey
bee) has one or several normal components of its own in ln f0 and no bearing on size. Something not in
the fauna may sound anywhere between `ELSE_LOW_HZ` and `ELSE_HIGH_HZ`, evenly in ln f0.

Conventions
-----------
``n`` candidates in the order of the line-up, ``k >= n`` components (several rows of one candidate are a
mixture). All spreads are standard deviations of natural logarithms unless a unit says otherwise.

Functions
---------
tone_terms       everything the tone says, candidate by candidate
itd_interval     quantiles of ITD over candidates
tone_band_hz     where single bouts of a candidate sound
size_words       a size class in words
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

__all__ = [
    "CLASS_BOUNDS_MM",
    "CLASS_WORDS",
    "INTERVAL_95",
    "LEAST_MEASUREMENT_SD",
    "MOST_BOUTS",
    "ToneComponents",
    "ToneCue",
    "ToneTerms",
    "itd_interval",
    "mixture_quantile",
    "normal_cdf",
    "size_words",
    "tone_band_hz",
    "tone_terms",
]

CLASS_BOUNDS_MM = (3.2, 3.8, 4.6, 5.4)
CLASS_WORDS = ("very small", "small", "medium", "large", "very large")
"""Size classes by ITD. Ours, chosen so that the words match the guides: by body length = 3.72 ITD^0.864
(our fit to the specimen table of Kendall et al. 2019, derived) the bounds are 10, 12, 14 and 16 mm. Mean
workers (3.4-3.9 mm) are small, *terrestris* workers (4.15) and most males medium, the queens of the small
species (4.7-5.1) large, those of the large species (5.45-6.1) very large."""

ELSE_LOW_HZ = 50.0
ELSE_HIGH_HZ = 1000.0
"""Where the tone of something not in the fauna may lie: the largest beetles and hawk-moths to small flies
and mosquitoes (memory)."""

LEAST_MEASUREMENT_SD = 0.004
"""Floor of the relative measurement error. Ours: 0.4 %, the Doppler shift at 1.4 m/s."""

MOST_BOUTS = 6
"""Bouts beyond this add nothing: the bouts of one visit are alike. Ours, out of caution."""

TYPICAL_TEMPERATURE_SD_C = 5.0
"""Spread of the air temperature when it was not given: bees fly mostly at 10-30 degrees. Ours."""

INTERVAL_95 = 2.0 * 1.959963984540054
"""Width of a 95 % interval in standard deviations."""


@dataclass(frozen=True)
class ToneCue:
    """The tone of one individual.

    Attributes
    ----------
    f0_hz
        Wingbeat frequency: median over the bouts of this individual.
    f0_low_hz, f0_high_hz
        95 % interval of the measurement (not of the spread between bees).
    n_bouts
        Number of flight bouts behind it, at least 1.
    duration_s
        Their length in seconds, NaN when not known (a tone given by hand).
    """

    f0_hz: float
    f0_low_hz: float
    f0_high_hz: float
    n_bouts: int = 1
    duration_s: float = math.nan

    def __post_init__(self) -> None:
        if not 0.0 < self.f0_low_hz <= self.f0_hz <= self.f0_high_hz < math.inf or self.n_bouts < 1:
            raise ValueError("a tone needs 0 < f0_low_hz <= f0_hz <= f0_high_hz and n_bouts >= 1")

    @property
    def measurement_sd(self) -> float:
        """Relative measurement error, one standard deviation."""
        return max(math.log(self.f0_high_hz / self.f0_low_hz) / INTERVAL_95, LEAST_MEASUREMENT_SD)


@dataclass(frozen=True, eq=False)
class ToneComponents:
    """The tone model of a whole line-up, one row a component, shape (k,).

    ``exponent`` is d ln f0 / d ln ITD between individuals of one candidate, 0 for components off the line;
    their ``itd`` values may still be known.
    """

    candidate: NDArray[np.intp]
    weight: Floats
    mean_ln_hz: Floats
    own_var: Floats
    exponent: Floats
    itd_mean_ln_mm: Floats
    itd_var: Floats
    within_sd: float
    temperature_sd_hz_per_c: float
    reference_temperature_c: float
    n_candidates: int


@dataclass(frozen=True, eq=False)
class ToneTerms:
    """What a tone says of each candidate.

    Attributes
    ----------
    log_likelihood
        ln density per unit of ln f0, shape (n,).
    cdf
        Probability of a tone at or below this one, shape (n,).
    itd_mean_ln_mm, itd_var
        ln ITD of each candidate given its tone, shape (n,); without the tone, or off the line, as in
        the size table; NaN where the size is not known.
    """

    log_likelihood: Floats
    cdf: Floats
    itd_mean_ln_mm: Floats
    itd_var: Floats


def normal_cdf(z: Floats) -> Floats:
    """Return the standard normal distribution function of every element (`math.erf`, so no scipy)."""
    flat = np.asarray(z, dtype=np.float64)
    values = [0.5 * math.erfc(-x / math.sqrt(2.0)) for x in flat.ravel().tolist()]
    return np.array(values, dtype=np.float64).reshape(flat.shape)


def _noise_var(model: ToneComponents, cue: ToneCue, temperature_c: float | None) -> float:
    bouts = min(cue.n_bouts, MOST_BOUTS)
    if temperature_c is None:
        degrees = TYPICAL_TEMPERATURE_SD_C
    else:
        degrees = temperature_c - model.reference_temperature_c
    warm = model.temperature_sd_hz_per_c * degrees / cue.f0_hz
    return model.within_sd**2 / bouts + warm**2 + cue.measurement_sd**2


def _first_component(model: ToneComponents, values: Floats) -> Floats:
    out = np.full(model.n_candidates, np.nan)
    out[model.candidate[::-1]] = values[::-1]
    return out


@lru_cache(maxsize=256)  # asked again for every piece of evidence weighed
def tone_terms(
    model: ToneComponents, cue: ToneCue | None, *, temperature_c: float | None = None
) -> ToneTerms:
    """Return what the tone says of each candidate; with ``cue`` None only the sizes of the table.

    The last candidate of a line-up, "something else", has no component and gets the even density.
    """
    n = model.n_candidates
    if cue is None:
        return ToneTerms(
            log_likelihood=np.zeros(n),
            cdf=np.full(n, 0.5),
            itd_mean_ln_mm=_first_component(model, model.itd_mean_ln_mm),
            itd_var=_first_component(model, model.itd_var),
        )
    noise = _noise_var(model, cue, temperature_c)
    y = math.log(cue.f0_hz)
    off_line = model.own_var + noise
    size_var = np.where(model.exponent != 0.0, model.exponent**2 * model.itd_var, 0.0)
    total = size_var + off_line
    z = (y - model.mean_ln_hz) / np.sqrt(total)
    density = model.weight * np.exp(-0.5 * z**2) / np.sqrt(2.0 * np.pi * total)
    log_width = math.log(ELSE_HIGH_HZ / ELSE_LOW_HZ)
    even = 1.0 / log_width
    likelihood = np.bincount(model.candidate, density, minlength=n)
    cdf = np.bincount(model.candidate, model.weight * normal_cdf(z), minlength=n).astype(np.float64)
    has = np.bincount(model.candidate, model.weight, minlength=n) > 0.0
    likelihood[~has] = even
    cdf[~has] = min(max((y - math.log(ELSE_LOW_HZ)) / log_width, 0.0), 1.0)
    gain = np.where(model.exponent != 0.0, model.itd_var * model.exponent / total, 0.0)
    return ToneTerms(
        # the floor keeps a finite surprise for tones no candidate can explain
        log_likelihood=np.log(np.maximum(likelihood, 1e-12)),
        cdf=cdf,
        itd_mean_ln_mm=_first_component(model, model.itd_mean_ln_mm + gain * (y - model.mean_ln_hz)),
        itd_var=_first_component(model, model.itd_var - gain * model.exponent * model.itd_var),
    )


def tone_band_hz(
    model: ToneComponents, candidate: int, *, level: float = 0.9, measurement_sd: float = 0.0
) -> tuple[float, float]:
    """Return the band in Hz that holds this share of single bouts of a candidate; NaNs without a tone."""
    rows = model.candidate == candidate
    if not rows.any():
        return math.nan, math.nan
    size_var = np.where(model.exponent[rows] != 0.0, model.exponent[rows] ** 2 * model.itd_var[rows], 0.0)
    sd = np.sqrt(size_var + model.own_var[rows] + model.within_sd**2 + measurement_sd**2)
    low, high = (
        mixture_quantile(model.weight[rows], model.mean_ln_hz[rows], sd, q)
        for q in (0.5 - level / 2, 0.5 + level / 2)
    )
    return math.exp(low), math.exp(high)


def mixture_quantile(weight: Floats, mean: Floats, sd: Floats, probability: float) -> float:
    """Return a quantile of a normal mixture by bisection to 1e-9; weights need not be normalised.

    NaN when all weights are 0.
    """
    keep = weight > 0.0
    if not keep.any():
        return math.nan
    share = weight[keep] / weight[keep].sum()
    share, m, s = share[share > 1e-9], mean[keep][share > 1e-9], sd[keep][share > 1e-9]
    low, high = float((m - 9.0 * s).min()), float((m + 9.0 * s).max())
    while high - low > 1e-9:
        middle = 0.5 * (low + high)
        if float(share @ normal_cdf((middle - m) / s)) < probability:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def itd_interval(terms: ToneTerms, weight: Floats, *, level: float) -> tuple[float, float, float]:
    """Return low end, median and high end of ITD in mm over candidates, each given its tone.

    Parameters
    ----------
    weight
        Of each candidate, shape (n,); they need not sum to 1, and candidates without a size must have 0.
    level
        Probability inside the interval, equal on both sides.
    """
    mean, sd = np.nan_to_num(terms.itd_mean_ln_mm), np.sqrt(np.nan_to_num(terms.itd_var, nan=1.0))
    low, middle, high = (
        math.exp(mixture_quantile(weight, mean, sd, q)) for q in (0.5 - level / 2, 0.5, 0.5 + level / 2)
    )
    return low, middle, high


def size_words(itd_mm: float) -> str:
    """Return the size class of an ITD in words; empty for NaN."""
    if not math.isfinite(itd_mm):
        return ""
    return CLASS_WORDS[sum(itd_mm >= bound for bound in CLASS_BOUNDS_MM)]
