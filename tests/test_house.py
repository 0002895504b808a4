"""The house stands: imports run downward, modules stay readable, help stays quick, documents stay true.

Nothing here measures bees. The rules checked are those of ``DEVELOPERS.md``.
"""

from __future__ import annotations

import ast
import json
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import click
import pytest
from hypothesis import HealthCheck, settings

from wingtone.cli import COMMANDS, main

ROOT = Path(__file__).resolve().parents[1]
SOURCE = ROOT / "src" / "wingtone"

FLOORS = (
    "wingtone",  # the version number
    "errors",
    "files",
    "csv_text",
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
)
"""Rooms from the ground up; a room imports only from rooms before it in this list."""

FRONT_DOOR = SOURCE / "__init__.py"
"""The package itself hands the functions of ``api`` on to callers, by name and on first use. It names that
room for types only, so that editors see the signatures; nothing inside the house goes through this door."""

LONGEST_MODULE = 700


def room_of(path: Path) -> str:
    first = path.relative_to(SOURCE).parts[0].removesuffix(".py")
    return {"__init__": "wingtone", "__main__": "cli"}.get(first, first)


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


def test_the_drawing_of_the_house_is_true() -> None:
    """The lines of ``DEVELOPERS.md`` that say who imports whom are those of the source."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    block = text.split("### Who imports whom", 1)[1].split("```text\n", 1)[1].split("```", 1)[0]
    drawn = {room: set(others) - {"-"} for room, *others in map(str.split, block.strip().splitlines())}
    found: dict[str, set[str]] = {room: set() for room in drawn}
    for path in MODULES:
        room = room_of(path)
        if room not in ("wingtone", "errors"):
            found.setdefault(room, set()).update(imported_rooms(path) - {room, "wingtone", "errors"})
    assert drawn == found


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


# --- the code says what it is -----------------------------------------------------------------------

TREES = {path: ast.parse(path.read_text(encoding="utf-8")) for path in MODULES}
Definition = ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef
DEFINITIONS = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)


def public_things(tree: ast.Module) -> list[tuple[str, Definition]]:
    """Functions and classes of a module, and the methods of the classes, that others may call."""
    found = [(node.name, node) for node in tree.body if isinstance(node, DEFINITIONS)]
    for name, node in [*found]:
        if isinstance(node, ast.ClassDef):
            found += [
                (f"{name}.{inner.name}", inner) for inner in node.body if isinstance(inner, DEFINITIONS)
            ]
    return [(name, node) for name, node in found if not any(part[0] == "_" for part in name.split("."))]


def test_what_others_may_use_is_described() -> None:
    bare = []
    for path, tree in TREES.items():
        things = [("the module", tree), *public_things(tree)]
        bare += [
            f"{path.relative_to(SOURCE)}: {name}" for name, node in things if not ast.get_docstring(node)
        ]
    assert bare == []


def test_private_names_stay_in_their_module() -> None:
    taken = [
        f"{path.relative_to(SOURCE)}: {node.module}.{alias.name}"
        for path, tree in TREES.items()
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("wingtone")
        for alias in node.names
        if alias.name.startswith("_") and alias.name != "__version__"
    ]
    assert taken == []


IN_BACKTICKS = r"(?<!`)`([A-Za-z_][\w.]*)`(?!`)"


def names_in_use() -> set[str]:
    """Names that are read or explained anywhere; to import or export a name is not to use it."""
    trees = [*TREES.values()]
    for folder in ("tests", "models"):
        trees += [ast.parse(path.read_text(encoding="utf-8")) for path in (ROOT / folder).rglob("*.py")]
    used = {node.attr for tree in trees for node in ast.walk(tree) if isinstance(node, ast.Attribute)}
    used |= {
        name.split(".")[-1]
        for tree in TREES.values()
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
        for name in re.findall(IN_BACKTICKS, node.value)
    }
    return used | {
        node.id
        for tree in trees
        for node in ast.walk(tree)
        if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load)
    }


def test_no_name_is_left_over() -> None:
    """What a module defines is used somewhere: by the program, or by a test, benchmark or maker of models."""
    used = names_in_use()
    left = []
    for path, tree in TREES.items():
        for node in tree.body:
            if isinstance(node, DEFINITIONS):
                names = [] if node.decorator_list else [node.name]  # click and its like take hold of it
            elif isinstance(node, (ast.Assign, ast.AnnAssign)):
                targets = node.targets if isinstance(node, ast.Assign) else [node.target]
                names = [
                    one.id for target in targets for one in ast.walk(target) if isinstance(one, ast.Name)
                ]
            else:
                continue
            left += [
                f"{path.relative_to(SOURCE)}: {name}"
                for name in names
                if name not in used and not (name.startswith("__") and name.endswith("__"))
            ]
    assert left == []


def is_number(value: ast.expr | None) -> bool:
    """Whether it is a number, a few of them, or reckoned from numbers."""
    parts = [] if value is None else [*ast.walk(value)]
    constants = [part.value for part in parts if isinstance(part, ast.Constant)]
    plain = all(isinstance(one, (int, float)) and not isinstance(one, bool) for one in constants)
    return (
        bool(constants) and plain and not any(isinstance(part, (ast.Call, ast.JoinedStr)) for part in parts)
    )


def test_numbers_that_others_may_use_have_a_word() -> None:
    """A public number is followed by a string, or has a comment: what it is and where it is from."""
    bare = []
    for path, tree in TREES.items():
        lines = ["", *path.read_text(encoding="utf-8").splitlines()]
        for at, node in enumerate(tree.body):
            if not isinstance(node, (ast.Assign, ast.AnnAssign)) or not is_number(node.value):
                continue
            target = node.targets[0] if isinstance(node, ast.Assign) else node.target
            names = {one.id for one in ast.walk(target) if isinstance(one, ast.Name)}
            if not any(name.isupper() and not name.startswith("_") for name in names):
                continue
            end = node.end_lineno or node.lineno
            said = "#" in "".join(lines[node.lineno : end + 1]) or lines[node.lineno - 1].startswith("#")
            for after in tree.body[at + 1 :]:  # a run of numbers may share a word
                said = said or (isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant))
                if said or after.lineno != end + 1:
                    break
                end = after.end_lineno or after.lineno
            if not said:
                bare.append(f"{path.relative_to(SOURCE)}:{node.lineno}: {', '.join(sorted(names))}")
    assert bare == []


ELSEWHERE = {"malloc"}
"""Words in backticks that are no names of ours."""


def test_words_in_backticks_are_names_that_exist() -> None:
    """A docstring that points to a function which has gone leads its reader nowhere."""
    known = {path.stem for path in MODULES} | {path.parent.name for path in MODULES}
    for tree in TREES.values():
        for node in ast.walk(tree):
            if isinstance(node, DEFINITIONS):
                known.add(node.name)
            elif isinstance(node, (ast.Name, ast.arg)):
                known.add(node.id if isinstance(node, ast.Name) else node.arg)
            elif isinstance(node, ast.Attribute):
                known.add(node.attr)
            elif isinstance(node, ast.alias):
                known |= {*node.name.split("."), node.asname or ""}
    lost = []
    for path, tree in TREES.items():
        for node in ast.walk(tree):
            if isinstance(node, ast.Constant) and isinstance(node.value, str):
                for name in re.findall(IN_BACKTICKS, node.value):
                    first, *_ = parts = name.split(".")
                    ours = name not in ELSEWHERE and first not in sys.stdlib_module_names
                    if ours and not known.issuperset(parts):
                        lost.append(f"{path.relative_to(SOURCE)}:{node.lineno}: {name}")
    assert lost == []


# --- commands agree with one another ----------------------------------------------------------------

OWN_WORDS = {
    "--caste": "of a record, or to choose records by",
    "--clips": "recordings in, or recordings out",
    "--date": "a day; for a record also a time or a span",
    "--dry-run": "a survey also says how long it may take",
    "--figure": "each says what it draws",
    "--format": "of a result, or of an export",
    "--kind": "of a chart, or of a classifier",
    "--model": "a survey does not weigh with it",
    "--notebook": "of wingtone notebook it may be a file that is yet to be made",
    "--out": "each says what it writes",
    "--recorder": "of a record, or to choose records by",
    "--status": "of a record, or to choose records by",
    "--taxon": "of a record, or to choose records by",
}
"""Options whose meaning depends on the command, and how."""


def commands_and_options() -> list[tuple[str, click.Command, list[click.Option]]]:
    """Every command and subcommand with its options."""
    found = []
    waiting: list[tuple[str, click.Command]] = [(name, command_named(name)) for name in COMMANDS]
    while waiting:
        name, command = waiting.pop()
        found.append((name, command, [one for one in command.params if isinstance(one, click.Option)]))
        if isinstance(command, click.Group):
            for inner in command.list_commands(click.Context(command)):
                below = command.get_command(click.Context(command), inner)
                assert below is not None
                waiting.append((f"{name} {inner}", below))
    return found


def test_an_option_means_the_same_in_every_command() -> None:
    meanings: dict[str, set[tuple[str | None, str]]] = {}
    for _, _, options in commands_and_options():
        for option in options:
            for word in option.opts:
                meanings.setdefault(word, set()).add((option.help, option.metavar or str(option.type)))
    differing = {word for word, said in meanings.items() if len(said) > 1 and word.startswith("--")}
    assert differing - {*OWN_WORDS} == set()


def test_every_command_can_show_where_it_failed() -> None:
    for name, _, options in commands_and_options():
        assert any("--debug" in option.opts for option in options), name


def test_what_help_repeats_is_what_the_program_does() -> None:
    """Help loads no science, so it states some of its names and numbers itself."""
    from wingtone.population import GROUPINGS
    from wingtone.population.individuals import GAP_S
    from wingtone.tone import FLIGHT_THRESHOLD

    by_command = {
        name: {word: one for one in options for word in one.opts}
        for name, _, options in commands_and_options()
    }

    def choices(option: click.Option) -> tuple[str, ...]:
        assert isinstance(option.type, click.Choice)
        return tuple(option.type.choices)

    assert {*choices(by_command["sizes"]["--group-by"])} == {*GROUPINGS}
    assert by_command["sizes"]["--gap"].default == GAP_S
    assert f"own is {FLIGHT_THRESHOLD}." in (by_command["measure"]["--flight-threshold"].help or "")


# --- the page's own files ---------------------------------------------------------------------------


def test_what_the_page_is_made_of_is_used() -> None:
    """No function, constant or custom property of the page's files stands in them once only."""
    texts = {
        path.name: path.read_text(encoding="utf-8")
        for path in (SOURCE / "web" / "static").iterdir()
        if path.suffix in {".js", ".css", ".html"}
    }
    everything = "\n".join(texts.values())
    scripts = {name: text for name, text in texts.items() if name.endswith(".js")}
    assert len(scripts) > 10
    for name, text in scripts.items():
        own = re.findall(r"^(?:export )?(?:async )?(?:function|const|let|class) ([\w$]+)", text, re.MULTILINE)
        once = [
            one for one in own if len(re.findall(rf"(?<![\w$]){re.escape(one)}(?![\w$])", everything)) < 2
        ]
        assert once == [], name
    for word in set(re.findall(r"(--[a-z][\w-]*)\s*:", texts["page.css"])):
        assert len(re.findall(rf"{word}(?![\w-])", everything)) > 1, word


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
    assert setting_up[1].endswith(".venv/bin/python -m pytest -q -n auto")
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
    prose = re.sub(r"^```.*?^```", "", text, flags=re.MULTILINE | re.DOTALL)
    quoted = re.findall(r"`(wingtone [a-z][^`\n]*)`", prose)
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


# --- the tests ---------------------------------------------------------------------------------------


def test_no_example_is_judged_by_the_clock() -> None:
    assert settings.default is not None
    assert settings.default.deadline is None
    assert HealthCheck.too_slow in settings.default.suppress_health_check


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
    command = ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"]
    git = None
    if shutil.which("git"):
        git = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    if git is not None and git.returncode == 0:
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
