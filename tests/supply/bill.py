"""What wingtone is made of: the licence of every pinned package, and a bill of materials.

    python tests/supply/bill.py            # writes licences.csv and sbom.cdx.json
    python tests/supply/bill.py --check    # says whether they are up to date, and changes nothing

A row, or a component, for each line of ``constraints.txt``, with the licence that the package states about
itself, the parts of wingtone that need it, and below it the libraries of others that its file contains
(`inside.csv`, kept by hand: packages do not list them in one way). What is installed here is read from its
own metadata. What is not, because it is for another Python or system, is taken from the bill as it stands,
and what is not in there either is fetched with pip, read and thrown away. Equal constraints give equal
files: there is no time and no random number in them.
"""

from __future__ import annotations

import argparse
import csv
import functools
import importlib.metadata
import io
import json
import re
import subprocess
import sys
import tempfile
import tomllib
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from packaging.licenses import InvalidLicenseExpression, canonicalize_license_expression
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

import wingtone

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from packaging.markers import Marker

ROOT = Path(__file__).resolve().parents[2]
INSIDE = Path(__file__).with_name("inside.csv")
CONSTRAINTS = ROOT / "constraints.txt"
LICENCES = ROOT / "licences.csv"
BILL = ROOT / "sbom.cdx.json"

COLUMNS = ("package", "version", "contains", "only_where", "needed_for", "licence", "read_from", "asks")

ENVIRONMENTS = tuple(
    {
        "python_version": python,
        "python_full_version": f"{python}.0",
        "sys_platform": system,
        "platform_system": {"linux": "Linux", "darwin": "Darwin", "win32": "Windows"}[system],
        "os_name": "nt" if system == "win32" else "posix",
        "platform_machine": "AMD64" if system == "win32" else "arm64" if system == "darwin" else "x86_64",
        "implementation_name": "cpython",
        "platform_python_implementation": "CPython",
    }
    for python in ("3.11", "3.12", "3.13", "3.14")
    for system in ("linux", "darwin", "win32")
)
"""Where wingtone may be installed, as far as conditions on packages ask."""

NOT_READ = "not read"


# --- licences ----------------------------------------------------------------------------------------

CLASSIFIERS = {
    "MIT License": "MIT",
    "ISC License (ISCL)": "ISC",
    "Mozilla Public License 2.0 (MPL 2.0)": "MPL-2.0",
    "GNU General Public License v3 or later (GPLv3+)": "GPL-3.0-or-later",
    "Python Software Foundation License": "PSF-2.0",
}
"""Classifiers that name one licence. "BSD License" and the like do not."""

PERMISSIVE = {
    *(
        "0BSD",
        "Apache-2.0",
        "BSD-2-Clause",
        "BSD-3-Clause",
        "BSD-3-Clause-Clear",
        "CC0-1.0",
        "FTL",
        "IJG",
        "ISC",
    ),
    *(
        "LicenseRef-font-licence",
        "MIT",
        "MIT-0",
        "MIT-CMU",
        "MIT-Modern-Variant",
        "PSF-2.0",
        "Zlib",
        "blessing",
    ),
    *("curl", "libpng-2.0", "libtiff", "Apache-2.0 WITH LLVM-exception"),
    # The exception lets what a compiler adds go with anything.
    "GPL-3.0-or-later WITH GCC-exception-3.1",
}

ASKS = {
    "notice": "pass its notice on",
    "files": "pass its notice on; whoever changes its files gives the changed files under the same licence",
    "library": "pass its notice on, with its source or an offer of it, and let it be replaced",
    "whole": "whoever passes it on inside something larger gives the whole under the GPL, with its source",
}
"""What a licence asks of somebody who bundles the package, from the least to the most."""


def asks_of(licence: str) -> str:
    """The kind of demand, a key of `ASKS`, that an SPDX expression makes; of alternatives the mildest.

    Raises
    ------
    ValueError
        It holds a licence that is in none of our lists.
    """

    def one(name: str) -> str:
        if name in PERMISSIVE:
            return "notice"
        if name.startswith("MPL-"):
            return "files"
        if name.startswith("LGPL-"):
            return "library"
        if name.startswith("GPL-") and " WITH " not in name:
            return "whole"
        raise ValueError(f"nobody has looked at the licence {name!r}")

    order = list(ASKS)
    # AND binds more tightly than OR; brackets, which no package here uses, would need more than this.
    if "(" in licence:
        raise ValueError(f"brackets in {licence!r} are not understood")
    return min(
        (max(map(one, choice.split(" AND ")), key=order.index) for choice in licence.split(" OR ")),
        key=order.index,
    )


