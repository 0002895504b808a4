"""Made-up bees under the engines of games: what the tracker loses with engines in, and with them taken out.

    python tests/benchmarks/engines.py --negatives FOLDER

Every engine among the further negatives (`labelled.py`; cars and aircraft, many of them short loops,
repeated here) is laid under three hovering bees of 10 s at 10, 0 and -5 dB, SNR in 90-2000 Hz. *Missed or
gross*: share of the flight frames whose tracked tone is missing or more than 5 % off, before any decision;
in the mixtures that `wingtone.tone.motor` changed for more than half of their time, and in the others.
Nothing in it was set on these mixtures.
"""

from __future__ import annotations

import argparse
import sys
from collections import defaultdict
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.kept import add_out, keep, slug
from benchmarks.labelled import negatives
from wingtone.simulate import SNR_BAND_HZ, make_scene
from wingtone.simulate.signals import mean_square_in_band
from wingtone.tone import RATE_HZ
from wingtone.tone.hum import without_hum
from wingtone.tone.listen import listen
from wingtone.tone.motor import without_motor

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from benchmarks.labelled import Negative

SNRS_DB = (10.0, 0.0, -5.0)
FIRST_SEED = 33_000
N_BEES = 3
LENGTH_S = 10.0
HOP = RATE_HZ // 100


def missed(sound: NDArray[np.float32], truth: NDArray[np.float64], *, keep_motors: bool) -> int:
    """Count the flight frames whose tracked tone is missing or gross."""
    line = np.full(truth.size, np.nan)
    for heard in listen([sound[None]], keep_motors=keep_motors):
        rows = heard.rows[heard.rows["tracked"] & (heard.rows["frame"] < truth.size)]
        line[rows["frame"]] = np.exp(rows["ln_f0"])
    return int(np.sum(np.isfinite(truth) & ~(np.abs(line / truth - 1) <= 0.05)))


def run(engines: Sequence[Negative], *, first_seed: int = FIRST_SEED) -> dict[str, Any]:
    """Shares by SNR, where engines were taken out and elsewhere."""
    low_hz, high_hz = SNR_BAND_HZ
    in_band = partial(mean_square_in_band, rate_hz=RATE_HZ, low_hz=low_hz, high_hz=high_hz)
    counts: dict[float, dict[bool, NDArray[np.int64]]] = {
        snr_db: defaultdict(_no_frames) for snr_db in SNRS_DB
    }
    for seed in range(first_seed, first_seed + N_BEES):
        clip = make_scene(seed, condition="hover", snr_db=30.0, duration_s=LENGTH_S, rate_hz=RATE_HZ)
        bee, truth = clip.samples[0].astype(np.float64), clip.truth.f0_hz
        flying = np.repeat(np.isfinite(truth), HOP)[: bee.size]
        bee_power = in_band(bee[: flying.size], where=flying)
        for engine in engines:
            times = bee.size // engine.samples.size + 1
            machine = np.tile(engine.samples.astype(np.float64), times)[: bee.size]
            for snr_db in SNRS_DB:
                level = np.sqrt(bee_power / (in_band(machine) + 1e-12) / 10 ** (snr_db / 10))
                sound = (bee + level * machine).astype(np.float32)
                with_engine = without_hum(sound[None])
                taken_out = bool(np.mean(without_motor(with_engine) != with_engine) > 0.5)
                kept, left = (missed(sound, truth, keep_motors=keep) for keep in (True, False))
                counts[snr_db][taken_out] += (1, int(np.isfinite(truth).sum()), kept, left)
    return {
        f"at_{slug(f'{snr_db:.0f} dB')}": {
            name: {
                "mixtures": int(found[0]),
                "kept_percent": 100 * found[2] / max(found[1], 1),
                "taken_out_percent": 100 * found[3] / max(found[1], 1),
            }
            for name, found in (("engine_found", by_find[True]), ("elsewhere", by_find[False]))
        }
        for snr_db, by_find in counts.items()
    }


def _no_frames() -> NDArray[np.int64]:
    return np.zeros(4, np.int64)


def table(values: dict[str, Any], n_engines: int) -> str:
    """Lay the figures out as Markdown."""
    lines = [
        f"{n_engines} engines, {N_BEES} bees each; missed or gross, % of the flight frames.",
        "",
        "| SNR | mixtures | engines left in | taken out |",
        "| --- | --- | --- | --- |",
    ]
    for snr_db in SNRS_DB:
        for name, row in values[f"at_{slug(f'{snr_db:.0f} dB')}"].items():
            lines.append(
                f"| {snr_db:.0f} dB | {row['mixtures']}, {name.replace('_', ' ')} "
                f"| {row['kept_percent']:.1f} % | {row['taken_out_percent']:.1f} % |"
            )
    return "\n".join(lines)


def main() -> int:
    """Run the command."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    parser.add_argument(
        "--negatives", type=Path, required=True, help="folder of unpacked packages, see labelled.py"
    )
    parser.add_argument("--first-seed", type=int, default=FIRST_SEED)
    add_out(parser)
    options = parser.parse_args()
    found = negatives(options.negatives, rate_hz=RATE_HZ)
    engines = [negative for negative in found if negative.label == "engines"]
    if not engines:
        print("no engines below --negatives: see labelled.py", file=sys.stderr)
        return 1
    values = run(engines, first_seed=options.first_seed)
    text = table(values, len(engines))
    keep("engines", text, {"engines": len(engines), **values}, out=options.out, seed=options.first_seed)
    return 0


if __name__ == "__main__":
    sys.exit(main())
