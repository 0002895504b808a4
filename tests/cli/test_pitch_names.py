"""Notes: against ISO 16, against librosa, and at the seams between two notes."""

from __future__ import annotations

import math

import librosa
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from wingtone.pitch_names import note_and_cents, note_name


def test_standard_tuning_frequency() -> None:
    """ISO 16:1975: the A in the treble stave is 440 Hz."""
    assert note_and_cents(440.0) == ("A4", 0)


@pytest.mark.parametrize(
    ("f_hz", "note"),
    [
        # Equal-tempered scale on A4 = 440 Hz, to two decimals (any table of it, as in acoustics handbooks).
        (65.41, "C2"),
        (110.00, "A2"),
        (146.83, "D3"),
        (155.56, "D#3"),
        (185.00, "F#3"),
        (233.08, "A#3"),
        (246.94, "B3"),
        (261.63, "C4"),
    ],
)
def test_table_of_the_equal_tempered_scale(f_hz: float, note: str) -> None:
    assert note_and_cents(f_hz) == (note, 0)


@settings(deadline=None)
@given(st.floats(min_value=20, max_value=5000))
def test_agrees_with_librosa(f_hz: float) -> None:
    """`librosa.hz_to_note` is an independent implementation; its cents come as ``D3+12``."""
    note, cents = note_and_cents(f_hz)
    midi = librosa.hz_to_midi(f_hz)
    # Within half a cent of the middle between two notes the rounding may go either way.
    if abs(abs(midi - round(midi)) - 0.5) > 0.006:
        assert librosa.hz_to_note(f_hz, unicode=False) == note
        assert abs(100 * (midi - round(midi)) - cents) <= 0.5 + 1e-6


@settings(deadline=None)
@given(st.floats(min_value=1, max_value=20_000))
def test_note_and_cents_lead_back_to_the_frequency(f_hz: float) -> None:
    note, cents = note_and_cents(f_hz)
    assert -50 <= cents < 50
    back = librosa.note_to_hz(note) * 2 ** (cents / 1200)
    assert abs(1200 * math.log2(back / f_hz)) <= 0.5 + 1e-6


def test_name_in_words() -> None:
    assert note_name(440.0) == "A4 0 c"
    assert note_name(146.83 * 2 ** (12 / 1200)) == "D3 +12 c"
    assert note_name(146.83 * 2 ** (-8 / 1200)) == "D3 -8 c"


@pytest.mark.parametrize("f_hz", [None, math.nan, math.inf, 0.0, -3.0])
def test_no_frequency_has_no_name(f_hz: float | None) -> None:
    assert note_name(f_hz) == ""


@pytest.mark.parametrize("f_hz", [math.nan, math.inf, 0.0, -3.0])
def test_no_frequency_has_no_note(f_hz: float) -> None:
    with pytest.raises(ValueError, match="positive"):
        note_and_cents(f_hz)
