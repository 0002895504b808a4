"""Listening effort: for how long a recording was listened to, and how much of that wind took away.

Counted in whole seconds from the start of the recording, and told for each ten minutes of it, so that it
is the same however the recording is cut.

*Heard* is a second in which the microphone gave anything: digital silence, as from a recorder that was
switched off or may not use its microphone, is not listening.

*Lost to wind* is a heard second in which either

- the rumble (20-60 Hz) stands more than 22 dB over the middle of the band of the comb (100-1000 Hz): the
  mark by which the tone room flags a bout ``wind``; or
- that band stands more than 10 dB over its own quiet level, the 10th percentile of these ten minutes, and
  the rumble has risen over its own as well: a gust.

Both are ours. It is a measure of weather, not of what was missed: a near bee is heard through some of these
seconds, and a microphone that takes the lows away hides an even wind (gusts are still seen). A lorry that
passes counts as a gust. Seconds do not depend on whether a bee was found in them, as effort must not.

- `Effort`: ten minutes.
- `EffortMeter`: fed with the blocks of a piece.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wingtone.tone.bouts import WIND_NEPERS
from wingtone.tone.spectrum import RATE_HZ

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from numpy.typing import NDArray

__all__ = ["BIN_S", "Effort", "EffortMeter"]

BIN_S = 600
"""Length of a row of effort. Ours: fine enough for activity by the hour."""
LOOKS = 2
WINDOW = 1024
"""Spectra in a second, and their length: 0.17 s, lines 6 Hz apart. Ours: enough to judge a second by."""
RUMBLE_HZ, COMB_HZ = (20.0, 60.0), (100.0, 1000.0)
GUST_NEPERS = math.log(10.0)
"""10 dB of power."""
QUIET_PERCENTILE = 10.0
STILL = 2.5 / 2**15
"""A second that moves no more than this (the last bit of 16, up and down) is digital silence."""


@dataclass(frozen=True)
class Effort:
    """Ten minutes of a recording, or the part of them that there is.

    Attributes
    ----------
    start_s
        From the start of the recording, a multiple of `BIN_S`.
    heard_s, wind_lost_s
        See the module; ``wind_lost_s`` is part of ``heard_s``.
    """

    start_s: int
    heard_s: float
    wind_lost_s: int


class EffortMeter:
    """Counts seconds as blocks go by.

    Parameters
    ----------
    first_s
        Where the first block lies in the recording, whole seconds.
    start_s, end_s
        The part that counts; ``end_s`` may be infinite.
    """

    def __init__(self, *, first_s: float, start_s: float, end_s: float) -> None:
        self._at = round(first_s)
        self._start_s, self._end_s = start_s, end_s
        self._rest: NDArray[np.float32] | None = None
        self._seconds: list[tuple[int, float, float, float]] = []  # second, length, rumble, comb band

    def watch(self, blocks: Iterable[NDArray[np.float32]]) -> Iterator[NDArray[np.float32]]:
        """Hand blocks of shape (n_channels, n) at `RATE_HZ` through, counting their seconds."""
        for block in blocks:
            self._take(block)
            yield block
        if self._rest is not None and self._rest.shape[1]:  # too short to be judged, but heard
            still = float(np.ptp(self._rest, axis=1).max()) <= STILL
            self._count(self._rest.shape[1] / RATE_HZ, still, math.nan, math.nan)

    def _take(self, block: NDArray[np.float32]) -> None:
        joined = block if self._rest is None else np.concatenate([self._rest, block], axis=1)
        whole = joined.shape[1] // RATE_HZ
        self._rest = joined[:, whole * RATE_HZ :]
        if whole:
            seconds = joined[:, : whole * RATE_HZ].reshape(joined.shape[0], whole, RATE_HZ)
            still = np.ptp(seconds, axis=2).max(axis=0) <= STILL
            rumble, comb = _levels(seconds[0] if len(seconds) == 1 else seconds.mean(axis=0))
            for i in range(whole):
                self._count(1.0, bool(still[i]), float(rumble[i]), float(comb[i]))

    def _count(self, length_s: float, still: bool, rumble: float, comb: float) -> None:
        second, self._at = self._at, self._at + 1
        if self._start_s <= second < self._end_s and not still:
            self._seconds.append((second, length_s, rumble, comb))

    def told(self) -> list[Effort]:
        """What was counted, a row for each ten minutes in which anything was heard."""
        out = []
        table = np.array(self._seconds).reshape(-1, 4)
        for start_s in np.unique(table[:, 0] // BIN_S * BIN_S):
            here = table[(table[:, 0] >= start_s) & (table[:, 0] < start_s + BIN_S)]
            windy = _windy(here[np.isfinite(here[:, 2])])
            out.append(Effort(int(start_s), round(float(here[:, 1].sum()), 3), windy))
        return out


def _windy(whole: NDArray[np.float64]) -> int:
    """How many of these seconds are lost to wind."""
    if whole.shape[0] == 0:
        return 0
    rumble, comb = whole[:, 2], whole[:, 3]
    quiet_rumble, quiet_comb = np.percentile(whole[:, 2:], QUIET_PERCENTILE, axis=0)
    gust = (comb > quiet_comb + GUST_NEPERS) & (rumble > quiet_rumble + GUST_NEPERS)
    return int(np.sum((rumble - comb > WIND_NEPERS) | gust))


def _levels(seconds: NDArray[np.float32]) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Middle of the log power of the two bands in each second.

    The median over lines and looks, which a tone and its harmonics hardly move. Shape of ``seconds``:
    (n, RATE_HZ); of each result: (n,).
    """
    from scipy.fft import rfft

    looks = np.lib.stride_tricks.sliding_window_view(seconds, WINDOW, axis=1)[:, :: RATE_HZ // LOOKS]
    parts = rfft(looks * _WINDOW, axis=2, workers=1)

    def middle(band_hz: tuple[float, float]) -> NDArray[np.float32]:
        low, high = (round(hz * WINDOW / RATE_HZ) for hz in band_hz)
        power = np.square(parts[:, :, low:high].real) + np.square(parts[:, :, low:high].imag)
        level: NDArray[np.float32] = np.log(np.median(power.reshape(len(seconds), -1), axis=1) + 1e-20)
        return level

    return middle(RUMBLE_HZ), middle(COMB_HZ)


_WINDOW = (0.5 - 0.5 * np.cos(2 * np.pi * (np.arange(WINDOW) + 0.5) / WINDOW)).astype(np.float32)
"""Hann."""
