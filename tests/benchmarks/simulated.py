"""The tone engine and general-purpose estimators on the same made-up clips, in the same run.

    python tests/benchmarks/simulated.py --clips 3          beside the other estimators
    python tests/benchmarks/simulated.py --alone --clips 3 --first-seed 13000   more clips, for the intervals
    pip install pyworld swift-f0                            two more estimators, taken when they are there

Clips of 10 s, twenty conditions of `wingtone.simulate` (seeds that nothing was trained or set on), SNR in
90-2000 Hz, 10 ms grid. *Missed or gross*: share of true flight frames without an estimate, or more than 5 %
off; where two bees fly at once, off from both. *Octave*: share of estimated flight frames within 6 % of an
octave away. *Tracked* is the line before the decision what is flight, so that the two stages are seen apart.
*Cover*: share of flight bouts whose 95 % interval holds the true median, of those that are the bee (within
5 %): no error of measurement explains a mower. Speed is audio seconds per second of processor time, all
threads counted; the libraries are left as they are, but for the neural estimator, which is held to one
thread.
"""

from __future__ import annotations

import argparse
import sys
import time
import warnings
from dataclasses import dataclass
from functools import lru_cache
from importlib import import_module
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.kept import add_out, keep, slug
from tone.sounds import at_tone_rate
from wingtone.simulate import CONDITIONS, make_scene
from wingtone.tone import measure
from wingtone.tone.measure import piece_features

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from numpy.typing import NDArray

    from wingtone.simulate.scene import Truth
    from wingtone.tone import Bout

SNRS_DB = (10.0, 5.0, 0.0, -5.0)
FIRST_SEED = 12_000
LOWEST_HZ, HIGHEST_HZ = 80.0, 320.0


@dataclass
class Tally:
    """Frames counted over clips."""

    true: int = 0
    given: int = 0
    missed_or_gross: int = 0
    gross: int = 0
    octave: int = 0
    squares: float = 0.0
    fine: int = 0
    seconds: float = 0.0
    spent_s: float = 0.0
    bouts: int = 0
    covered: int = 0

    def add(self, truth: NDArray[np.float64], line: NDArray[np.float64], spent_s: float) -> None:
        """Count one clip; NaN means no tone."""
        flight = np.isfinite(truth)
        both = flight & np.isfinite(line)
        error = np.abs(line[both] / truth[both] - 1)
        self.true += int(flight.sum())
        self.given += int(both.sum())
        self.gross += int((error > 0.05).sum())
        self.missed_or_gross += int(flight.sum() - both.sum() + (error > 0.05).sum())
        self.octave += int((np.abs(np.abs(np.log2(line[both] / truth[both])) - 1) < 0.085).sum())
        self.squares += float((error[error <= 0.05] ** 2).sum())
        self.fine += int((error <= 0.05).sum())
        self.seconds += truth.size * 0.01
        self.spent_s += spent_s

    def add_intervals(self, truth: NDArray[np.float64], bouts: Iterable[Bout]) -> None:
        """Count whose interval covers the true median of its frames."""
        time_s = np.arange(truth.size) * 0.01
        for bout in bouts:
            here = (time_s >= bout.start_s) & (time_s < bout.end_s) & np.isfinite(truth)
            if bout.kind != "flight" or here.sum() <= 5:
                continue
            middle = float(np.median(truth[here]))
            if abs(bout.f0_hz / middle - 1) < 0.05:
                self.bouts += 1
                self.covered += bout.f0_low_hz <= middle <= bout.f0_high_hz

    def values(self) -> dict[str, Any]:
        """Shares, error and speed."""
        return {
            "missed_or_gross_percent": 100 * self.missed_or_gross / self.true,
            "gross_percent": 100 * self.gross / max(self.given, 1),
            "octave_percent": 100 * self.octave / max(self.given, 1),
            "rms_error_percent": 100 * float(np.sqrt(self.squares / max(self.fine, 1))),
            "times_real_time": self.seconds / self.spent_s if self.spent_s else None,
            "bouts": self.bouts,
            "covered_percent": 100 * self.covered / self.bouts if self.bouts else None,
        }


