"""Does ``wingtone cue`` find wrong names in a table? Made-up records, one in ten with a planted mistake.

``python tests/benchmarks/cue.py [--records 2000] [--audio 40] [--seed 6]``

Bees are drawn as the fauna says they are met (date, place, taxon, caste), their tones from the simulator's
population, whose spread is not that of the model that judges them. In one record of ten the name is then made
wrong, in equal parts:

    worker called queen, queen called worker, worker called male or male called worker, another species

Half of the records name their clip, half are matched by time, with a recorder that is 7.4 minutes slow. The
tones are put in directly; some of the bees are also rendered as audio and go the whole way through the
command. The ranking is by the weight of the sound, lowest first. Average precision is the one of
scikit-learn; that of a ranking by chance is the share of mistakes.

What can be hoped for: pitch tells big queens from small workers, and that is all. Workers and males overlap,
and so do most species, so these mistakes cannot rank on top whatever the program does; they are planted all
the same, and the figures are given by kind. ``best possible`` ranks by the true densities that the tones were
drawn from, with the kinds of mistakes known: no method that hears only the tone can do better on average.
"""

from __future__ import annotations

import argparse
import csv
import datetime as dt
import io
import sys
import tempfile
from collections import Counter
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from click.testing import CliRunner
from sklearn.metrics import average_precision_score

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.kept import add_out, keep, slug
from wingtone.audio import RecordingInfo
from wingtone.audio.encode import write_encoded
from wingtone.cli import main as wingtone
from wingtone.clip import Measurement
from wingtone.cue.agreement import DISAGREES_BITS
from wingtone.cue.matching import ClipTime, Match, match
from wingtone.cue.work import Cue, cue_for, read_records, write_cues
from wingtone.evidence.lineup import line_up
from wingtone.evidence.prior import log_prior
from wingtone.fauna import Fauna, load
from wingtone.notebook.places import parse_place
from wingtone.simulate import make_scene
from wingtone.simulate.population import Group, draw_individuals, line_tone_hz
from wingtone.tone.results import Bout, ToneResult, Track

if TYPE_CHECKING:
    from wingtone.notebook.records import Record

KINDS = ("worker called queen", "queen called worker", "worker and male mixed up", "another species")
SHARE = 0.1
SLOW_S = 444.0  # the recorder's clock is behind the records' by this
SQUARES = ("TQ 18 75", "SU 43 12", "SP 51 06", "SO 84 55", "SE 60 51", "ST 58 72", "TL 45 58", "NZ 27 42")
TONE_LOG_SD = 0.12  # of the simulator's population, see wingtone.simulate.population.Group


@dataclass(frozen=True)
class Bee:
    """One bee as it was, and as it was written down."""

    when: dt.datetime
    square: str
    taxon: str
    caste: str
    f0_hz: float
    stated_taxon: str
    stated_caste: str
    mistake: str


def draw_bees(fauna: Fauna, rng: np.random.Generator, n: int) -> list[Bee]:
    """Draw records of bumblebees, and plant the mistakes."""
    lineup = line_up(fauna)
    bees = []
    for _ in range(n):
        day = dt.date(2025, 3, 10) + dt.timedelta(days=int(rng.integers(0, 205)))
        when = dt.datetime(
            day.year, day.month, day.day, 9 + int(rng.integers(0, 9)), int(rng.integers(0, 60))
        )
        square = SQUARES[int(rng.integers(len(SQUARES)))]
        who = _draw(fauna, rng, day, square, lineup.is_bumblebee)
        bee = Bee(when, square, *who, _tone(fauna, rng, *who), *who, "")
        bees.append(bee)
    planted: set[int] = set()
    for number, kind in enumerate(KINDS):
        castes = (("worker",), ("queen",), ("worker", "male"), ("queen", "worker", "male"))[number]
        able = [i for i, bee in enumerate(bees) if bee.caste in castes and i not in planted]
        for i in rng.choice(able, size=round(n * SHARE / len(KINDS)), replace=False):
            planted.add(int(i))
            bees[i] = _mistaken(fauna, rng, bees[i], kind)
    return bees


def _draw(
    fauna: Fauna, rng: np.random.Generator, day: dt.date, square: str, allowed: np.ndarray
) -> tuple[str, str]:
    weight = np.where(allowed, np.exp(log_prior(line_up(fauna), day, parse_place(square))), 0.0)
    entry = fauna.entries[int(rng.choice(len(weight), p=weight / weight.sum()))]
    return entry.taxon, entry.caste


def _tone(fauna: Fauna, rng: np.random.Generator, taxon: str, caste: str) -> float:
    (bee,) = draw_individuals(rng, _group(fauna, taxon, caste), 1)
    return bee.f0_hz


