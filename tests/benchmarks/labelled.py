"""The labelled recordings and further negatives, and how the tone room is scored on them.

The audio is not part of the project: it lies beside it (``../shared/recordings`` or the folder named by
``WINGTONE_RECORDINGS``) and is only ever read. Further negatives come from openly licensed Debian packages
(voices in many languages, engines, aircraft), unpacked into a folder of the user's choice::

    for p in asterisk-core-sounds-{en,es,fr,it,ru}-wav asterisk-prompt-it-menardi-wav \\
             asterisk-moh-opsound-wav ktuberling-data klettres-data torcs-data flightgear-data-base \\
             supertuxkart-data tuxpaint-stamps-default megaglest-data scorched3d-data; do
        apt-get download $p && dpkg -x $p*.deb FOLDER/x_$p
    done

Conventions
-----------
*Hit*: flight bouts cover at least 0.1 s or 30 % of the window in which f0 was read by hand, and the
median of the tone line there lies within the row's tolerance. *Wrong*: covered, but outside; *octave*
when it is near twice or half. *Sonication called flight*: flight bouts cover more than 0.2 s or 40 % of
the event, whichever is less; *recognised* likewise, and more of it than flight. *False bout*: any flight
bout in a recording that holds no bee; *false buzz*: any bout of sonication in one.
"""

from __future__ import annotations

import csv
import os
import sys
import zlib
from collections import defaultdict
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from wingtone.tone import ToneResult

NEGATIVE_LABELS = ("wind", "engine", "bird", "speech", "other")
VOICE_PACKAGES_TRAIN = ("en", "es", "it")
VOICE_LANGUAGES_TRAIN = ("ca", "da", "el", "es", "fi", "ga", "lt", "nl", "sl", "sv")


def recordings_folder() -> Path | None:
    """Where the labelled recordings lie; None when they are not here."""
    named = os.environ.get("WINGTONE_RECORDINGS")
    folder = Path(named) if named else Path(__file__).parents[3] / "shared" / "recordings"
    return folder if (folder / "labels.csv").is_file() else None


def needed_recordings() -> Path:
    """Where the labelled recordings lie; without them a benchmark of theirs ends here, with status 1."""
    folder = recordings_folder()
    if folder is None:
        sys.exit("the labelled recordings are not here (WINGTONE_RECORDINGS)")
    return folder


@dataclass(frozen=True)
class Event:
    """One row of ``labels.csv``."""

    file: str
    start_s: float
    end_s: float
    label: str
    taxon: str
    f0_hz: float | None
    tolerance_hz: float
    f0_start_s: float
    f0_end_s: float
    ignored: bool


def read_labels(folder: Path) -> dict[str, list[Event]]:
    """All events by file."""
    out: dict[str, list[Event]] = defaultdict(list)
    with (folder / "labels.csv").open(newline="", encoding="utf-8") as lines:
        for row in csv.DictReader(lines):
            scored = bool(row["f0_hz_manual"]) and row["quality"] in "AB"
            start, end = float(row["start"]), float(row["end"])
            out[row["file"]].append(
                Event(
                    file=row["file"],
                    start_s=start,
                    end_s=end,
                    label=row["label"],
                    taxon=row["taxon"],
                    f0_hz=float(row["f0_hz_manual"]) if scored else None,
                    tolerance_hz=float(row["f0_tolerance_hz"] or "nan"),
                    f0_start_s=float(row["f0_start"] or start),
                    f0_end_s=float(row["f0_end"] or end),
                    ignored="ignore region" in row["notes"],
                )
            )
    return dict(out)


@dataclass(frozen=True)
class Reading:
    """What a tone between two pitches is for a while: ``kind`` is one of the gate's kinds, or "unknown"."""

    start_s: float
    end_s: float
    lowest_hz: float
    highest_hz: float
    kind: str

    def holds(self, start_s: float, end_s: float, f0_hz: float) -> bool:
        """Whether it speaks of a tone: at its pitch, and of more than 0.6 of its time."""
        common_s = min(end_s, self.end_s) - max(start_s, self.start_s)
        return self.lowest_hz <= f0_hz <= self.highest_hz and common_s > 0.6 * (end_s - start_s)


