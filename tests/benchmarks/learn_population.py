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

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from learn.made_up import population
from wingtone.learn import scores
from wingtone.learn.numbers import KINDS
from wingtone.learn.training import train


def limit(draws: int, *, timbre: float, kind: str = "logistic") -> None:
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
    print(
        f"{kind}, timbre {timbre:g}, {draws} populations of 60 animals x 8 clips\n"
        f"  grouped score {mean[0]:.3f}, Bayes on the same clips {mean[1]:.3f}, behind by "
        f"{100 * gap.mean():.1f} +- {100 * error:.1f} points (limit of the population "
        f"{population(0, timbre=timbre).bayes_accuracy:.3f})\n"
        f"  2,000 new animals: {mean[2]:.3f}, Bayes {mean[3]:.3f}; a tone threshold, grouped: {mean[6]:.3f}\n"
        f"  calibration error: held-out groups {mean[4]:.3f} (worst {table[:, 4].max():.3f}; by chance "
        f"alone {mean[7]:.3f}), new animals {mean[5]:.3f} (worst {table[:, 5].max():.3f})",
        flush=True,
    )


def shuffled(draws: int) -> None:
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
    print(
        f"shuffled by animal, {draws} populations: grouped {np.mean(grouped):.3f} "
        f"({chance} of {draws} intervals hold 0.5), ungrouped {np.mean(ungrouped):.3f} "
        f"(least {min(ungrouped):.3f}), warning in {warned} of {draws}",
        flush=True,
    )


def speed() -> None:
    """Time training with its assessment, and judging, by the processor: the machine may be shared."""
    bees = population(0, animals=250, clips=20)
    for kind in KINDS:
        began = time.process_time()
        model = train(bees.dataset(), kind=kind)
        trained = time.process_time() - began
        table = np.tile(bees.table, (2, 1))
        began = time.process_time()
        model.numbers.log_likelihood(table)
        model.numbers.in_range(table)
        judged = time.process_time() - began
        print(
            f"{kind}: {len(bees.caste):,} bouts trained and assessed in {trained:.1f} s of processor; ",
            end="",
        )
        print(f"{len(table):,} judged in {judged:.2f} s", flush=True)


def main() -> None:
    """Run the command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--only", choices=("limit", "shuffled", "speed", "kinds"))
    parser.add_argument("--draws", type=int, default=20)
    options = parser.parse_args()
    if options.only in (None, "limit"):
        limit(options.draws, timbre=0.0)
        limit(options.draws, timbre=1.0)
    if options.only in (None, "shuffled"):
        shuffled(options.draws)
    if options.only in (None, "kinds"):
        for kind in KINDS[1:]:
            limit(max(2, options.draws // 5), timbre=0.0, kind=kind)
    if options.only in (None, "speed"):
        speed()


if __name__ == "__main__":
    main()
