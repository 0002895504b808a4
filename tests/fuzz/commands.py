"""The commands, as targets: most in this process, some as the programs they are, on a terminal or in a pipe.

What must hold of a run, beside what holds of every case: exit status 0, 1 or 2; no traceback and nothing that
went wrong inside; stderr printable, each line a paragraph at most, naming the file when there was a fault in
one; JSON that is JSON, and CSV that no spreadsheet runs.
"""

from __future__ import annotations

import functools
import json
import os
import re
import subprocess
import sys
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from fuzz import archives, databases, functions, recordings, tables, texts
from fuzz.case import BARE, LONGEST_MESSAGE, Refused, Target, need, safe_table, text_faults
from wingtone.errors import one_line

if TYPE_CHECKING:
    import random
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from fuzz.case import Place

__all__ = ["TARGETS"]

LONGEST_RUN_S = 120.0
COMMAND = "import sys; from wingtone.cli import main; main(prog_name='wingtone')"
ERASED = re.compile(r"\r\x1b\[2K|\r(?=\n)")
"""How a line of progress is taken back, and how a terminal ends its lines."""


@dataclass(frozen=True)
class Run:
    """What came of a command."""

    status: int
    stdout: str
    stderr: str


def here(arguments: Sequence[str]) -> Run:
    """Run a command in this process."""
    from click.testing import CliRunner

    from wingtone.cli import main

    result = CliRunner().invoke(main, list(arguments))
    error = result.exception
    need(error is None or isinstance(error, SystemExit), f"{type(error).__name__} came out: {error}")
    return Run(result.exit_code, result.stdout, result.stderr)


def apart(arguments: Sequence[str], *, terminal: bool) -> Run:
    """Run a command as the program it is, into pipes or on a terminal."""
    command = [sys.executable, "-X", "faulthandler", "-c", COMMAND, *arguments]
    if not terminal:
        done = subprocess.run(command, capture_output=True, stdin=subprocess.DEVNULL, timeout=LONGEST_RUN_S)
        return Run(done.returncode, done.stdout.decode("utf-8"), done.stderr.decode("utf-8"))
    import pty

    keyboard, screen = pty.openpty()
    with subprocess.Popen(command, stdin=screen, stdout=screen, stderr=screen) as process:
        os.close(screen)
        shown = b""
        while True:
            try:
                part = os.read(keyboard, 65536)
            except OSError:  # the program has ended
                break
            if not part:
                break
            shown += part
        status = process.wait(LONGEST_RUN_S)
    os.close(keyboard)
    text = ERASED.sub("", shown.decode("utf-8"))
    need(not text_faults(text), f"on the terminal: {text_faults(text)}")
    return Run(status, "", text)


def judged(run: Run, names: Sequence[str], *, layout: str = "table", terminal: bool = False) -> None:
    """Hold a run to what must hold; a command that found fault ends the case as refused."""
    both = run.stdout + run.stderr
    need(run.status in (0, 1, 2), f"exit status {run.status}: {run.stderr[-500:]}")
    need("Traceback" not in both and "went wrong inside" not in both, both[-1500:])
    need(not text_faults(run.stderr), f"on stderr: {text_faults(run.stderr)}")
    for line in () if terminal else run.stderr.splitlines():  # there the results stand between the messages
        need(len(line) <= LONGEST_MESSAGE, f"a line of {len(line)} characters: {line[:200]}")
        need(not BARE.search(line), f"bare text of an exception: {line[:300]}")
    if layout == "json":
        for line in filter(None, run.stdout.split("\n")):
            json.loads(line, parse_constant=lambda what: need(False, f"{what} in JSON"))
    elif layout == "csv":
        safe_table(run.stdout)
    else:
        need(not text_faults(run.stdout), f"on stdout: {text_faults(run.stdout)}")
    if run.status:
        need(bool(run.stderr.strip()), f"exit status {run.status} without a word")
        named = terminal or run.status == 2 or not names or any(one_line(name) in both for name in names)
        need(named, f"names no file of {names}: {run.stderr[:500]}")
        raise Refused(run.stderr.strip().splitlines()[-1][:LONGEST_MESSAGE])


