"""Results of the benchmarks: a table to read, and beside it the same values for `figures.py`.

- `add_out`: the option ``--out FOLDER`` that all benchmarks have.
- `keep`: prints a result; with a folder, writes ``NAME.md`` and ``NAME.json`` there.
- `slug`: a name as a key of the values.

``NAME.json`` holds the command, the seed, the versions, the machine, a checksum of the sources that were
measured, one of the table, and ``values``: numbers, words and lists under keys that name their units.
"""

from __future__ import annotations

import hashlib
import json
import math
import os
import platform
import re
import sys
import time
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wingtone.files import replacing

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterable, Mapping

ROOT = Path(__file__).resolve().parents[2]
RESULTS = Path(__file__).parent / "results"
PACKAGES = ("wingtone", "numpy", "scipy")
_BEGAN = time.monotonic()


def add_out(parser: argparse.ArgumentParser) -> None:
    """Let a benchmark write what it found."""
    parser.add_argument(
        "--out", type=Path, metavar="FOLDER", help="write the table and its values there as well"
    )


def slug(name: object) -> str:
    """Make a key of a name: ``-5 dB`` becomes ``minus_5_db``."""
    text = re.sub(r"(?<![\w)])-(?=\d)", "minus ", str(name).replace("*", "")).lower()
    return re.sub(r"[^a-z0-9]+", "_", text).strip("_")


def keep(
    name: str,
    text: str,
    values: Mapping[str, Any],
    *,
    out: Path | None,
    seed: int | None = None,
    packages: Iterable[str] = (),
) -> None:
    """Print a result, and write it for people and for `figures.py` when there is a folder for it.

    Parameters
    ----------
    name
        Of the two files.
    text
        The table, in Markdown. How it was made is added.
    values
        The same as numbers; nested as deep as it helps.
    packages
        Whose versions matter, beside `PACKAGES`.
    """
    made_with = {"python": platform.python_version()}
    made_with |= {package: found for package in (*PACKAGES, *packages) if (found := _version(package))}
    took_s = time.monotonic() - _BEGAN
    machine = {
        "processor": platform.machine(),
        "cores": os.cpu_count(),
        "load_at_end": round(os.getloadavg()[0], 1),
    }
    versions = ", ".join(f"{package} {number}" for package, number in made_with.items())
    told = f"Made by `{command()}`" + ("" if seed is None else f", seed {seed},")
    told += (
        f" in {took_s:.0f} s, with {versions}; {machine['processor']}, {machine['cores']} cores, "
        f"load {machine['load_at_end']} at the end.\n"
    )
    text = f"{text.rstrip()}\n\n{told}"
    print(text, flush=True)
    if out is None:
        return
    record = {
        "command": command(),
        "seed": seed,
        "made_with": made_with,
        "machine": machine,
        "took_s": round(took_s, 1),
        "sources_sha256": sources_sha256(),
        "table_sha256": hashlib.sha256(text.encode()).hexdigest(),
        "values": plain(values),
    }
    out.mkdir(parents=True, exist_ok=True)
    with replacing(out / f"{name}.md") as path:
        path.write_text(text, encoding="utf-8")
    with replacing(out / f"{name}.json") as path:
        path.write_text(json.dumps(record, indent=1, ensure_ascii=False) + "\n", encoding="utf-8")


def plain(value: Any) -> Any:
    """Turn values into what JSON can hold: no numbers of numpy, no NaN; six digits are plenty."""
    if isinstance(value, dict):
        for key in value:
            assert key == slug(key), f"{key!r} is no key; {slug(key)!r} would be"
        return {key: plain(inner) for key, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [plain(inner) for inner in value]
    if hasattr(value, "item"):
        value = value.item()
    if isinstance(value, float):
        return float(f"{value:.6g}") if math.isfinite(value) else None
    assert value is None or isinstance(value, (bool, int, str)), f"{value!r} cannot be kept"
    return value


def command() -> str:
    """Write the command that is running as one would type it at the top of the repository."""
    words = iter(sys.argv[1:])
    kept = []
    for word in words:
        if word == "--out":
            next(words, None)
        else:
            kept.append("FOLDER" if Path(word).is_absolute() else f'"{word}"' if " " in word else word)
    return " ".join(["python", f"tests/benchmarks/{Path(sys.argv[0]).name}", *kept])


def sources_sha256(folder: Path = ROOT / "src" / "wingtone") -> str:
    """Checksum of the program: tells whether a result was made by the sources that are here."""
    digest = hashlib.sha256()
    for path in sorted(folder.rglob("*")):
        if path.suffix in (".py", ".json", ".csv", ".js", ".css", ".html"):
            digest.update(path.relative_to(folder).as_posix().encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


def _version(package: str) -> str:
    try:
        return version(package)
    except PackageNotFoundError:
        return ""
