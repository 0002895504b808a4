"""Sound from a small moving source: speed of sound, Doppler, emission time, near field.

Conventions
-----------
Metres, seconds, Hz, degrees Celsius. The microphone rests; the source moves. A radial speed is positive
when the source comes nearer.

- `speed_of_sound`: c of air at a temperature
- `doppler_hz`: tone heard from a source with a given radial speed
- `emission_time`: when the sound heard now was made
- `dipole_gain`: fall of level with distance, near field included
- `straight_pass`: positions of a source on a straight level path
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

__all__ = ["dipole_gain", "doppler_hz", "emission_time", "speed_of_sound", "straight_pass"]


def speed_of_sound(temperature_c: float) -> float:
    """Speed of sound in air in m/s: ``331.3 + 0.606 T`` (textbook; memory)."""
    return 331.3 + 0.606 * temperature_c


def doppler_hz(
    f0_hz: ArrayLike, radial_speed_m_s: ArrayLike, *, sound_speed_m_s: float
) -> NDArray[np.float64]:
    """Tone heard by a resting microphone: ``f / (1 - v_r / c)`` (textbook acoustics; memory).

    Parameters
    ----------
    f0_hz
        Tone as the source makes it.
    radial_speed_m_s
        Positive when the source approaches. Same shape as ``f0_hz``, or a number.
    sound_speed_m_s
        See `speed_of_sound`.
    """
    return np.asarray(f0_hz, dtype=float) / (
        1.0 - np.asarray(radial_speed_m_s, dtype=float) / sound_speed_m_s
    )


def emission_time(
    time_s: NDArray[np.float64], distance_m: NDArray[np.float64], *, sound_speed_m_s: float
) -> NDArray[np.float64]:
    """When the sound arriving at each time left the source: solves ``t = tau + r(tau) / c``.

    Parameters
    ----------
    time_s : shape (n,)
        Evenly spaced times, used both as times of arrival and as the grid of ``distance_m``.
    distance_m : shape (n,)
        Distance of the source at those times. Before the first and after the last time it is taken to
        go on as it ends (cubic extrapolation), which only matters for the first ``r / c`` seconds.

    Returns
    -------
    shape (n,)
        Emission times.

    Notes
    -----
    Fixed-point steps: each multiplies the error by v/c, so eight steps at 10 m/s leave about 1e-12 of the
    travel time.
    """
    from scipy.interpolate import CubicSpline

    distance = CubicSpline(time_s, distance_m)
    emitted = time_s - distance_m / sound_speed_m_s
    for _ in range(8):
        emitted = time_s - distance(emitted) / sound_speed_m_s
    return np.asarray(emitted, dtype=float)


def dipole_gain(
    distance_m: NDArray[np.float64], frequency_hz: ArrayLike, *, sound_speed_m_s: float, phase: bool = False
) -> NDArray[np.complex128]:
    """Pressure of a small dipole at a distance, relative to its far field at 1 m.

    The size is ``(1/r) sqrt(1 + 1/(k r)^2)`` with ``k = 2 pi f / c`` (textbook acoustics; memory): 12 dB for
    each doubling close up, 6 dB beyond ``r = 1/k``, which at 170 Hz is 0.32 m.

    Parameters
    ----------
    distance_m : shape (n,)
    frequency_hz
        A number or shape (n,).
    phase
        Also give the phase of the near field, ``(1 + 1/(j k r)) / |...|`` on top of the travel time. Close up
        the pressure then follows the wing without delay, so that low harmonics show less Doppler than
        high ones. Off by default: the tone heard is then exactly the textbook Doppler value.

    Returns
    -------
    shape (n,), complex
        Real when ``phase`` is off. The direction of the dipole is left out.
    """
    k_r = 2.0 * np.pi * np.asarray(frequency_hz, dtype=float) / sound_speed_m_s * distance_m
    pressure = (1.0 + 1.0 / (1j * k_r)) / distance_m
    return np.asarray(pressure if phase else np.abs(pressure), dtype=np.complex128)


def straight_pass(
    time_s: NDArray[np.float64], *, speed_m_s: float, closest_m: float, at_s: float
) -> NDArray[np.float64]:
    """Positions on a straight level path past the origin.

    Returns
    -------
    shape (n, 3)
        The path runs along x, ``closest_m`` away along y, nearest at ``at_s``.
    """
    along = speed_m_s * (time_s - at_s)
    return np.stack([along, np.full_like(along, closest_m), np.zeros_like(along)], axis=1)
