"""A process that decodes and measures, so that the page's own process never opens a stranger's file.

Run as ``python -m wingtone.web.worker``. It reads one JSON object a line from stdin and answers on stdout,
also line by line: ``{"heard_s": ...}`` while it works, then ``{"done": ...}`` or ``{"error": ...}``. It
bounds its own memory, processor time and files before it decodes anything, where the system can, and may
crash or be killed at any time: what it writes appears whole or not at all, except for the listening copy,
which grows under a name of its own until it is whole.

- `main`: the loop.
- `listen`, `correct`, `ask_model`, `cut_clips`: what it can be asked to do.
"""

from __future__ import annotations

import contextlib
import dataclasses
import json
import os
import signal
import sys
import wave
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TextIO

import numpy as np

from wingtone.clip import measure_recording
from wingtone.errors import RecordingError, WingtoneError
from wingtone.files import synchronise
from wingtone.web import corrections, stored

if TYPE_CHECKING:
    from collections.abc import Callable

    from wingtone.tone.stretch import MeasuredStretch

    Tell = Callable[[dict[str, Any]], None]

__all__ = ["COPY", "COPY_RATE_HZ", "GROWING", "ask_model", "correct", "cut_clips", "listen", "main"]

COPY, GROWING = "copy.wav", "copy.growing"
COPY_RATE_HZ = 12_000
"""Rate of the listening copy: twice what is measured, so that voices stay clear; 86 MB an hour. Ours."""
LONGEST_S = 12 * 3600.0
"""Ours: continuous recording is for ``wingtone survey``; also bounds what a small file can unpack to."""
MEMORY_BYTES = 4 << 30
"""Address space; a measurement takes about 0.2 GB of memory, the libraries map 1 GB. Ours."""
FILE_BYTES = int(LONGEST_S * COPY_RATE_HZ * 2) + (1 << 20)


def listen(source: Path, folder: Path, tell: Tell) -> dict[str, Any]:
    """Make the listening copy of a recording and measure it.

    Raises
    ------
    RecordingError
        It cannot be used.
    """
    tell({"begun": True})
    _copy(source, folder, tell)
    measurement = measure_recording(source, progress=lambda heard_s: tell({"heard_s": heard_s}))
    recording = measurement.recording
    if recording.recorded_at_source == "file time":  # that of the upload: it says nothing
        recording = dataclasses.replace(recording, recorded_at=None, recorded_at_source=None)
        measurement = dataclasses.replace(measurement, recording=recording)
    stored.save(measurement, folder)
    return {"duration_s": recording.duration_s, "flights": len(measurement.flight)}


def _copy(source: Path, folder: Path, tell: Tell) -> None:
    """Write the copy that is looked at and listened to: one channel, 16 bits."""
    from wingtone import audio

    growing = folder / GROWING
    seconds = 0.0
    # The lengths in the heading are put right at the end; readers of the growing copy count bytes.
    with (
        audio.open_recording(source) as recording,
        growing.open("wb") as file,
        wave.open(file, "wb") as out,
    ):
        out.setparams((1, 2, COPY_RATE_HZ, 0, "NONE", ""))
        for block in recording.blocks(rate_hz=COPY_RATE_HZ):
            scaled = np.clip(np.rint(block.mean(axis=0) * 32767.0), -32768, 32767).astype("<i2")
            out.writeframesraw(scaled.tobytes())
            file.flush()
            seconds += block.shape[1] / COPY_RATE_HZ
            tell({"copied_s": seconds})
            if seconds > LONGEST_S:
                what = f"is longer than {LONGEST_S / 3600:g} hours, too long for the page"
                raise RecordingError(what, remedy="cut it, or use wingtone measure", where=source)
    synchronise(growing)
    growing.replace(folder / COPY)


def correct(
    source: Path,
    folder: Path,
    asked: list[dict[str, Any]],
    target: str,
    tell: Tell,
    *,
    before: tuple[str, list[dict[str, Any]]] | None = None,
) -> dict[str, Any]:
    """Measure again within the limits a user gave; the result goes into a new folder beside the first one.

    ``before`` is the folder with the corrections that stand, and these: what they share is taken from there.
    """
    found = stored.load(folder, source)
    known: dict[corrections.Correction, MeasuredStretch] = {}
    if before is not None:
        with contextlib.suppress(stored.Damaged, TypeError):
            stands = stored.load(folder / before[0], source)
            known = corrections.measured_before(stands, corrections.from_json(before[1]))
    at_work = partial(tell, {"at_work": True})
    corrected = corrections.carry_out(found, corrections.from_json(asked), before=known, progress=at_work)
    (folder / target).mkdir()
    stored.save(corrected, folder / target)
    return {"flights": len(corrected.flight)}


