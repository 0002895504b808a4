"""wingtone works whole without a network, reaches for none, and its page names no outside address.

The program is run once through (`journey.py`) with every Python process watched by the guard in ``guard/``,
and where the system allows it also inside a network namespace of its own, from which there is no way out.
"""

from __future__ import annotations

import ast
import json
import os
import re
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from wingtone.audio.encode import write_encoded
from wingtone.learn.labels import Label, write_labels
from wingtone.simulate import make_scene

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
SOURCE = ROOT / "src" / "wingtone"
STATIC = SOURCE / "web" / "static"

NAMESPACE = ("unshare", "-rn")


def namespaces_work() -> bool:
    """Whether a process here may have a network of its own."""
    if shutil.which(NAMESPACE[0]) is None:
        return False
    return subprocess.run([*NAMESPACE, "true"], capture_output=True, check=False).returncode == 0


def watched(log: Path) -> dict[str, str]:
    """Surroundings in which every Python process is watched, and knows no folder of the user's."""
    log.touch()
    hidden = {name: value for name, value in os.environ.items() if not name.lower().endswith("_proxy")}
    return hidden | {
        "PYTHONPATH": str(HERE / "guard"),
        "WINGTONE_REACHED_OUT": str(log),
        "XDG_DATA_HOME": str(log.parent / "data"),
        "HOME": str(log.parent),
    }


@pytest.fixture(scope="module")
def journey(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """The program run once through; ``reached_out`` has what it reached for."""
    folder = tmp_path_factory.mktemp("journey")
    (folder / "walk").mkdir()
    for clip in ("1_march_big_queen.m4a", "6_august_honey_bee.wav"):
        shutil.copy(ROOT / "demo_audio" / clip, folder / "walk")
    rng = np.random.default_rng(9)
    rows = []
    for n in range(10):
        caste = ("queen", "worker")[n % 2]
        f0_hz = {"queen": 120.0, "worker": 180.0}[caste] * float(np.exp(0.05 * rng.standard_normal()))
        made = make_scene(n, condition="hover", snr_db=20.0, duration_s=2.0, f0_hz=f0_hz)
        file = folder / f"bee-{n}.wav"
        write_encoded(file, made.samples, rate_hz=made.rate_hz)
        rows.append(Label(file, caste=caste, individual=str(n)))
    write_labels(folder / "labels.csv", rows)

    log = folder / "reached_out.txt"
    command = [
        *(NAMESPACE if namespaces_work() else ()),
        sys.executable,
        str(HERE / "journey.py"),
        str(folder),
    ]
    run = subprocess.run(command, env=watched(log), capture_output=True, text=True, timeout=600, check=False)
    assert run.returncode == 0, run.stderr
    told: dict[str, Any] = json.loads(run.stdout)
    return {**told, "folder": folder, "reached_out": log.read_text(encoding="utf-8")}


def test_everything_works_without_a_network(journey: dict[str, Any]) -> None:
    from wingtone.cli import COMMANDS

    assert {run["command"].split()[0] for run in journey["runs"]} == set(COMMANDS)
    for run in journey["runs"]:
        assert run["status"] == 0, f"{run['command']}: {run['said']}"
    page = journey["runs"][-1]
    assert "ready; 1 answers" in page["said"]
    made = {path.name for path in journey["folder"].iterdir()}
    assert {"bees.zip", "season.png", "sizes.svg", "garden.wingtone", "results", "desk"} <= made


def test_nothing_is_reached_for(journey: dict[str, Any]) -> None:
    assert journey["reached_out"] == ""


def test_there_was_no_way_out(journey: dict[str, Any]) -> None:
    if not namespaces_work():
        pytest.skip("this system gives no network namespaces to its users; only the guard watched")
    assert journey["cut_off"]


@pytest.mark.parametrize(
    "attempt",
    [
        "import urllib.request; urllib.request.urlopen('http://bees.example/')",
        "import socket; socket.create_connection(('192.0.2.1', 80), timeout=1)",
        "import socket; socket.socket(type=socket.SOCK_DGRAM).sendto(b'bee', ('192.0.2.1', 53))",
        "import subprocess, sys; subprocess.run([sys.executable, '-P', '-c', 'import socket;"
        ' socket.gethostbyname("bees.example")\'], check=True)',
    ],
)
def test_the_guard_notices(tmp_path: Path, attempt: str) -> None:
    log = tmp_path / "reached_out.txt"
    run = subprocess.run([sys.executable, "-c", attempt], env=watched(log), capture_output=True, check=False)
    assert run.returncode != 0
    assert len(log.read_text(encoding="utf-8").splitlines()) == 1


# --- the source --------------------------------------------------------------------------------------

NETWORKED = re.compile(
    r"^(socket|ssl|http\.(client|server)|urllib\.request|urllib3|requests|httpx|aiohttp|ftplib|smtplib|poplib|"
    r"imaplib|xmlrpc|socketserver|telnetlib|fsspec|distributed|dask|uvicorn|webbrowser|pooch|multiprocessing\."
    r"(connection|managers))(\.|$)"
)
CALLS = re.compile(r"\.(open_connection|create_connection|create_datagram_endpoint|urlopen|urlretrieve)\(")

ALLOWED = {
    "cli/page_command.py": {"webbrowser"},  # opens the page's own address
    "survey/cluster.py": {"distributed"},  # a cluster whose address the user gave
    "survey/places.py": {"fsspec"},  # an object store whose address the user gave
    "survey/workers.py": {"multiprocessing"},  # waits for the pipes of its own processes
    "web/door.py": {"socket"},  # asks the system for its own address; sends nothing
    "web/server.py": {"socket", "uvicorn"},  # listens
}


def networked_imports(path: Path) -> set[str]:
    """Modules that can reach out and are imported here, for types alone too."""
    names = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            names |= {node.module, *(f"{node.module}.{alias.name}" for alias in node.names)}
        elif isinstance(node, ast.Constant) and isinstance(node.value, str):
            names.add(node.value)  # as in import_module("...")
    return {name.split(".")[0] for name in names if NETWORKED.match(name)}


def test_only_the_rooms_we_know_can_reach_out() -> None:
    found = {
        str(path.relative_to(SOURCE)): reached
        for path in sorted(SOURCE.rglob("*.py"))
        if (reached := networked_imports(path))
    }
    assert found == ALLOWED
    for path in SOURCE.rglob("*.py"):
        assert not CALLS.search(path.read_text(encoding="utf-8")), path


ADDRESS = re.compile(r"(?:(?:https?|wss?|ftp):)?//[\w-]+(?:\.[\w-]+)+[^\s\"'`)]*")
NAMES_OF_FORMATS = {"http://www.w3.org/2000/svg"}  # the name of a language; nothing fetches it


def test_the_page_names_no_outside_address() -> None:
    files = [path for path in STATIC.rglob("*") if path.is_file()]
    assert len(files) > 20
    for path in files:
        found = set(ADDRESS.findall(path.read_text(encoding="utf-8")))
        assert found <= NAMES_OF_FORMATS, f"{path.name}: {found - NAMES_OF_FORMATS}"
    assert ADDRESS.findall('url("//fonts.example/bee.woff2") and "https://cdn.example.org/x.js"') == [
        "//fonts.example/bee.woff2",
        "https://cdn.example.org/x.js",
    ]
