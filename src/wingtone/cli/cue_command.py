"""``wingtone cue``: add the size cue to records that exist already."""

from __future__ import annotations

import math
from collections import Counter
from pathlib import Path
from typing import TYPE_CHECKING

import click

from wingtone.cli.command import Command
from wingtone.cli.faults import debug_option
from wingtone.cli.inputs import Inputs
from wingtone.cli.options import FiniteRange, fauna_option, flight_threshold_option, mapping_option
from wingtone.cli.outputs import check_output
from wingtone.cli.tables import columns, paragraph
from wingtone.errors import Fault, OutputError, one_line
from wingtone.files import path_text

if TYPE_CHECKING:
    from collections.abc import Sequence

    from wingtone.cue.clock import Offset
    from wingtone.cue.matching import Match
    from wingtone.cue.work import Cue, Records

__all__ = ["cue"]

MOST_SHOWN = 10
"""Lines of a list in the summary; the table has all."""

MOST_FAULTS = 1000
"""Records that failed, named one by one; the notes in the table have all."""

MOST_MINUTES = 10_000_000
"""Largest clock offset taken, twenty years: a recorder that was never set begins at 1970 or 2000."""


def _minutes(_: click.Context, parameter: click.Parameter, text: str) -> float | None:
    """Read ``auto`` as None, ``none`` as no offset, and otherwise minutes."""
    if text in ("auto", "none"):
        return None if text == "auto" else 0.0
    try:
        minutes = float(text)
    except ValueError:
        minutes = math.nan
    if not abs(minutes) <= MOST_MINUTES:
        raise click.BadParameter(f"{text!r} is neither auto, none nor a number of minutes.", param=parameter)
    return minutes


@click.command(
    cls=Command,
    examples=(
        "wingtone cue records.csv --clips recordings/ --out records_with_cue.csv",
        "wingtone cue records.csv --clips recordings/ --out checked.csv --tolerance 2 --clock-offset -60",
        "wingtone cue records.csv --clips recordings/ --out checked.csv --map 'Sound=recording'",
        "wingtone cue records.csv --clips recordings/ --out checked.csv --time-zone Europe/London",
    ),
)
@click.argument("records_file", type=click.Path(path_type=Path), metavar="RECORDS.csv")
@click.option(
    "--clips",
    "clip_folders",
    multiple=True,
    required=True,
    metavar="FOLDER",
    help="Where the recordings are; again for another folder.",
)
@click.option("--out", type=click.Path(path_type=Path), required=True, metavar="FILE", help="The new table.")
@mapping_option
@click.option(
    "--tolerance",
    "tolerance_min",
    type=FiniteRange(0, 1440),
    default=5,
    show_default=True,
    metavar="MINUTES",
    help="How far apart the times of a record and its clip may lie.",
)
@click.option(
    "--clock-offset",
    "clock_offset",
    callback=_minutes,
    default="auto",
    show_default=True,
    metavar="auto|none|MINUTES",
    help="What to add to the times of the clips; auto finds it out from the table and the clips.",
)
@click.option(
    "--time-zone",
    "zone_name",
    metavar="NAME",
    help="Zone of times that do not say theirs, as Europe/London; without it that of this computer.",
)
@fauna_option
@flight_threshold_option
@debug_option
def cue(
    records_file: Path,
    clip_folders: Sequence[str],
    out: Path,
    mapping: Sequence[str],
    tolerance_min: float,
    clock_offset: float | None,
    zone_name: str | None,
    fauna_folder: Path | None,
    flight_threshold: float | None,
) -> None:
    """Add the size cue of clips to a table of visual records, and flag where the sound disagrees.

    Each record of RECORDS.csv is matched with a clip: by the file name in it, or by the time. The new table
    has all that the old one had, byte for byte, and more columns at its end: the flight tone, the size it
    speaks of, the caste it sounds like, and whether the sound agrees with the name and caste that were
    written down. "disagrees" means look again, not that the record is wrong: pitch tells big queens from
    small workers, and hardly ever species.

    Exit status 1 when a clip could not be read, a record names one that is not there, or a cell of a record
    makes no sense; each is named, and the rest is done.
    """
    from wingtone.cue.clock import zone_named
    from wingtone.cue.matching import ClipTime, match
    from wingtone.cue.work import clip_time, cue_for, read_records, write_cues
    from wingtone.fauna import load

    check_output(out, inputs=(records_file,))
    if not out.parent.is_dir():  # before the long work
        raise OutputError("there is no such folder", remedy="make it, or give another", where=out.parent)
    zone = zone_named(zone_name)
    fauna = load(fauna_folder)
    records = read_records(records_file, mapping=mapping)
    inputs = Inputs(clip_folders, flight_threshold=flight_threshold)
    if not inputs.paths:
        inputs.finish()  # which says that no clip was found
    clips, unreadable = [], set()
    for i, path in enumerate(inputs.paths):
        clips.append(ClipTime(path, None))
        unreadable.add(i)
        with inputs.contained(path):
            clips[i] = clip_time(path, zone=zone)
            unreadable.remove(i)
    matches, offset = match(
        records.clips_named,
        records.moments(zone),
        clips,
        tolerance_s=60.0 * tolerance_min,
        offset_s=None if clock_offset is None else 60.0 * clock_offset,
    )
    users: dict[int | None, list[int]] = {}
    for i, found in enumerate(matches):
        users.setdefault(found.clip, []).append(i)
    cues: dict[int, Cue] = {}
    for done, (clip, of_clip) in enumerate(users.items()):  # one measurement at a time in memory
        measurement, name = None, ""
        if clip is not None:
            name = _name(clips[clip].path, clip_folders)
            if clip not in unreadable:
                measurement = inputs.measure(clips[clip].path, done=done, of=len(users))
        for i in of_clip:
            cues[i] = cue_for(
                records.records[i], matches[i], measurement, fauna=fauna, clip=name, faults=records.faults[i]
            )
    in_order = [cues[i] for i in range(len(matches))]
    added = write_cues(records, in_order, out)
    _tell(records, in_order, offset, added, out)
    failed = _failed(records, matches)
    for line in failed[:MOST_FAULTS]:
        click.echo(f"wingtone: {one_line(line)}", err=True)
    if len(failed) > MOST_FAULTS:
        click.echo(f"wingtone: {len(failed) - MOST_FAULTS} more; see the notes in the new table", err=True)
    inputs.failed |= bool(failed)
    inputs.finish()


