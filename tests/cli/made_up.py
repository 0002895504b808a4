"""Bouts and tone lines made by hand, so that the rooms above can be tested whatever the ear hears."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING

import numpy as np

from wingtone.tone.results import Bout, FlyBy, Kind, ToneResult, Track

if TYPE_CHECKING:
    from wingtone.simulate import Clip


def bout(
    f0_hz: float,
    *,
    start_s: float = 0.0,
    end_s: float = 1.0,
    half_width_hz: float = 1.0,
    kind: Kind = "flight",
) -> Bout:
    """One bout with the given numbers and plain ones for the rest."""
    return Bout(
        kind=kind,
        start_s=start_s,
        end_s=end_s,
        f0_hz=f0_hz,
        f0_low_hz=f0_hz - half_width_hz,
        f0_high_hz=f0_hz + half_width_hz,
        f0_spread_hz=2 * half_width_hz,
        snr_db=10.0,
        harmonics_db=(-3.0, 0.0, float("nan")),
        flight_probability=0.9 if kind == "flight" else 0.1,
    )


def tone_of(*bouts: Bout, flags: tuple[str, ...] = ()) -> ToneResult:
    """A result with these bouts, each with a level line on the 10 ms grid."""
    times = [np.arange(round(100 * b.start_s), round(100 * b.end_s) + 1) / 100 for b in bouts]
    return ToneResult(
        bouts=bouts,
        track=Track(
            time_s=np.concatenate([np.empty(0), *times]),
            f0_hz=np.concatenate(
                [np.empty(0), *(np.full(t.size, b.f0_hz) for t, b in zip(times, bouts, strict=True))]
            ),
            bout=np.concatenate([np.empty(0, int), *(np.full(t.size, i) for i, t in enumerate(times))]),
        ),
        flags=flags,
    )


def truth_of(clip: Clip) -> ToneResult:
    """What a perfect ear would find in a made-up clip."""
    tone = tone_of(
        *(
            bout(true.f0_hz, start_s=true.start_s, end_s=true.end_s, kind=true.kind)
            for true in clip.truth.bouts
        )
    )
    truth = clip.truth
    flying = np.flatnonzero(np.isfinite(truth.f0_hz))
    times = truth.time_s[flying]
    of_bout = np.searchsorted([b.start_s for b in tone.bouts], times + 0.005) - 1
    tone = dataclasses.replace(tone, track=Track(time_s=times, f0_hz=truth.f0_hz[flying], bout=of_bout))
    first = dataclasses.replace(
        tone.bouts[0],
        flyby=FlyBy(
            f0_source_hz=150.0,
            f0_source_low_hz=149.0,
            f0_source_high_hz=151.0,
            speed_m_s=3.1,
            speed_low_m_s=2.5,
            speed_high_m_s=3.9,
            closest_m=0.4,
            closest_low_m=0.3,
            closest_high_m=0.5,
            at_s=1.5,
        ),
        flags=("wind",),
    )
    return dataclasses.replace(tone, bouts=(first, *tone.bouts[1:]))
