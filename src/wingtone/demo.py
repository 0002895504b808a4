"""The demonstration: a made-up scenario, its truth, and a comparison with what was measured, in words.

Conventions
-----------
Times are seconds from the start of a clip, tones Hz. Nothing in the scenario is real (see ``notice``).

- `load_scenario`: the bundled scenario, or one in a folder
- `compare`: what was put in against what was found
- `Scenario`, `DemoClip`, `DemoBout`, `Comparison`: plain values
"""

from __future__ import annotations

import datetime as dt
import json
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wingtone.errors import Fault, TableError

if TYPE_CHECKING:
    import os
    from collections.abc import Mapping, Sequence

    from wingtone.tone.results import Bout, ToneResult

__all__ = ["Comparison", "DemoBout", "DemoClip", "Scenario", "compare", "load_scenario"]

CLOSE = 0.02
"""A tone within 2 % of the truth counts as right (ours: a tenth of the spread between bees of one kind)."""

_COVERED = 0.4  # a true bout counts as found when this part of it is covered


@dataclass(frozen=True)
class DemoBout:
    """One stretch of buzzing that was put in; ``kind`` is ``flight`` or ``sonication``."""

    kind: str
    start_s: float
    end_s: float
    f0_hz: float


@dataclass(frozen=True)
class DemoClip:
    """One clip of the scenario.

    Attributes
    ----------
    path
        The recording.
    story, expect
        What happened, and what a good answer would be; one sentence each.
    date, temperature_c, hints
        What the made-up naturalist noted; None or empty when nothing.
    taxon, caste, itd_mm
        What the bee is meant to be; empty or None when no bee flies.
    bouts
        The truth, in order of time; empty when no bee flies.
    """

    path: Path
    story: str
    expect: str
    date: dt.date
    temperature_c: float | None
    hints: Mapping[str, str]
    taxon: str
    caste: str
    itd_mm: float | None
    bouts: tuple[DemoBout, ...]


@dataclass(frozen=True)
class Scenario:
    """The whole made-up story. ``notice`` says that it is one and belongs on the screen first."""

    title: str
    notice: str
    place_name: str
    latitude_deg: float
    longitude_deg: float
    uncertainty_m: float
    clips: tuple[DemoClip, ...]


@dataclass(frozen=True)
class Comparison:
    """Truth against measurement for one clip.

    Attributes
    ----------
    sentences
        One for each thing that was put in, and one for each thing reported that was not.
    right, total
        How many of them agree with the truth.
    """

    sentences: tuple[str, ...]
    right: int
    total: int


def load_scenario(folder: str | os.PathLike[str] | None = None) -> Scenario:
    """Read ``scenario.json`` of the bundled demonstration, or of another folder.

    Raises
    ------
    TableError
        The file is missing or not as it should be, or a clip is missing.
    """
    place = _bundled() if folder is None else Path(folder)
    file = place / "scenario.json"
    try:
        data = json.loads(file.read_text(encoding="utf-8"))
        scenario = Scenario(
            title=str(data["title"]),
            notice=str(data["notice"]),
            place_name=str(data["place"]["name"]),
            latitude_deg=float(data["place"]["latitude_deg"]),
            longitude_deg=float(data["place"]["longitude_deg"]),
            uncertainty_m=float(data["place"]["uncertainty_m"]),
            clips=tuple(_clip(place, row) for row in data["clips"]),
        )
    except OSError as error:
        raise _unusable(file, f"cannot be read: {error.strerror}") from error
    except (ValueError, KeyError, TypeError, AttributeError) as error:
        raise _unusable(file, "is not a demonstration scenario") from error
    for clip in scenario.clips:
        if not clip.path.is_file():
            raise _unusable(clip.path, "is missing")
    return scenario


def _bundled() -> Path:
    """Folder of the clips: inside the installed package, or beside the sources in a checkout."""
    package = Path(__file__).parent
    inside = package / "demo_audio"
    return inside if inside.is_dir() else package.parents[1] / "demo_audio"


def _unusable(file: Path, what: str) -> TableError:
    return TableError([Fault(file.name, 0, "", what)], remedy="reinstall wingtone", where=file.parent)


