"""Train the flight gate and say how good it is on recordings it has not heard.

One command remakes ``src/wingtone/tone/flight_gate.json``::

    python tests/benchmarks/train_gate.py --negatives FOLDER --write

and another says what such a gate is worth, and with ``--figure FILE`` draws it (`trade_off.py`)::

    python tests/benchmarks/train_gate.py --negatives FOLDER --cross-validate

eight folds by source recording, shuffled in six ways, and once with the whole flower campaign left out;
then the gate that ships, on negatives that were never trained on. What counts as a hit, a wrong value or a
false bout stands in `labelled.py`. Nothing of the recordings but these weights enters the project.
"""

from __future__ import annotations

import argparse
import json
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from itertools import chain
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.kept import add_out, keep, slug
from benchmarks.labelled import (
    HEADING,
    Event,
    Negative,
    Score,
    all_as_flight,
    game_insects,
    needed_recordings,
    negatives,
    read_labels,
    read_readings,
    source_of,
)
from benchmarks.trade_off import draw
from tone.sounds import at_tone_rate
from wingtone.files import replacing
from wingtone.simulate import (
    CONDITIONS,
    NEGATIVES,
    Buzz,
    Hover,
    Phone,
    Scene,
    draw_bee,
    make_scene,
    negative_scene,
    render,
)
from wingtone.tone import gate as gate_module
from wingtone.tone import spectrum
from wingtone.tone.decision import LOWEST_SONICATION_HZ
from wingtone.tone.listen import listen
from wingtone.tone.measure import measure_heard, piece_features

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence
    from concurrent.futures import Executor

    from numpy.typing import NDArray

    from wingtone.simulate import Clip
    from wingtone.tone import ToneResult
    from wingtone.tone.listen import Heard
    from wingtone.tone.pieces import Piece

SPEEDS = (0.84, 1.2)
N_NETWORKS = 8
N_KNOTS = 4
N_MIXED = 5
"""Mixtures of each labelled bee. Ours: on two shufflings of the folds they raised the tones found at 0.6 from
19 and 20 to 21 and 21, at no more false bouts; with the games' insects, which came at the same time."""
N_PASSES = 6
PASS_S = (0.12, 0.5)
"""Passes made of each recording with a known tone, and how long the middle of one lasts. Most labelled bees
stayed near the microphone; in a garden most pass. Ours: with all else alike, at a threshold of 0.55, they
raised the tones found on one of three shufflings from 22 to 23, and of the campaign from 14 to 15."""
FAINT_DB = (-6.0, 6.0)
N_FAINT = {"bees": 6, "others": 3, "simulated": 4}
FAINT_WEIGHT = {"bees": 0.5, "others": 1.0, "simulated": 0.25}
"""Sounds in noise about as strong as they are: by how much stronger it is, how many variants or made-up clips
of each, and what they weigh against the clear ones. Ours: without them 10.8 % of the frames of made-up clips
of six seeds were missed at 0 dB and 29.5 % at -5 dB, with them, the made-up ones with a weight of 0.1, 7.8
and 25.9 % (the first with a search gain of 1.35, not 1.42). With five times as many made-up clips it was 5.2
and 19.7 %, but an engine beside a small bee at a flower was flight in both of two shufflings."""
CLIP_S, CLIP_RATE_HZ = 10.0, 16_000
"""Of made-up clips."""
N_SMALL = 6
SMALL_HZ = (165.0, 250.0)
SMALL_WEIGHT = 0.3
"""Made-up small bees, which fly where others shake flowers: clips of each condition, range of their tone, and
what each weighs. Ours: of made-up clips of six seeds 1.5 % of the frames were missed at 10 dB, not 2.8."""
SHARES = (1.0, 1.3, 1.3)
"""What flight, sonication and the rest count in training. Ours: with sonication at 1.0, in two of six
shufflings 17 of 36 were recognised, not 18 or 19, and in two one more was called flight."""
N_SHAKING = 180
SHAKING_WEIGHT = 0.1
SHAKING_DB = (-6.0, 15.0)
"""Made-up bees that shake flowers, of more kinds than `wingtone.simulate` has (`shaking_samples`): how many
clips, what each weighs, and their signal to noise. Ours: labelled pieces held out by source were told to be
flight or sonication with a log loss of 0.24 without them and of 0.21 with them, those of a campaign that was
left out with 1.2 and 0.5; weights from 0.03 to 1 made little difference."""
SURROUNDINGS = (
    (("hiss", 0.0),),
    (("wind", 0.0), ("hiss", -15.0)),
    (("gusts", 0.0), ("hiss", -15.0)),
    (("traffic", 0.0), ("hiss", -10.0)),
    (("birds", 3.0), ("crickets", 0.0), ("hiss", 0.0)),
    (("leaves", 0.0), ("hiss", -3.0)),
    (("voices", 0.0), ("hiss", -10.0)),
)
"""Where they do so: names and levels of `wingtone.simulate.SOUNDS`."""
NOT_TOLD = (
    (
        "thread_ln_duration",
        "thread_spread",
        "thread_level_spread",
        "near_threads",
        "near_threads_duration",
        "near_threads_short",
    ),
    (
        "near_spread",
        "near_higher",
        "far_lower",
        "far_same",
        "far_higher",
        "far_step_down",
        "far_step_up",
    ),
)
"""What either half of the judges is not told. How long a thread of tone runs on tells a bee that turns about
from a voice, but speaks against one that passes. What other tones are heard tells sonication from flight,
but speaks against a bee beside a machine. Ours: with what is heard for 5 s either side the log loss told of
at `SHAKING_WEIGHT` fell from 0.21 to 0.13 and from 0.45 to 0.23. As tried on one shuffling, when no judge was
told of the threads one *Bombus* was missed (it turns about, and its pieces are as short as syllables), when
all were another one (0.6 s of a take-off), when half were none; in what was never trained on 51, 46 and 44
bouts were false. With one judge for whether a tone is a bee, told none of it, and one for whether a bee
flies, told all, it gave 81, not 50: the second knew no voices."""
SOURCE_OF_LABEL = {"speech": 0, "voices": 0, "engine": 1, "engines": 1, "music": 2}
SIMULATED_ENGINES = ("engine", "mower", "rotors", "aircraft", "hum", "traffic", "siren")
SAME_TONE = 0.12
"""A piece within 12 % of a tone read by hand is that insect: it wanders, and was read in a part of the event
only. Ours."""
NOT_A_PIECE = -1
UNHEARD = ("voices", "engines", "music")
"""Labels of the further negatives; half of each was never trained on."""