def _failed(records: Records, matches: Sequence[Match]) -> list[str]:
    """Name the records that could not be read whole, and those whose clip is not to be found."""
    lines = []
    for row, named, found, faults in zip(
        records.table.rows, records.clips_named, matches, records.faults, strict=True
    ):
        lines += [str(fault) for fault in faults]
        if named and found.clip is None:
            lines.append(str(Fault(str(records.table.path), row.number, "", found.note)))
    return lines


def _name(path: Path, folders: Sequence[str]) -> str:
    """Name a clip by its place in the folder it was found in."""
    inside = next((path.relative_to(folder) for folder in folders if path.is_relative_to(folder)), path)
    return path_text(inside.as_posix())


# --- the summary -----------------------------------------------------------------------------------------


def _tell(records: Records, cues: Sequence[Cue], offset: Offset, added: Sequence[str], out: Path) -> None:
    """Say on stderr what was matched, what was not and why, and where the sound disagrees."""
    from wingtone.cue.work import COLUMNS
    from wingtone.notebook.columns import OTHER, SKIP

    meaning = [(h, f) for h, f in records.mapping.items() if f not in (OTHER, SKIP)]
    lines = columns(meaning, align="ll", headings=("column", "taken as"))
    with_clip = [cue for cue in cues if cue.clip]
    by_name = sum(cue.match == "file name" for cue in with_clip)
    told = f"{len(with_clip)} of {len(cues)} records have a clip: {by_name} by file name, "
    told += f"{len(with_clip) - by_name} by time. {sum(c.tone is not None for c in cues)} have a flight tone."
    lines += ["", *paragraph(told), *paragraph(_offset_words(offset))]
    agreements = Counter(cue.verdict.agreement for cue in cues if cue.verdict and cue.verdict.agreement)
    if agreements:
        counted = ", ".join(f"{word}: {agreements[word]}" for word in ("agrees", "says little", "disagrees"))
        lines += paragraph(f"The sound {counted}.")
    without = Counter(cue.reason for cue in cues if cue.reason)
    if without:
        lines += ["", "  Not compared, and why (the note of each row says more)"]
        lines += columns([(str(n), why) for why, n in without.most_common(MOST_SHOWN)], align="rl")
    against = sorted(
        (cue.verdict.weight_bits, line.number, cue.verdict.sentence)
        for cue, line in zip(cues, records.table.rows, strict=True)
        if cue.verdict is not None and cue.verdict.agreement == "disagrees"
    )
    if against:
        lines += ["", "  Look again at these first (weight of the sound in bits)"]
        rows = [(f"line {n}", f"{bits:+.1f}", told) for bits, n, told in against[:MOST_SHOWN]]
        lines += columns(rows, align="lrl")
        if len(against) > MOST_SHOWN:
            lines.append(f"  ... and {len(against) - MOST_SHOWN} more with agreement = disagrees")
    renamed = [name for name, ours in zip(added, COLUMNS, strict=True) if name != ours]
    if renamed:
        lines += ["", *paragraph(f"Headings that were taken: the new columns are {', '.join(renamed)}.")]
    lines += ["", *paragraph(f"Written to {out}.")]
    click.echo("\n".join(lines), err=True)


def _offset_words(offset: Offset) -> str:
    minutes = f"{offset.offset_s / 60:+.1f} min"
    if offset.how == "given":
        return f"Clock offset as given: {minutes} added to the times of the clips."
    if offset.how == "not found":
        return "Clock offset: too few records and clips fall together to tell, so none was assumed."
    source = "pairs known by file name" if offset.how == "file names" else "pairs that fall together"
    return (
        f"Clock offset: {minutes} added to the times of the clips (median of {offset.pairs} {source}; "
        f"half of them within {offset.spread_s:.0f} s of it)."
    )
