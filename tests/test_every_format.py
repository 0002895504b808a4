"""One made-up flight in every format that phones and recorders write, all the way through the tone room.

The bar (the project's own): f0 within 0.3 % of the WAV original, 1 % for AMR, whose codec was made for
voices; times and duration within 60 ms; the date and the place wherever the format carries them.
"""

from __future__ import annotations

import datetime
from typing import TYPE_CHECKING

import pytest

from audio.bout import DEVICE, FORMS, LATITUDE_DEG, LONGITUDE_DEG, WHEN, Form
from wingtone.audio.encode import write_encoded
from wingtone.clip import Measurement, measure_recording
from wingtone.simulate import Clip, make_scene

if TYPE_CHECKING:
    from pathlib import Path

    from wingtone.tone import Bout


@pytest.fixture(scope="module")
def flight() -> Clip:
    # Its last flight ends half a second before the clip: CAF with ALAC loses the last part of a packet.
    return make_scene(3, condition="hover", snr_db=15.0, duration_s=6.0, rate_hz=48_000, f0_hz=150.0)


@pytest.fixture(scope="module")
def original(flight: Clip, tmp_path_factory: pytest.TempPathFactory) -> Measurement:
    path = tmp_path_factory.mktemp("original") / "flight.wav"
    write_encoded(path, flight.samples, rate_hz=flight.rate_hz)
    return measure_recording(path)


def flights(measurement: Measurement) -> list[Bout]:
    return [bout for bout in measurement.tone.bouts if bout.kind == "flight"]


def test_the_original_is_right(flight: Clip, original: Measurement) -> None:
    heard = flights(original)
    assert [b.f0_hz for b in heard] == pytest.approx([b.f0_hz for b in flight.truth.bouts], rel=0.003)


@pytest.mark.parametrize("form", FORMS, ids=lambda form: form.name)
def test_a_flight_comes_back_the_same(
    form: Form, flight: Clip, original: Measurement, tmp_path: Path
) -> None:
    path = tmp_path / f"flight{form.suffix}"
    write_encoded(
        path,
        flight.samples,
        rate_hz=flight.rate_hz,
        codec=form.codec,
        video=form.video,
        creation=WHEN,
        latitude_deg=LATITUDE_DEG,
        longitude_deg=LONGITUDE_DEG,
        device=DEVICE,
    )
    measured = measure_recording(path)
    heard, wanted = flights(measured), flights(original)
    assert len(heard) == len(wanted)
    for ours, reference in zip(heard, wanted, strict=True):
        assert ours.f0_hz == pytest.approx(reference.f0_hz, rel=0.01 if "amr" in form.codec else 0.003)
        assert ours.start_s == pytest.approx(reference.start_s, abs=0.06)
        assert ours.end_s == pytest.approx(reference.end_s, abs=0.06)
    info = measured.recording
    assert info.duration_s == pytest.approx(original.recording.duration_s, abs=0.06)
    if form.date is not None:
        assert info.recorded_at is not None
        when = datetime.datetime.fromisoformat(info.recorded_at)
        # bext holds local time without an offset
        assert when.astimezone(WHEN.tzinfo) == WHEN if when.tzinfo else when == WHEN.replace(tzinfo=None)
    if form.place:
        assert info.latitude_deg == pytest.approx(LATITUDE_DEG, abs=1e-4)
        assert info.longitude_deg == pytest.approx(LONGITUDE_DEG, abs=1e-4)