@dataclass(frozen=True)
class Sample:
    """Described pieces of one sound: ``kind`` indexes `gate.KINDS` or is -1, ``source`` `gate.SOURCES`."""

    group: str
    weight: float
    rows: list[dict[str, float]]
    duration_s: NDArray[np.float64]
    kind: NDArray[np.int64]
    source: NDArray[np.int64]


@dataclass(frozen=True)
class Sound:
    """One labelled recording at the tone room's rate."""

    file: str
    events: list[Event]
    samples: NDArray[np.float32]
    band_hz: float

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return float(self.samples.shape[1] / spectrum.RATE_HZ)


def load_sounds(folder: Path) -> list[Sound]:
    """All labelled recordings."""
    from wingtone.audio import read

    out = []
    for file, events in read_labels(folder).items():
        samples, info = read(folder / file, rate_hz=spectrum.RATE_HZ)
        out.append(Sound(file, events, samples, info.sample_rate_hz / 2))
    return out


def _noise(rng: np.random.Generator, shape: tuple[int, ...], *, wind_share: float) -> NDArray[np.float64]:
    """Noise of unit deviation: like wind in that share of cases, else white."""
    from scipy.signal import butter, sosfilt

    noise = rng.standard_normal(shape)
    if rng.random() < wind_share:
        corner_hz = rng.choice([60, 150, 400])
        noise = sosfilt(butter(1, corner_hz, fs=spectrum.RATE_HZ, output="sos"), noise)
    unit: NDArray[np.float64] = noise / noise.std()
    return unit


def _in_noise(
    sound: NDArray[Any], rng: np.random.Generator, noise_db: tuple[float, float]
) -> NDArray[np.float64]:
    """A sound in gusty noise, mostly like wind, stronger than it by so much."""
    rate, level = spectrum.RATE_HZ, float(np.sqrt(np.mean(sound**2))) + 1e-6
    noise = _noise(rng, sound.shape, wind_share=0.7)
    knots = np.arange(0, sound.shape[1] / rate + 1.0, 0.5)
    gusts = np.interp(np.arange(sound.shape[1]) / rate, knots, rng.standard_normal(knots.size))
    mixed: NDArray[np.float64] = sound + noise * np.exp(0.5 * gusts) * level * 10 ** (
        rng.uniform(*noise_db) / 20
    )
    return mixed


def _at_another_speed(sound: NDArray[np.float32], rng: np.random.Generator) -> tuple[float, NDArray[Any]]:
    """Play a sound faster or slower: a smaller or bigger insect."""
    import soxr

    rate, speed = spectrum.RATE_HZ, float(np.exp(rng.uniform(*np.log(SPEEDS))))
    return speed, np.stack([soxr.resample(c, rate * speed, rate, "HQ") for c in sound])


def _low_cut(rng: np.random.Generator, sound: NDArray[Any]) -> NDArray[Any]:
    """Cut the fundamental away as phones do, some steeply."""
    from scipy.signal import butter, sosfilt

    order = int(rng.integers(2, 5))
    cut: NDArray[Any] = sosfilt(
        butter(order, rng.uniform(100, 300), "high", fs=spectrum.RATE_HZ, output="sos"), sound
    )
    return cut


def _varied(
    sound: NDArray[np.float32], rng: np.random.Generator, n: int
) -> Iterator[tuple[float, NDArray[np.float32]]]:
    """The sound itself and ``n`` variants: other speed, wind-like noise, cut lows or highs, pressed peaks."""
    from scipy.signal import butter, sosfilt

    rate = spectrum.RATE_HZ
    yield 1.0, sound
    for _ in range(n):
        speed, y = _at_another_speed(sound, rng)
        level = float(np.sqrt(np.mean(y**2))) + 1e-6
        change = rng.choice(["none", "noise", "noise", "low cut", "low cut", "high cut", "pressed"])
        if change == "noise":
            y = _in_noise(y, rng, (-22, -6))
        elif change == "low cut":
            y = _low_cut(rng, y)
        elif change == "high cut":
            y = sosfilt(butter(2, rng.uniform(1000, 2500), fs=rate, output="sos"), y)
        elif change == "pressed":
            y = np.tanh(y / level * rng.uniform(0.3, 1.5)) * level
        yield speed, np.asarray(y, np.float32)


def _kind(start_s: float, end_s: float, f0_hz: float, events: Sequence[Event], file: str) -> int:
    """What a tracked piece really is: index into `gate.KINDS`, or `NOT_A_PIECE` when nobody knows."""
    for reading in read_readings().get(file, ()):
        if reading.holds(start_s, end_s, f0_hz):
            return gate_module.KINDS.index(reading.kind) if reading.kind != "unknown" else NOT_A_PIECE
    share: dict[str, float] = {}
    for event in events:
        overlap = min(end_s, event.end_s + 0.06) - max(start_s, event.start_s - 0.06)
        if overlap <= 0:
            continue
        name = "ignored" if event.ignored else event.label
        if name == "flight_buzz":
            if event.f0_hz is not None:
                name = "flight" if _same_tone(f0_hz, event) else "unknown"
            else:
                name = "flight" if event.taxon.startswith("Diptera") else "unknown"
        elif name == "sonication":
            name = _in_sonication(f0_hz, events)
        share[name] = max(share.get(name, 0.0), overlap / (end_s - start_s))
    if share.get("ignored", 0) > 0.1:
        return NOT_A_PIECE
    if share.get("flight", 0) > 0.6:
        return 0
    if share.get("unknown", 0) > 0.3:
        return NOT_A_PIECE
    if share.get("sonication", 0) > 0.6:
        return 1
    if any(share.get(k, 0) > 0.5 for k in ("wind", "engine", "bird", "speech", "other")):
        return 2
    # The Bombus files were read whole, so what lies outside the events there is no bee.
    return 2 if not share and "Bombus" in file else NOT_A_PIECE