def _group(fauna: Fauna, taxon: str, caste: str) -> Group:
    i = next(i for i, e in enumerate(fauna.entries) if (e.taxon, e.caste) == (taxon, caste))
    return Group(taxon, caste, float(fauna.itd_mean_mm[i]), float(fauna.itd_sd_mm[i]), TONE_LOG_SD)


def _mistaken(fauna: Fauna, rng: np.random.Generator, bee: Bee, kind: str) -> Bee:
    taxon, caste = bee.taxon, bee.caste
    if kind == "another species":
        lineup = line_up(fauna)
        other = np.array([name not in (taxon, "") for name in np.array(lineup.taxa)[lineup.taxon_of]])
        allowed = lineup.is_bumblebee & other & (np.array(lineup.castes) == caste)
        taxon, _ = _draw(fauna, rng, bee.when.date(), bee.square, allowed)
    else:
        caste = {"worker called queen": "queen", "queen called worker": "worker"}.get(
            kind, "male" if caste == "worker" else "worker"
        )
    return Bee(bee.when, bee.square, bee.taxon, bee.caste, bee.f0_hz, taxon, caste, kind)


def as_csv(bees: list[Bee]) -> bytes:
    """Write the table as a spreadsheet would; every second record names its clip."""
    out = io.StringIO()
    writer = csv.writer(out, delimiter=";", lineterminator="\r\n")
    writer.writerow(["No", "Date", "Time", "Species", "Stage", "Grid ref", "Sound file", "Remarks"])
    for i, bee in enumerate(bees):
        day, time = f"{bee.when:%d/%m/%Y}", f"{bee.when:%H:%M}"
        clip = clip_name(i) if i % 2 else ""
        remark = 'on "lavender"; sunny' if i % 3 else ""
        writer.writerow([i, day, time, bee.stated_taxon, bee.stated_caste, bee.square, clip, remark])
    return b"\xef\xbb\xbf" + out.getvalue().encode()


def clip_name(i: int) -> str:
    """Name of the clip of a record, without a date."""
    return f"clip_{i:05d}.wav"


def heard(path: Path, f0_hz: float) -> Measurement:
    """Measurement of a clip with one bout at this tone, known to half a per cent."""
    bout = Bout(
        kind="flight",
        start_s=1.0,
        end_s=3.0,
        f0_hz=f0_hz,
        f0_low_hz=0.995 * f0_hz,
        f0_high_hz=1.005 * f0_hz,
        f0_spread_hz=2.0,
        snr_db=15.0,
        harmonics_db=(-3.0, 0.0),
        flight_probability=0.95,
    )
    nothing = np.empty(0)
    info = RecordingInfo(
        path, 5.0, 16000, 1, "pcm_s16le", "wav", None, None, None, None, None, None, 0, None, 0.0, False
    )
    track = Track(time_s=nothing, f0_hz=nothing, bout=nothing.astype(int))
    return Measurement(info, "0" * 64, ToneResult(bouts=(bout,), track=track, flags=()))


def best_possible(fauna: Fauna, bees: list[Bee]) -> np.ndarray:
    """Odds of a mistake given the tone, from the densities that the tones and mistakes were drawn from."""
    lineup = line_up(fauna)
    named = np.array(lineup.taxa)[lineup.taxon_of]
    castes = np.array(lineup.castes)
    means = np.array(
        [float(np.log(line_tone_hz(itd))) if np.isfinite(itd) else np.nan for itd in fauna.itd_mean_mm]
        + [np.nan]
    )
    odds = []
    for bee in bees:
        prior = np.where(
            lineup.is_bumblebee, np.exp(log_prior(lineup, bee.when.date(), parse_place(bee.square))), 0.0
        )
        density = np.nan_to_num(np.exp(-0.5 * ((np.log(bee.f0_hz) - means) / TONE_LOG_SD) ** 2))
        same, caste = named == bee.stated_taxon, bee.stated_caste
        right = prior @ (density * same * (castes == caste))
        wrong = (
            prior
            @ (density * (named != bee.stated_taxon) * (castes == caste))
            * (prior[same & (castes == caste)].sum() / max(prior[castes == caste].sum(), 1e-300))
        )
        for true in {"queen": ("worker",), "worker": ("queen", "male"), "male": ("worker",)}.get(caste, ()):
            wrong += prior @ (density * same * (castes == true))
        odds.append(wrong / max(right, 1e-300))
    return np.array(odds)


