"""Tables as spreadsheets of all systems save them: every reader takes the same forms."""

from __future__ import annotations

import csv
import itertools
from typing import TYPE_CHECKING

import numpy as np
import pytest

from wingtone.audio.encode import write_encoded
from wingtone.cue.work import read_records
from wingtone.learn.labels import read_labels
from wingtone.notebook.importing import read_plan
from wingtone.population.sources import read_sites, read_sources

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

FORMS = list(itertools.product(("utf-8", "utf-8-sig", "utf-16"), ("\n", "\r\n", "\r"), (",", ";", "\t")))


def write(path: Path, rows: Sequence[Sequence[str]], *, encoding: str, end: str, separator: str) -> Path:
    with path.open("w", encoding=encoding, newline="") as file:
        csv.writer(file, delimiter=separator, lineterminator=end).writerows(rows)
    return path


@pytest.mark.parametrize(("encoding", "end", "separator"), FORMS)
def test_every_reader_takes_every_form(encoding: str, end: str, separator: str, tmp_path: Path) -> None:
    write_encoded(tmp_path / "bee.wav", np.zeros((1, 800), np.float32), rate_hz=8000)

    def table(name: str, *rows: Sequence[str]) -> Path:
        return write(tmp_path / name, rows, encoding=encoding, end=end, separator=separator)

    seen = table(
        "seen.csv", ("date", "species", "notes"), ("2026-05-01", "Bombus hortorum", "Blüte, gelb; 2")
    )
    assert [record.notes for _, _, record in read_plan(seen).records] == ["Blüte, gelb; 2"]
    assert [record.taxon for record in read_records(seen, mapping=()).records] == ["Bombus hortorum"]
    bouts = table(
        "bouts.csv", ("path", "kind", "start_s", "end_s", "f0_hz"), ("bee.wav", "flight", "1", "2", "150")
    )
    (bout,) = read_sources([bouts]).bouts
    assert (bout.values["f0_hz"], bout.line) == ("150", 2)
    sites = table("sites.csv", ("path", "site"), ("bee.wav", "Über dem Teich"))
    assert read_sites(sites) == {"bee.wav": "Über dem Teich"}
    labels = table("labels.csv", ("file", "caste", "individual"), ("bee.wav", "queen", "Žofie"))
    assert [row.individual for row in read_labels(labels).rows] == ["Žofie"]
