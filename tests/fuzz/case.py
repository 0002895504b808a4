"""A case: one hostile input given to one target in a place of its own, and what must hold of it.

What must hold, whatever the input:

- the target does its work, or raises one of `wingtone.errors`; nothing else comes out of it;
- an error's message is a short, printable paragraph that names the file, and no bare text of Python's;
- nothing outside the folder for output changes: not the inputs, the working folder, the home, nor what lies
  around them; and no temporary file is left behind;
- no program is started, no address asked, nothing unpickled.

Memory and time are bounded from outside, see `fuzz.runner`.

- `Target`, `Place`: what is run, and where.
- `Ground`: a place for cases, with a home and a working folder that must not change.
- `run_case`: run one; gives a `Verdict`.
- `message_faults`, `text_faults`: what is wrong with a message, and with what a terminal would get.
- `need`, `safe_table`, `runs`: demands of what came out.
"""

from __future__ import annotations

import contextlib
import csv
import hashlib
import io
import os
import re
import shutil
import sys
import tempfile
import time
import traceback
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from fuzz.archives import MARK
from fuzz.torn import chance
from wingtone.errors import MOST_WHAT, MOST_WHERE, TableError, WingtoneError, one_line

if TYPE_CHECKING:
    import random
    from collections.abc import Callable, Iterator, Sequence
    from types import FrameType

__all__ = [
    "Broken",
    "Ground",
    "Place",
    "Refused",
    "Target",
    "Verdict",
    "message_faults",
    "need",
    "run_case",
    "runs",
    "safe_table",
    "text_faults",
]

LONGEST_MESSAGE = MOST_WHERE + MOST_WHAT + 1000
"""Characters of one message, beside the name of the file: a paragraph."""

BARE = re.compile(
    r"Traceback|object is not|has no attribute|unexpected keyword|invalid literal|codec can't|\[Errno"
    r"|NoneType|must be str|could not convert|index out of range|not subscriptable|required positional"
    r"|not iterable|unhashable|Error\(|\bself\.|takes \d+ positional|embedded null|argument must be"
    r"|is not supported between|too large to convert|cannot be interpreted"
)
"""What a message looks like when it is only the text of an exception of Python's."""

FORBIDDEN = (
    "subprocess.Popen",
    "os.system",
    "os.exec",
    "os.posix_spawn",
    "os.fork",
    "os.startfile",
    "pickle.find_class",
    "socket.connect",
    "socket.getaddrinfo",
    "socket.gethostbyname",
    "ftplib.connect",
    "urllib.Request",
)
"""Events of `sys.audit` that no input may bring about."""


class Broken(AssertionError):
    """Something that must hold does not."""


class Refused(Exception):
    """A command refused, in the words that it printed; the target has looked at them."""


@dataclass(frozen=True)
class Place:
    """Where a case happens: ``given`` holds its inputs, ``out`` takes what it writes."""

    given: Path
    out: Path

    def put(self, name: str, data: bytes) -> Path:
        """Put an input down."""
        path = self.given / name
        path.write_bytes(data)
        return path


@dataclass(frozen=True)
class Target:
    """Something that takes hostile inputs.

    Attributes
    ----------
    name
    share
        How often it comes, of all targets.
    run
        Makes the input by chance, yields the names of the files that an error has to name, any of them (none
        when no file was given), and then gives the input to what is tried, and checks what only it can check.
    spawns
        Whether it may start programs and open sockets.
    """

    name: str
    share: int
    run: Callable[[random.Random, Place], Iterator[Sequence[str]]]
    spawns: bool = False


@dataclass(frozen=True)
class Verdict:
    """What came of a case: ``worked``, ``refused`` with the message, or ``broken`` with what was wrong."""

    what: str
    told: str = ""
    spent_s: float = 0.0


# --- what must not happen ---------------------------------------------------------------------------------


class _Watch:
    """Notes forbidden events; an audit hook can not be taken away again, so there is one."""

    def __init__(self) -> None:
        self.noted: list[str] | None = None
        self.spawns = False
        self._hooked = False

    def begin(self, *, spawns: bool) -> None:
        if not self._hooked:
            sys.addaudithook(self)
            self._hooked = True
        self.noted, self.spawns = [], spawns

    def end(self) -> list[str]:
        noted, self.noted = self.noted or [], None
        return noted

    def __call__(self, event: str, arguments: tuple[object, ...]) -> None:
        if self.noted is None or self.spawns or event not in FORBIDDEN:
            return
        if not (event == "pickle.find_class" and _numba_asks()):
            self.noted.append(f"{event} {arguments[:2]}"[:200])


def _numba_asks() -> bool:
    """Whether numba reads its own cache, which lies beside its code."""
    frame: FrameType | None = sys._getframe()
    while frame is not None:
        if frame.f_globals.get("__name__", "").startswith("numba."):
            return True
        frame = frame.f_back
    return False


WATCH = _Watch()