@lru_cache(maxsize=1)
def read_readings() -> dict[str, list[Reading]]:
    """Our own readings by file, from ``readings.csv``; the first that holds counts.

    ``labels.csv`` names what its makers were after. Between the events lie more flights, hums and motors. We
    read them off spectrograms on which the tracker's line and the gate's opinion were drawn. They are only
    taught: nothing is scored by them.
    """
    out: dict[str, list[Reading]] = defaultdict(list)
    with Path(__file__).with_name("readings.csv").open(newline="", encoding="utf-8") as lines:
        for row in csv.DictReader(lines):
            start_s, end_s = float(row["start_s"]), float(row["end_s"])
            lowest_hz, highest_hz = float(row["lowest_hz"]), float(row["highest_hz"])
            out[row["file"]].append(Reading(start_s, end_s, lowest_hz, highest_hz, row["kind"]))
    return dict(out)


def source_of(file: str) -> str:
    """Recordings cut from one source share this name: they are never split between training and test."""
    folder, name = file.split("/")
    if folder == "esc50-subset":
        return name.split("-")[1]
    return "hive" if folder.startswith("hive") else name.split("_mixed")[0].split("_B_")[0]


@dataclass
class Score:
    """Counts over all recordings added so far."""

    events: int = 0
    bombus_events: int = 0
    hits: int = 0
    bombus_hits: int = 0
    octave: int = 0
    wrong: int = 0
    sonications: int = 0
    sonication_as_flight: int = 0
    sonication_found: int = 0
    false_bouts: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    false_buzzes: dict[str, int] = field(default_factory=lambda: defaultdict(int))
    minutes: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    remarks: list[str] = field(default_factory=list)

    def add(self, file: str, events: list[Event], result: ToneResult, duration_s: float) -> None:
        """Score one labelled recording."""
        is_flight = np.array([b.kind == "flight" for b in result.bouts] or [False])
        chosen = is_flight[result.track.bout] if result.track.bout.size else np.zeros(0, bool)
        time_s, f0_hz = result.track.time_s[chosen], result.track.f0_hz[chosen]
        for event in events:
            if event.f0_hz is not None:
                self._add_f0(event, time_s, f0_hz)
            if event.label == "sonication":
                self._add_sonication(event, result)
        label = events[0].label
        if label in NEGATIVE_LABELS or label == "hive":
            self.add_negative(label, result, duration_s)

    def add_negative(self, label: str, result: ToneResult, duration_s: float) -> None:
        """Score a recording without a bee."""
        self.false_bouts[label] += sum(b.kind == "flight" for b in result.bouts)
        self.false_buzzes[label] += sum(b.kind == "sonication" for b in result.bouts)
        self.minutes[label] += duration_s / 60

    def _add_f0(self, event: Event, time_s: NDArray[np.float64], f0_hz: NDArray[np.float64]) -> None:
        assert event.f0_hz is not None
        self.events += 1
        self.bombus_events += "Bombus" in event.taxon
        inside = f0_hz[(time_s >= event.f0_start_s) & (time_s <= event.f0_end_s)]
        window_s = event.f0_end_s - event.f0_start_s
        if inside.size * 0.01 < min(0.1, 0.3 * window_s):
            self.remarks.append(f"missed {event.file} {event.f0_start_s:.1f} s, {event.f0_hz:.0f} Hz")
            return
        heard = float(np.median(inside))
        if abs(heard - event.f0_hz) <= event.tolerance_hz:
            self.hits += 1
            self.bombus_hits += "Bombus" in event.taxon
            return
        ratio = heard / event.f0_hz
        if abs(ratio - 2) < 0.2 or abs(ratio - 0.5) < 0.05:
            self.octave += 1
        else:
            self.wrong += 1
        self.remarks.append(
            f"wrong {event.file} {event.f0_start_s:.1f} s: {heard:.1f} for {event.f0_hz:.1f} Hz"
        )

    def _add_sonication(self, event: Event, result: ToneResult) -> None:
        covered = dict.fromkeys(("flight", "sonication", "uncertain"), 0.0)
        for bout in result.bouts:
            covered[bout.kind] += max(0.0, min(bout.end_s, event.end_s) - max(bout.start_s, event.start_s))
        needed = min(0.2, 0.4 * (event.end_s - event.start_s))
        self.sonications += 1
        if covered["flight"] > needed:
            self.sonication_as_flight += 1
            self.remarks.append(
                f"sonication as flight {event.file} {event.start_s:.1f} s, {covered['flight']:.2f} s of it"
            )
        if covered["sonication"] > max(needed, covered["flight"]):
            self.sonication_found += 1

    def rate(self, labels: tuple[str, ...] = NEGATIVE_LABELS) -> float:
        """False bouts a minute over some classes."""
        minutes = sum(self.minutes[label] for label in labels)
        return sum(self.false_bouts[label] for label in labels) / minutes if minutes else float("nan")

    def values(self) -> dict[str, float]:
        """The counts."""
        return {
            "events": self.events,
            "hits": self.hits,
            "bombus_events": self.bombus_events,
            "bombus_hits": self.bombus_hits,
            "octave": self.octave,
            "wrong": self.wrong,
            "sonications": self.sonications,
            "sonication_as_flight": self.sonication_as_flight,
            "sonication_found": self.sonication_found,
            "false_bouts_a_minute": self.rate(),
            "with_hive_a_minute": self.rate((*NEGATIVE_LABELS, "hive")),
            "hive_bouts": self.false_bouts["hive"],
            "false_buzzes": sum(self.false_buzzes[label] for label in NEGATIVE_LABELS),
        }

    def row(self) -> str:
        """The counts as cells of a table."""
        by_class = ", ".join(f"{k} {self.false_bouts[k]} in {self.minutes[k]:.1f} min" for k in self.minutes)
        return (
            f"| {self.hits}/{self.events} ({self.bombus_hits} Bombus) | {self.octave} / {self.wrong} "
            f"| {self.sonication_as_flight}/{self.sonications} | {self.sonication_found}/{self.sonications} "
            f"| {self.rate():.2f} | {by_class} |"
        )


