"""What a bout is described by: figures that a bee gives, each with what disturbs it.

Left out on purpose, because they tell the place, the phone or the person rather than the animal: level and
signal-to-noise ratio, the background, length of the bout, date and temperature, and whether another figure
is missing.

Conventions
-----------
NaN is *not known*: the harmonic is outside the recording's band or under the noise, no fly-by was seen, the
bout is too short. Nothing is filled in here.

- `FEATURES`: every figure with unit, meaning and what disturbs it; `FAMILIES`: which belong together
- `describe`: the figures of the bouts of a recording
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wingtone.learn.comb_sound import RATE_HZ, Comb, bout_sounds, comb_of

if TYPE_CHECKING:
    import os
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from wingtone.tone.results import Bout, ToneResult

    Floats = NDArray[np.float64]

__all__ = ["FAMILIES", "FEATURES", "FEATURES_VERSION", "NAMES", "Feature", "describe", "describe_one"]

FEATURES_VERSION = 1
"""Raised when a figure changes its meaning: a model only reads figures of its own version."""

HARMONICS = 6
CEPSTRAL = 9
MEL_BANDS = 12
"""Twelve bands over 0-3 kHz: each is at least 300 Hz wide, so it holds a tooth of any bee's comb wherever the
teeth lie, and the cepstrum tells the shape of the comb instead of where its teeth are. Ours."""
FFT_SIZE, FFT_HOP = 512, 128
DEEPEST_DB = 50.0
"""Bands more than this below the loudest are held there: between teeth there is only leakage. Ours."""

GRID_HZ = 100.0
"""Envelopes are read 100 times a second: the window they come through is 20 to 50 ms long."""
SLOW_S = 0.25
"""Changes slower than this are the bee coming and going, not its wings. Ours."""
AM_LOW_HZ, AM_HIGH_HZ = 3.0, 25.0
SHORTEST_S = 0.25
"""Shorter bouts have no modulation to speak of."""


@dataclass(frozen=True)
class Feature:
    """One figure. ``unit`` is empty for a plain ratio."""

    name: str
    unit: str
    meaning: str
    disturbed_by: str


_BALANCE = (
    "distance (within a hand's breadth low harmonics gain), the phone's low cut, wind noise in the low teeth"
)

FEATURES: tuple[Feature, ...] = (
    Feature("ln_f0", "ln Hz", "median tone of the bout", "load, wing wear, Doppler of a pass (up to 4 %)"),
    Feature(
        "flyby_shift",
        "ln ratio",
        "tone at the bee over the tone heard, from the Doppler fit of a straight pass",
        "known only where a fly-by was recognised",
    ),
    Feature(
        "f0_spread", "", "90th minus 10th percentile of the tone over its median", "manoeuvres, take-off"
    ),
    Feature("f0_slope", "ln per s", "straight-line trend of the tone", "passing by (Doppler), take-off"),
    Feature("f0_flutter", "ln", "scatter of the tone about its own quarter-second mean", "noise"),
    *(
        Feature(
            f"harmonic_{h}_db",
            "dB",
            f"level of harmonic {h} re the strongest, where it can be trusted",
            _BALANCE,
        )
        for h in range(1, HARMONICS + 1)
    ),
    Feature(
        "comb_slope_db",
        "dB per octave",
        "fall of harmonics 2 and up with frequency",
        "distance, lossy codecs, wind",
    ),
    Feature("comb_centroid", "ln order", "mean order of the harmonics, weighted by power", _BALANCE),
    Feature(
        "odd_even_db", "dB", "odd harmonics 3, 5, 7 over even ones 2, 4, 6", "the angle the bee is heard from"
    ),
    Feature("comb_flatness_db", "dB", "geometric over arithmetic mean power of harmonics 2 to 8", "noise"),
    Feature(
        "am_depth_db",
        "dB",
        "scatter of the loudness faster than a quarter of a second",
        "gusts, gain control",
    ),
    Feature(
        "am_rate_hz", "Hz", f"centroid of that scatter's spectrum, {AM_LOW_HZ:g}-{AM_HIGH_HZ:g} Hz", "noise"
    ),
    Feature("shimmer_db", "dB", "scatter of single harmonics against the whole comb", "noise, turning bees"),
    *(
        Feature(
            f"cepstral_{k}",
            "",
            f"mel-frequency cepstral coefficient {k} of the comb alone, {MEL_BANDS} bands",
            "distance, the phone's low cut, lossy codecs",
        )
        for k in range(1, CEPSTRAL + 1)
    ),
)

NAMES: tuple[str, ...] = tuple(feature.name for feature in FEATURES)

_FAMILIES = (
    ("ln_f0", "flyby_shift"),
    ("f0_spread", "f0_slope", "f0_flutter"),
    tuple(f"harmonic_{h}_db" for h in range(1, HARMONICS + 1)),
    ("comb_slope_db", "comb_centroid", "odd_even_db", "comb_flatness_db"),
    ("am_depth_db", "am_rate_hz", "shimmer_db"),
    tuple(f"cepstral_{k}" for k in range(1, CEPSTRAL + 1)),
)
FAMILIES: tuple[int, ...] = tuple(
    next(number for number, family in enumerate(_FAMILIES) if name in family) for name in NAMES
)
"""Number of the family of each figure: the tone, how it moves, the balance of the harmonics, the shape of the
comb, modulation, cepstrum. Figures of one family are much alike, so a classifier believes them together."""


def describe(
    path: str | os.PathLike[str],
    tone: ToneResult,
    *,
    bouts: Sequence[int] | None = None,
    band_hz: float = RATE_HZ / 2,
) -> Floats:
    """Describe bouts of one recording.

    Parameters
    ----------
    path
        The recording; it is read once more, block by block.
    tone
        What `wingtone.tone.measure` found in it.
    bouts
        Indices of the bouts to describe; None for all.
    band_hz
        Half the sample rate of the recording.

    Returns
    -------
    shape (n_bouts, len(NAMES)), float64; NaN where a figure is not known.

    Raises
    ------
    RecordingError
        The recording cannot be read.
    MissingExtraError
        librosa is not installed.
    """
    chosen = list(range(len(tone.bouts)) if bouts is None else bouts)
    table = np.full((len(chosen), len(NAMES)), np.nan)
    wanted = [tone.bouts[i] for i in chosen]
    for k, start_s, samples in bout_sounds(path, wanted):
        of_bout = tone.track.bout == chosen[k]
        table[k] = describe_one(
            wanted[k],
            samples,
            start_s=start_s,
            time_s=tone.track.time_s[of_bout],
            f0_hz=tone.track.f0_hz[of_bout],
            band_hz=band_hz,
        )
    return table


def describe_one(
    bout: Bout,
    samples: NDArray[np.float32],
    *,
    start_s: float,
    time_s: Floats,
    f0_hz: Floats,
    band_hz: float = RATE_HZ / 2,
) -> Floats:
    """Describe one bout from its sound and its tone line.

    Parameters
    ----------
    samples : shape (n_channels, n)
        At `RATE_HZ`, beginning at ``start_s``.
    time_s, f0_hz : shape (n_frames,)
        The tone line, ascending in time; the bout's median tone stands in when it is empty.

    Returns
    -------
    shape (len(NAMES),), in the order of `NAMES`.
    """
    if time_s.size == 0:
        time_s, f0_hz = np.array([bout.start_s]), np.array([bout.f0_hz])
    known: dict[str, float] = _tone_figures(bout, time_s, f0_hz)
    at_s = start_s + np.arange(samples.shape[1]) / RATE_HZ
    line_hz = np.interp(at_s, time_s, f0_hz)
    if samples.shape[1] >= FFT_SIZE:
        combs = [comb_of(channel, line_hz, band_hz=band_hz) for channel in samples]
        comb = max(combs, key=lambda one: one.share)
        known |= _shape_figures(comb) | _modulation_figures(comb) | _cepstral_figures(comb)
    return np.array([known.get(name, math.nan) for name in NAMES])


def _tone_figures(bout: Bout, time_s: Floats, f0_hz: Floats) -> dict[str, float]:
    out = {"ln_f0": math.log(bout.f0_hz), "f0_spread": bout.f0_spread_hz / bout.f0_hz}
    if bout.flyby is not None:
        out["flyby_shift"] = math.log(bout.flyby.f0_source_hz / bout.f0_hz)
    if f0_hz.size >= 10:
        log = np.log(f0_hz)
        out["f0_slope"] = _slope(time_s, log)
        out["f0_flutter"] = float(np.std(log - _slow(log)))
    for h, level in enumerate(bout.harmonics_db[:HARMONICS], start=1):
        out[f"harmonic_{h}_db"] = level
    return out


def _shape_figures(comb: Comb) -> dict[str, float]:
    """Shape of the comb from the mean power of its harmonics."""
    power = np.mean(np.abs(comb.envelope) ** 2, axis=1)
    if power.size < 4 or not power.sum() > 0:
        return {}
    order = np.arange(1, power.size + 1)
    level = 10.0 * np.log10(power / power.max() + 1e-6)
    upper = slice(1, min(8, power.size))
    out = {
        "comb_slope_db": _slope(np.log2(order[1:]), level[1:]),
        "comb_centroid": math.log(float(order @ power / power.sum())),
        "comb_flatness_db": float(
            level[upper].mean() - 10.0 * np.log10(np.mean(10.0 ** (level[upper] / 10)))
        ),
    }
    if power.size >= 7:
        odd, even = power[[2, 4, 6]].sum(), power[[1, 3, 5]].sum()
        out["odd_even_db"] = float(
            10.0 * np.log10((odd + 1e-12 * power.max()) / (even + 1e-12 * power.max()))
        )
    return out


def _modulation_figures(comb: Comb) -> dict[str, float]:
    step = round(RATE_HZ / GRID_HZ)
    power = np.abs(comb.envelope[:, ::step]) ** 2
    if power.shape[1] < SHORTEST_S * GRID_HZ or power.shape[0] < 3 or not power.sum() > 0:
        return {}
    floor = 1e-6 * float(power.sum(axis=0).mean())
    whole = 10.0 * np.log10(power.sum(axis=0) + floor)
    fast = whole - _slow(whole)
    strong = power.mean(axis=1) > 0.01 * power.mean(axis=1).max()
    each = 10.0 * np.log10(power[strong] + floor) - whole
    out = {
        "am_depth_db": float(np.std(fast)),
        "shimmer_db": float(np.mean([np.std(row - _slow(row)) for row in each])),
    }
    spectrum = np.abs(np.fft.rfft(fast * np.hanning(fast.size))) ** 2
    hz = np.fft.rfftfreq(fast.size, 1.0 / GRID_HZ)
    within = (hz >= AM_LOW_HZ) & (hz <= AM_HIGH_HZ)
    if spectrum[within].sum() > 0:
        out["am_rate_hz"] = float(hz[within] @ spectrum[within] / spectrum[within].sum())
    return out


def _cepstral_figures(comb: Comb) -> dict[str, float]:
    """Mel-frequency cepstrum (librosa: Slaney mel scale, orthonormal DCT-II), mean over the frames.

    Coefficient 0 is loudness and is left out.
    """
    power = float(np.mean(comb.sound**2))
    if not power > 0:
        return {}
    try:
        import librosa
    except ImportError as error:
        from wingtone.errors import MissingExtraError

        raise MissingExtraError("describing bouts for a classifier", "learn") from error
    mel = librosa.feature.melspectrogram(
        y=comb.sound / math.sqrt(power), sr=RATE_HZ, n_fft=FFT_SIZE, hop_length=FFT_HOP, n_mels=MEL_BANDS
    )
    level = librosa.power_to_db(mel, top_db=None)
    level = np.maximum(level, level.max(axis=0, keepdims=True) - DEEPEST_DB)
    coefficients = librosa.feature.mfcc(S=level, n_mfcc=CEPSTRAL + 1)[1:].mean(axis=1)
    return {f"cepstral_{k}": float(value) for k, value in enumerate(coefficients, start=1)}


def _slope(x: Floats, y: Floats) -> float:
    """Least-squares slope; 0 when x does not vary."""
    apart = x - x.mean()
    size = float(apart @ apart)
    return float(apart @ (y - y.mean())) / size if size > 0 else 0.0


def _slow(values: Floats) -> Floats:
    """Running mean over `SLOW_S` on the 10 ms grid, shortened at the ends."""
    width = min(values.size, 2 * round(SLOW_S * GRID_HZ / 2) + 1)
    kernel = np.ones(width)
    mean: Floats = np.convolve(values, kernel, "same") / np.convolve(np.ones(values.size), kernel, "same")
    return mean