def _same_tone(f0_hz: float, event: Event) -> bool:
    """Whether a tone is that of an event; an event without a tone has none."""
    return event.f0_hz is not None and abs(f0_hz / event.f0_hz - 1) < SAME_TONE


def _in_sonication(f0_hz: float, events: Sequence[Event]) -> str:
    """What a tone heard during a labelled sonication is.

    Sonication was labelled by ear and has no tone read by hand. Below its pitch something else was tracked:
    beside the smallest bees a hum of 70 Hz. At the pitch of a flight that was read by hand in the same
    recording it may be that flight, begun before the label says so: two such tones have the odd harmonics of
    flight.
    """
    if any(_same_tone(f0_hz, event) for event in events if not event.ignored):
        return "unknown"
    return "sonication" if f0_hz >= LOWEST_SONICATION_HZ else "other"


def _kind_of(piece: Piece, sound: Sound, speed: float) -> int:
    """`_kind` of a piece of a labelled recording that was played at some speed."""
    start_s, end_s, f0_hz = piece.start_s * speed, piece.end_s * speed, float(np.exp(piece.ln_f0)) / speed
    return _kind(start_s, end_s, f0_hz, sound.events, sound.file)


def _described(
    samples: NDArray[np.float32], band_hz: float
) -> tuple[list[dict[str, float]], NDArray[np.float64], list[Any]]:
    pieces, rows = piece_features([samples], band_hz=band_hz, keep_motors=True)
    return rows, np.array([p.duration_s for p in pieces]), pieces


def real_samples(sounds: Sequence[Sound], *, seed: int = 1) -> list[Sample]:
    """The labelled recordings with their variants."""
    rng = np.random.default_rng(seed)
    out = []
    for sound in sounds:
        holds_bees = any(e.label in ("flight_buzz", "sonication") for e in sound.events)
        for speed, y in _varied(sound.samples, rng, 7 if holds_bees else 4):
            out.append(_labelled(sound, y, speed))
    return out


def _labelled(sound: Sound, samples: NDArray[np.float32], speed: float) -> Sample:
    """Pieces of a labelled recording, or of a variant of it at some speed."""
    rows, lengths, pieces = _described(samples, min(spectrum.RATE_HZ / 2, sound.band_hz * speed))
    kind = [_kind_of(p, sound, speed) for p in pieces]
    source = SOURCE_OF_LABEL.get(sound.events[0].label, 2)
    return Sample(sound.file, 1.0, rows, lengths, np.array(kind, int), np.full(len(kind), source))


def passing_samples(sounds: Sequence[Sound], *, seed: int = 11) -> list[Sample]:
    """Known tones as of an insect that passes: it swells and fades in wind-like noise, 6 to 22 dB below.

    The amplitude goes with 1 / (1 + t^2 / width^2) to the power of 1 to 2.5. A straight pass has 0.5 (one
    over the distance: textbook); ours is steeper, so that the bee is gone where it really stayed.
    """
    rng, rate = np.random.default_rng(seed), spectrum.RATE_HZ
    out = []
    for sound in sounds:
        known = [e for e in sound.events if e.f0_hz is not None]
        for _ in range(N_PASSES if known else 0):
            event = known[rng.integers(len(known))]
            speed, y = _at_another_speed(sound.samples, rng)
            nearest_s = rng.uniform(event.f0_start_s, event.f0_end_s) / speed
            width_s = np.exp(rng.uniform(*np.log(PASS_S)))
            time_s = np.arange(y.shape[1]) / rate
            near = np.abs(time_s - nearest_s) < 0.2
            level = float(np.sqrt(np.mean(y[:, near] ** 2))) + 1e-6
            y = y / (1 + ((time_s - nearest_s) / width_s) ** 2) ** rng.uniform(1, 2.5)
            y = y + _noise(rng, y.shape, wind_share=1.0) * level * 10 ** (rng.uniform(-22, -6) / 20)
            if rng.random() < 0.3:
                y = _low_cut(rng, y)
            sample = _labelled(sound, np.asarray(y, np.float32), speed)
            # A buzz on the flower is told by its time alone, and may have faded away.
            out.append(replace(sample, kind=np.where(sample.kind == 1, NOT_A_PIECE, sample.kind)))
    return out


def negative_samples(found: Sequence[Negative], *, seed: int = 2) -> list[Sample]:
    """Those further negatives that may be trained on."""
    rng = np.random.default_rng(seed)
    out = []
    for negative in found:
        if not negative.train:
            continue
        for _, y in _varied(negative.samples[None], rng, 2 if negative.label == "engines" else 1):
            rows, lengths, _ = _described(y, spectrum.RATE_HZ / 2)
            n = len(rows)
            source = SOURCE_OF_LABEL[negative.label]
            out.append(Sample(negative.name, 1.0, rows, lengths, np.full(n, 2), np.full(n, source)))
    return out


