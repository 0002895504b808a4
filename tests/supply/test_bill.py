"""The licences and the bill of materials are true and up to date, and nothing slips in unseen."""

from __future__ import annotations

import ast
import dataclasses
import importlib.metadata
import json
import re
import sys
from typing import TYPE_CHECKING, Any

import pytest
from cyclonedx.schema import SchemaVersion
from cyclonedx.validation.json import JsonStrictValidator
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from supply import audit, bill
from supply.bill import Pin, Reading

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

PINS = bill.read_pins(bill.CONSTRAINTS.read_text(encoding="utf-8"))
HERE = {pin.name: pin for pin in PINS if pin.marker is None or pin.marker.evaluate()}
SOURCE = bill.ROOT / "src" / "wingtone"


def never(pin: Pin) -> Reading:
    raise AssertionError(f"{pin.name} {pin.version}: not in the bill; run python tests/supply/bill.py")


@pytest.fixture(scope="module")
def readings() -> dict[Pin, Reading]:
    return bill.read_all(PINS, otherwise=never)


# --- the files ---------------------------------------------------------------------------------------


def test_the_files_are_as_the_packages_here_and_the_constraints_have_it(
    readings: dict[Pin, Reading],
) -> None:
    for path, text in bill.files_made(readings).items():
        assert path.read_text(encoding="utf-8") == text, f"{path.name}: run python tests/supply/bill.py"


def test_the_bill_is_valid_cyclonedx() -> None:
    text = bill.BILL.read_text(encoding="utf-8")
    validator = JsonStrictValidator(SchemaVersion.V1_6)
    assert validator.validate_str(text) is None
    spoilt = {**json.loads(text), "colour": "yellow"}
    assert validator.validate_str(json.dumps(spoilt)) is not None


def test_the_bill_points_only_at_what_is_in_it() -> None:
    told = json.loads(bill.BILL.read_text(encoding="utf-8"))
    whole = [told["metadata"]["component"], *told["components"]]
    refs = [one["bom-ref"] for one in whole]
    inner = [one["bom-ref"] for outer in whole for one in outer.get("components", ())]
    assert len({*refs, *inner}) == len(refs) + len(inner)
    assert [one["ref"] for one in told["dependencies"]] == refs
    assert {ref for one in told["dependencies"] for ref in one.get("dependsOn", ())} < set(refs)


def test_what_is_installed_is_what_is_pinned() -> None:
    found = {}
    for name in HERE:
        try:
            found[name] = importlib.metadata.version(name)
        except importlib.metadata.PackageNotFoundError:
            continue  # pinned, and not needed for what was installed here
    assert len(found) > 40
    assert found == {name: HERE[name].version for name in found}


# --- what is accepted --------------------------------------------------------------------------------

GPL_INSIDE = {("av", "x264"), ("av", "x265")}
"""What a bundle would have to come under the GPL for, and is not only for developers; see DEVELOPERS.md."""


def test_every_licence_is_known_and_accepted(readings: dict[Pin, Reading]) -> None:
    uses, inside = bill.uses_of(readings), bill.read_inside()
    for pin, told in readings.items():
        assert told.licence != bill.NOT_READ, pin.name
        assert uses[pin].parts, f"{pin.name} is pinned, and nothing needs it"
        held = [(one.what, one.licence) for one in inside if one.package == pin.name]
        for what, licence in [("", told.licence), *held]:
            assert bill.spdx(licence) == licence, (pin.name, what)
            if bill.asks_of(licence) == "whole":
                assert uses[pin].parts == {"dev"} or (pin.name, what) in GPL_INSIDE, (pin.name, what)


def test_a_licence_that_nobody_looked_at_is_refused() -> None:
    for unknown in (
        "AGPL-3.0-only",
        "BUSL-1.1",
        bill.NOT_READ,
        "MIT AND SSPL-1.0",
        "GPL-2.0-only WITH a-letter",
    ):
        with pytest.raises(ValueError, match="nobody has looked"):
            bill.asks_of(unknown)


@pytest.mark.parametrize(
    ("licence", "asks"),
    [
        ("MIT", "notice"),
        ("MIT AND MPL-2.0", "files"),
        ("GPL-2.0-or-later OR FTL", "notice"),
        ("LGPL-3.0-or-later OR GPL-2.0-or-later", "library"),
        ("GPL-3.0-or-later WITH GCC-exception-3.1", "notice"),
        ("BSD-3-Clause AND GPL-3.0-or-later", "whole"),
    ],
)
def test_what_a_licence_asks(licence: str, asks: str) -> None:
    assert bill.asks_of(licence) == asks


