"""The shipped gate on the labelled real recordings.

It was trained on these very files, so this guards against breaking what works; how good it is on recordings
it has not heard is measured by ``tests/benchmarks/train_gate.py --cross-validate`` (README).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from benchmarks.labelled import Score, read_labels, recordings_folder
from wingtone.audio import read
from wingtone.tone import RATE_HZ, measure

if TYPE_CHECKING:
    from pathlib import Path

FOLDER = recordings_folder()


@pytest.fixture(scope="module")
def score() -> Score:
    folder: Path | None = FOLDER
    assert folder is not None
    out = Score()
    for file, events in read_labels(folder).items():
        samples, info = read(folder / file, rate_hz=RATE_HZ)
        result = measure([samples], band_hz=info.sample_rate_hz / 2)
        out.add(file, events, result, samples.shape[1] / RATE_HZ)
    return out


pytestmark = pytest.mark.skipif(
    FOLDER is None, reason="NO REAL RECORDINGS: set WINGTONE_RECORDINGS to their folder"
)


def test_the_labels_are_those_the_figures_speak_of(score: Score) -> None:
    assert score.events == 25
    assert score.sonications == 36


def test_better_than_voiced_frames_of_pyin_on_every_count(score: Score) -> None:
    """pYIN (Mauch & Dixon 2014) with voiced frames as bouts: 15 of 25, 9 wrong, 13 of 36, 9.7 a minute."""
    assert score.hits >= 21, score.remarks
    assert score.octave == 0, score.remarks
    assert score.wrong == 0, score.remarks
    assert score.sonication_as_flight <= 4, score.remarks
    assert score.sonication_found >= 15, score.remarks
    assert score.rate() <= 1.0, dict(score.false_bouts)