def all_as_flight(pieces: Sequence[tuple[NDArray[np.int64], NDArray[np.float64]]]) -> ToneResult:
    """Pieces of tone, each with its frames of 10 ms and their f0, as if all of them were flight."""
    from wingtone.tone import Bout, ToneResult
    from wingtone.tone.results import Track

    bouts = []
    for frames, f0_hz in pieces:
        tone = float(np.median(f0_hz))
        bout = Bout(
            kind="flight",
            start_s=float(frames[0]) / 100,
            end_s=float(frames[-1] + 1) / 100,
            f0_hz=tone,
            f0_low_hz=tone,
            f0_high_hz=tone,
            f0_spread_hz=float(np.std(f0_hz)),
            snr_db=0.0,
            harmonics_db=(),
            flight_probability=1.0,
        )
        bouts.append(bout)
    frames = np.concatenate([frames for frames, _ in pieces]) if pieces else np.zeros(0, int)
    f0_hz = np.concatenate([f0_hz for _, f0_hz in pieces]) if pieces else np.zeros(0)
    number = np.repeat(np.arange(len(pieces)), [frames.size for frames, _ in pieces])
    return ToneResult(bouts=tuple(bouts), track=Track(frames / 100, f0_hz, number), flags=())


HEADING = (
    "| f0 hits | octave / other wrong | sonication called flight | sonication recognised "
    "| false bouts/min without the hive | by class |\n| --- | --- | --- | --- | --- | --- |"
)


@dataclass(frozen=True)
class Negative:
    """Sound without a bee, mono at the tone room's rate; ``train``: may be used for training."""

    name: str
    label: str
    train: bool
    samples: NDArray[np.float32]