def tried(
    draw: random.Random,
    arguments: Sequence[str],
    names: Sequence[str],
    *,
    layout: str = "table",
    spawn: float = 0.0,
) -> None:
    """Run a command somewhere, and judge it."""
    if draw.random() < spawn:
        terminal = draw.random() < 0.5
        judged(
            apart(arguments, terminal=terminal),
            names,
            layout="table" if terminal else layout,
            terminal=terminal,
        )
    else:
        judged(here(arguments), names, layout=layout)


def _recordings(draw: random.Random, place: Place) -> list[Path]:
    found = []
    for number in range(draw.choice((1, 1, 2))):
        plain, data = recordings.hostile_recording(draw)
        suffix = plain[plain.rfind(".") :] if "." in plain else ""
        name = texts.file_name(draw, suffix) if draw.random() < 0.7 else f"{number} {plain}"
        found.append(place.put(name, data))
    return found


def _said(draw: random.Random) -> list[str]:
    """Options that say what was seen, some of them nonsense."""
    out: list[str] = []
    for option, text in (
        ("--date", texts.day),
        ("--place", texts.place),
        ("--hint", texts.hint),
        ("--temperature", texts.anything),
    ):
        if draw.random() < 0.12:
            out += [option, text(draw).replace("\0", "")[:50_000]]
    return out


def measure(draw: random.Random, place: Place, *, spawn: float = 0.0) -> Iterator[Sequence[str]]:
    """``wingtone measure``: files, a folder, tracks, a figure."""
    layout = draw.choice(("table", "json", "csv"))
    paths = _recordings(draw, place)
    named = [str(place.given)] if draw.random() < 0.3 else [str(path) for path in paths]
    arguments = ["measure", "--format", layout]
    if draw.random() < 0.3:
        arguments += ["--tracks", str(place.out / texts.file_name(draw))]
    if len(paths) == 1 and draw.random() < 0.2:
        arguments += ["--figure", str(place.out / texts.file_name(draw, ".png"))]
    if draw.random() < 0.05:
        arguments += ["--flight-threshold", draw.choice(("nan", "-1", "x", "1e999"))]
    yield [path.name for path in paths] + [place.given.name]
    tried(
        draw,
        [*arguments, "--", *named],
        [path.name for path in paths] + [place.given.name],
        layout=layout,
        spawn=spawn,
    )


def identify(draw: random.Random, place: Place, *, spawn: float = 0.0) -> Iterator[Sequence[str]]:
    """``wingtone identify``: with recordings or without, with a model, kept as a record."""
    layout = draw.choice(("table", "json"))
    arguments = ["identify", "--format", layout, *_said(draw)]
    names: list[str] = []
    if draw.random() < 0.5:
        arguments += ["--f0", draw.choice(("146", "39", "nan", "inf", "1e99", "x"))]
    else:
        paths = _recordings(draw, place)
        names = [path.name for path in paths]
        if draw.random() < 0.2:
            model = place.put("model.wingtone", archives.hostile_model(draw))
            arguments += ["--model", str(model)]
            names.append(model.name)
        if draw.random() < 0.3:
            arguments += ["--record", "--notebook", str(place.out / "notebook.sqlite")]
        arguments += ["--", *map(str, paths)]
    yield names
    tried(draw, arguments, names, layout=layout, spawn=spawn)


