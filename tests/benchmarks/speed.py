"""How fast and in how much memory whole recordings are measured.

    python tests/benchmarks/speed.py --minutes 60
    python tests/benchmarks/speed.py --day quiet garden    (24 hours of sound, for memory alone)

Made-up sound at 48 kHz, one channel, strung together from scenes of `wingtone.simulate`: *quiet*, two
minutes of wind, hiss and birds, over and over; *garden*, the same with a bee in 20 s of them; *busy*, a bee
in every scene; *endless*, an engine that never stops. Each file is measured by
`wingtone.clip.measure_recording` (reading, resampling, checksum, tone, decision) in a process of its own,
with nothing set that a user would not have set. Speed is seconds of sound per second of that process's time
on the processor, all its threads added up, imports left out; *reading* is the same for decoding and
resampling alone. Each is the best of three, since others may use the machine too. Memory is the most it ever
held, imports included. The cold start is the whole command line program on a clip of 10 s. General-purpose
estimators of librosa hear the same sound in the same run, already decoded and resampled; ours alone is shown
beside them. A day of *endless* takes ten minutes.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
import warnings
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.kept import add_out, keep, slug

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from numpy.typing import NDArray

RATE_HZ = 48_000
QUIET = ("wind", "birds", "wind", "hiss", "wind")
BEES = ("hover", "fly-by", "glide", "steady wind", "wander", "gusts")
KINDS = ("quiet", "garden", "busy", "endless")
TIMES = 3
FORMATS = (("WAV", ".wav", None), ("FLAC", ".flac", None), ("AAC", ".m4a", "aac"), ("Opus", ".opus", "opus"))


def scenes(name: str, *, rate_hz: int) -> NDArray[np.float32]:
    """Unique sound of one kind, shape (n,)."""
    from wingtone.simulate import make_scene, negative_scene

    def quiet(i: int) -> NDArray[np.float32]:
        clip = negative_scene(300 + i, kind=QUIET[i % len(QUIET)], duration_s=10.0, rate_hz=rate_hz)
        samples: NDArray[np.float32] = clip.samples[0]
        return samples

    def bee(i: int) -> NDArray[np.float32]:
        clip = make_scene(400 + i, condition=BEES[i % len(BEES)], snr_db=8, duration_s=10.0, rate_hz=rate_hz)
        samples: NDArray[np.float32] = clip.samples[0]
        return samples

    if name == "garden":
        return np.concatenate([bee(i) if i in (3, 8) else quiet(i) for i in range(12)])
    if name == "quiet":
        return np.concatenate([quiet(i) for i in range(12)])
    if name == "busy":
        return np.concatenate([bee(i) for i in range(12)])
    n = 60 * rate_hz
    turns = np.cumsum(95.0 + 3.0 * np.sin(2 * np.pi * np.arange(n) / n)) / rate_hz
    engine = sum(np.cos(2 * np.pi * h * turns + h * h) / h for h in range(1, 20))
    hiss = np.random.default_rng(1).standard_normal(n)
    return np.asarray(0.02 * engine + 0.005 * hiss, np.float32)


def write(path: Path, sound: NDArray[np.float32], *, seconds: float, codec: str | None) -> None:
    """Write a sound over and over, until it is long enough."""
    from wingtone.audio.encode import write_encoded

    write_encoded(path, np.resize(sound, round(seconds * RATE_HZ)), rate_hz=RATE_HZ, codec=codec)


def spent_s(work: Callable[[], Any]) -> float:
    """Time on the processor of some work."""
    started = time.process_time()
    work()
    return time.process_time() - started


def peak_mb() -> float:
    """Most memory this process ever held (getrusage would count what its parent held when it began)."""
    status = Path("/proc/self/status").read_text("ascii").split()
    return float(status[status.index("VmHWM:") + 1]) / 1024


def child(task: str, what: str) -> dict[str, Any]:
    """Run one task of this file in a process of its own."""
    done = subprocess.run(
        [sys.executable, __file__, f"--{task}", what],
        check=True,
        capture_output=True,
        text=True,
    )
    answer: dict[str, Any] = json.loads(done.stdout)
    return answer


def _measure_file(path: str) -> dict[str, Any]:
    import scipy.fft
    import scipy.ndimage
    import scipy.optimize
    import scipy.sparse  # noqa: F401  (imports are not what is timed here)

    from wingtone import audio, clip, tone

    def read() -> None:
        with audio.open_recording(path) as recording:
            for _ in recording.blocks(rate_hz=tone.RATE_HZ):
                pass

    reading = min(spent_s(read) for _ in range(TIMES))
    result: list[Any] = []

    def measure() -> None:
        result.clear()  # one answer at a time counts towards the memory
        result.append(clip.measure_recording(path))

    spent = min(spent_s(measure) for _ in range(TIMES))
    return {
        "spent_s": spent,
        "reading_s": reading,
        "seconds": result[0].recording.duration_s,
        "bouts": len(result[0].tone.bouts),
        "in_bouts_s": result[0].tone.track.time_s.size * 0.01,
    }


def _measure_day(name: str) -> dict[str, Any]:
    from wingtone import tone

    sound = scenes(name, rate_hz=16_000)
    import soxr

    heard = soxr.resample(sound, 16_000, tone.RATE_HZ).astype(np.float32)
    blocks_a_day = 24 * 3600 * tone.RATE_HZ // heard.size

    def day() -> Iterator[NDArray[np.float32]]:
        for _ in range(blocks_a_day):
            yield heard[None]

    result: list[Any] = []
    spent = spent_s(lambda: result.append(tone.measure(day())))
    return {
        "spent_s": spent,
        "seconds": blocks_a_day * heard.size / tone.RATE_HZ,
        "bouts": len(result[0].bouts),
        "in_bouts_s": result[0].track.time_s.size * 0.01,
    }


def cold_start(path: Path) -> tuple[float, float]:
    """Processor time and clock time of the whole program on one short clip, best of three; s."""
    best = (np.inf, np.inf)
    for _ in range(TIMES):
        before, clock = resource.getrusage(resource.RUSAGE_CHILDREN), time.monotonic()
        subprocess.run(
            [sys.executable, "-c", "from wingtone.cli import main; main()", "measure", str(path)],
            check=True,
            capture_output=True,
        )
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        spent = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
        best = min(best, (spent, time.monotonic() - clock))
    return best


def others(sound: NDArray[np.float32]) -> Iterator[tuple[str, float]]:
    """Seconds of sound per second for estimators that hear the same 60 s at the tone room's rate."""
    import librosa

    from wingtone import tone

    seconds = sound.size / tone.RATE_HZ
    settings: dict[str, Any] = {
        "fmin": 80.0,
        "fmax": 320.0,
        "sr": tone.RATE_HZ,
        "frame_length": 1024,
        "hop_length": 60,
    }
    runs: list[tuple[str, Callable[[], Any]]] = [
        ("wingtone, tone engine alone", lambda: tone.measure([sound[None]])),
        ("librosa yin", lambda: librosa.yin(sound, **settings)),
        ("librosa pyin", lambda: librosa.pyin(sound, **settings)),
    ]
    for name, run in runs:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            run()  # imports and compiling are not counted
            yield name, seconds / min(spent_s(run) for _ in range(TIMES))