def _gridded(time_s: NDArray[np.float64], f0_hz: NDArray[np.float64], n: int) -> NDArray[np.float64]:
    """Put values at times onto the 10 ms grid; NaN elsewhere and out of range."""
    out = np.full(n, np.nan)
    at = np.round(np.asarray(time_s) * 100).astype(int)
    good = (at >= 0) & (at < n) & (f0_hz >= LOWEST_HZ * 0.9) & (f0_hz <= HIGHEST_HZ * 1.1)
    out[at[good]] = np.asarray(f0_hz)[good]
    return out


def _nearer(truth: Truth, line: NDArray[np.float64]) -> NDArray[np.float64]:
    """The true tone of every frame; where two bees fly, that of the one which the line is nearer to."""
    first, second = truth.f0_hz, truth.second_f0_hz
    return np.where(np.abs(line / second - 1) < np.abs(line / first - 1), second, first)


def _yin(x: NDArray[np.float64], rate: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    import librosa

    f0 = librosa.yin(x, fmin=LOWEST_HZ, fmax=HIGHEST_HZ, sr=rate, frame_length=2048, hop_length=rate // 100)
    return np.asarray(np.arange(f0.size) * 0.01, np.float64), np.asarray(f0, np.float64)


def _pyin(x: NDArray[np.float64], rate: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    import librosa

    f0, _, _ = librosa.pyin(
        x, fmin=LOWEST_HZ, fmax=HIGHEST_HZ, sr=rate, frame_length=2048, hop_length=rate // 100
    )
    return np.asarray(np.arange(f0.size) * 0.01, np.float64), np.asarray(f0, np.float64)


def _praat(x: NDArray[np.float64], rate: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    import parselmouth

    pitch = parselmouth.Sound(x, rate).to_pitch_ac(0.01, LOWEST_HZ, pitch_ceiling=HIGHEST_HZ)
    f0 = pitch.selected_array["frequency"]
    return pitch.xs(), np.where(f0 > 0, f0, np.nan)


def _harvest(x: NDArray[np.float64], rate: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    import pyworld

    f0, time_s = pyworld.harvest(x, rate, f0_floor=LOWEST_HZ, f0_ceil=HIGHEST_HZ, frame_period=10.0)
    f0_hz: NDArray[np.float64] = np.where(f0 > 0, f0, np.nan)
    return np.asarray(time_s, np.float64), f0_hz


def _neural(x: NDArray[np.float64], rate: int) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """A small convolutional network whose weights come inside its package: every 16 ms, read every 10."""
    found = _network().detect(x.astype(np.float32), rate, fmin=LOWEST_HZ, fmax=HIGHEST_HZ)
    time_s = np.linspace(0.0, int(found.timestamps[-1] * 100) * 0.01, int(found.timestamps[-1] * 100) + 1)
    at = np.abs(found.timestamps[:, None] - time_s).argmin(axis=0)
    f0_hz: NDArray[np.float64] = np.where(found.confidence[at] >= 0.5, found.pitch_hz[at], np.nan)
    return time_s, f0_hz


@lru_cache(maxsize=1)
def _network() -> Any:
    return import_module("swift_f0").SwiftF0(threads=1)


OTHERS: dict[str, Callable[..., tuple[NDArray[np.float64], NDArray[np.float64]]]] = {
    "yin (librosa)": _yin,
    "pyin (librosa)": _pyin,
    "autocorrelation (Praat)": _praat,
}
if find_spec("pyworld"):
    OTHERS["harvest (WORLD)"] = _harvest
if find_spec("swift_f0"):
    OTHERS["neural (SwiftF0)"] = _neural
ESTIMATORS = ("wingtone", "wingtone, tracked", *OTHERS)
PACKAGES = ("librosa", "praat-parselmouth", "pyworld", "swift-f0")


def run(n_clips: int, *, with_others: bool, first_seed: int = FIRST_SEED) -> dict[float, dict[str, Tally]]:
    """Tallies by SNR and estimator."""
    out: dict[float, dict[str, Tally]] = {}
    for snr_db in SNRS_DB:
        tallies = {name: Tally() for name in ESTIMATORS}
        for condition in (c for c in CONDITIONS if c != "sonication"):
            for seed in range(first_seed, first_seed + n_clips):
                clip = make_scene(seed, condition=condition, snr_db=snr_db, duration_s=10.0, rate_hz=16000)
                truth = clip.truth
                n_frames = truth.time_s.size
                began = time.process_time()
                sound = at_tone_rate(clip)
                result = measure([sound], band_hz=clip.rate_hz / 2)
                spent = time.process_time() - began
                flight = np.array([b.kind == "flight" for b in result.bouts] or [False])
                chosen = flight[result.track.bout] if result.track.bout.size else np.zeros(0, bool)
                line = _gridded(result.track.time_s[chosen], result.track.f0_hz[chosen], n_frames)
                tallies["wingtone"].add(_nearer(truth, line), line, spent)
                tallies["wingtone"].add_intervals(truth.f0_hz, result.bouts)
                pieces, _ = piece_features([sound], band_hz=clip.rate_hz / 2)
                line = np.full(n_frames, np.nan)
                for piece in pieces:
                    inside = piece.rows["frame"] < n_frames
                    line[piece.rows["frame"][inside]] = np.exp(piece.rows["ln_f0"][inside])
                tallies["wingtone, tracked"].add(_nearer(truth, line), line, 0.0)
                if with_others:
                    mono = clip.samples.mean(axis=0).astype(np.float64)
                    for name, other in OTHERS.items():
                        began = time.process_time()
                        with warnings.catch_warnings():
                            warnings.simplefilter("ignore")
                            time_s, f0_hz = other(mono, clip.rate_hz)
                        spent = time.process_time() - began
                        line = _gridded(time_s, np.nan_to_num(f0_hz), n_frames)
                        tallies[name].add(_nearer(truth, line), line, spent)
        out[snr_db] = tallies if with_others else {k: v for k, v in tallies.items() if k not in OTHERS}
    return out


def values(tallies: dict[float, dict[str, Tally]]) -> dict[str, Any]:
    """The figures by SNR and estimator, and over all SNRs."""
    by_snr = {
        f"at_{slug(f'{snr_db:.0f} dB')}": {slug(name): tally.values() for name, tally in by_name.items()}
        for snr_db, by_name in tallies.items()
    }
    over_all: dict[str, Any] = {}
    for name in next(iter(by_snr.values())):
        rows = [by_name[name] for by_name in by_snr.values()]
        over_all[name] = {key: [row[key] for row in rows] for key in rows[0]}
    ours = [by_name["wingtone"] for by_name in tallies.values()]
    bouts = sum(tally.bouts for tally in ours)
    return {
        "conditions": len(CONDITIONS) - 1,
        **by_snr,
        "over_all": over_all,
        "bouts": bouts,
        "covered_percent": 100 * sum(tally.covered for tally in ours) / max(bouts, 1),
    }


def table(figures: dict[str, Any], n_clips: int) -> str:
    """Lay the figures out as Markdown."""
    lines = [
        f"{figures['conditions'] * n_clips} clips a row, {figures['conditions']} conditions.",
        "",
        "| SNR | estimator | missed or gross | gross | octave | rms error | speed | intervals cover |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for snr_db in SNRS_DB:
        for name in ESTIMATORS:
            row = figures[f"at_{slug(f'{snr_db:.0f} dB')}"].get(slug(name))
            if row is None:
                continue
            speed = f"{row['times_real_time']:.0f}x" if row["times_real_time"] else ""
            cover = f"{row['covered_percent']:.0f} % of {row['bouts']}" if row["bouts"] else ""
            lines.append(
                f"| {snr_db:.0f} dB | {name} | {row['missed_or_gross_percent']:.1f} % "
                f"| {row['gross_percent']:.2f} % | {row['octave_percent']:.2f} % "
                f"| {row['rms_error_percent']:.2f} % | {speed} | {cover} |"
            )
    covered = f"{figures['covered_percent']:.1f} % of {figures['bouts']} bouts"
    return "\n".join([*lines, "", f"All together, intervals cover {covered}."])


def main() -> int:
    """Run the command."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--clips", type=int, default=1, help="clips a condition")
    parser.add_argument("--alone", action="store_true", help="without the other estimators")
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    add_out(parser)
    options = parser.parse_args()
    tallies = run(options.clips, with_others=not options.alone, first_seed=options.first_seed)
    figures = values(tallies)
    keep(
        "simulated_alone" if options.alone else "simulated",
        table(figures, options.clips),
        figures,
        out=options.out,
        seed=options.first_seed,
        packages=() if options.alone else PACKAGES,
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