def score(
    name: str, bees: list[Bee], ranking: np.ndarray, cues: list[Cue] | None = None
) -> tuple[list[str], dict[str, Any]]:
    """Average precision, over all and by kind."""
    wrong = np.array([bool(bee.mistake) for bee in bees])
    value = float(average_precision_score(wrong, ranking))
    lines = [f"| {name} | all | {value:.3f} | {wrong.mean():.3f} | | | |"]
    values: dict[str, Any] = {"average_precision": value, "chance": float(wrong.mean())}
    for kind in KINDS:
        these = np.array([bee.mistake in ("", kind) for bee in bees])
        value = float(average_precision_score(wrong[these], ranking[these]))
        cells = "| |"
        of_kind: dict[str, Any] = {"average_precision": value, "chance": float(wrong[these].mean())}
        if cues is not None:
            said = Counter(
                c.verdict.agreement
                for c, b in zip(cues, bees, strict=True)
                if b.mistake == kind and c.verdict
            )
            of_kind |= {slug(word): said[word] for word in ("disagrees", "says little", "agrees")}
            cells = f"{said['disagrees']} | {said['says little']} | {said['agrees']}"
        lines.append(f"| | {kind} | {value:.3f} | {wrong[these].mean():.3f} | {cells} |")
        values[slug(kind)] = of_kind
    return lines, values


def by_tones(fauna: Fauna, bees: list[Bee], folder: Path) -> tuple[list[str], dict[str, Any]]:
    """All records, the tones put in directly."""
    rng = np.random.default_rng(1)
    table = folder / "records.csv"
    table.write_bytes(as_csv(bees))
    records = read_records(table)
    times = records.moments(dt.UTC)
    clips = [
        ClipTime(folder / clip_name(i), (at_s or 0.0) - SLOW_S + float(rng.normal(0, 20.0)))
        for i, at_s in enumerate(times)
    ]
    matches, offset = match(records.clips_named, times, clips, tolerance_s=300.0)
    times_only, guessed = match([""] * len(bees), times, clips, tolerance_s=300.0)
    rightly = sum(found.clip == i for i, found in enumerate(times_only))
    wrongly = sum(found.clip not in (i, None) for i, found in enumerate(times_only))
    cues = [_cue(fauna, records.records[i], found, bees, clips) for i, found in enumerate(matches)]
    named = sum(found.clip == i for i, found in enumerate(matches))
    write_cues(records, cues, folder / "out.csv")
    _check_untouched(table.read_bytes(), (folder / "out.csv").read_bytes())
    lines = [
        f"- Clock offset {offset.offset_s:+.0f} s from {offset.pairs} {offset.how} (true {SLOW_S:+.0f} s).",
        f"- By times alone: offset {guessed.offset_s:+.0f} s from {guessed.pairs} {guessed.how}; "
        f"{rightly} of {len(bees)} records got their own clip, {wrongly} another.",
        f"- With half of the names: {named} of {len(bees)} got their own clip.",
        "- Untouched columns: byte-identical.",
        "",
        "| ranked by | mistakes | average precision | by chance | disagrees | says little | agrees |",
        "| --- | --- | --- | --- | --- | --- | --- |",
    ]
    # A caste that the species does not have (a worker of a cuckoo) is told, but not by the sound: no weight.
    weights = np.array([0.0 if cue.verdict is None else cue.verdict.weight_bits for cue in cues])
    weights = np.nan_to_num(weights)
    told, by_weight = score("weight of the sound", bees, -weights, cues)
    told_best, best = score("best possible", bees, best_possible(fauna, bees))
    right = np.array([not bee.mistake for bee in bees])
    against = weights <= DISAGREES_BITS
    value = float(average_precision_score(~right[against], -weights[against]))
    lines += [*told, *told_best, ""]
    lines.append(
        f"Among the {against.sum()} disagreements: average precision {value:.3f} "
        f"(by chance {(~right)[against].mean():.3f})."
    )
    lines += ["", "| flagged at, bits | right records | wrong ones | flags that are mistakes |"]
    lines.append("| --- | --- | --- | --- |")
    flags: dict[str, Any] = {}
    for bits in (-1.0, -1.5, -2.0, -3.0, -4.0):
        flagged = weights <= bits
        hit = int((flagged & ~right).sum())
        lines.append(
            f"| {bits:+.1f} | {flagged[right].mean():.1%} | {flagged[~right].mean():.1%} "
            f"| {hit} of {flagged.sum()} |"
        )
        flags[f"at_{slug(f'{bits:.1f}')}_bits"] = {
            "right_percent": 100 * flagged[right].mean(),
            "wrong_percent": 100 * flagged[~right].mean(),
            "mistakes": hit,
            "flags": int(flagged.sum()),
        }
    lines += ["", "| agrees at, bits | right records | wrong ones |", "| --- | --- | --- |"]
    for bits in (0.5, 1.0, 1.5, 2.0):
        agreed = weights >= bits
        lines.append(f"| {bits:+.1f} | {agreed[right].mean():.1%} | {agreed[~right].mean():.1%} |")
    return lines, {
        "weight_of_the_sound": by_weight,
        "best_possible": best,
        "own_clip_by_time": rightly,
        "other_clip_by_time": wrongly,
        "own_clip_with_names": named,
        "flagged": flags,
    }