def _clip(folder: Path, row: Mapping[str, Any]) -> DemoClip:
    truth = row["truth"]
    return DemoClip(
        path=folder / Path(row["file"]).name,
        story=str(row["story"]),
        expect=str(row["expect"]),
        date=dt.date.fromisoformat(row["date"]),
        temperature_c=None if row["temperature_c"] is None else float(row["temperature_c"]),
        hints={str(key): str(value) for key, value in row["hints"].items()},
        taxon=str(truth["taxon"] or ""),
        caste=str(truth["caste"] or ""),
        itd_mm=None if truth["itd_mm"] is None else float(truth["itd_mm"]),
        bouts=tuple(
            DemoBout(str(bout["kind"]), float(bout["start_s"]), float(bout["end_s"]), float(bout["f0_hz"]))
            for bout in truth["bouts"]
        ),
    )


def compare(clip: DemoClip, measured: ToneResult) -> Comparison:
    """Say in plain words how far a measurement agrees with what was put in.

    A flight counts as right when at least 40 % of it was found as flight and the tone of the longest piece is
    within 2 %; a sonication when none of it was taken for flight. Anything reported as flight for more than
    half its length where nothing flew counts as wrong. Pieces marked uncertain are told but claim nothing.
    """
    sentences: list[str] = []
    right = total = 0
    for truth in clip.bouts:
        flying = truth.kind == "flight"
        judge, word = (_judge_flight, "flight") if flying else (_judge_sonication, "flower buzz")
        sentence, good = judge(truth, measured.bouts)
        sentences.append(f"{_span(truth)}, {word}: {sentence}")
        right += good
        total += 1
    for bout in measured.bouts:
        known = sum(_overlap_s(bout, truth) for truth in clip.bouts)
        if bout.kind == "flight" and known < 0.5 * bout.duration_s:
            sentences.append(
                f"{_span(bout)}: reported as flight at {bout.f0_hz:.0f} Hz, but nothing flew: wrong."
            )
            total += 1
    if not clip.bouts and not sentences:
        unsure = " (something uncertain was marked)" if measured.bouts else ""
        return Comparison((f"No bee was put in, and no flight was reported{unsure}: right.",), 1, 1)
    return Comparison(tuple(sentences), right, total)


def _judge_flight(truth: DemoBout, bouts: Sequence[Bout]) -> tuple[str, bool]:
    found = [bout for bout in bouts if bout.kind == "flight" and _overlap_s(bout, truth) > 0]
    covered = sum(_overlap_s(bout, truth) for bout in found) / (truth.end_s - truth.start_s)
    if covered < _COVERED:
        other = {bout.kind for bout in bouts if _overlap_s(bout, truth) > 0.1 and bout.kind != "flight"}
        taken = f"marked as {' and '.join(sorted(other))}" if other else "not heard"
        part = f", only {100 * covered:.0f} % of it heard as flight" if found else ""
        return f"{taken}{part} (truth {truth.f0_hz:.1f} Hz): missed.", False
    longest = max(found, key=lambda bout: _overlap_s(bout, truth))
    ratio = longest.f0_hz / truth.f0_hz
    heard = f"heard {longest.f0_hz:.1f} Hz, truth {truth.f0_hz:.1f} Hz"
    if abs(ratio - 1.0) <= CLOSE:
        return f"{heard}: right.", True
    for octave, word in ((2.0, "an octave too high"), (0.5, "an octave too low")):
        if abs(ratio / octave - 1.0) <= CLOSE:
            return f"{heard}: wrong, {word}.", False
    return f"{heard}: off by {100 * (ratio - 1.0):+.1f} %.", False


def _judge_sonication(truth: DemoBout, bouts: Sequence[Bout]) -> tuple[str, bool]:
    inside = [bout for bout in bouts if _overlap_s(bout, truth) > 0.1]
    wrong = [
        bout for bout in inside if bout.kind == "flight" and _overlap_s(bout, truth) > 0.5 * bout.duration_s
    ]
    if wrong:
        return f"taken for flight at {wrong[0].f0_hz:.0f} Hz (truth {truth.f0_hz:.0f} Hz): wrong.", False
    told = [bout for bout in inside if bout.kind == "sonication"]
    if told:
        tones = sorted(bout.f0_hz for bout in told)
        near = f"near {tones[len(tones) // 2]:.0f} Hz (truth {truth.f0_hz:.0f} Hz)"
        return f"told apart from flight, {near}: right.", True
    return f"not named, but not taken for flight either (truth {truth.f0_hz:.0f} Hz): right.", True


def _overlap_s(one: DemoBout | Bout, other: DemoBout | Bout) -> float:
    return max(0.0, min(one.end_s, other.end_s) - max(one.start_s, other.start_s))


def _span(bout: DemoBout | Bout) -> str:
    return f"{bout.start_s:.1f}–{bout.end_s:.1f} s"