def _figures(got: dict[str, Any]) -> dict[str, Any]:
    figures = {
        "minutes": got["seconds"] / 60,
        "in_bouts_percent": 100 * got["in_bouts_s"] / got["seconds"],
        "bouts": got["bouts"],
        "times_real_time": got["seconds"] / got["spent_s"],
        "peak_mb": got["peak_mb"],
    }
    if "reading_s" in got:
        figures["reading_times_real_time"] = got["seconds"] / got["reading_s"]
    return figures


def _table(rows: list[tuple[str, str, dict[str, Any]]]) -> list[str]:
    lines = [
        "| scene | format | min | in bouts | bouts | reading, x real time | all, x real time | peak MB |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for scene, form, row in rows:
        reading = f"{row['reading_times_real_time']:.0f}" if "reading_times_real_time" in row else ""
        lines.append(
            f"| {scene} | {form} | {row['minutes']:.0f} | {row['in_bouts_percent']:.0f} % | {row['bouts']} "
            f"| {reading} | {row['times_real_time']:.0f} | {row['peak_mb']:.0f} |"
        )
    return lines


def days(kinds: list[str], out: Path | None) -> None:
    """A day of sound of each kind, decoded already."""
    rows = [(kind, "24 h, decoded", _figures(child("day-of", kind))) for kind in kinds]
    keep("speed_day", "\n".join(_table(rows)), {kind: row for kind, _, row in rows}, out=out)


def files(minutes: float, out: Path | None) -> None:
    """Whole recordings, the cold start, and other estimators."""
    import soxr

    from wingtone import tone

    rows: list[tuple[str, str, dict[str, Any]]] = []
    with tempfile.TemporaryDirectory() as folder:
        for kind in KINDS:
            sound = scenes(kind, rate_hz=RATE_HZ)
            for name, suffix, codec in FORMATS if kind in ("quiet", "garden") else FORMATS[:1]:
                path = Path(folder) / f"{kind}{suffix}"
                write(path, sound, seconds=60 * minutes, codec=codec)
                rows.append((kind, name, _figures(child("file", str(path)))))
                path.unlink()
        short = Path(folder) / "short.wav"
        write(short, scenes("busy", rate_hz=RATE_HZ), seconds=10, codec=None)
        processor_s, clock_s = cold_start(short)
    busy = soxr.resample(scenes("busy", rate_hz=16_000)[: 60 * 16_000], 16_000, tone.RATE_HZ)
    engines = dict(others(busy.astype(np.float32)))
    lines = [
        *_table(rows),
        "",
        f"Cold start, 10 s clip: {processor_s:.2f} s on the processor, {clock_s:.2f} s by the clock.",
        "",
        "| estimator, 60 s of *busy* at 6 kHz, decoded | x real time |",
        "| --- | --- |",
        *(f"| {name} | {speed:.0f} |" for name, speed in engines.items()),
    ]
    figures = {
        "minutes": minutes,
        **{slug(f"{kind} {name}"): row for kind, name, row in rows},
        "peak_mb": [row["peak_mb"] for _, _, row in rows],
        "cold_start_processor_s": processor_s,
        "cold_start_s": clock_s,
        "estimators_times_real_time": {slug(name): speed for name, speed in engines.items()},
    }
    keep("speed", "\n".join(lines), figures, out=out, packages=("av", "soxr", "librosa"))


def main() -> None:
    """Measure and report."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--day", nargs="*", choices=KINDS, default=[])
    add_out(parser)
    parser.add_argument("--file", help=argparse.SUPPRESS)
    parser.add_argument("--day-of", help=argparse.SUPPRESS)
    wanted = parser.parse_args()
    if wanted.file or wanted.day_of:
        got = _measure_file(wanted.file) if wanted.file else _measure_day(wanted.day_of)
        got["peak_mb"] = peak_mb()
        print(json.dumps(got))
        return
    if wanted.day:
        days(wanted.day, wanted.out)
    else:
        files(wanted.minutes, wanted.out)


if __name__ == "__main__":
    main()