def _strung(files: list[Path], limit_s: float, rate_hz: int) -> NDArray[np.float32]:
    """String short prompts together with pauses of a quarter of a second, in a seeded order."""
    rng = np.random.default_rng(len(files))
    order = sorted(files)
    rng.shuffle(order)
    parts: list[NDArray[np.float32]] = []
    seconds = 0.0
    for path in order:
        samples = _load(path, rate_hz)
        if samples is None:
            continue
        parts += [samples, (1e-5 * rng.standard_normal(rate_hz // 4)).astype(np.float32)]
        seconds += samples.size / rate_hz + 0.25
        if seconds > limit_s:
            break
    return np.concatenate(parts)


def _load(path: Path, rate_hz: int) -> NDArray[np.float32] | None:
    from wingtone.audio import read
    from wingtone.errors import RecordingError

    try:
        samples, _ = read(path, rate_hz=rate_hz)
    except RecordingError:
        return None
    mono: NDArray[np.float32] = samples.mean(axis=0)
    return mono if mono.size > rate_hz // 5 else None


def _levelled(samples: NDArray[np.float32], seed: int) -> NDArray[np.float32]:
    noise = np.random.default_rng(seed).standard_normal(samples.size)
    level = 0.05 / (float(np.sqrt(np.mean(samples**2))) + 1e-9)
    return (samples * level + 1e-4 * noise).astype(np.float32)


def negatives(folder: Path, *, rate_hz: int) -> Iterator[Negative]:
    """All further negatives found below a folder of unpacked packages, in a fixed order."""
    for package in sorted(folder.glob("*asterisk-core-sounds-*/")):
        language = package.name.split("sounds-")[1].split("-")[0]
        files = [p for p in package.rglob("*.wav") if "silence" not in str(p) and "monkeys" not in p.name]
        train = language in VOICE_PACKAGES_TRAIN
        sound = _strung(files, 420 if train else 1200, rate_hz)
        yield Negative(f"telephone prompts, {language}", "voices", train, _levelled(sound, 1))
    for package in sorted(folder.glob("*asterisk-prompt-*/")):
        sound = _strung([*package.rglob("*.wav")], 900, rate_hz)
        yield Negative(f"other {package.name[2:]}", "voices", False, _levelled(sound, 1))
    by_folder: Mapping[Path, list[Path]] = defaultdict(list)
    for path in sorted([*folder.glob("*ktuberling*/**/*"), *folder.glob("*klettres*/**/*")]):
        if path.suffix in (".ogg", ".wav"):
            place = path.parent.parent if "klettres" in str(path) else path.parent
            by_folder[place].append(path)
    for place, files in by_folder.items():
        if len(files) > 10:
            game = "letters" if "klettres" in str(place) else "game"
            train = place.name.split("@")[0] in VOICE_LANGUAGES_TRAIN
            sound = _strung(files, 120, rate_hz)
            yield Negative(f"{game} voices, {place.name}", "voices", train, _levelled(sound, 2))
    engines = [
        *folder.glob("*torcs*/**/*.wav"),
        *folder.glob("*flightgear*/**/Sounds/*.wav"),
        *folder.glob("*supertuxkart*/**/*engine*.ogg"),
    ]
    music = [*folder.glob("*asterisk-moh*/**/*.wav"), *folder.glob("*supertuxkart*/**/music/*.ogg")]
    for label, paths in (("engines", engines), ("music", music)):
        for path in sorted(paths):
            samples = _load(path, rate_hz)
            if samples is not None:
                name = f"{label.removesuffix('s')}, {path.stem}"
                # The kart's engines came last, and were never trained on.
                train = zlib.crc32(name.encode()) % 2 == 0 and not (
                    label == "engines" and path.suffix == ".ogg"
                )
                yield Negative(name, label, train, _levelled(samples[: 60 * rate_hz], 3))


GAME_INSECTS_HZ = {
    "animals/insects/bee.ogg": 235.0,
    "animals/insects/hornet.ogg": 165.0,
    "beehive/sounds/bee1.wav": 170.0,
    "beehive/sounds/bee2.wav": 111.0,
    "beehive/sounds/bee3.wav": 157.0,
    "beehive/sounds/bee4.wav": 112.0,
    "explosions/bees.wav": 235.0,
}
"""Insects of games, called so by their file names, and the tone of each, read off its comb. Some may be made
by computer, so they only help to train and never count in a score."""


def game_insects(folder: Path, *, rate_hz: int) -> Iterator[tuple[str, float, NDArray[np.float32]]]:
    """Name, tone in Hz, and samples of shape (1, n) with 0.3 s of near silence either side."""
    for ending, f0_hz in GAME_INSECTS_HZ.items():
        for path in sorted(folder.glob(f"**/{ending}")):
            samples = _load(path, rate_hz)
            if samples is not None:
                quiet = np.zeros(round(0.3 * rate_hz), np.float32)
                padded = np.concatenate([quiet, samples, quiet])
                yield f"game/{path.stem}", f0_hz, _levelled(padded, 4)[None]
