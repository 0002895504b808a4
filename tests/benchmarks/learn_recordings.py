"""What comes out on the labelled real recordings: bumblebees against other bees, bees against flies.

    python tests/benchmarks/learn_recordings.py

The recordings are no part of the project (``../shared/recordings`` or ``WINGTONE_RECORDINGS``) and are only
read. They hold five recordings of bumblebees, eight of other bees and eleven of flies: far below what
`wingtone train` accepts. Bees and flies also come from different collections, so what tells them apart may be
the microphone and the place as well. So the refusal is shown, and then a plain leave-one-recording-out test
of the same classifier, each recording counting once, with an interval over recordings. Recordings cut from
one source are one group.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.kept import add_out, keep, slug
from benchmarks.labelled import needed_recordings, read_labels, source_of
from wingtone.errors import InputError
from wingtone.learn import scores
from wingtone.learn.assessment import refuse_too_little
from wingtone.learn.classifier import BoutClassifier
from wingtone.learn.dataset import Dataset, hear, labelled
from wingtone.learn.features import FAMILIES, NAMES
from wingtone.learn.labels import Label

FLIES = ("fly", "flies", "diptera", "musca", "moscas", "bluebottle")


def kind_of(taxon: str) -> str:
    """Name the kind of a taxon of the label table; empty for what is neither bee nor fly."""
    name = taxon.casefold()
    if "bombus" in name:
        return "Bombus"
    if any(word in name for word in FLIES):
        return "fly"
    genera = ("xylocopa", "eulaema", "centris", "melipona", "exomalopsis", "augochloropsis", "apis")
    return "other bee" if any(genus in name for genus in genera) else ""


def gather(folder: Path) -> tuple[Dataset, dict[str, int]]:
    """Describe every flight bout found inside a labelled flight."""
    tables, kinds, groups, f0 = [], [], [], []
    found: dict[str, int] = {}
    for file, events in read_labels(folder).items():
        rows = [
            Label(folder / file, e.start_s, e.end_s, taxon=kind_of(e.taxon))
            for e in events
            if e.label == "flight_buzz" and not e.ignored and kind_of(e.taxon)
        ]
        if not rows:
            continue
        heard = hear(folder / file, checksum=False)
        own = labelled(heard.flight, rows, "taxon")
        for i, row in enumerate(own):
            if row is not None:
                tables.append(heard.table[i])
                kinds.append(row.taxon)
                groups.append(source_of(file))
                f0.append(heard.flight[i].f0_hz)
        kind = rows[0].taxon
        found[f"{kind}: recordings"] = found.get(f"{kind}: recordings", 0) + 1
        found[f"{kind}: with a bout"] = found.get(f"{kind}: with a bout", 0) + any(own)
    group = np.unique(groups, return_inverse=True)[1]
    dataset = Dataset("taxon", NAMES, np.array(tables), np.array(kinds), group, "file", {}, np.array(f0))
    return dataset, found


def leave_one_out(name: str, dataset: Dataset, y: np.ndarray, kind: str) -> tuple[str, dict[str, Any]]:
    """Test on each recording a classifier trained on all others; a row of the table, and its values."""
    group = np.unique(dataset.group, return_inverse=True)[1]
    n = [len(np.unique(group[y == c])) for c in (1, 0)]
    assert min(n) >= 2, "a class has fewer than two sources: nothing can be said"
    cells = f"| {name} | {n[0]} / {n[1]} | {kind} |"
    values: dict[str, Any] = {"sources": n[0], "other_sources": n[1], "bouts": len(y)}
    for title, columns in (("all figures", slice(None)), ("tone alone", slice(0, 1))):
        called = np.zeros(len(y), int)
        probability = np.zeros((len(y), 2))
        for one in np.unique(group):
            test = group == one
            table = dataset.table[:, columns]
            fitted = BoutClassifier(kind, families=FAMILIES[columns]).fit(
                table[~test], y[~test], groups=group[~test]
            )
            probability[test] = fitted.predict_proba(table[test])
        called = probability.argmax(axis=1)
        weight = 1.0 / np.bincount(group)[group]
        found = scores.right_with_interval(called == y, y, group, weight=weight)
        cells += f" {found.value:.2f} ({found.low:.2f} to {found.high:.2f}) |"
        values[slug(title)] = {"accuracy": found.value, "low": found.low, "high": found.high}
    return cells, values


def main() -> int:
    """Run the command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    add_out(parser)
    options = parser.parse_args()
    folder = needed_recordings()
    dataset, found = gather(folder)
    counted = "; ".join(f"{key} {value}" for key, value in sorted(found.items()))
    lines = [f"Leave one recording out. {counted}.", ""]
    refused = ""
    try:
        refuse_too_little(dataset)
    except InputError as error:
        refused = str(error)
        lines += [f"`wingtone train` would say: {refused}", ""]
    lines += [
        "Balanced accuracy by recording with its 95 % interval. Bees and flies come from different",
        "collections, so the microphone alone could tell them.",
        "",
        "| question | sources | kind | all figures | tone alone |",
        "| --- | --- | --- | --- | --- |",
    ]
    bees = dataset.y != "fly"
    part = Dataset(
        "taxon",
        NAMES,
        dataset.table[bees],
        dataset.y[bees],
        dataset.group[bees],
        "file",
        {},
        dataset.f0_hz[bees],
    )
    values: dict[str, Any] = {"refused": bool(refused)}
    questions = (
        ("*Bombus* against other bees", part, (part.y == "Bombus").astype(int)),
        ("bees against flies", dataset, bees.astype(int)),
    )
    for name, some, y in questions:
        for kind in ("logistic", "discriminant"):
            row, values[slug(f"{name} {kind}")] = leave_one_out(name, some, y, kind)
            lines.append(row)
    keep("learn_recordings", "\n".join(lines), values, out=options.out, packages=("scikit-learn", "librosa"))
    return 0


if __name__ == "__main__":
    sys.exit(main())
