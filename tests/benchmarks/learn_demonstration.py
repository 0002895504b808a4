"""How good the demonstration model that ships says it is: the assessment in its own header, as a table.

    python tests/benchmarks/learn_demonstration.py

The model is made anew, bit for bit, by ``python models/make_demonstration.py --check``.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.kept import ROOT, add_out, keep, slug
from wingtone.learn.model_file import load_model

MEASURES = ("balanced_accuracy", "calibration_error", "calibration_error_by_chance")


def main() -> None:
    """Read the header and lay it out."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    add_out(parser)
    options = parser.parse_args()
    assessment = load_model(ROOT / "models" / "demonstration.wingtone").assessment
    rows = {
        **{name: assessment.measures[name] for name in MEASURES},
        **{f"balanced accuracy of {name}": found for name, found in assessment.baselines.items()},
    }
    lines = ["Made-up animals, tested on animals not learnt from.", "", "| measure | value | 95 % interval |"]
    lines.append("| --- | --- | --- |")
    values = {}
    for name, found in rows.items():
        lines.append(
            f"| {name.replace('_', ' ')} | {found.value:.3f} | {found.low:.3f} to {found.high:.3f} |"
        )
        values[slug(name)] = {"value": found.value, "low": found.low, "high": found.high}
    keep("learn_demonstration", "\n".join(lines), values, out=options.out)


if __name__ == "__main__":
    main()
