"""Recordings whose truth is known, and measurements made from that truth.

The measurements here let the outer rooms be tested whatever the tone room hears; `test_whole_way.py` goes
the whole way with nothing replaced.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from cli.made_up import tone_of, truth_of
from wingtone.audio import open_recording
from wingtone.audio.encode import write_encoded
from wingtone.clip import Measurement
from wingtone.simulate import make_scene

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from wingtone.simulate import Clip
    from wingtone.tone.results import ToneResult


@pytest.fixture(scope="session")
def hover() -> Clip:
    return make_scene(3, condition="hover", snr_db=20.0, duration_s=6.0, f0_hz=150.0)


@pytest.fixture(scope="session")
def hover_wav(hover: Clip, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A clear bee at about 150 Hz, dated by its name: in the past, whatever the clock says."""
    path = tmp_path_factory.mktemp("clips") / "hover_20190615_101500.wav"
    write_encoded(path, hover.samples, rate_hz=hover.rate_hz)
    return path


@pytest.fixture(scope="session")
def hover_truth(hover: Clip, hover_wav: Path) -> Measurement:
    with open_recording(hover_wav) as recording:
        list(recording.blocks(rate_hz=8000))
        info = recording.info
    return Measurement(recording=info, sha256="0" * 64, tone=truth_of(hover))


@pytest.fixture
def perfect_ear(hover: Clip, monkeypatch: pytest.MonkeyPatch) -> Callable[[ToneResult], None]:
    """Let `wingtone.tone.measure` find the truth of `hover`, or what is given, in every recording."""
    import wingtone.tone

    def find(result: ToneResult) -> None:
        def measure(
            blocks: Iterable[NDArray[np.float32]], *, rate_hz: int, band_hz: float, flight_threshold: float
        ) -> ToneResult:
            heard = sum(block.shape[1] for block in blocks)
            assert band_hz == 8000  # half the rate of every clip here
            return result if heard > rate_hz else tone_of()

        monkeypatch.setattr(wingtone.tone, "measure", measure)

    find(truth_of(hover))
    return find


@pytest.fixture
def runner(monkeypatch: pytest.MonkeyPatch) -> CliRunner:
    monkeypatch.setenv("COLUMNS", "80")
    return CliRunner()