class Ground:
    """A piece of ground for cases, with things on it that nobody may touch.

    Use it in a ``with`` block: inside, the home, the working folder and the folder for temporary files are
    its own.
    """

    def __init__(self, root: Path) -> None:
        self._root = root
        self._home, self._work, self._temporary = root / "home", root / "home" / "work", root / "temporary"
        self._case = root / "case"

    def __enter__(self) -> Ground:
        self._work.mkdir(parents=True)
        self._temporary.mkdir()
        for folder in (self._root, self._home, self._work):
            (folder / "keep.txt").write_text("nobody touches this\n")
        (self._home / ".profile").write_text("# nor this\n")
        self._before = Path.cwd()
        self._environment = dict(os.environ)
        for name in [name for name in os.environ if name.startswith("XDG_")]:
            del os.environ[name]
        os.environ |= {"HOME": str(self._home), "TMPDIR": str(self._temporary), "COLUMNS": "80"}
        os.environ["MPLCONFIGDIR"] = str(
            self._root.with_name(f"{self._root.name} fonts")
        )  # a cache, made once
        self._tempdir = tempfile.tempdir
        tempfile.tempdir = None  # so that TMPDIR counts
        os.chdir(self._work)
        return self

    def __exit__(self, *_: object) -> None:
        os.chdir(self._before)
        os.environ.clear()
        os.environ |= self._environment
        tempfile.tempdir = self._tempdir

    @contextlib.contextmanager
    def place(self) -> Iterator[tuple[Place, Callable[[], dict[str, str]]]]:
        """Make a place for one case; the function tells the state of all that must not change."""
        place = Place(self._case / "given", self._case / "out")
        for folder in (place.given, place.out):
            folder.mkdir(parents=True)
        try:
            yield place, lambda: self._state(place.out)
        finally:
            shutil.rmtree(self._case, ignore_errors=True)
            for rest in self._temporary.iterdir():
                shutil.rmtree(rest, ignore_errors=True) if rest.is_dir() else rest.unlink()

    def _state(self, out: Path) -> dict[str, str]:
        found: dict[str, str] = {}
        for here, folders, files in os.walk(self._root):
            folders[:] = [name for name in folders if Path(here, name) != out]
            for name in (*folders, *files):
                if name.endswith(
                    ("-wal", "-shm")
                ):  # SQLite's own helpers beside a notebook that is only read
                    continue
                path = Path(here, name)
                ordinary = path.is_file() and not path.is_symlink()
                said = (
                    hashlib.blake2b(path.read_bytes()).hexdigest() if ordinary else str(path.lstat().st_mode)
                )
                found[str(path.relative_to(self._root))] = said
        return found


def run_case(target: Target, number: int, ground: Ground) -> Verdict:
    """Run one case and look at all that must hold."""
    draw = chance(target.name, number)
    faults: list[str] = []
    began = time.process_time()
    with ground.place() as (place, state):
        what, told = "worked", ""
        names: Sequence[str] = ()
        before: dict[str, str] = {}
        running = target.run(draw, place)
        try:
            names = next(running)
            before = state()
            WATCH.begin(spawns=target.spawns)
            began = time.process_time()
            with contextlib.suppress(StopIteration):
                next(running)
                raise Broken("a target yields once")
        except WingtoneError as error:
            what, told = "refused", str(error)
            faults += message_faults(error, names)
        except Refused as error:
            what, told = "refused", str(error)
        except Broken as error:
            faults.append(str(error))
        except Exception:
            faults.append(traceback.format_exc(limit=-6))
        spent_s = time.process_time() - began
        faults += [f"forbidden: {event}" for event in WATCH.end()]
        after = state()
        changed = sorted({name for name, _ in before.items() ^ after.items()})
        faults += [f"outside the output: {one_line(name)}" for name in changed]
        if (place.out / MARK).exists():
            faults.append("something in the input was run")
    if faults:
        return Verdict("broken", "\n".join(faults), spent_s)
    return Verdict(what, told, spent_s)


# --- what is told -----------------------------------------------------------------------------------------


def message_faults(error: WingtoneError, names: Sequence[str]) -> list[str]:
    """Tell what is wrong with the message of an error of ours; ``names`` are of the files it may be about."""
    texts = [str(error)]
    if isinstance(error, TableError):
        texts += [str(fault) for fault in error.faults]
        if len(error.faults) > 5000:
            texts.append("too many faults are told: " * LONGEST_MESSAGE)
    faults = [fault for text in texts for fault in text_faults(text)]
    faults += [
        f"too long, {len(text)} characters: {text[:100]}..." for text in texts if len(text) > LONGEST_MESSAGE
    ]
    faults += [f"bare text of an exception: {text[:300]}" for text in texts if BARE.search(text)]
    if names and not any(one_line(name) in text for name in names for text in texts):
        faults.append(f"names no file of {[one_line(name) for name in names]}: {texts[0][:300]}")
    return faults[:5]


def text_faults(text: str) -> list[str]:
    """Tell what a terminal should not get: control characters, marks of direction, halves of characters."""
    odd = sorted({c for c in text if not c.isprintable() and c != "\n"})
    return [f"unprintable {odd!a} in {text[:200]!a}"] if odd else []


def need(holds: bool, what: str) -> None:
    """Demand something of what came out."""
    if not holds:
        raise Broken(what)


def safe_table(text: str) -> None:
    """Demand that no cell of a CSV text runs in a spreadsheet."""
    for row in csv.reader(io.StringIO(text.removeprefix("\ufeff"), newline="")):
        for cell in row:
            need(not runs(cell), f"a spreadsheet runs this cell: {cell[:80]!r}")


NUMBERS = re.compile(r"[-+]?[0-9.]+(e[-+]?[0-9]+)?(;[-+]?[0-9.]*)*")


def runs(cell: str) -> bool:
    """Whether a cell begins like a formula; numbers, and lists of them, are what they look like."""
    return cell[:1] in ("=", "+", "-", "@", "\t", "\r") and not NUMBERS.fullmatch(cell)