def spdx(text: str) -> str | None:
    """An SPDX expression in its official spelling; None when it is none."""
    try:
        return str(canonicalize_license_expression(text))
    except InvalidLicenseExpression:
        return None


def recognised(text: str) -> str | None:
    """The licence that a licence file opens with, by the sentences that only it has."""
    words = " ".join(text[:2500].split())
    apache = "Licensed under the Apache License, Version 2.0"
    if apache in words or words.startswith("Apache License Version 2.0"):
        return "Apache-2.0"
    if "Permission is hereby granted, free of charge, to any person obtaining a copy" in words:
        return "MIT"
    if "Redistribution and use in source and binary forms" in words:
        third = re.search(r"Neither the names? |name of .{0,80} may not be used to endorse", words)
        return "BSD-3-Clause" if third else "BSD-2-Clause"
    return None


def licence_of(distribution: importlib.metadata.Distribution) -> tuple[str, str]:
    """The licence of a package as an SPDX expression, and where in it that was read."""
    told = distribution.metadata
    for entry, source in (("License-Expression", "stated expression"), ("License", "stated licence")):
        if entry in told and (found := spdx(told[entry].strip())):
            return found, source
    for classifier in told.get_all("Classifier") or ():
        last = classifier.split(" :: ")[-1]
        if classifier.startswith("License ::") and last in CLASSIFIERS:
            return CLASSIFIERS[last], "classifier"
    for file in distribution.files or ():
        if re.search(r"\.dist-info/(licenses/)?(licen[cs]e|copying)[^/]*$", str(file), re.IGNORECASE):
            found = recognised(Path(str(distribution.locate_file(file))).read_text("utf-8", errors="replace"))
            if found:
                return found, "licence file"
    return NOT_READ, NOT_READ


# --- packages ----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Pin:
    """A line of the constraints."""

    name: str
    version: str
    marker: Marker | None

    @property
    def ref(self) -> str:
        return f"pkg:pypi/{self.name}@{self.version}"

    def holds_in(self, environment: dict[str, str]) -> bool:
        return self.marker is None or self.marker.evaluate(environment)


@dataclass(frozen=True)
class Reading:
    """What a package says about itself."""

    licence: str
    read_from: str
    requires: tuple[Requirement, ...]


@dataclass(frozen=True)
class Inside:
    """A library of others in the file of a package; ``files`` are their names without version and ending."""

    package: str
    files: tuple[str, ...]
    what: str
    licence: str
    read_from: str


@dataclass
class Use:
    """Which parts of wingtone need a pin, and which pins it needs itself."""

    parts: set[str] = field(default_factory=set)
    needs: set[Pin] = field(default_factory=set)


def read_pins(text: str) -> list[Pin]:
    """The packages of a constraints file."""
    pins = []
    for line in text.splitlines():
        wanted = Requirement(line)
        (pinned,) = wanted.specifier
        pins.append(Pin(canonicalize_name(wanted.name), pinned.version, wanted.marker))
    return pins


def read_inside() -> list[Inside]:
    """The table kept by hand."""
    with INSIDE.open(encoding="utf-8", newline="") as file:
        return [
            Inside(r["package"], tuple(r["files"].split()), r["what"], r["licence"], r["read_from"])
            for r in csv.DictReader(file)
        ]


