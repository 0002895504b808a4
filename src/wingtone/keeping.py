"""Records made of answers, the same for the commands and the page.

- `made_with`: the versions behind an answer.
- `named`: a name as the fauna has it.
- `to_report`: what a name obliges to, as a record in a notebook reaches nobody.
- `with_names`: a table that is to be imported, with the names that the fauna has.
- `record_of_answer`: a record of an answer without a recording.
- `record_of_individual`: a record of one bee of a recording.
- `add_records`: such records into a notebook, each with what looks like a slip in it.
"""

from __future__ import annotations

import dataclasses
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wingtone import __version__
from wingtone.files import path_text

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Iterator, Mapping, Sequence

    from wingtone.clip import Measurement
    from wingtone.evidence import Answer, ToneCue
    from wingtone.fauna import Fauna
    from wingtone.learn.model import Model
    from wingtone.notebook.doubts import Doubt
    from wingtone.notebook.importing import Plan
    from wingtone.notebook.records import Record, Tone
    from wingtone.notebook.store import Entry, Notebook

__all__ = [
    "Names",
    "add_records",
    "made_with",
    "named",
    "record_of_answer",
    "record_of_individual",
    "to_report",
    "with_names",
]


def made_with(fauna: Fauna, *, model: Model | None = None) -> dict[str, str]:
    """Name the versions behind an answer."""
    versions = {"program": f"wingtone {__version__}", "fauna": f"{fauna.id} {fauna.version}"}
    if model is not None:
        versions["model"] = f"{model.name} (wingtone {model.wingtone_version})"
    return versions


def named(name: str, fauna: Fauna) -> dict[str, str]:
    """Take a scientific or plain name from the fauna, as fields of a record.

    Returns
    -------
    dict
        ``taxon``, ``vernacular`` and ``rank``. A name that the fauna does not have stays as it is written,
        and has an empty ``vernacular``.
    """
    from wingtone.notebook.records import rank_of_name

    taxon = fauna.known_as(name) or name
    return {"taxon": taxon, "vernacular": fauna.vernaculars.get(taxon, ""), "rank": rank_of_name(taxon)}


def to_report(taxon: str, fauna: Fauna) -> str:
    """Give the fauna's advice on a taxon that must be reported at once elsewhere; empty for all others."""
    invasive = {one.taxon: one.advice for one in fauna.taxa if one.is_invasive}
    return invasive.get(taxon, "")


@dataclass(frozen=True)
class Names:
    """What became of the names of a table: how many records each concerns.

    Attributes
    ----------
    read
        Those that were written otherwise than the fauna has them: as written, and as taken.
    unknown
        Those that the fauna does not have; they stay as they are written.
    """

    read: Counter[tuple[str, str]]
    unknown: Counter[str]


def with_names(plan: Plan, fauna: Fauna) -> tuple[Plan, Names]:
    """Take the names of a table that is to be imported from the fauna, as `named` does.

    What was written stays in the record as its verbatim identification. Records that wingtone wrote have had
    their names, and come back as they were.
    """
    from wingtone.notebook.records import VERBATIM, doubt_of, rank_of_name

    names = Names(Counter(), Counter())
    if not plan.mapping:
        return plan, names
    known: dict[str, dict[str, str]] = {}
    records = []
    genus_alone = "taxon" not in plan.mapping.values()
    for i, (key, given_id, record) in enumerate(plan.records):
        written = "" if i in plan.ours else record.taxon or record.vernacular
        if written and genus_alone and fauna.known_as(record.vernacular).startswith(f"{written} "):
            written = record.vernacular  # a column for the genus says less than the plain name
        if written and written not in known:
            known[written] = named(written, fauna) if fauna.known_as(written) else {}
        if fields := known.get(written):
            changes: dict[str, Any] = {"vernacular": record.vernacular or fields["vernacular"]}
            if fields["taxon"] != record.taxon:
                names.read[written, fields["taxon"]] += 1
                other = {VERBATIM: written, **record.other}
                changes |= {"taxon": fields["taxon"], "rank": fields["rank"], "other": other}
            record = dataclasses.replace(record, **changes)
        elif written and (rank_of_name(written) != "genus" or doubt_of(written)):
            names.unknown[written] += 1
        records.append((key, given_id, record))
    return dataclasses.replace(plan, records=tuple(records)), names


def record_of_answer(
    answer: Answer, *, tone: ToneCue | None, fauna: Fauna, known: Mapping[str, Any]
) -> Record:
    """Make a record of an answer; the ``known`` fields go before what the answer says."""
    from wingtone.notebook.records import record_from_answer

    return record_from_answer(answer.to_json(), tone=_tone(tone), made_with=made_with(fauna), **known)


def record_of_individual(
    measurement: Measurement,
    answer: Answer,
    *,
    individual: int,
    fauna: Fauna,
    known: Mapping[str, Any],
    model: Model | None = None,
) -> Record:
    """Make a record of one bee of a recording, which is kept by its full path.

    Parameters
    ----------
    answer
        The answer for that bee.
    individual
        Its number, from 1, in the order of `wingtone.clip.flights_by_individual`.
    known
        Fields of the record that go before what the answer says.
    """
    from wingtone.clip import cues_by_individual, identify_json
    from wingtone.notebook.records import record_from_answer

    cue = cues_by_individual(measurement)[individual - 1]
    laid_out = identify_json(measurement, answer, individual=individual)
    versions = made_with(fauna, model=model)
    record = record_from_answer(laid_out, tone=_tone(cue), made_with=versions, **known)
    if record.recording is None:
        return record
    full = path_text(Path(measurement.recording.path).resolve())
    return dataclasses.replace(record, recording=dataclasses.replace(record.recording, path=full))


def add_records(
    opened: Notebook, records: Sequence[Record], *, today: dt.date, by: str = "", fauna: Fauna | None = None
) -> Iterator[tuple[Entry, list[Doubt]]]:
    """Add records of one recording, or of none, each with what looks like a slip in it.

    Bees told apart within one recording are no doubt; those that were kept from it before are. Which castes a
    bee has is asked of the fauna, without one of that of Britain and Ireland.
    """
    from wingtone.fauna import load
    from wingtone.notebook.doubts import doubts_about

    recordings = {record.recording.sha256 for record in records if record.recording}
    before = [entry for recording in recordings for entry in opened.of_recording(recording)]
    for record in records:
        entry = opened.add(record, by=by)
        yield entry, doubts_about(entry, before, today=today, castes=(fauna or load()).castes)


def _tone(cue: ToneCue | None) -> Tone | None:
    from wingtone.notebook.records import Tone

    if cue is None:
        return None
    duration_s = cue.duration_s if cue.duration_s > 0 else None  # a tone given by hand has no length
    return Tone(cue.f0_hz, cue.f0_low_hz, cue.f0_high_hz, cue.n_bouts, duration_s)
