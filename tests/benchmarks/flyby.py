"""Straight passes and second bees on made-up clips, and what they add on the labelled recordings.

    python tests/benchmarks/flyby.py [--clips 20] [--first-seed 7000]

gives three tables: the error and the coverage of the fly-by's values at several signal-to-noise ratios;
how often clips without a pass are given one; and how often a second flight is reported beside another, in
clips of one bee (a false alarm) and of two. With the labelled recordings at hand it names what these two
parts find there; a second bee in them is nowhere labelled, so each one is to be looked at.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.kept import add_out, keep, slug
from benchmarks.labelled import recordings_folder
from benchmarks.train_gate import load_sounds
from tone.sounds import at_tone_rate
from wingtone.simulate import CONDITIONS, Clip, make_scene
from wingtone.simulate.flight import Pass
from wingtone.tone import Bout, ToneResult, measure

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

SNRS_DB = (20.0, 15.0, 10.0, 5.0)
SIMULATOR_C = 15.0
WHAT = ("tone", "speed", "distance")
ONE_BEE = tuple(c for c in CONDITIONS if c != "two bees")


def heard(condition: str, seed: int, snr_db: float) -> tuple[Clip, ToneResult]:
    """A made-up clip of 10 s and what is measured in it."""
    clip = make_scene(seed, condition=condition, snr_db=snr_db)
    return clip, measure([at_tone_rate(clip)], band_hz=clip.rate_hz / 2)


def overlapping(bouts: Sequence[Bout]) -> list[tuple[Bout, Bout]]:
    """Pairs of flight bouts that share time."""
    flight = [b for b in bouts if b.kind == "flight"]
    return [
        (one, other)
        for i, one in enumerate(flight)
        for other in flight[i + 1 :]
        if min(one.end_s, other.end_s) - max(one.start_s, other.start_s) > 0.05
    ]


def pass_errors(clip: Clip, result: ToneResult) -> Iterator[list[float]]:
    """For each reported pass: relative errors of tone, speed and distance, then whether each is covered.

    The simulator's air is at 15 °C and the report assumes 20 °C: speed and distance are put right for it.
    """
    from wingtone.tone.flyby import AIR_C, speed_of_sound

    air = speed_of_sound(SIMULATOR_C) / speed_of_sound(AIR_C)
    for bout in result.bouts:
        found = bout.flyby
        if found is None:
            continue
        true = max(clip.truth.bouts, key=lambda t: min(t.end_s, bout.end_s) - max(t.start_s, bout.start_s))
        assert isinstance(true.path, Pass)
        yield [
            found.f0_source_hz / true.f0_source_hz - 1,
            found.speed_m_s * air / true.path.speed_m_s - 1,
            found.closest_m * air / true.path.closest_m - 1,
            found.f0_source_low_hz <= true.f0_source_hz <= found.f0_source_high_hz,
            found.speed_low_m_s * air <= true.path.speed_m_s <= found.speed_high_m_s * air,
            found.closest_low_m * air <= true.path.closest_m <= found.closest_high_m * air,
        ]


def passes(seeds: range) -> tuple[list[str], dict[str, Any]]:
    """The table of errors and coverage."""
    lines = [
        "| SNR, dB | passes given | median error: tone, speed, distance | within 0.3, 20, 30 % | covered |",
        "| --- | --- | --- | --- | --- |",
    ]
    values: dict[str, Any] = {}
    for snr_db in SNRS_DB:
        rows: list[list[float]] = []
        n = 0
        for seed in seeds:
            clip, result = heard("fly-by", seed, snr_db)
            n += len(clip.truth.bouts)
            rows += pass_errors(clip, result)
        table = np.array(rows).reshape(-1, 6)
        size = np.abs(table[:, :3])
        median = 100 * np.median(size, axis=0) if rows else np.full(3, np.nan)
        within = 100 * (size < [0.003, 0.2, 0.3]).mean(axis=0) if rows else np.full(3, np.nan)
        covered = 100 * table[:, 3:].mean(axis=0) if rows else np.full(3, np.nan)
        lines.append(
            f"| {snr_db:.0f} | {len(rows)} of {n} | {_percents(median, 2)} "
            f"| {_percents(within, 0)} | {_percents(covered, 0)} |"
        )
        values[f"at_{slug(f'{snr_db:.0f} dB')}"] = {
            "given": len(rows),
            "of": n,
            **{f"{what}_error_percent": value for what, value in zip(WHAT, median, strict=True)},
            **{f"{what}_within_percent": value for what, value in zip(WHAT, within, strict=True)},
            **{f"{what}_covered_percent": value for what, value in zip(WHAT, covered, strict=True)},
        }
    return lines, values


def _percents(values: Any, digits: int) -> str:
    return " / ".join(f"{v:.{digits}f}" for v in values) + " %"


def alarms(seeds: range, snr_db: float) -> tuple[list[str], dict[str, Any]]:
    """How many clips of each condition are given a pass, and how many a second flight."""
    lines = [
        "",
        f"| at {snr_db:.0f} dB | clips | with a pass | with a second flight beside another |",
        "| --- | --- | --- | --- |",
    ]
    with_pass = with_second = 0
    for condition in CONDITIONS:
        results = [heard(condition, seed, snr_db)[1] for seed in seeds]
        a = sum(any(b.flyby for b in r.bouts) for r in results)
        b = sum(bool(overlapping(r.bouts)) for r in results)
        with_pass += a * (condition != "fly-by")
        with_second += b * (condition in ONE_BEE)
        lines.append(f"| {condition} | {len(seeds)} | {a} | {b} |")
    n_other, n_one = len(seeds) * (len(CONDITIONS) - 1), len(seeds) * len(ONE_BEE)
    lines.append(f"| without a pass, together | {n_other} | {with_pass} | |")
    lines.append(f"| one bee, together | {n_one} | | {with_second} |")
    return lines, {
        "without_a_pass_clips": n_other,
        "given_one": with_pass,
        "one_bee_clips": n_one,
        "given_a_second": with_second,
    }


def two_bees(seeds: range, snr_db: float) -> tuple[str, dict[str, Any]]:
    """How much of the time two bees fly together is heard as two, and how well."""
    both = found = right = 0
    errors = []
    for seed in seeds:
        clip, result = heard("two bees", seed, snr_db)
        truth = clip.truth
        both += int(np.isfinite(truth.second_f0_hz).sum())
        flight = [i for i, b in enumerate(result.bouts) if b.kind == "flight"]
        chosen = np.isin(result.track.bout, flight)
        frames = np.rint(result.track.time_s[chosen] * 100).astype(int)
        tones = result.track.f0_hz[chosen]
        for frame in np.flatnonzero(np.bincount(frames) > 1):
            if frame >= truth.f0_hz.size or not np.isfinite(truth.second_f0_hz[frame]):
                continue
            got = np.sort(tones[frames == frame])
            true = np.sort([truth.f0_hz[frame], truth.second_f0_hz[frame]])
            found += 1
            error = np.abs(got[:2] / true - 1)
            right += bool((error < 0.05).all())
            errors.append(error.max())
    values = {
        "together_s": both / 100,
        "heard_as_two_percent": 100 * found / max(both, 1),
        "both_right_percent": 100 * right / max(found, 1),
        "worse_error_percent": 100 * float(np.median(errors)) if errors else None,
    }
    median = f"{values['worse_error_percent']:.2f} %" if errors else "none"
    return (
        f"Two bees at {snr_db:.0f} dB: {values['together_s']:.0f} s together, heard as two "
        f"{values['heard_as_two_percent']:.0f} %, of these both tones within 5 %: "
        f"{values['both_right_percent']:.1f} %; median of the worse error {median}."
    ), values


def recordings() -> None:
    """Name the passes and second flights in the labelled recordings."""
    folder = recordings_folder()
    if folder is None:
        print("\nThe labelled recordings are not here (WINGTONE_RECORDINGS): nothing is said of them.")
        return
    print("\nIn the labelled recordings:")
    for sound in load_sounds(folder):
        result = measure([sound.samples], band_hz=sound.band_hz)
        name = f"{sound.file} ({sound.events[0].label})"
        for bout in result.bouts:
            if bout.flyby is not None:
                print(f"  pass: {name} {bout.start_s:.2f}-{bout.end_s:.2f} s {bout.flyby}")
        for one, other in overlapping(result.bouts):
            print(
                f"  two flights: {name} {one.start_s:.2f}-{one.end_s:.2f} s {one.f0_hz:.0f} Hz, "
                f"{other.start_s:.2f}-{other.end_s:.2f} s {other.f0_hz:.0f} Hz"
            )


def main() -> int:
    """Run the command."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument("--clips", type=int, default=20, help="of each condition")
    parser.add_argument("--first-seed", type=int, default=7000)
    add_out(parser)
    options = parser.parse_args()
    seeds = range(options.first_seed, options.first_seed + options.clips)
    lines, by_snr = passes(seeds)
    values: dict[str, Any] = {"clips": options.clips, "passes": by_snr}
    for snr_db in (15.0, 5.0):
        table, counted = alarms(seeds, snr_db)
        told, together = two_bees(seeds, snr_db)
        lines += [*table, "", told]
        values[f"at_{slug(f'{snr_db:.0f} dB')}"] = {**counted, **together}
    keep("flyby", "\n".join(lines), values, out=options.out, seed=options.first_seed)
    recordings()
    return 0


if __name__ == "__main__":
    sys.exit(main())