def ask_model(source: Path, folder: Path, model_path: Path, fauna: Path | None) -> dict[str, Any]:
    """Ask a trained model about each bee of a measured recording."""
    from wingtone.clip import flights_by_individual
    from wingtone.fauna import load
    from wingtone.learn.model import model_words
    from wingtone.learn.model_file import load_model

    measurement = stored.load(folder, source)
    bees = flights_by_individual(measurement)
    model = load_model(model_path)
    words = model_words(model, source, measurement.tone, bees=bees, fauna=load(fauna))
    return {
        "words": [
            {
                "likelihood": None if word.likelihood is None else dataclasses.asdict(word.likelihood),
                "warnings": [list(pair) for pair in word.warnings],
            }
            for word in words
        ]
    }


def cut_clips(notebook: str | None, numbers: list[int], folder: Path, tell: Tell) -> dict[str, Any]:
    """Write the flight bouts of records as Broadcast Wave files."""
    from wingtone.notebook.clips import write_clips
    from wingtone.notebook.store import Notebook

    with Notebook.open(notebook, write=False) as opened:
        entries = (opened.get(number) for number in numbers)
        written = write_clips(entries, folder, progress=lambda number: tell({"cutting": number}))
    return {"missing": [list(pair) for pair in written.missing]}


def _bound() -> None:
    """Take away what decoding a recording never needs."""
    try:
        import resource
    except ImportError:  # Windows: the watch of the parent remains
        return
    limits = {"RLIMIT_AS": MEMORY_BYTES, "RLIMIT_FSIZE": FILE_BYTES, "RLIMIT_CORE": 0}
    for name, most in limits.items():
        with contextlib.suppress(ValueError, OSError, AttributeError):  # not every system knows every limit
            kind = getattr(resource, name)
            _, hard = resource.getrlimit(kind)
            least = most if hard == resource.RLIM_INFINITY else min(most, hard)
            resource.setrlimit(kind, (least, least))


def _warm() -> None:
    """Load what the first recording will need, before it comes."""
    import av
    import scipy.fft
    import scipy.linalg.blas
    import soxr

    from wingtone.tone import measure
    from wingtone.tone.gate import load_gate

    load_gate()
    rng = np.random.default_rng(0)
    measure([rng.standard_normal((1, 12_000)).astype(np.float32) * 0.01])
    _ = av, scipy, soxr


def _do(job: dict[str, Any], tell: Tell) -> dict[str, Any]:
    source, folder = Path(job["source"]), Path(job["folder"])
    if job["do"] == "listen":
        return listen(source, folder, tell)
    if job["do"] == "correct":
        return correct(source, folder, job["bouts"], job["target"], tell, before=job["before"])
    if job["do"] == "clips":
        return cut_clips(job["notebook"], job["numbers"], folder, tell)
    return ask_model(source, folder, Path(job["model"]), job["fauna"] and Path(job["fauna"]))


def main() -> None:
    """Take jobs until stdin ends.

    What asks a whole group of processes to stop (Ctrl-C on Windows, a service manager) is for the page, which
    kills its workers when it goes; without it they end as soon as they have something to tell.
    """
    for asked in (signal.SIGINT, signal.SIGTERM):
        signal.signal(asked, signal.SIG_IGN)
    out: TextIO = os.fdopen(os.dup(1), "w", encoding="utf-8")
    os.dup2(2, 1)  # whatever a library prints may not look like an answer

    def tell(answer: dict[str, Any]) -> None:
        out.write(json.dumps(answer) + "\n")
        out.flush()

    _bound()
    _warm()
    tell({"ready": True})
    for line in sys.stdin:
        try:
            tell({"done": _do(json.loads(line), tell)})
        except WingtoneError as error:
            tell({"error": {"what": error.what, "remedy": error.remedy}})
        except OSError as error:
            tell(
                {"error": {"what": f"it could not be written: {error.strerror}", "remedy": "is there room?"}}
            )
        except MemoryError:
            remedy = "cut the recording into shorter ones"
            tell(
                {"error": {"what": "it needs more memory than there is for one recording", "remedy": remedy}}
            )
        except Exception as error:
            what = f"something went wrong inside wingtone: {type(error).__name__}"
            tell({"error": {"what": what, "remedy": "please report it, with the recording if you may"}})


if __name__ == "__main__":
    main()
