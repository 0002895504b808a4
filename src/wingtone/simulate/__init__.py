"""Physical simulator of flight recordings, with the truth.

It is a stress test and the maker of the demonstration clips, not a teacher of what flight looks like: every
figure without a source is ours. See `scene` for the definition of the signal-to-noise ratio.
"""

from wingtone.simulate.acoustics import dipole_gain, doppler_hz, emission_time, speed_of_sound, straight_pass
from wingtone.simulate.flight import Bee, Buzz, Hover, Pass, draw_bee, draw_sonication, hear
from wingtone.simulate.microphone import Phone
from wingtone.simulate.scene import (
    CONDITIONS,
    NEGATIVES,
    SNR_BAND_HZ,
    Clip,
    Scene,
    TrueBout,
    Truth,
    make_scene,
    negative_scene,
    render,
)
from wingtone.simulate.surroundings import SOUNDS

__all__ = [
    "CONDITIONS",
    "NEGATIVES",
    "SNR_BAND_HZ",
    "SOUNDS",
    "Bee",
    "Buzz",
    "Clip",
    "Hover",
    "Pass",
    "Phone",
    "Scene",
    "TrueBout",
    "Truth",
    "dipole_gain",
    "doppler_hz",
    "draw_bee",
    "draw_sonication",
    "emission_time",
    "hear",
    "make_scene",
    "negative_scene",
    "render",
    "speed_of_sound",
    "straight_pass",
]
