"""A measurement on disk: two files of plain data that nothing is run from.

``measurement.json`` holds everything but the tone line, ``line.npz`` the line. They are written by the
worker, whose decoder has been fed with a stranger's file, so reading them checks what they say.

- `save`, `load`: a `wingtone.clip.Measurement` to a folder and back, loss-free.
- `checksum`: that of the recording, read alone.
- `Damaged`: what is there cannot be read.
"""

from __future__ import annotations

import dataclasses
import json
import math
import threading
import tokenize
import zipfile
from typing import TYPE_CHECKING, Any, get_args

import numpy as np

from wingtone.audio.recording import RecordingInfo
from wingtone.clip import Measurement
from wingtone.errors import InputError
from wingtone.files import replacing
from wingtone.tone.results import Bout, FlyBy, Kind, ToneResult, Track

if TYPE_CHECKING:
    from pathlib import Path

__all__ = ["Damaged", "checksum", "load", "save"]

HEAD, LINE = "measurement.json", "line.npz"
MOST_BYTES = 200_000_000
MOST_BOUTS = 50_000
"""Ours: a day of bees holds fewer."""
LARGEST = 1e9
"""No figure of a bout is larger: seconds, hertz, decibels."""
DAMAGED = (
    OSError,
    ValueError,
    TypeError,
    LookupError,
    AttributeError,
    EOFError,
    RecursionError,
    ArithmeticError,
    MemoryError,
    SyntaxError,
    tokenize.TokenError,
)
"""What reading files that do not hold what they should can raise: memory when an array claims to be huge, the
last two when numpy reads the heading of one, which is written as Python writes a dictionary."""
_ONE_AT_A_TIME = threading.Lock()
"""numpy reads the heads of its arrays with `ast.literal_eval`, which CPython 3.11 cannot do in several
threads at once without now and then a SystemError ("AST constructor recursion depth mismatch")."""


class Damaged(InputError):
    """A measurement on the desk is missing, or does not hold what it should."""


def save(measurement: Measurement, folder: Path) -> None:
    """Write a measurement into a folder; each file whole or not at all."""
    head = {
        "recording": dataclasses.asdict(measurement.recording) | {"path": measurement.recording.path.name},
        "sha256": measurement.sha256,
        "bouts": [dataclasses.asdict(bout) for bout in measurement.tone.bouts],
        "tone_flags": measurement.tone.flags,
        "tone_warnings": measurement.tone.warnings,
        "flags": measurement.flags,
        "warnings": measurement.warnings,
    }
    track = measurement.tone.track
    with replacing(folder / LINE) as scratch, scratch.open("wb") as file:
        np.savez(file, time_s=track.time_s, f0_hz=track.f0_hz, bout=track.bout)
    with replacing(folder / HEAD) as scratch:
        scratch.write_text(json.dumps(head), encoding="utf-8")


def load(folder: Path, source: Path) -> Measurement:
    """Read a measurement of the recording ``source``.

    Raises
    ------
    Damaged
        The files are missing, damaged, or say what cannot be.
    """
    try:
        with _ONE_AT_A_TIME:
            return _load(folder, source)
    except (*DAMAGED, zipfile.BadZipFile) as error:
        remedy = "go back to the desk, and have the recording listened to again"
        raise Damaged("the measurement on the desk is damaged", remedy=remedy, where=source) from error


def checksum(folder: Path) -> str:
    """Give the checksum of the recording that a measurement is of; empty where it cannot be read."""
    try:
        if (folder / HEAD).stat().st_size > MOST_BYTES:
            return ""
        return str(json.loads((folder / HEAD).read_text(encoding="utf-8"))["sha256"])
    except DAMAGED:
        return ""


def _load(folder: Path, source: Path) -> Measurement:
    for name in (HEAD, LINE):
        if (folder / name).stat().st_size > MOST_BYTES:
            raise ValueError("too large")
    head = json.loads((folder / HEAD).read_text(encoding="utf-8"))
    if len(head["bouts"]) > MOST_BOUTS:
        raise ValueError("too many bouts")
    bouts = tuple(_bout(one) for one in head["bouts"])
    with zipfile.ZipFile(folder / LINE) as packed:
        if sum(member.file_size for member in packed.infolist()) > MOST_BYTES:
            raise ValueError("too large unpacked")
    with np.load(folder / LINE, allow_pickle=False) as arrays:
        time_s, f0_hz = (np.asarray(arrays[name], np.float64) for name in ("time_s", "f0_hz"))
        bout = np.asarray(arrays["bout"], np.int64)
    if not time_s.ndim == 1 or not time_s.shape == f0_hz.shape == bout.shape:
        raise ValueError("the line does not hang together")
    if bout.size and not (bout.min() >= 0 and bout.max() < len(bouts) and np.isfinite(f0_hz).all()):
        raise ValueError("the line belongs to other bouts")
    return Measurement(
        recording=RecordingInfo(**(head["recording"] | {"path": source})),
        sha256=str(head["sha256"]),
        tone=ToneResult(
            bouts=bouts,
            track=Track(time_s, f0_hz, bout),
            flags=_texts(head["tone_flags"]),
            warnings=_pairs(head["tone_warnings"]),
        ),
        flags=_texts(head["flags"]),
        warnings=_pairs(head["warnings"]),
    )


def _bout(one: dict[str, Any]) -> Bout:
    flyby = one.pop("flyby")
    harmonics = tuple(_number(level) for level in one.pop("harmonics_db"))
    flags, kind = _texts(one.pop("flags")), one.pop("kind")
    numbers = {name: _number(value) for name, value in one.items()}
    if kind not in get_args(Kind) or not all(
        math.isfinite(numbers[k]) for k in ("start_s", "end_s", "f0_hz")
    ):
        raise ValueError("no bout")
    return Bout(
        kind=kind,
        harmonics_db=harmonics,
        flyby=None if flyby is None else FlyBy(**{name: _number(value) for name, value in flyby.items()}),
        flags=flags,
        **numbers,
    )


def _number(value: float) -> float:
    """Take a number, or NaN or an infinite one where a figure is not known or has no bound."""
    number = float(value)
    if math.isfinite(number) and abs(number) > LARGEST:
        raise ValueError("no figure of a bout")
    return number


def _texts(items: list[str]) -> tuple[str, ...]:
    return tuple(str(item) for item in items)


def _pairs(items: list[list[str]]) -> tuple[tuple[str, str], ...]:
    return tuple((str(code), str(text)) for code, text in items)