def notebook(draw: random.Random, place: Place, *, spawn: float = 0.0) -> Iterator[Sequence[str]]:
    """``wingtone notebook``: every command of it, on a notebook that may be damaged."""
    path = place.out / texts.file_name(draw, ".sqlite")
    sound = draw.random() < 0.4
    path.write_bytes(
        databases.notebook_bytes() if sound else databases.hostile_database(databases.notebook_bytes(), draw)
    )
    table = place.put(texts.file_name(draw, ".csv"), tables.hostile_table(tables.RECORDS, draw))
    layout = draw.choice(("table", "json", "csv"))
    plain = texts.anything(draw).replace("\0", "")[:50_000]
    to = place.out / texts.file_name(draw, ".zip")
    asked, layout = draw.choice(
        (
            (["list", "--format", layout], layout),
            (["list", "--since", texts.day(draw).replace("\0", ""), "--taxon", plain], "table"),
            (["show", "--history", "--format", "json", "1", "3"], "json"),
            (["show", "1", "99"], "table"),
            (["add", "--taxon", plain, "--notes", plain, *_said(draw)], "table"),
            (["amend", "3", "--notes", plain, "--recorder", plain], "table"),
            (["remove", "3", "4"], "table"),
            (
                [
                    "export",
                    "--format",
                    draw.choice(("darwin-core", "csv", "geojson", "labels", "bwf")),
                    "--out",
                    str(to),
                ],
                "table",
            ),
            (["import", str(table)], "table"),
            (["import", str(table), "--dry-run", "--map", f"{plain}=taxon"], "table"),
            (["check"], "table"),
            (["rescue", "--out", str(to)], "table"),
        )
    )
    names = [path.name, table.name, to.name]
    yield names
    tried(
        draw,
        ["notebook", "--notebook", str(path), *asked],
        [*names, *("record 1", "record 3", "record 4")],
        layout=layout,
        spawn=spawn,
    )


def cue(draw: random.Random, place: Place, *, spawn: float = 0.0) -> Iterator[Sequence[str]]:
    """``wingtone cue``: somebody's table and a folder of clips."""
    clips = place.given / "clips"
    clips.mkdir()
    for name in ("bee 0.wav", "bee 1.wav"):
        _, data = recordings.hostile_recording(draw)
        (clips / name).write_bytes(data)
    table = place.put(texts.file_name(draw, ".csv"), tables.hostile_table(tables.RECORDS, draw))
    yield [table.name]
    names = [table.name, "bee 0.wav", "bee 1.wav"]
    tried(
        draw,
        ["cue", str(table), "--clips", str(clips), "--out", str(place.out / "out.csv")],
        names,
        spawn=spawn,
    )


def sizes(draw: random.Random, place: Place, *, spawn: float = 0.0) -> Iterator[Sequence[str]]:
    """``wingtone sizes``: tables of bouts, JSON, notebooks."""
    kind = draw.randrange(4)
    name = texts.file_name(draw, (".csv", ".jsonl", ".sqlite", ".csv")[kind])
    if kind == 1:
        data = tables.hostile_json([functions.measured_json()] * 2, draw)
    elif kind == 2:
        data = databases.hostile_database(databases.notebook_bytes(), draw)
    else:
        data = tables.hostile_table(tables.BOUTS, draw)
    path = place.put(name, data)
    layout = draw.choice(("table", "json", "csv"))
    arguments = ["sizes", "--format", layout, "--", str(path)]
    yield [name]
    tried(draw, arguments, [name], layout=layout, spawn=spawn)


def train(draw: random.Random, place: Place, *, spawn: float = 0.0) -> Iterator[Sequence[str]]:
    """``wingtone train --check`` and ``assess``: labels and models."""
    names = ["bee 0.wav", "bee 1.wav"]
    for name in names:
        _, data = recordings.hostile_recording(draw)
        place.put(name, data)
    table = place.put(texts.file_name(draw, ".csv"), tables.hostile_table(tables.LABELS, draw))
    model = place.put(texts.file_name(draw, ".wingtone"), archives.hostile_model(draw))
    asked = ["train", "--check", str(table)] if draw.random() < 0.6 else ["assess", str(model), str(table)]
    yield [table.name, model.name]
    tried(draw, asked, [table.name, model.name, *names], spawn=spawn)


