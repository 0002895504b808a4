"""Tasks that misbehave, told by the name of the recording; they run in the workers."""

from __future__ import annotations

import importlib
import os
import signal
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wingtone.survey import jobs

if TYPE_CHECKING:
    from wingtone.survey.joins import Piece
    from wingtone.survey.places import Found
    from wingtone.survey.settings import Settings


def look(found: Found) -> dict[str, Any]:
    _misbehave(found, "look")
    return jobs.look(found)


def hear(found: Found, piece: Piece, settings: Settings) -> dict[str, Any]:
    _misbehave(found, "hear")
    return jobs.hear(found, piece, settings)


def _misbehave(found: Found, when: str) -> None:
    name = Path(found.location).name
    if f"crash-{when}" in name:
        die()
    if f"hang-{when}" in name:
        time.sleep(1000)
    if f"fault-{when}" in name:
        raise ZeroDivisionError("planted")
    if f"once-{when}" in name:
        mark = Path(f"{found.location}.died")
        if not mark.exists():
            mark.touch()
            die()


def die() -> None:
    os.kill(os.getpid(), signal.SIGKILL)


def double(number: int) -> int:
    return 2 * number


def die_if(number: int, bad: int) -> int:
    if number == bad:
        die()
    return number


def wait_if(number: int, bad: int) -> int:
    if number == bad:
        time.sleep(1000)
    return number


def pause(seconds: float) -> None:
    time.sleep(seconds)


def wait_for(path: str, begun: str = "") -> None:
    if begun:
        Path(begun).touch()
    while not Path(path).exists():
        time.sleep(0.05)


def loads(module: str) -> int:
    importlib.import_module(module)
    time.sleep(1.0)  # so that the other process gets a job too
    return os.getpid()


def fetch(_: int) -> int:
    """Make a temporary file as for what is fetched, and never come to an end."""
    with tempfile.TemporaryDirectory() as folder:
        Path(folder, "fetched").write_bytes(bytes(1000))
        time.sleep(1000)
    return 0


def holds_interrupts_back() -> bool:
    return signal.SIGINT in signal.pthread_sigmask(signal.SIG_BLOCK, ())


def process_id(_: int) -> int:
    return os.getpid()
