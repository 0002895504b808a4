"""The whole program once through, in a folder with made-up recordings; run by `test_no_network.py`.

    python tests/supply/journey.py FOLDER

FOLDER holds ``walk/`` (recordings) and ``labels.csv``. Prints JSON: each command with its exit status and
what it said, and whether there was no way to an address outside.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
import signal
import socket
import struct
import subprocess
import sys
import time
import urllib.parse
import urllib.request
from pathlib import Path
from typing import Any

from click.testing import CliRunner

from wingtone.cli import main

COMMANDS = """
demo
measure walk --format csv
measure walk/1_march_big_queen.m4a --figure bee.png --tracks tracks
identify walk --format json
identify walk/1_march_big_queen.m4a --hint tail=buff --place "51.46,-0.30" --record
identify --f0 146 --date 2026-03-20 --hint tail=buff
notebook add --date 2026-03-20 --place "TQ 18 75" --taxon "Bombus terrestris" --caste queen
notebook amend 1 --taxon "Bombus terrestris" --status confirmed --identified-by "A made-up person"
notebook list
notebook chart --kind season --out season.png
notebook chart --kind places --out places.png
notebook export --format darwin-core --out bees.zip --blur 2
notebook export --format csv --out bees.csv
notebook export --format geojson --out bees.geojson
notebook export --format bwf --out bwf
notebook export --format labels --out own_labels.csv
notebook import bees.csv --dry-run
cue bees.csv --clips walk --out cued.csv
survey walk --out results --workers 1
sizes results --figure sizes.svg
fauna list
fauna show terrestris
train labels.csv --out garden.wingtone --kind discriminant --figure garden.png
assess demonstration labels.csv
identify walk/1_march_big_queen.m4a --model garden.wingtone
"""


def bring_loopback_up() -> None:
    """A new network namespace has this computer's own address, but asleep; elsewhere this changes nothing."""
    wake, up = 0x8914, 0x1  # SIOCSIFFLAGS, IFF_UP
    with socket.socket() as any_socket, contextlib.suppress(PermissionError):
        fcntl.ioctl(any_socket, wake, struct.pack("16sh14x", b"lo", up))


def cut_off() -> bool:
    """Whether this computer has no connection at all here, but that to itself."""
    return [name for _, name in socket.if_nameindex()] == ["lo"]


def run_commands() -> list[dict[str, Any]]:
    """All commands, one after the other in this process."""
    import shlex

    out = []
    for line in COMMANDS.strip().splitlines():
        run = CliRunner().invoke(main, shlex.split(line))
        out.append({"command": line, "status": run.exit_code, "said": run.output[-1000:]})
    return out


def use_page() -> dict[str, Any]:
    """Start the page, bring a recording, ask who it was, keep the record, and end it with Ctrl-C."""
    command = [sys.executable, "-c", "from wingtone.cli import main; main()"]
    command += ["page", "--no-browser", "--port", "0", "--desk", "desk"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True)
    assert process.stdout is not None
    said = process.stdout.readline()
    address = next(word for word in said.split() if word.startswith("http://"))
    url = urllib.parse.urljoin(address, "/")
    browser = urllib.request.build_opener(urllib.request.HTTPCookieProcessor())

    def ask(path: str, body: bytes | None = None, **headers: str) -> Any:
        request = urllib.request.Request(url + path, data=body, headers=headers)
        with browser.open(request, timeout=60) as answer:
            return json.load(answer)

    try:
        browser.open(address, timeout=60).close()  # lets it in
        token = {"X-Wingtone-Token": ask("api/state")["token"]}
        sound = Path("walk/1_march_big_queen.m4a").read_bytes()
        clip = ask("api/clips", sound, **token, **{"X-File-Name": urllib.parse.quote("bee.m4a")})
        deadline = time.monotonic() + 60
        while (state := ask(f"api/clips/{clip['id']}"))["status"] not in ("ready", "failed"):
            assert time.monotonic() < deadline, "the page did not hear the recording"
            time.sleep(0.1)
        answer = ask(f"api/clips/{clip['id']}/answer", b"{}", **token, **{"Content-Type": "application/json"})
    finally:
        process.send_signal(signal.SIGINT)
        rest, _ = process.communicate(timeout=60)
    said += f"{state['status']}; {len(answer['answers'])} answers\n{rest}"
    return {"command": "page", "status": process.returncode, "said": said}


if __name__ == "__main__":
    os.chdir(sys.argv[1])
    bring_loopback_up()
    print(json.dumps({"cut_off": cut_off(), "runs": [*run_commands(), use_page()]}))
