"""Are there known weaknesses in the pinned packages?

    python tests/supply/audit.py

asks the public lists of them through ``pip-audit``, with a network (``pip install pip-audit``; it is no part
of the set-up for developers). Exit status 0: every pinned package was looked up, and nothing is known; 1:
something is known; 3: some or all could not be looked up, so nothing is said about those.

pip-audit alone would not do: where it cannot reach the list it takes each package for an unknown one, says
that it found nothing, and ends with status 0. Here only what was really looked up counts.
"""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from supply.bill import CONSTRAINTS, Pin, read_pins

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

CLEAN, KNOWN_WEAKNESSES, NOT_AUDITED = 0, 1, 3


@dataclass(frozen=True)
class Findings:
    """What an audit found: names with versions."""

    looked_up: list[str]
    weak: dict[str, list[str]]
    """Package to what is known of it, a line each."""
    not_looked_up: list[str]

    @property
    def status(self) -> int:
        if self.weak:
            return KNOWN_WEAKNESSES
        return NOT_AUDITED if self.not_looked_up or not self.looked_up else CLEAN


def rounds(pins: Sequence[Pin]) -> list[list[Pin]]:
    """Deal pins into lists that hold each name once; a package may be pinned twice, for different Pythons."""
    dealt: list[dict[str, Pin]] = []
    for pin in pins:
        free = next((one for one in dealt if pin.name not in one), None)
        if free is None:
            free = {}
            dealt.append(free)
        free[pin.name] = pin
    return [list(one.values()) for one in dealt]


def ask_pip_audit(pins: Sequence[Pin]) -> list[dict[str, Any]] | None:
    """Ask about some packages; None when there was no answer."""
    with tempfile.TemporaryDirectory() as folder:
        wanted, answer = Path(folder, "wanted.txt"), Path(folder, "answer.json")
        wanted.write_text("".join(f"{pin.name}=={pin.version}\n" for pin in pins), encoding="utf-8")
        command = [sys.executable, "-m", "pip_audit", "-r", str(wanted), "--no-deps", "--disable-pip"]
        command += ["--progress-spinner", "off", "-f", "json", "-o", str(answer)]
        run = subprocess.run(command, capture_output=True, text=True, check=False)
        if not answer.is_file():
            print(run.stderr.strip()[-500:], file=sys.stderr)
            return None
        told: list[dict[str, Any]] = json.loads(answer.read_text(encoding="utf-8"))["dependencies"]
        return told


def audit(
    pins: Sequence[Pin], ask: Callable[[Sequence[Pin]], list[dict[str, Any]] | None] = ask_pip_audit
) -> Findings:
    """Look all of them up. What is not in the answer, or was skipped in it, was not looked up."""
    looked_up, not_looked_up = [], []
    weak: dict[str, list[str]] = {}
    for some in rounds(pins):
        answers = {one["name"]: one for one in ask(some) or ()}
        for pin in some:
            name, told = f"{pin.name} {pin.version}", answers.get(pin.name)
            if told is None or told.get("version") != pin.version or "vulns" not in told:
                not_looked_up.append(name)
                continue
            looked_up.append(name)
            if told["vulns"]:
                weak[name] = [
                    f"{one['id']}, mended in {', '.join(one.get('fix_versions') or ['no version yet'])}"
                    for one in told["vulns"]
                ]
    return Findings(looked_up, weak, not_looked_up)


def words_of(found: Findings) -> str:
    """The findings, for people."""
    lines = [f"{name}: {line}" for name, known in found.weak.items() for line in known]
    if not found.looked_up:
        lines.append("could not reach the data, nothing was audited")
    else:
        some = (
            f", {len(found.weak)} of them with known weaknesses" if found.weak else ", nothing known of them"
        )
        lines.append(f"{len(found.looked_up)} packages looked up{some}")
        if found.not_looked_up:
            lines.append(f"{len(found.not_looked_up)} NOT looked up: {', '.join(found.not_looked_up)}")
    return "\n".join(lines)


def main() -> int:
    """Audit the constraints."""
    if importlib.util.find_spec("pip_audit") is None:
        print("nothing was audited: this needs pip-audit (pip install pip-audit)", file=sys.stderr)
        return NOT_AUDITED
    found = audit(read_pins(CONSTRAINTS.read_text(encoding="utf-8")))
    print(words_of(found))
    return found.status


if __name__ == "__main__":
    sys.exit(main())