def test_what_nothing_pins_is_noticed(readings: dict[Pin, Reading]) -> None:
    without = {pin: told for pin, told in readings.items() if pin.name != "cffi"}
    with pytest.raises(KeyError, match="cffi"):
        bill.uses_of(without)


def test_conditions_and_extras_are_followed() -> None:
    def pin(line: str) -> Pin:
        (one,) = bill.read_pins(line)
        return one

    readings = bill.read_all(PINS, otherwise=never)
    extra = pin("sunhat==1")
    soxr = next(pin for pin in readings if pin.name == "soxr")
    asks = (Requirement("sunhat; extra == 'sun'"), Requirement("sunhat; python_version < '3'"))
    changed = {**readings, extra: Reading("MIT", "made up", ()), soxr: Reading("MIT", "made up", asks)}
    assert not bill.uses_of(changed)[extra].parts
    click = next(pin for pin in readings if pin.name == "click")
    changed[click] = dataclasses.replace(readings[click], requires=(Requirement("soxr[sun]"),))
    uses = bill.uses_of(changed)
    assert "base" in uses[extra].parts
    assert uses[soxr].needs == {extra}


def module_files(name: str) -> set[str]:
    """Compiled libraries and packed scripts of others in an installed package, without version and ending."""
    found = set()
    for file in importlib.metadata.files(name) or ():
        own_module = re.search(r"\.(cpython-\d+\S*|abi3)\.so$", file.name)
        if (re.search(r"\.so(\.|$)", file.name) and not own_module) or file.name.endswith(
            (".min.js", ".wasm")
        ):
            found.add(re.sub(r"(-[0-9a-f]{8})*(_x86_64|_arm64)?(\.min\.js|\.wasm|\.so.*)$", "", file.name))
        elif file.name == "node":
            found.add(file.name)
    return found


@pytest.mark.skipif(
    sys.platform != "linux", reason="files of other systems are named otherwise; the list is Linux's"
)
def test_libraries_of_others_in_the_packages_are_all_listed() -> None:
    listed: dict[str, set[str]] = {}
    for one in bill.read_inside():
        listed.setdefault(one.package, set()).update(one.files)
    assert set(listed) <= {pin.name for pin in PINS}
    looked_at = 0
    for name in HERE:
        try:
            held = module_files(name)
        except importlib.metadata.PackageNotFoundError:
            continue
        looked_at += len(held)
        assert held <= listed.get(name, set()), f"{name}: add them to tests/supply/inside.csv"
    assert looked_at > 20


def test_ffmpeg_says_of_itself_what_the_list_says() -> None:
    from av._core import library_meta  # type: ignore[import-untyped, unused-ignore]  # differs between versions

    (ffmpeg,) = (one for one in bill.read_inside() if one.what == "FFmpeg")
    told = {name: meta["license"] for name, meta in library_meta.items()}
    assert set(told) == set(ffmpeg.files)
    assert set(told.values()) == {"LGPL version 3 or later"}
    assert ffmpeg.licence == "LGPL-3.0-or-later"


# --- reading a licence -------------------------------------------------------------------------------

MIT = "Permission is hereby granted, free of charge, to any person obtaining a copy of this software"
BSD = "Redistribution and use in source and binary forms, with or without modification, are permitted"


