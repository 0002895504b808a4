"""Is the classifier as good as can be, calibrated, quick, and not fooled? On animals with a known limit.

    python tests/benchmarks/learn_population.py             everything, about six minutes
    python tests/benchmarks/learn_population.py --only limit|shuffled|speed|kinds

limit     60 animals x 8 clips, drawn again and again: the grouped score beside what the best possible
          classifier (Bayes, which knows the population) reaches on the same clips, and the calibration error
          on animals held out and on 2,000 new animals
shuffled  the same with castes dealt out anew by animal: grouped must be chance, ungrouped not, the warning on
speed     processor seconds to train and assess on 5,000 bouts, and to judge 10,000
kinds     the other kinds on a few of the same populations

The populations are seeds 0, 1, 2 ... of `learn.made_up`. What the classifier was given as its own choices
(figures are believed by families, and how much a family is doubted) was chosen on seeds 1000 to 1139.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.kept import add_out, keep
from learn.made_up import population
from wingtone.learn import scores
from wingtone.learn.kinds import KINDS
from wingtone.learn.training import train


def limit(draws: int, *, timbre: float, kind: str = "logistic") -> dict[str, Any]:
    """Compare with the Bayes limit and measure calibration."""
    rows = []
    for seed in range(draws):
        bees = population(seed, timbre=timbre)
        model = train(bees.dataset(), kind=kind)
        new = population(10_000 + seed, animals=2000, clips=1, timbre=timbre)
        probability = np.exp(model.numbers.log_posterior(new.table))
        measures = model.assessment.measures
        rows.append(
            (
                measures["balanced_accuracy"].value,
                scores.balanced_accuracy(scores.confusion(bees.caste, bees.bayes_calls, 2)),
                scores.balanced_accuracy(scores.confusion(new.caste, probability.argmax(axis=1), 2)),
                scores.balanced_accuracy(scores.confusion(new.caste, new.bayes_calls, 2)),
                measures["calibration_error"].value,
                scores.calibration_error(scores.reliability(probability, new.caste)),
                model.assessment.baselines["tone threshold"].value,
                measures["calibration_error_by_chance"].value,
            )
        )
    table = np.array(rows)
    gap = table[:, 1] - table[:, 0]
    error = gap.std(ddof=1) / np.sqrt(draws)
    mean = table.mean(axis=0)
    return {
        "grouped_percent": 100 * mean[0],
        "bayes_percent": 100 * mean[1],
        "behind_points": 100 * gap.mean(),
        "behind_error_points": 100 * error,
        "new_percent": 100 * mean[2],
        "new_bayes_percent": 100 * mean[3],
        "tone_threshold_percent": 100 * mean[6],
        "ece": mean[4],
        "ece_worst": table[:, 4].max(),
        "ece_by_chance": mean[7],
        "ece_new": mean[5],
        "ece_new_worst": table[:, 5].max(),
    }


def limit_row(kind: str, differ_in: str, row: dict[str, Any]) -> str:
    """One line of the table of limits."""
    return (
        f"| {kind} | {differ_in} | {row['grouped_percent']:.1f} % | {row['bayes_percent']:.1f} % "
        f"| {row['behind_points']:.1f} ± {row['behind_error_points']:.1f} "
        f"| {row['tone_threshold_percent']:.1f} % "
        f"| {row['ece']:.3f} ({row['ece_worst']:.3f}; by chance alone {row['ece_by_chance']:.3f}) "
        f"| {row['new_percent']:.1f} % ({row['new_bayes_percent']:.1f} %) "
        f"| {row['ece_new']:.3f} ({row['ece_new_worst']:.3f}) |"
    )


def shuffled(draws: int) -> dict[str, Any]:
    """Deal the castes out anew, animal by animal."""
    grouped, ungrouped, warned, chance = [], [], 0, 0
    for seed in range(draws):
        bees = population(seed)
        labels = np.random.default_rng(seed).permutation(np.arange(60) % 2)[bees.animal]
        assessment = train(dataclasses.replace(bees, caste=labels).dataset()).assessment
        score = assessment.measures["balanced_accuracy"]
        grouped.append(score.value)
        chance += score.low <= 0.5 <= score.high
        assert assessment.ungrouped is not None
        ungrouped.append(assessment.ungrouped.value)
        warned += "leakage" in dict(assessment.warnings)
    return {
        "draws": draws,
        "grouped_percent": 100 * float(np.mean(grouped)),
        "intervals_that_hold_chance": chance,
        "ungrouped_percent": 100 * float(np.mean(ungrouped)),
        "ungrouped_least_percent": 100 * min(ungrouped),
        "warned": warned,
    }


def speed() -> dict[str, Any]:
    """Time training with its assessment, and judging, by the processor: the machine may be shared."""
    bees = population(0, animals=250, clips=20)
    values: dict[str, Any] = {"bouts": len(bees.caste), "judged": 2 * len(bees.caste)}
    for kind in KINDS:
        began = time.process_time()
        model = train(bees.dataset(), kind=kind)
        trained = time.process_time() - began
        table = np.tile(bees.table, (2, 1))
        began = time.process_time()
        model.numbers.log_likelihood(table)
        model.numbers.in_range(table)
        judged = time.process_time() - began
        values[kind] = {"train_s": trained, "judge_s": judged}
    return values


HEAD = """60 animals x 8 clips in each population. Behind: balanced accuracy of the grouped cross-validation
below that of the best possible classifier on the same clips, in points. ECE: expected calibration error.

