"""The house stands: imports run downward, modules stay readable, help stays quick, documents stay true.

Nothing here measures bees. The rules checked are those of ``DEVELOPERS.md``.
"""

from __future__ import annotations

import ast
import json
import re
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path

import click
import pytest

from wingtone.cli import COMMANDS, main

ROOT = Path(__file__).resolve().parents[1]
SOURCE = ROOT / "src" / "wingtone"

FLOORS = (
    "wingtone",  # the version number
    "errors",
    "files",
    "pitch_names",
    "audio",
    "simulate",
    "notebook",
    "tone",
    "fauna",
    "evidence",
    "population",
    "learn",
    "clip",
    "bout_table",
    "keeping",
    "cue",
    "figures",
    "demo",
    "survey",
    "api",
    "web",
    "cli",
    "__main__",
)
"""Rooms from the ground up; a room imports only from rooms before it in this list."""

FRONT_DOOR = SOURCE / "__init__.py"
"""The package itself hands the functions of ``api`` on to callers, by name and on first use. It names that
room for types only, so that editors see the signatures; nothing inside the house goes through this door."""

LONGEST_MODULE = 700


def room_of(path: Path) -> str:
    first = path.relative_to(SOURCE).parts[0].removesuffix(".py")
    return "wingtone" if first == "__init__" else first


def imported_rooms(path: Path) -> set[str]:
    """Rooms that a module imports, at its top, inside functions and for types alike."""
    rooms = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import; write the room's name"
            # `from wingtone import tone` names the room after the import.
            inner = [f"wingtone.{alias.name}" for alias in node.names]
            names = inner if node.module == "wingtone" else [node.module or ""]
        for name in names:
            parts = name.split(".")
            if parts[0] == "wingtone":
                known = len(parts) > 1 and parts[1] in FLOORS
                rooms.add(parts[1] if known else "wingtone")
    return rooms


MODULES = sorted(SOURCE.rglob("*.py"))


def test_there_are_modules_in_rooms_we_know() -> None:
    assert len(MODULES) > 10
    assert {room_of(path) for path in MODULES} <= set(FLOORS)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(SOURCE)))
def test_imports_run_downward(path: Path) -> None:
    here = room_of(path)
    passed_on = {"api"} if path == FRONT_DOOR else set()
    for room in imported_rooms(path) - {here} - passed_on:
        assert FLOORS.index(room) < FLOORS.index(here), f"{here} must not import {room}"


