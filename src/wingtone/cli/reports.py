"""Results as a person reads them: what was heard, and who it may have been.

- `measured_lines`: one recording and its bouts.
- `answered_lines`: one answer, from the name to write down to the question to ask next.
- `demo_lines`: one clip of the demonstration, beside what was put in.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from wingtone.cli.tables import bar, columns, paragraph, width
from wingtone.errors import one_line
from wingtone.pitch_names import note_name

if TYPE_CHECKING:
    from collections.abc import Sequence

    from wingtone.audio import RecordingInfo
    from wingtone.clip import Measurement
    from wingtone.demo import Comparison, DemoClip
    from wingtone.evidence import Answer
    from wingtone.evidence.answer import RecordAs
    from wingtone.fauna import Fauna
    from wingtone.tone.results import Bout

__all__ = ["answered_lines", "demo_lines", "measured_lines"]

KINDS = {"flight": "flight", "sonication": "flower buzz", "uncertain": "unsure"}
MOST_CANDIDATES = 8
MOST_QUESTIONS = 3
NARROW = 76
"""Columns of a terminal below which tables keep to their plainest cells. Ours: what whole ones need."""
SMALLEST_SHARE = 0.01
"""Candidates below one in a hundred are summed up in one line. Ours, for reading; JSON has all."""


def measured_lines(measurement: Measurement) -> list[str]:
    """Tell of one recording: what it is, its bouts, and the flight of each bee taken together."""
    from wingtone.clip import flights_by_individual

    recording = measurement.recording
    lines = [one_line(recording.path), *paragraph(_described(recording))]
    bouts = measurement.tone.bouts
    if bouts:
        headings = ("from", "to", "what", "tone", "95 % sure", "as a note", "moves", "clear by")
        most = 5 if width() < NARROW else len(headings)
        cells = [_bout_row(bout)[:most] for bout in bouts]
        head, *rows = columns(cells, align="rrlrllrr"[:most], headings=headings[:most])
        lines += ["", head]
        for row, bout in zip(rows, bouts, strict=True):
            lines += [row, *paragraph(_remarks(bout), indent=12)]
    lines.append("")
    shared = flights_by_individual(measurement)
    for number, own in enumerate(shared, start=1):
        lines += paragraph(_flight_words(own), label=f"Bee {number}: " if len(shared) > 1 else "")
    if measurement.flags:
        lines += paragraph(", ".join(measurement.flags), label="In the recording: ")
    return lines


def _flight_words(bouts: Sequence[Bout]) -> str:
    """Tell the flight of one bee."""
    from wingtone.clip import flight_cue

    cue = flight_cue(bouts)
    if cue is None:
        return "No flight heard."
    n = "one bout" if cue.n_bouts == 1 else f"{cue.n_bouts} bouts"
    return f"{cue.duration_s:.1f} s of flight in {n}; the tone overall is {_tone(cue.f0_hz)}."


def _described(recording: RecordingInfo) -> str:
    sound = {1: "mono", 2: "stereo"}.get(recording.channels, f"{recording.channels} channels")
    parts = [_clock(recording.duration_s), f"{recording.sample_rate_hz / 1000:g} kHz", sound, recording.codec]
    if recording.recorded_at:
        when = recording.recorded_at[:16].replace("T", " ") + _zone(recording.recorded_at)
        parts.append(f"recorded {when} (by its {_source_words(recording.recorded_at_source)})")
    return ", ".join(parts)


def _zone(at: str) -> str:
    """The zone of a moment, where it tells one, as the page has it; phones write UTC into their files."""
    zone = at[len("2026-07-14T15:30:12") :]
    return f" UTC{zone}".removesuffix("+00:00") if zone else ""


def _source_words(source: str | None) -> str:
    named = {"container": "own note", "bext": "own note", "file name": "name", "file time": "file time, weak"}
    return named.get(source or "", source or "own note")


def _bout_row(bout: Bout) -> tuple[str, ...]:
    return (
        _clock(bout.start_s),
        _clock(bout.end_s),
        KINDS[bout.kind],
        f"{bout.f0_hz:.1f} Hz",
        f"{bout.f0_low_hz:.1f}-{bout.f0_high_hz:.1f}",
        note_name(bout.f0_hz),
        f"{bout.f0_spread_hz:.1f} Hz",
        f"{bout.snr_db:z.0f} dB",
    )


def _remarks(bout: Bout) -> str:
    remarks = list(bout.flags)
    if bout.flyby is not None:
        flyby = bout.flyby
        remarks.insert(
            0,
            f"passes at {flyby.speed_low_m_s:.1f}-{flyby.speed_high_m_s:.1f} m/s, "
            f"{flyby.closest_low_m:.1f}-{flyby.closest_high_m:.1f} m away (95 % sure); its own tone is "
            f"{flyby.f0_source_hz:.1f} Hz",
        )
    return ", ".join(remarks)


def _clock(time_s: float) -> str:
    """Write seconds as ``4.2 s``, ``3:07.5`` or ``1:12:07.5``; less than a tenth as ``0.05 s``."""
    if 0 < time_s < 0.095:
        return f"{max(time_s, 0.001):.1g} s"
    tenths = round(10 * round(time_s, 1))  # as wherever else a time is told to a tenth
    minutes, rest = divmod(tenths, 600)
    if not minutes:
        return f"{rest / 10:.1f} s"
    hours, minutes = divmod(minutes, 60)
    clock = f"{minutes}:{rest / 10:04.1f}"
    return f"{hours}:{clock:0>7}" if hours else clock


def answered_lines(answer: Answer, *, fauna: Fauna) -> list[str]:
    """Tell an answer: what to write down, who it may be, why, and what to look at next.

    The fauna gives the names and states that go with the answer.
    """
    from wingtone.evidence.answer import percent

    record = answer.record_as
    lines = paragraph(_record_name(record, fauna), label="Record as   ")
    lines += [" " * 14 + line.strip() for line in paragraph(record.reason, indent=14)]
    outside = _is_outside(answer)
    may_be = "By a fauna that does not reach there it may be" if outside else "It may be"
    lines += ["", *paragraph(may_be if _is_of_it(answer) else _only_usual(answer)), *_candidate_lines(answer)]
    # Elsewhere there may be bumblebees that the fauna does not know.
    words = {"not a bumblebee": "no bumblebee of this fauna"} if outside else {}
    castes = ", ".join(
        f"{words.get(share.caste, share.caste)} {percent(share.probability)}"
        for share in answer.castes
        if share.probability >= SMALLEST_SHARE
    )
    lines += ["", *paragraph(castes, label="Caste   ")]
    if answer.size.summary:
        lines += paragraph(answer.size.summary, label="Size    ")
    if answer.evidence:
        rows = [(_bits(piece.weight_bits), piece.summary) for piece in answer.evidence]
        lines += ["", *paragraph(f"Why (+1 bit doubles the odds of {_leading(answer)}, -1 bit halves them)")]
        lines += columns(rows, align="rl")
    if answer.look_next:
        lines += ["", *paragraph("Look next (easiest to see first; give it as --hint CHARACTER=STATE)")]
        for look in answer.look_next[:MOST_QUESTIONS]:
            states = ", ".join(fauna.characters[look.character].states)
            lines += paragraph(f"{look.question} ({look.character}: {states})", label="- ")
    if answer.warnings:
        lines += ["", "  Mind"]
        for advice in answer.warnings:
            lines += paragraph(advice.text, label="- ")
    return lines


def _leading(answer: Answer) -> str:
    """Say whose odds the weights are about: by its name where the first line shown is of another one.

    The lines are of one caste each, the name is of all castes together.
    """
    first = answer.taxa[0]
    if answer.record_as.rank == "aggregate" or first.taxon == answer.candidates[0].taxon:
        return "the leading name"
    return f"{first.vernacular}, which leads by all its castes together"


def _is_of_it(answer: Answer) -> bool:
    """Whether an answer rests on something that was heard or seen of the insect itself."""
    from wingtone.evidence.observe import CONDITION

    pieces = {(piece.kind, piece.name) for piece in answer.evidence} - {("hint", CONDITION)}
    return any(kind in ("tone", "model", "hint") for kind, _ in pieces)


def _is_outside(answer: Answer) -> bool:
    """Whether the place lies where the fauna does not reach."""
    return any(advice.code == "outside" for advice in answer.warnings)


def _only_usual(answer: Answer) -> str:
    where = " in the area of this fauna" if _is_outside(answer) else ""
    return f"No more than how common each is{where}: nothing was heard or seen of this one."


def _record_name(record: RecordAs, fauna: Fauna) -> str:
    if not record.taxon:
        return "nothing yet"
    if record.rank == "genus":
        return f"{record.taxon}, a bumblebee"
    vernacular = fauna.vernaculars.get(record.taxon)
    return f"{record.taxon}, {vernacular}" if vernacular else record.taxon


def _candidate_lines(answer: Answer) -> list[str]:
    from wingtone.evidence.answer import percent

    shown = [c for c in answer.candidates if c.probability >= SMALLEST_SHARE][:MOST_CANDIDATES]
    rows = [
        (percent(c.probability), bar(c.probability), c.vernacular, c.taxon, _caste(c.caste)) for c in shown
    ]
    rest = 1 - math.fsum(c.probability for c in shown)
    if rest > 0.005:
        rows.append((percent(rest), bar(rest), "all others together", "", ""))
    if width() < NARROW:
        return columns([(share, name, caste) for share, _, name, _, caste in rows], align="rll")
    return columns(rows, align="rllll")


def _caste(caste: str) -> str:
    return "" if caste in ("not a bumblebee", "adult", "any") else caste


def _bits(weight: float) -> str:
    return f"{weight:+z.1f} bits" if math.isfinite(weight) else ""


def demo_lines(
    clip: DemoClip, measurement: Measurement, answer: Answer, comparison: Comparison, *, fauna: Fauna
) -> list[str]:
    """Tell one clip of the demonstration in short, with what was put in beside what was found."""
    from wingtone.clip import flight_cue
    from wingtone.evidence.answer import percent

    cue = flight_cue(measurement.tone.bouts)
    heard = "no flight" if cue is None else f"{cue.duration_s:.1f} s of flight at {_tone(cue.f0_hz)}"
    seen = ", ".join(f"{character} {state}" for character, state in clip.hints.items()) or "nothing noted"
    likely = "; ".join(
        f"{candidate.vernacular} {_caste(candidate.caste)}".rstrip() + f" {percent(candidate.probability)}"
        for candidate in answer.candidates[:3]
    )
    lines = [f"{clip.path.name}, {clip.date.day} {clip.date:%B %Y}", *paragraph(clip.story, indent=3)]
    lines += paragraph(seen, label="Seen       ", indent=3)
    lines += paragraph(heard, label="Heard      ", indent=3)
    if cue is not None:
        lines += paragraph(answer.size.summary, label="Size       ", indent=3)
    lines += paragraph(likely, label="Likely     ", indent=3)
    if not _is_of_it(answer):
        lines += paragraph(_only_usual(answer), label=" " * 11, indent=3)
    lines += paragraph(_record_name(answer.record_as, fauna), label="Record as  ", indent=3)
    lines += paragraph(clip.expect, label="Put in     ", indent=3)
    for sentence in comparison.sentences:
        lines += paragraph(sentence, label="- ", indent=5)
    return lines


def _tone(f0_hz: float) -> str:
    return f"{f0_hz:.1f} Hz, {note_name(f0_hz)}"