| kind | castes differ in | grouped | Bayes | behind | tone threshold | ECE on held-out groups (worst) \
| 2,000 new animals (Bayes) | ECE there (worst) |
| --- | --- | --- | --- | --- | --- | --- | --- | --- |"""


def main() -> None:
    """Run the command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--only", choices=("limit", "shuffled", "speed", "kinds"))
    parser.add_argument("--draws", type=int, default=20)
    add_out(parser)
    options = parser.parse_args()
    lines: list[str] = []
    values: dict[str, Any] = {"draws": options.draws}
    if options.only in (None, "limit", "kinds"):
        lines.append(HEAD)
    if options.only in (None, "limit"):
        for timbre, differ_in in ((0.0, "tone"), (1.0, "tone and timbre")):
            found = limit(options.draws, timbre=timbre)
            values["timbre" if timbre else "tone"] = found
            lines.append(limit_row("logistic", differ_in, found))
    if options.only in (None, "kinds"):
        for kind in KINDS[1:]:
            values[kind] = limit(max(2, options.draws // 5), timbre=0.0, kind=kind)
            lines.append(limit_row(kind, f"tone ({max(2, options.draws // 5)} populations)", values[kind]))
    if options.only in (None, "shuffled"):
        found = values["shuffled"] = shuffled(max(2, options.draws // 2))
        lines += [
            "",
            f"Castes dealt out anew by animal, {found['draws']} populations: grouped "
            f"{found['grouped_percent']:.1f} % ({found['intervals_that_hold_chance']} intervals hold 50 %), "
            f"ungrouped {found['ungrouped_percent']:.1f} % (least {found['ungrouped_least_percent']:.1f} %), "
            f"the warning of leakage in {found['warned']}.",
        ]
    if options.only in (None, "speed"):
        found = values["speed"] = speed()
        lines += [
            "",
            f"| kind | {found['bouts']:,} bouts trained and assessed | {found['judged']:,} judged |",
        ]
        lines.append("| --- | --- | --- |")
        lines += [f"| {k} | {found[k]['train_s']:.1f} s | {found[k]['judge_s']:.2f} s |" for k in KINDS]
        lines.append("")
        lines.append("Seconds of the processor.")
    keep("learn_population", "\n".join(lines), values, out=options.out, seed=0, packages=("scikit-learn",))


if __name__ == "__main__":
    main()