def test_no_circles_between_modules() -> None:
    """Inside a room too, modules do not import one another in a circle."""
    graph: dict[str, set[str]] = {}
    names = {".".join(("wingtone", *path.relative_to(SOURCE).with_suffix("").parts)) for path in MODULES}
    names = {name.removesuffix(".__init__") for name in names}
    for path in MODULES:
        name = ".".join(("wingtone", *path.relative_to(SOURCE).with_suffix("").parts)).removesuffix(
            ".__init__"
        )
        # Only what is imported on loading can make a circle that matters; types and late imports cannot.
        tops = [node for node in ast.parse(path.read_text(encoding="utf-8")).body]
        found = set()
        for node in tops:
            if isinstance(node, ast.ImportFrom) and node.module:
                found |= {f"{node.module}.{alias.name}" for alias in node.names} | {node.module}
            elif isinstance(node, ast.Import):
                found |= {alias.name for alias in node.names}
        # A module of a room may lean on the room's package only from outside.
        graph[name] = {other for other in found & names if other != name and not name.startswith(f"{other}.")}

    done: set[str] = set()

    def walk(name: str, trail: tuple[str, ...]) -> None:
        assert name not in trail, " -> ".join((*trail, name))
        if name not in done:
            for other in sorted(graph.get(name, ())):
                walk(other, (*trail, name))
            done.add(name)

    for name in sorted(graph):
        walk(name, ())
    assert done >= names


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(SOURCE)))
def test_modules_stay_readable(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= LONGEST_MODULE


HEAVY = (
    "anyio",
    "av",
    "distributed",
    "pyarrow",
    "starlette",
    "uvicorn",
    "librosa",
    "matplotlib",
    "numba",
    "numpy",
    "scipy",
    "sklearn",
    "skops",
    "soundfile",
    "soxr",
)


@pytest.mark.parametrize("arguments", [["--help"], ["--version"], *([name, "--help"] for name in COMMANDS)])
def test_help_loads_no_science(arguments: list[str]) -> None:
    code = (
        "import sys\n"
        "from wingtone.cli import main\n"
        f"main({arguments!r}, standalone_mode=False)\n"
        f"print('LOADED', sorted(set({HEAVY!r}) & set(sys.modules)))\n"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "wingtone" in run.stdout
    assert run.stdout.splitlines()[-1] == "LOADED []"


# --- documents --------------------------------------------------------------------------------------

README = (ROOT / "README.md").read_text(encoding="utf-8")


def shell_lines(text: str) -> list[str]:
    """Lines of the shell blocks of a document."""
    blocks = re.findall(r"^```sh\n(.*?)^```", text, flags=re.MULTILINE | re.DOTALL)
    return [line.strip() for block in blocks for line in block.splitlines() if line.strip()]


def command_named(name: str) -> click.Command:
    command = main.get_command(click.Context(main), name)
    assert command is not None
    return command


def assert_understood(line: str) -> None:
    """Check a command line as far as its words go: the command and every option exist."""
    words = shlex.split(line.split(" > ")[0], comments=True)
    assert words[0] == "wingtone"
    if words[1].startswith("-"):
        return
    context: click.Context = click.Context(main)
    command: click.Command = main
    rest = words[1:]
    while isinstance(command, click.Group) and rest:
        found = command.get_command(context, rest[0])
        assert found is not None, f"{line}: there is no command {rest[0]!r}"
        command, rest = found, rest[1:]
        context = click.Context(command, parent=context)
    command.make_parser(context).parse_args(args=rest)


def test_readme_opens_with_the_job_and_then_two_commands() -> None:
    assert README.split("\n\n")[1].startswith("Which bumblebee was that?")
    setting_up = [line for line in shell_lines(README) if line.startswith("python3 -m venv")]
    assert len(setting_up) == 2
    assert setting_up[0].endswith(".venv/bin/wingtone demo")
    assert setting_up[1].endswith(".venv/bin/python -m pytest -q")
    assert all("-c constraints.txt" in line for line in setting_up)


def test_readme_lists_every_command_and_no_other() -> None:
    listed = re.findall(r"^\| `wingtone (\w+)` \|", README, flags=re.MULTILINE)
    assert sorted(listed) == sorted(COMMANDS)
    help_text = main.get_help(click.Context(main, info_name="wingtone"))
    assert re.findall(
        r"^  (\w+)  +\S", help_text.split("Commands:")[1].split("Examples:")[0], re.MULTILINE
    ) == [*COMMANDS]


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md"])
def test_commands_in_documents_exist(document: str) -> None:
    text = (ROOT / document).read_text(encoding="utf-8")
    quoted = re.findall(r"`(wingtone [a-z][^`\n]*)`", text)
    lines = [line for line in [*shell_lines(text), *quoted] if line.startswith("wingtone ")]
    assert lines
    for line in lines:
        assert_understood(line)


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_has_help_and_an_example_that_is_understood(name: str) -> None:
    command = command_named(name)
    context = click.Context(command, info_name=name, parent=click.Context(main, info_name="wingtone"))
    assert command.help
    assert command.get_short_help_str()
    examples = [
        line.strip()
        for line in command.get_help(context).splitlines()
        if re.match(rf"\s+wingtone {name}\b", line)
    ]
    assert examples
    for example in examples:
        assert_understood(re.split(r"  +", example)[0])


def test_pictures_and_files_that_the_readme_points_to_exist() -> None:
    targets = re.findall(r"\]\((?!https?:)([^)#]+)\)", README)
    assert targets
    for target in targets:
        assert (ROOT / target).is_file(), target


def test_the_json_in_the_readme_has_the_published_names() -> None:
    from wingtone import clip

    (shown,) = re.findall(r"^```json\n(.*?)^```", README, flags=re.MULTILINE | re.DOTALL)
    laid_out = json.loads(shown)
    source = ast.parse(Path(clip.__file__).read_text(encoding="utf-8"))
    written = {
        key.value
        for node in ast.walk(source)
        if isinstance(node, ast.Dict)
        for key in node.keys
        if isinstance(key, ast.Constant)
    }
    names = {*laid_out, *laid_out["recording"], *laid_out["bouts"][0]}
    assert names <= written
    assert laid_out["schema"] == clip.MEASURE_SCHEMA


def test_constraints_pin_all_we_depend_on_and_hold_no_address() -> None:
    text = (ROOT / "constraints.txt").read_text(encoding="utf-8")
    assert "//" not in text
    pinned = {re.split(r"==", line)[0].replace("_", "-").lower() for line in text.splitlines()}
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    wanted = [
        *project["dependencies"],
        *(p for extra in project["optional-dependencies"].values() for p in extra),
    ]
    names = {re.split(r"[\[<>=!~ ;]", want)[0].replace("_", "-").lower() for want in wanted}
    assert names - {"wingtone"} <= pinned


def test_changelog_has_a_place_for_what_comes() -> None:
    assert "## [Unreleased]" in (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")


# --- what must not be in here -----------------------------------------------------------------------

TEXT = {".py", ".md", ".toml", ".csv", ".json", ".txt", ".cfg", ".yml", ".yaml", ".svg", ""}
SOUND = {
    ".wav",
    ".flac",
    ".ogg",
    ".mp3",
    ".m4a",
    ".mp4",
    ".mov",
    ".3gp",
    ".amr",
    ".opus",
    ".webm",
    ".aac",
    ".caf",
}


def own_files() -> list[Path]:
    """Files of the project: what git knows, or all but the caches in an unpacked archive."""
    git = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    if git.returncode == 0:
        files = [ROOT / name for name in git.stdout.split("\0") if name]
    else:
        # Every hidden folder but the build machine's own is a cache or an environment.
        inside = [path.relative_to(ROOT) for path in ROOT.rglob("*")]
        kept = [
            p
            for p in inside
            if "__pycache__" not in p.parts and p.parts[0] in (".ci", p.parts[0].lstrip("."))
        ]
        files = [ROOT / path for path in kept]
    return [path for path in files if path.is_file()]


def test_no_path_of_a_machine_and_no_forgotten_mark() -> None:
    machine = re.compile(rf"(?<![\w.])/(?:root|work|opt|farm|tmp)/\w|{re.escape(str(Path.home()))}/")
    unfinished = re.compile(r"\b(?:TO" r"DO|FIX" r"ME|X" r"XX)\b")
    files = [path for path in own_files() if path.suffix in TEXT]
    assert len(files) > 20
    for path in files:
        for number, line in enumerate(path.read_text(encoding="utf-8").splitlines(), start=1):
            assert not machine.search(line), f"{path.relative_to(ROOT)}:{number}: {line}"
            assert not unfinished.search(line), f"{path.relative_to(ROOT)}:{number}: {line}"


def test_sound_lies_only_among_the_demo_clips() -> None:
    """Recordings by others may not be passed on; the clips that ship are our own, made by computer."""
    sounds = [path.relative_to(ROOT) for path in own_files() if path.suffix.lower() in SOUND]
    assert {path.parts[0] for path in sounds} <= {"demo_audio"}
    assert all(path.stat().st_size < 1_500_000 for path in own_files())