def _cue(fauna: Fauna, record: Record, found: Match, bees: list[Bee], clips: list[ClipTime]) -> Cue:
    measured = None if found.clip is None else heard(clips[found.clip].path, bees[found.clip].f0_hz)
    return cue_for(
        record, found, measured, fauna=fauna, clip="x" if found.clip is not None else "", faults=()
    )


def _check_untouched(before: bytes, after: bytes) -> None:
    """Every line of the table stands at the beginning of a line of the new one (no cell holds a line end)."""
    old, new = before.split(b"\r\n"), after.split(b"\r\n")
    assert len(old) == len(new)
    assert all(there.startswith(line) for line, there in zip(old, new, strict=True))


def by_audio(bees: list[Bee], folder: Path, rng: np.random.Generator) -> tuple[list[str], dict[str, Any]]:
    """Render some of the bees, right and wrong, and go the whole way through the command."""
    clips = folder / "clips"
    clips.mkdir()
    for i, bee in enumerate(bees):
        f0_hz = float(np.clip(bee.f0_hz, 85.0, 260.0))
        condition = ("hover", "fly-by", "wander", "steady wind")[i % 4]
        clip = make_scene(
            int(rng.integers(1 << 30)), condition=condition, snr_db=12.0, duration_s=5.0, f0_hz=f0_hz
        )
        at = bee.when - dt.timedelta(seconds=SLOW_S)
        write_encoded(
            clips / (clip_name(i) if i % 2 else f"{at:%Y%m%d_%H%M%S}_{i}.wav"),
            clip.samples,
            rate_hz=clip.rate_hz,
        )
    (folder / "some.csv").write_bytes(as_csv(bees))
    arguments = [
        "cue",
        str(folder / "some.csv"),
        "--clips",
        str(clips),
        "--out",
        str(folder / "some_out.csv"),
    ]
    result = CliRunner().invoke(wingtone, [*arguments, "--time-zone", "UTC"])
    assert result.exit_code == 0, result.stderr
    rows = list(csv.DictReader(io.StringIO((folder / "some_out.csv").read_text("utf-8-sig")), delimiter=";"))
    pairs = [(float(r["tone_hz"]), b) for r, b in zip(rows, bees, strict=True) if r["tone_hz"]]
    errors = np.abs(np.log([hz / b.f0_hz for hz, b in pairs]))
    weights = np.array([float(r["weight_bits"] or 0) for r in rows])
    wrong = np.array([bool(b.mistake) for b in bees])
    values = {
        "clips": len(bees),
        "with_a_tone": len(pairs),
        "median_error_percent": 100 * float(np.median(errors)),
        "gross_errors": int((errors > 0.1).sum()),
        "average_precision": float(average_precision_score(wrong, -weights)),
        "chance": float(wrong.mean()),
    }
    return [
        "",
        f"{len(pairs)} of {len(bees)} rendered clips gave a tone; median error {np.median(errors):.2%}, "
        f"octave and other gross errors (over a tenth): {values['gross_errors']}; average precision "
        f"{values['average_precision']:.3f} (by chance {values['chance']:.3f}).",
    ], values


def main() -> None:
    """Make the tables and score them."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--records", type=int, default=2000)
    parser.add_argument("--audio", type=int, default=40)
    parser.add_argument("--seed", type=int, default=6)
    add_out(parser)
    wanted = parser.parse_args()
    fauna = load()
    rng = np.random.default_rng(wanted.seed)
    bees = draw_bees(fauna, rng, wanted.records)
    castes = Counter(bee.caste for bee in bees)
    planted = sum(bool(bee.mistake) for bee in bees)
    counted = ", ".join(f"{number} {caste}s" for caste, number in castes.items())
    lines = [f"{len(bees)} made-up records ({counted}), {planted} planted mistakes:", ""]
    values: dict[str, Any] = {"records": len(bees), "planted": planted}
    with tempfile.TemporaryDirectory() as name:
        told, found = by_tones(fauna, bees, Path(name))
        lines, values = lines + told, values | found
        if wanted.audio:
            wrong = [bee for bee in bees if bee.mistake][: wanted.audio // 4]
            right = [bee for bee in bees if not bee.mistake][: wanted.audio - len(wrong)]
            told, values["rendered"] = by_audio(
                sorted(wrong + right, key=lambda bee: bee.when), Path(name), rng
            )
            lines += told
    keep("cue", "\n".join(lines), values, out=wanted.out, seed=wanted.seed, packages=("scikit-learn",))


if __name__ == "__main__":
    main()
