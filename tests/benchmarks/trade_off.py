"""Draw the trade-off between bees found and false bouts from what ``train_gate.py --cross-validate`` found.

    python tests/benchmarks/trade_off.py demo_audio/pictures/trade_off.png

reads ``tests/benchmarks/results/recordings.json``: a line a shuffling, a point a threshold.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.kept import RESULTS, slug

if TYPE_CHECKING:
    from collections.abc import Mapping


def draw(values: Mapping[str, Any], out: Path) -> None:
    """Draw the values of the result ``recordings``."""
    from matplotlib.figure import Figure

    from wingtone.figures.style import save_figure

    thresholds = values["thresholds"]
    by_source = [values["by_source"][f"at_{slug(f'{threshold:g}')}"] for threshold in thresholds]
    figure = Figure(figsize=(6.0, 4.0), dpi=130, layout="constrained")
    axes = figure.subplots()
    for shuffling in range(len(by_source[0]["hits"])):
        rates = [row["false_bouts_a_minute"][shuffling] for row in by_source]
        shares = [100 * row["hits"][shuffling] / row["events"][shuffling] for row in by_source]
        label = f"shuffling {shuffling + 1}{', with its thresholds' if shuffling == 0 else ''}"
        axes.plot(rates, shares, marker="os^vDP"[shuffling % 6], linewidth=1, markersize=5, label=label)
        if shuffling == 0:
            # Thresholds that come to the same share a mark, and so their label.
            named: dict[tuple[float, float], list[str]] = {}
            for threshold, rate, share in zip(thresholds, rates, shares, strict=True):
                named.setdefault((rate, share), []).append(f"{threshold:g}")
            # By turns below and above, as neighbours may be close.
            for number, (place, names) in enumerate(named.items()):
                offset = (4, 5 if number % 2 else -11)
                axes.annotate(", ".join(names), place, offset, textcoords="offset points")
    axes.set_xlabel("false bouts a minute of engines, voices, birds, wind and others")
    axes.set_ylabel("flight tones found, %")
    axes.set_title("Real recordings that the decision had not heard, by threshold", fontsize=10)
    axes.margins(y=0.1)
    axes.grid(alpha=0.3)
    axes.legend(frameon=False, loc="lower right")
    save_figure(figure, out)


if __name__ == "__main__":
    draw(json.loads((RESULTS / "recordings.json").read_text(encoding="utf-8"))["values"], Path(sys.argv[1]))
