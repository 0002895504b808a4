"""Follow a guide as a reader does: its blocks in order, in a folder that holds the demo clips.

A ``sh`` block is given to the shell whole, a ``python`` block to Python; a ``text`` block is what the block
before it prints, both streams together. A line of three dots stands for lines left out.
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import subprocess
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import httpx
import matplotlib

ROOT = Path(__file__).resolve().parents[2]
GUIDES = ROOT / "guides"
LEFT_OUT = "..."


@dataclass(frozen=True)
class Block:
    """A block to run, with what it is said to print; ``quoted`` is None when the guide does not show it."""

    language: str
    text: str
    quoted: str | None
    line: int


@dataclass(frozen=True)
class Fence:
    """A fenced block as it stands: its language, the rest of that line, its text, and where it is."""

    language: str
    path: str
    text: str
    line: int


def fences(text: str) -> list[Fence]:
    """Give every fenced block of a document."""
    return [
        Fence(found[1], found[2].strip(), found[3], text.count("\n", 0, found.start()) + 1)
        for found in re.finditer(r"^```(\S*)([^\n]*)\n(.*?)^```$", text, re.MULTILINE | re.DOTALL)
    ]


def blocks_of(text: str) -> list[Block]:
    """Give the blocks to run, each with the quotation after it."""
    blocks: list[Block] = []
    for fence in fences(text):
        if fence.language != "text":
            assert fence.language in ("sh", "python"), f"line {fence.line}: a block that nobody runs"
            blocks.append(Block(fence.language, fence.text, None, fence.line))
        else:
            assert blocks, f"line {fence.line}: a quotation before any command"
            assert blocks[-1].quoted is None, f"line {fence.line}: two quotations of one command"
            blocks[-1] = replace(blocks[-1], quoted=fence.text)
    return blocks


def prepare(folder: Path) -> None:
    """Lay out what a reader has: the clips, and the tables that ship with the guides."""
    clips = folder / "demo_audio"
    clips.mkdir()
    for source in (ROOT / "demo_audio").iterdir():
        if source.is_file():
            shutil.copy(source, clips)
    (folder / "guides").mkdir()
    for table in GUIDES.glob("*.csv"):
        shutil.copy(table, folder / "guides")
    (folder / "home").mkdir()


def environment(folder: Path) -> dict[str, str]:
    """A newcomer's: an empty home, a terminal of 80 columns, and a time zone that nobody had in mind."""
    own = {
        "HOME": str(folder / "home"),
        "PATH": os.pathsep.join((str(Path(sys.executable).parent), os.environ.get("PATH", ""))),
        "COLUMNS": "80",
        "TZ": "America/St_Johns",
        "PYTHONUTF8": "1",
        "BROWSER": "true",
        "OPENBLAS_NUM_THREADS": "1",
        "MPLCONFIGDIR": matplotlib.get_cachedir(),  # else the list of fonts is made anew in each empty home
    }
    kept = {name: value for name, value in os.environ.items() if not name.startswith("XDG_")}
    return kept | own


def run(block: Block, folder: Path) -> str:
    """Run a block; return what it printed, with the exit status being 0."""
    if block.text.split() == ["wingtone", "page"]:
        open_and_close_the_page(folder)
        return ""
    command = ["sh", "-e", "-c"] if block.language == "sh" else [sys.executable, "-c"]
    done = subprocess.run(
        [*command, block.text],
        cwd=folder,
        env=environment(folder),
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        encoding="utf-8",
        check=False,
    )
    assert done.returncode == 0, f"line {block.line}:\n{block.text}\n{done.stdout}"
    return done.stdout


def open_and_close_the_page(folder: Path) -> None:
    """Start the page as the guide says, see that it is there, and end it with Ctrl-C."""
    with subprocess.Popen(
        ["wingtone", "page"], cwd=folder, env=environment(folder), stderr=subprocess.PIPE, encoding="utf-8"
    ) as page:
        assert page.stderr is not None
        said = page.stderr.readline()
        found = re.search(r"http://\S+", said)
        assert found, said
        assert httpx.get(found[0], timeout=60).headers["location"] == "/", "the printed address lets one in"
        page.send_signal(signal.SIGINT)
        page.communicate(timeout=60)
    assert page.returncode in (0, -signal.SIGINT)


def fits(quoted: str, printed: str) -> bool:
    """Whether a quotation is what was printed, but for lines left out."""
    pattern = "".join(
        r"(?:.*\n)*?" if line == LEFT_OUT else re.escape(line) + r"\n" for line in quoted.splitlines()
    )
    return re.fullmatch(pattern, "".join(f"{line.rstrip()}\n" for line in printed.splitlines())) is not None
