"""How much room the README's two commands need, and how long they take.

    python tests/benchmarks/install.py

Copies what git knows of the project to temporary folders and runs the commands there word for word, the
second without its tests: a new environment, the packages from the usual registry (or pip's own cache, which
makes it quicker), the demo. Sizes are of the files of the environment, as they lie on the disk.
"""

from __future__ import annotations

import argparse
import re
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.kept import ROOT, add_out, keep


def commands() -> list[str]:
    """The README's first two shell lines; the second ends before the tests."""
    text = (ROOT / "README.md").read_text("utf-8")
    found = re.findall(r"^```sh\n(python3 -m venv .*?)\n```", text, re.MULTILINE)
    first, second = found[:2]
    return [first, second.rpartition(" && ")[0]]


def own_files() -> list[Path]:
    """What git knows of the project, relative to its top."""
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=True,
    )
    return [Path(name) for name in listed.stdout.split("\0") if name and (ROOT / name).is_file()]


def measured(command: str) -> dict[str, float]:
    """Run one command in a copy of the project."""
    with tempfile.TemporaryDirectory() as folder:
        tree = Path(folder)
        for name in own_files():
            (tree / name).parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(ROOT / name, tree / name)
        began = time.monotonic()
        subprocess.run(["bash", "-euc", command], cwd=tree, check=True, stdout=subprocess.DEVNULL)
        took_s = time.monotonic() - began
        environment = tree / ".venv"
        files = [path for path in environment.rglob("*") if path.is_file() and not path.is_symlink()]
        return {
            "seconds": took_s,
            "packages": len([*environment.glob("lib/python*/site-packages/*.dist-info")]),
            "size_mb": sum(path.stat().st_blocks * 512 for path in files) / 1e6,
        }


def main() -> None:
    """Run and measure them."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    add_out(parser)
    options = parser.parse_args()
    lines, values = [], {}
    for name, command in zip(("demo", "development"), commands(), strict=True):
        found = values[name] = measured(command)
        found["size_gb"] = found["size_mb"] / 1000
        lines += [
            f"- `{command}`: {found['packages']} packages, {found['size_mb']:.0f} MB on the disk, in "
            f"{found['seconds']:.0f} s by the clock."
        ]
    keep("install", "\n".join(lines), values, out=options.out)


if __name__ == "__main__":
    main()
