"""What the tone room gives back: plain frozen values, no behaviour.

Conventions
-----------
Times are seconds from the start of the recording, frequencies Hz, levels dB. ``f0_hz`` is always the
wingbeat frequency (the spacing of the harmonic comb), whether or not a line is present there.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

Z_95 = 1.96
"""Half-width of a 95 % interval in standard deviations, of a normal distribution."""

Kind = Literal["flight", "sonication", "uncertain"]

FLAGS = (
    "wind",
    "clipped",
    "voice",
    "engine",
    "hum",
    "two tones",
    "fundamental missing",
    "low level",
    "damaged",
    "many bees",
    "silent",
)
"""Every flag a bout or a recording can carry."""


@dataclass(frozen=True)
class Bout:
    """One stretch of buzzing.

    Attributes
    ----------
    kind
        ``flight``, ``sonication`` (shaking a flower; says nothing about size) or ``uncertain``.
    start_s, end_s
        Where it lies in the recording.
    f0_hz, f0_low_hz, f0_high_hz
        Median wingbeat frequency as heard and its 95 % interval (error of measurement only, not the spread
        between bees). It stays what is heard when there is a ``flyby``, whose source tone is free of Doppler.
    f0_spread_hz
        How far f0 moves inside the bout: 90th minus 10th percentile.
    snr_db
        Power of the comb over the noise between its lines, inside the band of the comb.
    harmonics_db
        Level of harmonic 1, 2, ... n relative to the strongest; NaN where the harmonic lies outside the
        recording's band or below the noise.
    flight_probability
        How sure the decision stage is that this is flight, 0..1.
    flyby
        The straight pass of a flight; None when the data do not carry one.
    flags
        A subset of `FLAGS`.
    """

    kind: Kind
    start_s: float
    end_s: float
    f0_hz: float
    f0_low_hz: float
    f0_high_hz: float
    f0_spread_hz: float
    snr_db: float
    harmonics_db: tuple[float, ...]
    flight_probability: float
    flyby: FlyBy | None = None
    flags: tuple[str, ...] = ()

    @property
    def duration_s(self) -> float:
        """Length of the bout in seconds."""
        return self.end_s - self.start_s


@dataclass(frozen=True)
class FlyBy:
    """A straight pass: the tone as the bee makes it, its speed and how near it came.

    Every value has its 95 % interval, the bee's own wander of tone included.

    Attributes
    ----------
    f0_source_hz, f0_source_low_hz, f0_source_high_hz
        Tone the bee makes, without Doppler: median over the pass. The bout's own ``f0_hz`` stays the median
        of what is heard.
    speed_m_s, speed_low_m_s, speed_high_m_s
    closest_m, closest_low_m, closest_high_m
        Distance at the nearest point of the path.
    at_s
        When the bee is nearest, from the start of the recording.
    """

    f0_source_hz: float
    f0_source_low_hz: float
    f0_source_high_hz: float
    speed_m_s: float
    speed_low_m_s: float
    speed_high_m_s: float
    closest_m: float
    closest_low_m: float
    closest_high_m: float
    at_s: float


@dataclass(frozen=True)
class Track:
    """The tone line of a recording on a 10 ms grid, as far as bouts reach.

    Attributes
    ----------
    time_s : shape (n,)
        Frame centres of the frames that lie in a bout, ascending (frames outside bouts are left out). Where
        two bouts overlap, a frame stands once for each of them.
    f0_hz : shape (n,)
        float32 from `wingtone.tone.measure`: a day of buzzing is 8.6 million frames.
    bout : shape (n,), int
        Index into the list of bouts.
    """

    time_s: NDArray[np.float64]
    f0_hz: NDArray[np.floating]
    bout: NDArray[np.integer]


@dataclass(frozen=True)
class ToneResult:
    """Everything the tone room found in one recording. ``bouts`` may be empty."""

    bouts: tuple[Bout, ...]
    track: Track
    flags: tuple[str, ...] = ()
    warnings: tuple[tuple[str, str], ...] = field(default=())
    """Pairs of a short code and a sentence."""
