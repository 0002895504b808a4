"""Make a season of made-up bouts, to try tables on: ``python -m wingtone.simulate.season --out season``.

Two made-up gardens are listened to for an hour every third day from April to July. Red-tailed bumblebees fly:
queens at first, and workers take over. No sound is made; tones are drawn, and the same seed gives the same
tables. Both gardens are drawn alike.

- `season_tables`: the rows of a table of bouts and of one of recordings
- `write_season`: the two as ``bouts.csv`` and ``recordings.csv``, the names that a survey gives them
"""

from __future__ import annotations

import argparse
import csv
import datetime as dt
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from wingtone.files import replacing
from wingtone.simulate.population import Group, draw_individuals

if TYPE_CHECKING:
    import os

__all__ = ["season_tables", "write_season"]

GARDENS = ("orchard", "pond")
TAXON = "Bombus lapidarius"
QUEENS = Group(TAXON, "queen", 5.83, 0.3, f0_log_sd=0.08)
WORKERS = Group(TAXON, "worker", 3.41, 0.45, f0_log_sd=0.12)
"""Means near those of the shipped fauna; the spreads are ours."""
FIRST_DAY, N_DAYS, STEP_DAYS = dt.date(2026, 4, 10), 30, 3
HOURS = (9, 11, 13, 15)
HOUR_S = 3600.0
BEES_A_RECORDING = 2.0
CHANGEOVER, CHANGEOVER_DAYS = dt.date(2026, 6, 1), 20
"""The day on which half of the bees are workers, and the days from a tenth of them to nine tenths."""
DAY_SD, WITHIN_SD, ERROR_SD = 0.02, 0.05, 0.003
"""Of ln tone: what the bees of a day share, one bee from flight to flight, and the measurement. Ours."""


def season_tables(seed: int = 1) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Draw the season.

    Returns
    -------
    bouts, recordings
        Rows; those of the bouts hold the truth in ``true_bee`` and ``true_caste``, which no command reads.
    """
    rng = np.random.default_rng(seed)
    n_bees = 0
    bouts: list[dict[str, Any]] = []
    recordings: list[dict[str, Any]] = []
    for step in range(N_DAYS):
        day = FIRST_DAY + dt.timedelta(days=STEP_DAYS * step)
        share = 1 / (1 + math.exp(-2 * math.log(9) * (day - CHANGEOVER).days / CHANGEOVER_DAYS))
        for garden in GARDENS:
            path = f"{garden}/{day.isoformat()}.wav"
            recorded_at = f"{day.isoformat()}T{HOURS[step % len(HOURS)]:02d}:00:00"
            recordings.append({"path": path, "recorded_at": recorded_at, "heard_s": HOUR_S})
            of_day = DAY_SD * rng.standard_normal()
            for start_s in np.sort(rng.uniform(0, HOUR_S - 60, rng.poisson(BEES_A_RECORDING))):
                group = WORKERS if rng.random() < share else QUEENS
                (bee,) = draw_individuals(rng, group, 1)
                n_bees += 1
                for k in range(1 + rng.poisson(1.0)):
                    tone_hz = bee.f0_hz * math.exp(of_day + WITHIN_SD * rng.standard_normal())
                    start = float(start_s) + 4.0 * k
                    bouts.append(
                        {
                            "path": path,
                            "recorded_at": recorded_at,
                            "kind": "flight",
                            "start_s": round(start, 2),
                            "end_s": round(start + 1.5, 2),
                            "f0_hz": round(tone_hz, 1),
                            "f0_low_hz": round(tone_hz * (1 - 2 * ERROR_SD), 1),
                            "f0_high_hz": round(tone_hz * (1 + 2 * ERROR_SD), 1),
                            "snr_db": 10.0,
                            "true_bee": n_bees,
                            "true_caste": group.caste,
                        }
                    )
    return bouts, recordings


def write_season(folder: str | os.PathLike[str], *, seed: int = 1) -> tuple[Path, Path]:
    """Write the two tables into a folder, made when it is missing; return their paths."""
    place = Path(folder)
    place.mkdir(parents=True, exist_ok=True)
    paths = place / "bouts.csv", place / "recordings.csv"
    for path, rows in zip(paths, season_tables(seed), strict=True):
        with replacing(path) as scratch, scratch.open("w", encoding="utf-8", newline="") as file:
            writer = csv.DictWriter(file, list(rows[0]), lineterminator="\n")
            writer.writeheader()
            writer.writerows(rows)
    return paths


def main() -> None:
    """Run as a program."""
    parser = argparse.ArgumentParser(description="Make a made-up season of bouts, without any sound.")
    parser.add_argument("--out", required=True, type=Path, help="folder to write to")
    parser.add_argument("--seed", type=int, default=1, help="another seed gives another season")
    options = parser.parse_args()
    for path in write_season(options.out, seed=options.seed):
        print(f"{path.name}: made up, nobody heard these bees")


if __name__ == "__main__":
    main()
