"""A frequency as a musical note, since people hear pitch and not hertz.

Conventions
-----------
Equal temperament with A4 = 440 Hz (ISO 16:1975, standard tuning frequency). Octaves are numbered as in
scientific pitch notation: middle C is C4, the octave changes at C. Cents are hundredths of a semitone.
A note and its cents always lie within half a semitone: -50 <= cents < 50.

- `note_and_cents`: the nearest note and the distance to it.
- `note_name`: both as text, ``"D3 +12 c"``.
"""

from __future__ import annotations

import math

__all__ = ["note_and_cents", "note_name"]

A4_HZ = 440.0
"""ISO 16:1975."""

NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")

_A4_STEPS = 9 + 12 * 4  # semitones of A4 above C0


def note_and_cents(f_hz: float) -> tuple[str, int]:
    """Name the note nearest to a frequency.

    Parameters
    ----------
    f_hz
        Frequency in Hz, positive and finite.

    Returns
    -------
    tuple[str, int]
        The note with its octave (``"D3"``, ``"A#2"``) and the distance from it in whole cents, -50..49.

    Raises
    ------
    ValueError
        The frequency is not positive and finite.
    """
    if not (math.isfinite(f_hz) and f_hz > 0):
        raise ValueError(f"a pitch needs a positive frequency, got {f_hz!r}")
    # Round to whole cents first, so that the note and the cents are taken from the same number.
    cents_above_c0 = round(1200 * math.log2(f_hz / A4_HZ)) + 100 * _A4_STEPS
    steps, rest = divmod(cents_above_c0 + 50, 100)
    return f"{NAMES[steps % 12]}{steps // 12}", rest - 50


def note_name(f_hz: float | None) -> str:
    """Write a frequency as a note: ``"D3 +12 c"``, ``"A4 0 c"``; empty for None, NaN or no frequency."""
    if f_hz is None or not (math.isfinite(f_hz) and f_hz > 0):
        return ""
    note, cents = note_and_cents(f_hz)
    return f"{note} {cents:+d} c" if cents else f"{note} 0 c"
