"""Draw the trade-off between bees found and false bouts from the table that ``train_gate.py`` prints.

    python tests/benchmarks/trade_off.py demo_audio/pictures/trade_off.png

reads ``tests/benchmarks/results/recordings.md``: a line a shuffling, a point a threshold.
"""

from __future__ import annotations

import re
import sys
from collections import defaultdict
from pathlib import Path

TABLE = Path(__file__).parent / "results" / "recordings.md"
ROW = re.compile(
    r"\| by source, seed (?P<seed>\d+) \| (?P<threshold>[\d.]+) \| (?P<hits>\d+)/(?P<events>\d+) .*?\|.*?"
    r"\| (?P<mistaken>\d+)/\d+ \| \d+/\d+ \| (?P<rate>[\d.]+) \|"
)


def points(text: str) -> dict[str, list[tuple[float, float, float]]]:
    """Threshold, share of the tones found, and false bouts a minute, by shuffling, thresholds ascending."""
    found = defaultdict(list)
    for row in ROW.finditer(text):
        share = int(row["hits"]) / int(row["events"])
        found[row["seed"]].append((float(row["threshold"]), share, float(row["rate"])))
    return {seed: sorted(rows) for seed, rows in found.items()}


def main() -> int:
    """Draw it."""
    from matplotlib.figure import Figure

    from wingtone.figures.saving import save_figure

    shufflings = points(TABLE.read_text(encoding="utf-8"))
    figure = Figure(figsize=(6.0, 4.0), dpi=130, layout="constrained")
    axes = figure.subplots()
    for mark, (seed, rows) in zip("os^v", shufflings.items(), strict=False):
        thresholds, shares, rates = zip(*rows, strict=True)
        label = f"shuffling {int(seed) + 1}"
        axes.plot(rates, [100 * s for s in shares], marker=mark, linewidth=1, markersize=5, label=label)
        if mark == "o":
            for threshold, share, rate in zip(thresholds, shares, rates, strict=True):
                axes.annotate(f"{threshold:g}", (rate, 100 * share), (4, -10), textcoords="offset points")
    axes.set_xlabel("false bouts a minute of engines, voices, birds, wind and others")
    axes.set_ylabel("flight tones found, %")
    axes.set_title("Real recordings that the decision had not heard, by threshold", fontsize=10)
    axes.grid(alpha=0.3)
    axes.legend(frameon=False, loc="lower right")
    save_figure(figure, Path(sys.argv[1]))
    return 0


if __name__ == "__main__":
    sys.exit(main())
