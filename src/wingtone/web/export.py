"""Handing records on from the page: the formats of ``wingtone notebook export``, as a download.

Files are made in a folder of their own beside the desk's recordings and cleared away when they have been
sent. Cutting bouts out of recordings decodes them, so a worker does it.

- `export`: the answer to one request.
"""

from __future__ import annotations

import itertools
import json
import shutil
import tempfile
import zipfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from starlette.background import BackgroundTask
from starlette.concurrency import run_in_threadpool
from starlette.responses import FileResponse, Response

from wingtone.learn.label_rows import label_rows
from wingtone.learn.labels import write_labels
from wingtone.notebook.doubts import Watch
from wingtone.notebook.exchange import Disclosure
from wingtone.notebook.export import Dataset, write_archive, write_csv, write_geojson
from wingtone.web.desk import PART
from wingtone.web.fields import Faults, text_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from wingtone.notebook.doubts import Doubt
    from wingtone.notebook.store import Entry, Notebook
    from wingtone.web.page import Page

__all__ = ["export"]

FORMATS = {
    "darwin-core": ("zip", "application/zip"),
    "csv": ("csv", "text/csv; charset=utf-8"),
    "geojson": ("geojson", "application/geo+json"),
    "bwf": ("zip", "application/zip"),
    "labels": ("csv", "text/csv; charset=utf-8"),
}
NAMES = {
    "darwin-core": "bees-darwin-core",
    "csv": "bees",
    "geojson": "bees",
    "bwf": "bee-clips",
    "labels": "bee-labels",
}
FOLDER_PREFIX = "export-"
MOST_CLIP_RECORDS = 5000
"""Ours: an hour of cutting; more is for the command, and what is left out is told."""
MOST_TOLD = 20
"""What looks like a slip, told at once; of more only how many. Ours: a screenful, and what a header holds."""


async def export(
    page: Page, fields: dict[str, Any], chosen: Callable[[Notebook], Iterator[Entry]]
) -> Response:
    """Make the file that was asked for and send it.

    The header ``X-Wingtone-Left-Out`` says how many records could not be in it, ``X-Wingtone-Records`` how
    many are, and ``X-Wingtone-Slips`` what looks like a slip in them, as JSON: ``told``, each with ``number``
    and ``text``, and how many ``more`` there are.

    Raises
    ------
    FieldFaults
        The request cannot be right.
    WorkerFailed
        Cutting out the clips came to nothing.
    """
    faults = Faults()
    layout = fields.get("format")
    if not isinstance(layout, str) or layout not in FORMATS:
        faults.add("format", f"must be one of {', '.join(FORMATS)}")
    blur_km = fields.get("blur_km")
    if blur_km not in (None, 1, 2, 10) or isinstance(blur_km, bool | float):
        faults.add("blur_km", "must be 1, 2, 10 or nothing")
    withhold = fields.get("withhold_place", False)
    if not isinstance(withhold, bool):
        faults.add("withhold_place", "must be true or false")
    papers = {name: text_of(fields, name, faults, most=500) for name in ("title", "creator", "licence")}
    faults.stop()
    assert isinstance(layout, str)
    disclosure = Disclosure(blur_km, bool(withhold))
    ending, media_type = FORMATS[layout]
    folder = Path(tempfile.mkdtemp(prefix=FOLDER_PREFIX, suffix=PART, dir=page.desk.folder))
    try:
        name = f"{NAMES[layout]}-{page.settings.today().isoformat()}.{ending}"
        target = folder / name
        if layout == "bwf":
            count, left_out = await _clips(page, chosen, folder, target)
            doubts: Sequence[Doubt] = ()
        else:
            default = Dataset()
            dataset = Dataset(papers["title"] or default.title, papers["creator"], papers["licence"])
            count, left_out, doubts = await run_in_threadpool(
                _written, page, layout, chosen, target, disclosure, dataset
            )
    except BaseException:
        shutil.rmtree(folder, ignore_errors=True)
        raise
    return FileResponse(
        target,
        media_type=media_type,
        filename=name,
        headers={
            "x-wingtone-records": str(count),
            "x-wingtone-left-out": str(left_out),
            "x-wingtone-slips": _slips(doubts),
        },
        background=BackgroundTask(shutil.rmtree, folder, ignore_errors=True),
    )


def _slips(doubts: Sequence[Doubt]) -> str:
    """Lay out what looks like a slip, so that a header can hold it."""
    told = [{"number": doubt.number, "text": doubt.what[:300]} for doubt in doubts[:MOST_TOLD]]
    return json.dumps({"told": told, "more": max(0, len(doubts) - MOST_TOLD)}, ensure_ascii=True)


def _written(
    page: Page,
    layout: str,
    chosen: Callable[[Notebook], Iterator[Entry]],
    target: Path,
    disclosure: Disclosure,
    dataset: Dataset,
) -> tuple[int, int, list[Doubt]]:
    """Write a file of records; how many are in it, how many could not be, and what looks like a slip."""
    watch = Watch(page.settings.today(), page.fauna.castes)
    with page.notebook(write=False) as opened:
        entries = chosen(opened)
        if layout == "darwin-core":
            count = write_archive(watch.passing(entries), target, disclosure=disclosure, dataset=dataset)
            return count, 0, watch.told
        if layout in ("csv", "geojson"):
            write = write_csv if layout == "csv" else write_geojson
            return write(watch.passing(entries), target, disclosure=disclosure), 0, watch.told
        rows = [
            label_rows(entry.record, blur_km=disclosure.blur_km, withhold_place=disclosure.withhold_place)
            for entry in entries
        ]
    write_labels(target, itertools.chain.from_iterable(rows))
    left_out = sum(not of_record for of_record in rows)
    return len(rows) - left_out, left_out, []


async def _clips(
    page: Page, chosen: Callable[[Notebook], Iterator[Entry]], folder: Path, target: Path
) -> tuple[int, int]:
    def numbers() -> list[int]:
        with page.notebook(write=False) as opened:
            return [entry.number for entry in chosen(opened)]

    everything = await run_in_threadpool(numbers)
    asked, over = everything[:MOST_CLIP_RECORDS], everything[MOST_CLIP_RECORDS:]
    clips = folder / "clips"
    clips.mkdir()
    job = {
        "do": "clips",
        "source": "",
        "folder": str(clips),
        "notebook": None if page.settings.notebook is None else str(page.settings.notebook),
        "numbers": asked,
    }
    done = await page.workers.do(job, tell=lambda _: None, urgent=True)
    missing = {int(number): str(reason) for number, reason in done["missing"]}
    too_many = (
        f"the page cuts {MOST_CLIP_RECORDS} records at once; wingtone notebook export --format bwf cuts all"
    )
    missing |= dict.fromkeys(over, too_many)

    def pack() -> None:
        with zipfile.ZipFile(target, "w", zipfile.ZIP_STORED) as archive:
            for path in sorted(clips.glob("*.wav")):
                archive.write(path, path.name)
            if missing:
                lines = [f"record {number}: {reason}\n" for number, reason in missing.items()]
                archive.writestr("left out.txt", "".join(lines))

    await run_in_threadpool(pack)
    return len(everything) - len(missing), len(missing)