def mixed_samples(sounds: Sequence[Sound], found: Sequence[Negative], *, seed: int = 3) -> list[Sample]:
    """The labelled bees once more, with voices, engines or music under them, 0 to 15 dB below.

    A piece keeps its label where its tone runs along the same line as without the other sound; where it runs
    along none, it is the other sound.
    """
    rng = np.random.default_rng(seed)
    heard = [n for n in found if n.train]
    by_label = {label: [n for n in heard if n.label == label] for label in ("voices", "engines", "music")}
    out: list[Sample] = []
    if not all(by_label.values()):
        return out
    for sound in sounds:
        if not any(e.label in ("flight_buzz", "sonication") for e in sound.events):
            continue
        for _ in range(N_MIXED):
            speed, bee = list(_varied(sound.samples, rng, 1))[int(rng.random() < 0.7)]
            label = str(rng.choice(["voices", "engines", "engines", "music"]))
            other = by_label[label][rng.integers(len(by_label[label]))].samples
            other = np.tile(other, bee.shape[1] // other.size + 1)
            start = rng.integers(other.size - bee.shape[1])
            other = other[start : start + bee.shape[1]]
            level = np.sqrt(np.mean(bee**2) / (np.mean(other**2) + 1e-12)) * 10 ** (-rng.uniform(0, 15) / 20)
            band = min(spectrum.RATE_HZ / 2, sound.band_hz * speed)
            _, _, alone = _described(bee, band)
            rows, lengths, pieces = _described((bee + level * other).astype(np.float32), band)
            n_frames = bee.shape[1] // spectrum.HOP + 2
            line, kinds = _lines_and_kinds(alone, sound, speed, n_frames)
            kind = [_kind_in_mixture(p, line, kinds) for p in pieces]
            source = np.full(len(kind), SOURCE_OF_LABEL[label])
            out.append(Sample(sound.file, 1.0, rows, lengths, np.array(kind, int), source))
    return out


def _lines_and_kinds(
    alone: Sequence[Piece], sound: Sound, speed: float, n_frames: int
) -> tuple[NDArray[np.float64], NDArray[np.int64]]:
    """Tone (ln) and kind of every frame of a labelled recording that was played at some speed."""
    line, kinds = np.full(n_frames, np.nan), np.full(n_frames, NOT_A_PIECE)
    for p in alone:
        line[p.rows["frame"]] = p.rows["ln_f0"]
        kinds[p.rows["frame"]] = _kind_of(p, sound, speed)
    return line, kinds


def faint_samples(sounds: Sequence[Sound], *, seed: int = 21) -> list[Sample]:
    """Labelled recordings in noise about as strong as they are (`FAINT_DB`).

    A piece of a bee keeps its label where its tone runs along the same line as without the noise. What runs
    along none may be the bee all the same, or the noise, so it is not taught.
    """
    rng = np.random.default_rng(seed)
    bees: list[Sample] = []
    for sound in sounds:
        if not any(e.label in ("flight_buzz", "sonication") for e in sound.events):
            continue
        for _ in range(N_FAINT["bees"]):
            speed, bee = _at_another_speed(sound.samples, rng)
            band = min(spectrum.RATE_HZ / 2, sound.band_hz * speed)
            _, _, alone = _described(bee, band)
            y = _in_noise(bee, rng, FAINT_DB).astype(np.float32)
            if rng.random() < 0.3:
                y = np.asarray(_low_cut(rng, y), np.float32)
            rows, lengths, pieces = _described(y, band)
            line, kinds = _lines_and_kinds(alone, sound, speed, bee.shape[1] // spectrum.HOP + 2)
            kind = np.array([_kind_in_mixture(p, line, kinds) for p in pieces], int)
            kind[kind == 2] = NOT_A_PIECE
            bees.append(Sample(sound.file, FAINT_WEIGHT["bees"], rows, lengths, kind, np.full(len(kind), 2)))
    others: list[Sample] = []
    for sound in sounds:
        if any(e.label in ("flight_buzz", "sonication", "hive") for e in sound.events):
            continue
        for _ in range(N_FAINT["others"]):
            speed, y = _at_another_speed(sound.samples, rng)
            sample = _labelled(sound, _in_noise(y, rng, FAINT_DB).astype(np.float32), speed)
            others.append(replace(sample, weight=FAINT_WEIGHT["others"]))
    return [*bees, *others]


def faint_negatives(found: Sequence[Negative], *, seed: int = 22) -> list[Sample]:
    """Those further negatives that may be trained on, in noise about as strong as they are."""
    rng = np.random.default_rng(seed)
    out = []
    for negative in found:
        if negative.train:
            y = _in_noise(negative.samples[None], rng, FAINT_DB).astype(np.float32)
            rows, lengths, _ = _described(y, spectrum.RATE_HZ / 2)
            source = np.full(len(rows), SOURCE_OF_LABEL[negative.label])
            out.append(
                Sample(negative.name, FAINT_WEIGHT["others"], rows, lengths, np.full(len(rows), 2), source)
            )
    return out


def _kind_in_mixture(piece: Piece, line: NDArray[np.float64], kinds: NDArray[np.int64]) -> int:
    """Kind of a piece, given the line and the kinds of the bee alone at every frame."""
    frame = piece.rows["frame"]
    same = np.abs(piece.rows["ln_f0"] - line[frame]) < 0.05
    if same.mean() < 0.15:
        return 2
    if same.mean() <= 0.7:
        return NOT_A_PIECE
    values, count = np.unique(kinds[frame][same], return_counts=True)
    return int(values[count.argmax()]) if count.max() > 0.7 * count.sum() else NOT_A_PIECE


def game_samples(folder: Path, *, seed: int = 4) -> list[Sample]:
    """Insects of games with their variants, as further flights."""
    rng = np.random.default_rng(seed)
    out = []
    for name, f0_hz, samples in game_insects(folder, rate_hz=spectrum.RATE_HZ):
        for speed, y in _varied(samples, rng, 7):
            rows, lengths, pieces = _described(y, spectrum.RATE_HZ / 2)
            tones = np.array([np.exp(p.ln_f0) / speed / f0_hz for p in pieces])
            kind = np.where(np.abs(tones - 1) < 0.15, 0, NOT_A_PIECE)
            out.append(Sample(name, 1.0, rows, lengths, kind, np.full(len(rows), 2)))
    return out


def simulated_samples(*, n_seeds: int = 6) -> list[Sample]:
    """Made-up clips: a third source of variety, never the only teacher."""
    out = []
    for name in NEGATIVES:
        if name == "hive":
            continue
        for seed in range(3 * n_seeds):
            clip = negative_scene(1000 + seed, kind=name, duration_s=CLIP_S, rate_hz=CLIP_RATE_HZ)
            rows, lengths, _ = _described(at_tone_rate(clip), spectrum.RATE_HZ / 2)
            source = 0 if name in ("voices", "mixed") else 1 if name in SIMULATED_ENGINES else 2
            n = len(rows)
            out.append(Sample(f"simulated {name}", 2.0, rows, lengths, np.full(n, 2), np.full(n, source)))
    for name in CONDITIONS:
        # Sonication has one condition only, so it gets more clips.
        for seed in range(5 * n_seeds if name == "sonication" else n_seeds):
            snr_db = float(np.random.default_rng(seed).uniform(0, 25))
            out.append(_with_bee(name, 2000 + seed, snr_db, weight=1.0))
    for name in CONDITIONS:
        n_faint = N_FAINT["simulated"]
        for seed in range(3 * n_faint if name == "sonication" else n_faint):
            snr_db = -float(np.random.default_rng([seed, 7]).uniform(*FAINT_DB))
            out.append(_with_bee(name, 2500 + seed, snr_db, weight=FAINT_WEIGHT["simulated"]))
    for name in (condition for condition in CONDITIONS if condition != "sonication"):
        for seed in range(N_SMALL):
            rng = np.random.default_rng([seed, 11])
            snr_db, f0_hz = rng.uniform(0, 25), np.exp(rng.uniform(*np.log(SMALL_HZ)))
            out.append(_with_bee(name, 3500 + seed, snr_db, weight=SMALL_WEIGHT, f0_hz=f0_hz))
    return out


def _with_bee(name: str, seed: int, snr_db: float, *, weight: float, f0_hz: float | None = None) -> Sample:
    """A made-up clip of a condition."""
    clip = make_scene(
        seed, condition=name, snr_db=snr_db, duration_s=CLIP_S, rate_hz=CLIP_RATE_HZ, f0_hz=f0_hz
    )
    return _as_made_up(clip, weight=weight)


def shaking_samples(*, seed: int = 23) -> list[Sample]:
    """Made-up bees that shake flowers, of more kinds than those of `wingtone.simulate`.

    Those keep to what is published (from 200 Hz and 1.45 times the flight tone on) and are steady and sharp
    at their ends. Labelled ones begin at 183 Hz (shorter scraps at 156) and at 1.2 times the flight tone, are
    as unsteady as flight and often swell. Both ranges with a margin: ours.
    """
    rng = np.random.default_rng(seed)
    out = []
    for _ in range(N_SHAKING):
        snr_db = float(rng.uniform(*SHAKING_DB))
        clip = render(shaking_scene(rng), rng, snr_db=snr_db, duration_s=CLIP_S, rate_hz=CLIP_RATE_HZ)
        out.append(_as_made_up(clip, weight=SHAKING_WEIGHT))
    return out


def shaking_scene(rng: np.random.Generator) -> Scene:
    """Ten seconds of a bee that flies, shakes a flower for some of them, and flies on."""
    rough, flight_hz = rng.uniform(), np.exp(rng.uniform(*np.log((100, 230))))
    bee = replace(draw_bee(rng, f0_hz=flight_hz), jitter=0.002 + 0.01 * rough, wander=0.01 + 0.025 * rough)
    order = np.arange(1, len(bee.harmonics_db) + 1)
    level_db = -rng.uniform(0.0, 7.0) * np.log2(order) + rng.normal(0.0, 4.0, order.size)
    shaking_hz = np.clip(flight_hz * np.exp(rng.uniform(*np.log((1.1, 2.0)))), 175.0, 390.0)
    distance_m, louder_db = rng.uniform(0.1, 0.6), rng.uniform(-6.0, 8.0)
    ramp_s, longest_s = rng.uniform(0.012, 0.15), rng.choice([0.7, 2.5])

    def flight(start_s: float, end_s: float) -> Buzz:
        glide, take_off = rng.normal(0.0, 0.03), abs(rng.normal(0.0, 0.04))
        return Buzz("flight", bee, start_s, end_s, Hover(distance_m), glide=glide, take_off=take_off)

    def shake(start_s: float, end_s: float) -> Buzz:
        return Buzz(
            "sonication",
            replace(
                bee,
                f0_hz=min(395.0, shaking_hz * np.exp(rng.normal(0.0, 0.04))),
                harmonics_db=tuple(level_db - level_db[0]),
            ),
            start_s,
            end_s,
            Hover(distance_m, drift=rng.uniform(0.01, 0.1)),
            glide=rng.normal(-0.02, 0.05),
            ramp_s=ramp_s,
            level_db=louder_db + rng.normal(0.0, 2.0),
        )

    arrive_s, leave_s = rng.uniform(0.5, 3.5), rng.uniform(6.5, 9.5)
    buzzes = [flight(0.2, arrive_s), flight(leave_s, 9.8)]
    start_s = arrive_s + rng.uniform(0.05, 0.3)
    while (end_s := start_s + rng.uniform(0.15, longest_s)) < leave_s - 0.05:
        buzzes.append(shake(start_s, end_s))
        start_s = end_s + rng.uniform(0.08, 0.5)
    surroundings = SURROUNDINGS[rng.integers(len(SURROUNDINGS))]
    phone = Phone(high_pass_hz=np.exp(rng.uniform(*np.log((60, 250)))), narrow_band=rng.random() < 0.15)
    return Scene(f"shaking in {surroundings[0][0]}", tuple(buzzes), surroundings, phone)


def _as_made_up(clip: Clip, *, weight: float) -> Sample:
    """Pieces of a made-up clip with a bee, by its truth."""
    rows, lengths, pieces = _described(at_tone_rate(clip), spectrum.RATE_HZ / 2)
    kind = np.full(len(rows), NOT_A_PIECE)
    for i, piece in enumerate(pieces):
        at = np.minimum(piece.rows["frame"], clip.truth.f0_hz.size - 1)
        line = np.exp(piece.rows["ln_f0"])
        flight, buzz = clip.truth.f0_hz[at], clip.truth.sonication_hz[at]
        if np.mean(np.abs(line / flight - 1) < 0.06) > 0.7:
            kind[i] = 0
        elif np.mean(np.abs(line / buzz - 1) < 0.06) > 0.7:
            kind[i] = 1
        elif np.isfinite(flight).mean() < 0.05 and not np.isfinite(buzz).any():
            kind[i] = 2
    name = f"simulated flight, {clip.scene.name}"
    return Sample(name, weight, rows, lengths, kind, np.full(len(rows), 2))


@dataclass(frozen=True)
class Material:
    """What samples are made of."""

    sounds: Sequence[Sound]
    found: Sequence[Negative]
    folder: Path


REAL: dict[str, Callable[[Material], list[Sample]]] = {
    "labelled": lambda of: real_samples(of.sounds),
    "mixed": lambda of: mixed_samples(of.sounds, of.found),
    "passing": lambda of: passing_samples(of.sounds),
    "faint": lambda of: faint_samples(of.sounds),
}
"""Samples of the labelled recordings: a fold leaves its own out."""
REST: dict[str, Callable[[Material], list[Sample]]] = {
    "simulated": lambda of: simulated_samples(),
    "negatives": lambda of: negative_samples(of.found),
    "faint negatives": lambda of: faint_negatives(of.found),
    "games": lambda of: game_samples(of.folder),
    "shaking": lambda of: shaking_samples(),
}

_material: Material | None = None


def _take(material: Material) -> None:
    """Give a process what all samples are made of, once."""
    global _material
    _material = material


def _made(kind: str) -> list[Sample]:
    """Samples of a kind, each from a seed of its own, so it does not matter which process makes them."""
    assert _material is not None
    return {**REAL, **REST}[kind](_material)


def fit(samples: Sequence[Sample], card: dict[str, Any]) -> dict[str, Any]:
    """Train on the samples; the plain data of a gate file."""
    from sklearn.linear_model import LogisticRegression

    names = list(next(s.rows[0] for s in samples if s.rows))
    x = np.array([[row[n] for n in names] for s in samples for row in s.rows])
    kind = np.concatenate([s.kind for s in samples])
    source = np.concatenate([s.source for s in samples])
    group = np.concatenate([np.full(len(s.rows), s.group) for s in samples])
    weight = np.concatenate([s.weight * np.sqrt(s.duration_s) for s in samples])
    known = kind != NOT_A_PIECE
    x, kind, source, group, weight = x[known], kind[known], source[known], group[known], weight[known]
    # A long recording says less per piece than a short one.
    _, number = np.unique(group, return_inverse=True)
    weight = weight / np.sqrt(np.bincount(number, weight))[number]
    for k, share in enumerate(SHARES):
        weight[kind == k] *= share / weight[kind == k].sum()
    weight *= weight.size / weight.sum()

    x = np.where(np.isfinite(x), x, np.nan)
    missing = np.nanmean(x, axis=0)
    x = np.where(np.isfinite(x), x, missing)
    centre, scale = x.mean(axis=0), x.std(axis=0) + 1e-9
    x = np.clip((x - centre) / scale, -gate_module.CLIP, gate_module.CLIP)
    networks, bent_lines = [], []
    for hidden in NOT_TOLD:
        seen = np.array([name not in hidden for name in names])
        networks += [_fit_network(x, seen, kind, weight, seed=seed) for seed in range(N_NETWORKS // 2)]
        bent_lines.append(_fit_bent_lines(x, seen, kind, weight))
    rest = kind == 2
    namer = LogisticRegression(C=0.05, max_iter=500)
    namer.fit(x[rest], source[rest], sample_weight=weight[rest])
    return {
        "schema": gate_module.SCHEMA,
        "card": card,
        "features": names,
        "missing": _rounded(missing),
        "centre": _rounded(centre),
        "scale": _rounded(scale),
        "networks": networks,
        "bent_lines": bent_lines,
        "source": {"weights": _rounded(namer.coef_.T), "bias": _rounded(namer.intercept_)},
    }


def _fit_network(
    x: NDArray[Any], seen: NDArray[np.bool_], kind: NDArray[Any], weight: NDArray[Any], *, seed: int
) -> dict[str, Any]:
    """One network on the features that it may see; its weights for the others are 0."""
    from sklearn.neural_network import MLPClassifier

    net = MLPClassifier(
        (16,),
        activation="tanh",
        alpha=3.0,
        learning_rate_init=0.003,
        batch_size=256,
        max_iter=40,
        random_state=seed,
    )
    _fit_quietly(net, x[:, seen], kind, weight)
    hidden = np.zeros((x.shape[1], 16))
    hidden[seen] = net.coefs_[0]
    return {
        "hidden": _rounded(hidden),
        "hidden_bias": _rounded(net.intercepts_[0]),
        "output": _rounded(net.coefs_[1]),
        "output_bias": _rounded(net.intercepts_[1]),
    }


def _fit_bent_lines(
    x: NDArray[Any], seen: NDArray[np.bool_], kind: NDArray[Any], weight: NDArray[Any]
) -> dict[str, Any]:
    """Logistic regression on the tents between four quantiles of every feature, as lines to look up.

    The lines of features that it may not see are flat at 0.
    """
    from sklearn.linear_model import LogisticRegression

    steps = np.linspace(0, 1, N_KNOTS)
    knots = np.quantile(x, steps, axis=0).T
    # Knots must ascend even where a feature has few values.
    knots = np.maximum.accumulate(knots + 1e-6 * np.arange(N_KNOTS), axis=1)
    tents = [
        np.interp(column, ends, row)
        for column, ends in zip(x[:, seen].T, knots[seen], strict=True)
        for row in np.eye(N_KNOTS)
    ]
    basis = np.stack(tents, axis=1)
    centre, scale = basis.mean(axis=0), basis.std(axis=0) + 1e-9
    line = LogisticRegression(C=0.005, max_iter=500)
    line.fit((basis - centre) / scale, kind, sample_weight=weight)
    n_kinds = len(gate_module.KINDS)
    values = np.zeros((x.shape[1], N_KNOTS, n_kinds))
    values[seen] = (line.coef_ / scale).reshape(n_kinds, -1, N_KNOTS).transpose(1, 2, 0)
    bias = line.intercept_ - (line.coef_ / scale) @ centre
    return {"knots": _rounded(knots), "values": _rounded(values), "bias": _rounded(bias)}


def _fit_quietly(net: Any, x: NDArray[Any], y: NDArray[Any], weight: NDArray[Any]) -> None:
    import warnings

    from sklearn.exceptions import ConvergenceWarning

    with warnings.catch_warnings():
        # Forty rounds are the regularisation: stopping early is meant.
        warnings.simplefilter("ignore", ConvergenceWarning)
        net.fit(x, y, sample_weight=weight)


def _five_digits(text: str) -> float:
    return float(f"{float(text):.5g}")


def _rounded(values: NDArray[np.float64]) -> Any:
    return json.loads(json.dumps(np.asarray(values).tolist()), parse_float=_five_digits)


@dataclass(frozen=True)
class Held:
    """What every fold is trained on and tried with; ``heard`` by file."""

    sounds: Sequence[Sound]
    heard: dict[str, list[Heard]]
    real: Sequence[Sample]
    rest: Sequence[Sample]


_held: Held | None = None


def _hold(held: Held) -> None:
    """Give a process what all its folds need, once."""
    global _held
    _held = held


def _fold_results(
    fold: set[str], thresholds: Sequence[float]
) -> list[tuple[Sound, list[tuple[float, ToneResult]]]]:
    """Results of a fold's recordings at each threshold, by a gate that never heard their source."""
    assert _held is not None
    train = [s for s in _held.real if source_of(s.group) not in fold]
    made = gate_module.to_gate(fit([*train, *_held.rest], {}))
    return [
        (
            sound,
            [(t, measure_heard(_held.heard[sound.file], flight_threshold=t, gate=made)) for t in thresholds],
        )
        for sound in _held.sounds
        if source_of(sound.file) in fold
    ]


def cross_validate(
    pool: Executor, folds: Sequence[set[str]], thresholds: Sequence[float]
) -> dict[float, Score]:
    """Score every fold's recordings at each threshold; the pool's processes hold a `Held` each."""
    scores = {threshold: Score() for threshold in thresholds}
    for results in pool.map(_fold_results, folds, [thresholds] * len(folds)):
        for sound, by_threshold in results:
            for threshold, result in by_threshold:
                scores[threshold].add(sound.file, sound.events, result, sound.duration_s)
    return scores


def _unheard(
    found: Sequence[Negative], gate: gate_module.Gate, thresholds: Sequence[float]
) -> dict[float, Score]:
    """False bouts in the negatives that were never trained on, by threshold."""
    scores = {threshold: Score() for threshold in thresholds}
    for negative in found:
        if not negative.train:
            parts = list(listen([negative.samples[None]]))
            for threshold, score in scores.items():
                result = measure_heard(parts, flight_threshold=threshold, gate=gate)
                score.add_negative(negative.label, result, negative.samples.size / spectrum.RATE_HZ)
    return scores


def source_folds(sounds: Sequence[Sound], n: int, seed: int) -> list[set[str]]:
    """Eight sets of sources, seeded."""
    sources = sorted({source_of(s.file) for s in sounds})
    np.random.default_rng(seed).shuffle(sources)
    return [set(sources[i::n]) for i in range(n)]


CARD = {
    "what": "decides which pieces of a tracked tone are flight, sonication or something else",
    "made_by": "tests/benchmarks/train_gate.py --write",
    "sources": [
        "labelled field recordings of bees at tomato flowers (data of Ribeiro et al. 2021, PLOS Comput Biol "
        "17(9) e1009426; article CC BY 4.0, no licence file with the data)",
        "ESC-50 clips (Piczak 2015; CC BY-NC 3.0 as a whole, single clips under their own terms)",
        "drone clips (Al-Emadi et al. 2019, IWCMC; no licence file, citation asked for)",
        "one LibriSpeech reading (CC BY 4.0) and one robin (InspectorJ, CC BY 3.0)",
        "voices, engines, aircraft and music of the Debian packages asterisk-core-sounds (CC BY-SA 3.0), "
        "asterisk-moh-opsound (CC BY-SA 3.0), ktuberling-data, torcs-data (GPL-2+/free art licence), "
        "flightgear-data-base, klettres-data (GPL-2+), supertuxkart-data (each file its own free licence); "
        "the half named in tests/benchmarks/labelled.py",
        "a few insects of games (tuxpaint-stamps-default GPL-2, megaglest-data CC BY-SA 3.0, scorched3d-data "
        "GPL-2+), named by their file names only",
        "clips of wingtone's own simulator",
    ],
    "note": "plain numbers fitted to features of those sounds; holds no audio. The casts behind the "
    "recordings are Brazilian bees and European flies: how well it does on British bumblebees is untested",
}


def tracked(sounds: Sequence[Sound]) -> Score:
    """How many tones lie on the tracker's line, before any decision."""
    score = Score()
    for sound in sounds:
        pieces, _ = piece_features([sound.samples], band_hz=sound.band_hz)
        lines = [(p.rows["frame"].astype(int), np.exp(p.rows["ln_f0"])) for p in pieces]
        score.add(sound.file, sound.events, all_as_flight(lines), sound.duration_s)
    return score


def report(
    pool: Executor,
    sounds: Sequence[Sound],
    found: Sequence[Negative],
    *,
    thresholds: Sequence[float],
    seeds: Sequence[int],
) -> tuple[str, dict[str, Any]]:
    """Cross-validate by source and without the flower campaign, and hear the negatives; table and values."""
    heading, dashes = HEADING.splitlines()
    lines = [
        f"Cross-validated by source recording (eight folds, {len(seeds)} shufflings), and with the whole "
        "flower campaign left out of training; nearly all sonication is simulated then.",
        "",
        f"| held out | threshold {heading}",
        f"| --- | --- {dashes}",
    ]
    flower = {source_of(s.file) for s in sounds if s.file.startswith("tomato")}
    plans = [(f"by source, seed {n}", source_folds(sounds, 8, n)) for n in seeds]
    by_source: dict[str, dict[str, list[Any]]] = {}
    campaign: dict[str, Any] = {}
    for name, folds in [*plans, ("the flower campaign", [flower])]:
        for threshold, score in cross_validate(pool, folds, thresholds).items():
            lines.append(f"| {name} | {threshold:g} {score.row()}")
            print(lines[-1], *score.remarks, sep="\n    ", file=sys.stderr, flush=True)
            key = f"at_{slug(f'{threshold:g}')}"
            if folds == [flower]:
                campaign[key] = score.values()
            else:
                for what, value in score.values().items():
                    by_source.setdefault(key, {}).setdefault(what, []).append(value)
    buzzes = [
        f"{min(of['false_buzzes'])} to {max(of['false_buzzes'])} at {key[3:].replace('_', '.')}"
        for key, of in by_source.items()
    ]
    lines += [
        "",
        f"Flower buzzes where there is no bee, without the hive, by threshold: {', '.join(buzzes)}.",
    ]
    line = tracked(sounds)
    lines += ["", f"Tones on the tracker's line, before any decision: {line.hits} of {line.events}."]
    lines += [
        "",
        "Further negatives that were never trained on, with the gate that ships, false bouts:",
        "",
        "| threshold | voices | engines | music | all, a minute | flower buzzes, a minute |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    unheard: dict[str, Any] = {}
    for threshold, score in _unheard(found, gate_module.load_gate(), thresholds).items():
        counts = {label: score.false_bouts[label] for label in UNHEARD}
        minutes = {label: score.minutes[label] for label in UNHEARD}
        rate = sum(counts.values()) / sum(minutes.values())
        buzzes_a_minute = sum(score.false_buzzes.values()) / sum(minutes.values())
        cells = " | ".join(f"{counts[label]} in {minutes[label]:.1f} min" for label in UNHEARD)
        lines.append(f"| {threshold:g} | {cells} | {rate:.2f} | {buzzes_a_minute:.2f} |")
        unheard[f"at_{slug(f'{threshold:g}')}"] = {
            **counts,
            "all": sum(counts.values()),
            "a_minute": rate,
            "buzzes": sum(score.false_buzzes.values()),
            "buzzes_a_minute": buzzes_a_minute,
            **{f"{label}_minutes": minutes[label] for label in UNHEARD},
            "all_minutes": sum(minutes.values()),
        }
    values = {
        "files": len(sounds),
        "thresholds": list(thresholds),
        "by_source": by_source,
        "campaign": campaign,
        "tracked": line.values(),
        "never_trained_on": unheard,
    }
    return "\n".join(lines), values


def main() -> int:
    """Run the command."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--negatives", type=Path, help="folder of unpacked packages, see labelled.py")
    parser.add_argument("--write", action="store_true", help="write the gate that ships")
    parser.add_argument("--cross-validate", action="store_true")
    parser.add_argument("--thresholds", default="0.2,0.35,0.5,0.55,0.6,0.7,0.8", help="for --cross-validate")
    parser.add_argument("--seeds", default="0,1,2,3,4,5", help="fold seeds for --cross-validate")
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument("--figure", type=Path, help="picture of the trade-off, for --cross-validate")
    add_out(parser)
    options = parser.parse_args()
    folder = needed_recordings()
    found = list(negatives(options.negatives, rate_hz=spectrum.RATE_HZ)) if options.negatives else []
    missing = set(UNHEARD) - {negative.label for negative in found if not negative.train}
    if missing:
        print(f"no {', '.join(sorted(missing))} below --negatives: see labelled.py", file=sys.stderr)
        return 1
    sounds = load_sounds(folder)
    material = Material(sounds, found, options.negatives)
    with ProcessPoolExecutor(options.jobs, initializer=_take, initargs=(material,)) as pool:
        made = dict(zip([*REAL, *REST], pool.map(_made, [*REAL, *REST]), strict=True))
    real, rest = (list(chain(*(made[kind] for kind in kinds))) for kinds in (REAL, REST))
    if options.write:
        out = Path(gate_module.__file__).with_name("flight_gate.json")
        text = json.dumps(fit([*real, *rest], CARD), separators=(",", ":")) + "\n"
        # Other benchmarks may load the gate meanwhile.
        with replacing(out) as new:
            new.write_text(text, encoding="utf-8")
        print(f"wrote {out.name}, {out.stat().st_size} bytes")
    if options.cross_validate:
        held = Held(
            sounds, {s.file: list(listen([s.samples], band_hz=s.band_hz)) for s in sounds}, real, rest
        )
        with ProcessPoolExecutor(options.jobs, initializer=_hold, initargs=(held,)) as pool:
            text, values = report(
                pool,
                sounds,
                found,
                thresholds=[float(t) for t in options.thresholds.split(",")],
                seeds=[int(n) for n in options.seeds.split(",")],
            )
        keep("recordings", text, values, out=options.out, packages=("scikit-learn",))
        if options.figure:
            draw(values, options.figure)
    return 0


if __name__ == "__main__":
    sys.exit(main())