def read_parts() -> dict[str, list[Requirement]]:
    """What the parts of wingtone ask for; the part that is always there is called ``base``."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    parts = {"base": project["dependencies"], **project["optional-dependencies"]}
    parts.pop("all")
    own = {
        name: [Requirement(one) for one in wanted if not one.startswith("wingtone[")]
        for name, wanted in parts.items()
    }
    return own


def installed(pin: Pin) -> Reading | None:
    """What the pinned package says here; None when it is not installed, or in another version."""
    try:
        distribution = importlib.metadata.distribution(pin.name)
    except importlib.metadata.PackageNotFoundError:
        return None
    return reading_of(distribution) if distribution.version == pin.version else None


def reading_of(distribution: importlib.metadata.Distribution) -> Reading:
    """Read a package that lies here."""
    licence, source = licence_of(distribution)
    return Reading(licence, source, tuple(map(Requirement, distribution.requires or ())))


def remembered(pin: Pin) -> Reading | None:
    """What the bill as it stands says of this version."""
    return _old_bill().get(pin.ref)


@functools.cache
def _old_bill() -> dict[str, Reading]:
    if not BILL.is_file():
        return {}
    told = json.loads(BILL.read_text(encoding="utf-8"))
    names = {one["bom-ref"]: one["name"] for one in told["components"]}
    needs = {one["ref"]: one.get("dependsOn", ()) for one in told["dependencies"]}
    return {
        one["bom-ref"]: Reading(
            one["licenses"][0]["expression"],
            _property(one, "licence read from"),
            tuple(Requirement(names[ref]) for ref in needs[one["bom-ref"]]),
        )
        for one in told["components"]
    }


def _property(component: Mapping[str, Any], name: str) -> str:
    return next(str(p["value"]) for p in component["properties"] if p["name"] == f"wingtone:{name}")


def fetched(pin: Pin) -> Reading:
    """Fetch a package for the Python and system that want it, and read it.

    Raises
    ------
    SystemExit
        It cannot be fetched.
    """
    environment = next(e for e in ENVIRONMENTS if pin.holds_in(e))
    command = [sys.executable, "-m", "pip", "download", "-q", "--no-deps", "--only-binary=:all:"]
    command += ["--python-version", environment["python_version"]]
    if environment["sys_platform"] == "win32":
        command += ["--platform", "win_amd64"]
    with tempfile.TemporaryDirectory() as folder:
        run = subprocess.run([*command, "-d", folder, f"{pin.name}=={pin.version}"], check=False)
        wheels = list(Path(folder).glob("*.whl"))
        if run.returncode != 0 or not wheels:
            raise SystemExit(f"{pin.name} {pin.version} is not installed and could not be fetched")
        unpacked = Path(folder, "unpacked")
        # A wheel is a zip file; pip itself checked it on the way here.
        subprocess.run([sys.executable, "-m", "zipfile", "-e", str(wheels[0]), str(unpacked)], check=True)
        (distribution,) = importlib.metadata.distributions(path=[str(unpacked)])
        return reading_of(distribution)


def read_all(pins: Iterable[Pin], *, otherwise: Callable[[Pin], Reading] = fetched) -> dict[Pin, Reading]:
    """Read every package, from where it can be had with least effort."""
    return {pin: installed(pin) or remembered(pin) or otherwise(pin) for pin in pins}


def uses_of(readings: Mapping[Pin, Reading]) -> dict[Pin, Use]:
    """Follow the requirements of each part of wingtone, on every Python and system.

    Raises
    ------
    KeyError
        Something that is needed is not pinned.
    """
    uses = {pin: Use() for pin in readings}
    for environment in ENVIRONMENTS:
        pinned = {pin.name: pin for pin in readings if pin.holds_in(environment)}
        for part, wanted in read_parts().items():
            seen = set()
            ahead: list[tuple[Pin | None, Requirement, str]] = [(None, one, "") for one in wanted]
            while ahead:
                asking, one, extra = ahead.pop()
                if one.marker is not None and not one.marker.evaluate({**environment, "extra": extra}):
                    continue
                pin = pinned[canonicalize_name(one.name)]
                if asking is not None:
                    uses[asking].needs.add(pin)
                uses[pin].parts.add(part)
                for inner in ("", *one.extras):
                    if (pin, inner) not in seen:
                        seen.add((pin, inner))
                        ahead += [(pin, further, inner) for further in readings[pin].requires]
    return uses


def shown_parts(parts: set[str]) -> str:
    """Which installs bring a package: what the base needs comes with all of them."""
    runs = parts - {"dev"}
    return "base" if "base" in parts else " ".join(sorted(runs or parts))


# --- the two files -----------------------------------------------------------------------------------


def licence_table(readings: Mapping[Pin, Reading], uses: Mapping[Pin, Use], inside: Sequence[Inside]) -> str:
    """Lay out ``licences.csv``."""
    out = io.StringIO()
    table = csv.writer(out, lineterminator="\n")
    table.writerow(COLUMNS)
    for pin, told in readings.items():
        where, parts = str(pin.marker or ""), shown_parts(uses[pin].parts)
        rows = [("", told.licence, told.read_from)]
        rows += [(one.what, one.licence, one.read_from) for one in inside if one.package == pin.name]
        for what, licence, source in rows:
            asked = NOT_READ if licence == NOT_READ else ASKS[asks_of(licence)]
            table.writerow([pin.name, pin.version, what, where, parts, licence, source, asked])
    return out.getvalue()


def bill_of_materials(
    readings: Mapping[Pin, Reading], uses: Mapping[Pin, Use], inside: Sequence[Inside]
) -> str:
    """Lay out ``sbom.cdx.json``: CycloneDX 1.6."""

    def licences(expression: str, read_from: str) -> list[dict[str, str]]:
        stated = read_from.startswith("stated")
        return [{"expression": expression, "acknowledgement": "declared" if stated else "concluded"}]

    def properties(**values: str) -> list[dict[str, str]]:
        return [
            {"name": f"wingtone:{name.replace('_', ' ')}", "value": value}
            for name, value in values.items()
            if value
        ]

    components = []
    for pin, told in readings.items():
        parts = shown_parts(uses[pin].parts)
        component: dict[str, Any] = {
            "type": "library",
            "bom-ref": pin.ref,
            "name": pin.name,
            "version": pin.version,
            "scope": {"base": "required", "dev": "excluded"}.get(parts, "optional"),
            "licenses": licences(told.licence, told.read_from),
            "purl": pin.ref,
            "properties": properties(
                needed_for=parts, only_where=str(pin.marker or ""), licence_read_from=told.read_from
            ),
        }
        held = [one for one in inside if one.package == pin.name]
        if held:
            component["components"] = [
                {
                    "type": "library",
                    "bom-ref": f"{pin.ref}#{re.sub('[^a-z0-9]+', '-', one.what.lower()).strip('-')}",
                    "name": one.what,
                    "licenses": licences(one.licence, one.read_from),
                    "properties": properties(files=" ".join(one.files), licence_read_from=one.read_from),
                }
                for one in held
            ]
        components.append(component)
    own = f"pkg:pypi/wingtone@{wingtone.__version__}"
    straight = {canonicalize_name(one.name) for wanted in read_parts().values() for one in wanted}
    needs = {own: {pin for pin in readings if pin.name in straight}}
    needs |= {pin.ref: use.needs for pin, use in uses.items()}
    bill = {
        "bomFormat": "CycloneDX",
        "specVersion": "1.6",
        "version": 1,
        "metadata": {
            "component": {
                "type": "application",
                "bom-ref": own,
                "name": "wingtone",
                "version": wingtone.__version__,
                "licenses": licences("MIT", "stated"),
                "purl": own,
            }
        },
        "components": components,
        "dependencies": [
            {"ref": ref, **({"dependsOn": sorted(pin.ref for pin in pins)} if pins else {})}
            for ref, pins in needs.items()
        ],
    }
    return json.dumps(bill, indent=1, ensure_ascii=False) + "\n"


def files_made(readings: Mapping[Pin, Reading]) -> dict[Path, str]:
    """Both files, as they should be."""
    uses, inside = uses_of(readings), read_inside()
    return {
        LICENCES: licence_table(readings, uses, inside),
        BILL: bill_of_materials(readings, uses, inside),
    }


def main() -> int:
    """Write or check."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--check", action="store_true", help="change nothing; status 1 when out of date")
    check = parser.parse_args().check
    made = files_made(read_all(read_pins(CONSTRAINTS.read_text(encoding="utf-8"))))
    stale = [p for p, text in made.items() if not p.is_file() or p.read_text(encoding="utf-8") != text]
    for path in stale:
        if not check:
            path.write_text(made[path], encoding="utf-8")
        print(f"{path.name} {'is out of date' if check else 'written'}")
    return int(check and bool(stale))


if __name__ == "__main__":
    sys.exit(main())