@pytest.mark.parametrize(
    ("metadata", "file", "licence", "source"),
    [
        ("License-Expression: mit", "", "MIT", "stated expression"),
        (
            "License: MPL-2.0\nClassifier: License :: OSI Approved :: MIT License",
            "",
            "MPL-2.0",
            "stated licence",
        ),
        ("License: see file\nClassifier: License :: OSI Approved :: MIT License", "", "MIT", "classifier"),
        (
            "License: BSD\nClassifier: License :: OSI Approved :: BSD License",
            BSD,
            "BSD-2-Clause",
            "licence file",
        ),
        ("License: BSD", f"{BSD}. Neither the name of", "BSD-3-Clause", "licence file"),
        ("Classifier: License :: OSI Approved", f"A bee\n\n{MIT}", "MIT", "licence file"),
        ("", "   Apache License\n   Version 2.0, January 2004", "Apache-2.0", "licence file"),
        ("", "Licensed under the Apache License, Version 2.0 (the", "Apache-2.0", "licence file"),
        ("License: proprietary", "All rights reserved.", bill.NOT_READ, bill.NOT_READ),
        ("", "", bill.NOT_READ, bill.NOT_READ),
    ],
)
def test_a_licence_is_read_where_it_is_stated(
    tmp_path: Path, metadata: str, file: str, licence: str, source: str
) -> None:
    folder = tmp_path / "sunhat-1.dist-info"
    folder.mkdir()
    head = "Metadata-Version: 2.4\nName: sunhat\nVersion: 1\n"
    (folder / "METADATA").write_text(f"{head}{metadata}\n", encoding="utf-8")
    (folder / "LICENSE.txt").write_text(file, encoding="utf-8")
    (folder / "RECORD").write_text("sunhat-1.dist-info/LICENSE.txt,,\n", encoding="utf-8")
    (one,) = importlib.metadata.distributions(path=[str(tmp_path)])
    assert bill.licence_of(one) == (licence, source)


# --- what the source imports -------------------------------------------------------------------------


def imported_names() -> set[str]:
    """Top-level modules that the source imports, by name in a call of ``import_module`` too."""
    found = set()
    for path in SOURCE.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Import):
                found |= {alias.name for alias in node.names}
            elif isinstance(node, ast.ImportFrom) and node.module:
                found.add(node.module)
            elif isinstance(node, ast.Call) and ast.unparse(node.func).endswith("import_module"):
                found |= {str(one.value) for one in node.args if isinstance(one, ast.Constant)}
    return {name.split(".")[0] for name in found}


def test_the_project_asks_for_what_it_imports_and_for_nothing_else() -> None:
    asked = {
        canonicalize_name(one.name)
        for part, wanted in bill.read_parts().items()
        if part != "dev"
        for one in wanted
    }
    packages = importlib.metadata.packages_distributions()
    foreign = imported_names() - sys.stdlib_module_names - {"wingtone"}
    assert "numpy" in foreign
    imported = {canonicalize_name(packages[name][0]) for name in foreign}
    assert imported == asked


# --- the audit ---------------------------------------------------------------------------------------

TWO = bill.read_pins("sunhat==1\nsunhat==2 ; python_version >= '3.12'\nveil==3")


def answers(told: dict[str, Any]) -> Any:
    def ask(pins: Sequence[Pin]) -> list[dict[str, Any]]:
        return [
            {"name": pin.name, "version": pin.version, "vulns": told[f"{pin.name} {pin.version}"]}
            if f"{pin.name} {pin.version}" in told
            else {"name": pin.name, "skip_reason": "not found"}
            for pin in pins
        ]

    return ask


ALL_WELL: dict[str, Any] = {"sunhat 1": [], "sunhat 2": [], "veil 3": []}
HOLE = [{"id": "HOLE-1", "fix_versions": ["4"]}]


@pytest.mark.parametrize(
    ("ask", "status", "words"),
    [
        (answers(ALL_WELL), 0, "3 packages looked up, nothing known of them"),
        (answers({**ALL_WELL, "veil 3": HOLE}), 1, "veil 3: HOLE-1, mended in 4"),
        (answers({"sunhat 1": [], "veil 3": []}), 3, "1 NOT looked up: sunhat 2"),
        (answers({"veil 3": HOLE}), 1, "2 NOT looked up: sunhat 1, sunhat 2"),
        (answers({}), 3, "could not reach the data, nothing was audited"),
        (lambda pins: None, 3, "could not reach the data, nothing was audited"),
        (lambda pins: [], 3, "could not reach the data, nothing was audited"),
    ],
)
def test_an_audit_counts_only_what_was_looked_up(ask: Any, status: int, words: str) -> None:
    found = audit.audit(TWO, ask)
    assert found.status == status
    assert words in audit.words_of(found)
    assert len(found.looked_up) + len(found.not_looked_up) == 3


def test_an_audit_asks_about_every_pin_once() -> None:
    asked: list[Pin] = []
    audit.audit(PINS, lambda pins: asked.extend(pins))
    assert sorted(asked, key=str) == sorted(PINS, key=str)
