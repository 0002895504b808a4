"""The voiced frames of pYIN as flight bouts, scored on the labelled recordings as the tone room is.

    python tests/benchmarks/recordings_pyin.py

The simplest thing that one could do instead: pYIN (Mauch & Dixon 2014, as in librosa) between 80 and 320 Hz
every 10 ms at the tone room's rate with its own decision what is voiced. Runs of voiced frames are flight
bouts, joined over gaps as the tone room joins its own (`JOIN_GAP_S`), and at least 0.1 s long, since a hit
needs as much. It knows no sonication. `labelled.py` has the conventions.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.kept import add_out, keep
from benchmarks.labelled import HEADING, Score, all_as_flight, needed_recordings
from benchmarks.train_gate import load_sounds
from wingtone.tone import RATE_HZ
from wingtone.tone.decision import JOIN_GAP_S

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from wingtone.tone import ToneResult

LEAST_FRAMES, GAP_FRAMES = 10, round(100 * JOIN_GAP_S)


def voiced(samples: NDArray[np.float32]) -> ToneResult:
    """Runs of voiced frames as flight bouts with the median of their tone."""
    import librosa

    f0, _, _ = librosa.pyin(
        samples.mean(axis=0), fmin=80.0, fmax=320.0, sr=RATE_HZ, frame_length=768, hop_length=RATE_HZ // 100
    )
    frames = np.flatnonzero(np.isfinite(f0))
    runs = np.split(frames, np.flatnonzero(np.diff(frames) > GAP_FRAMES) + 1) if frames.size else []
    runs = [run for run in runs if run.size >= LEAST_FRAMES]
    return all_as_flight([(run, np.asarray(f0[run], np.float64)) for run in runs])


def main() -> int:
    """Run the command."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    add_out(parser)
    options = parser.parse_args()
    folder = needed_recordings()
    score = Score()
    for sound in load_sounds(folder):
        score.add(sound.file, sound.events, voiced(sound.samples), sound.duration_s)
    lines = [HEADING, score.row(), "", f"With the hive {score.values()['with_hive_a_minute']:.2f} a minute."]
    keep("recordings_pyin", "\n".join(lines), score.values(), out=options.out, packages=("librosa",))
    return 0


if __name__ == "__main__":
    sys.exit(main())