def fauna(draw: random.Random, place: Place, *, spawn: float = 0.0) -> Iterator[Sequence[str]]:
    """``wingtone fauna``: check, list and show one that is damaged."""
    files = dict(functions.fauna_files())
    changed = draw.choice(sorted(files))
    files[changed] = tables.hostile_table(files[changed].decode("utf-8"), draw)
    for name, data in files.items():
        place.put(name, data)
    layout = draw.choice(("table", "json"))
    folder = str(place.given)
    asked, layout = draw.choice(
        (
            (["check", folder], "table"),
            (["list", "--fauna", folder, "--format", layout], layout),
            (["show", "--fauna", folder, "pebble bee"], "table"),
        )
    )
    yield sorted(files)
    tried(draw, ["fauna", *asked], sorted(files), layout=layout, spawn=spawn)


def survey(draw: random.Random, place: Place) -> Iterator[Sequence[str]]:
    """``wingtone survey``: hostile recordings, and a manifest that may be damaged."""
    paths = _recordings(draw, place)
    (place.out / "results").mkdir()
    if draw.random() < 0.4:
        (place.out / "results" / "manifest.sqlite").write_bytes(
            databases.hostile_database(databases.manifest_bytes(), draw)
        )
    dry = draw.random() < 0.5
    arguments = [
        "survey",
        str(place.given),
        "--out",
        str(place.out / "results"),
        "--workers",
        "1",
        *(["--dry-run"] if dry else []),
    ]
    yield [path.name for path in paths]
    try:
        tried(draw, arguments, [*(path.name for path in paths), "manifest.sqlite", place.given.name])
    finally:
        for name in ("bouts", "recordings", "effort"):
            table = place.out / "results" / f"{name}.csv"
            if table.exists():
                safe_table(table.read_text("utf-8"))


def words(draw: random.Random, place: Place, *, spawn: float = 0.0) -> Iterator[Sequence[str]]:
    """Commands and options that are none."""
    known = (
        "measure",
        "identify",
        "notebook",
        "sizes",
        "fauna",
        "survey",
        "cue",
        "train",
        "--help",
        "--version",
        "list",
        "show",
        "--format",
    )
    count = draw.randrange(1, 5)
    arguments = [
        draw.choice((*known, texts.anything(draw).replace("\0", "").replace("\ud800", "")[:3000]))
        for _ in range(count)
    ]
    if "page" in arguments or "demo" in arguments:
        arguments = ["--help"]
    yield []
    run = here(arguments)
    need(run.status in (0, 1, 2), f"exit status {run.status}")
    need("Traceback" not in run.stderr and "went wrong inside" not in run.stderr, run.stderr[-1500:])
    need(not text_faults(run.stderr.replace("\t", "")), f"on stderr: {text_faults(run.stderr)}")


def _spawned(run: Any) -> Any:
    return functools.partial(run, spawn=1.0)


TARGETS = (
    Target("wingtone measure", 170, measure),
    Target("wingtone identify", 110, identify),
    Target("wingtone notebook", 150, notebook),
    Target("wingtone cue", 50, cue),
    Target("wingtone sizes", 70, sizes),
    Target("wingtone train, assess", 50, train),
    Target("wingtone fauna", 40, fauna),
    Target("wingtone survey", 40, survey, spawns=True),
    Target("words that are no command", 40, words),
    Target("measure, as a program", 20, _spawned(measure), spawns=True),
    Target("identify, as a program", 15, _spawned(identify), spawns=True),
    Target("notebook, as a program", 20, _spawned(notebook), spawns=True),
    Target("cue, as a program", 5, _spawned(cue), spawns=True),
    Target("sizes, as a program", 10, _spawned(sizes), spawns=True),
    Target("fauna, as a program", 10, _spawned(fauna), spawns=True),
)
"""With the page's, see `fuzz.pages`, their shares make up a thousand."""
