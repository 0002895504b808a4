"""Are the program's probabilities true?

Draws bees, observers and clips from the model and from deliberately wrong variants of it, lets the program
identify them, and reports calibration. Run from the top of the repository:

    python tests/benchmarks/calibration.py --figure demo_audio/pictures/calibration.png

What is measured
----------------
top 1, top 3   share of bees whose taxon is the likeliest, or among the three likeliest
log loss       mean -ln P(true taxon), nats
coverage       share of bees whose taxon is in the 90 % credible set. A set of whole taxa holds at least 90 %,
               mostly more: *stated* is the mean probability the sets claim to hold. In *exact* coverage the
               last taxon of the set counts only with the chance that brings the set to 90 %.
ECE            expected calibration error over ten bins: of every (taxon, bee) probability of at least 1 %,
               of the likeliest taxon, and of the likeliest caste
size           share of bumblebees with a tone whose ITD lies in the 90 % interval
named          share of bees offered for recording at a rank, and how often that name is right
warned         share of bees with a warning that something does not fit; then by what: a hint, the tone too
               high or too low, the date too early or too late, a species not known from the place
"""

from __future__ import annotations

import argparse
import math
import sys
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.kept import add_out, keep, slug
from evidence.drawn_bees import VARIANTS, World
from wingtone.evidence.calibration import Reliability, calibration_error, reliability
from wingtone.evidence.case import posterior
from wingtone.evidence.engine import LEVEL, doubt_words, make_case
from wingtone.evidence.lineup import CASTES, line_up
from wingtone.evidence.naming import name_it
from wingtone.evidence.tone_size import ToneComponents, mixture_quantile, tone_terms
from wingtone.evidence.weigh import misfits, stranger, unseasonal
from wingtone.fauna import load

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from evidence.drawn_bees import Trouble
    from wingtone.evidence.answer import RecordAs
    from wingtone.evidence.case import Case
    from wingtone.evidence.lineup import Lineup
    from wingtone.fauna import Fauna


WHAT = ("hint", "high", "low", "early", "late", "place")
RANKS = ("species", "aggregate", "genus")


@dataclass(frozen=True)
class Scores:
    """One row of the report; all shares 0-1."""

    bees: int
    top_1: float
    top_3: float
    log_loss: float
    coverage: float
    stated: float
    exact_coverage: float
    taxa_in_set: float
    ece_all: float
    ece_top: float
    ece_caste: float
    size_coverage: float
    warned: float
    by_what: dict[str, float]
    named: dict[str, tuple[float, float]]


@dataclass(frozen=True, eq=False)
class Curves:
    """Reliability of one variant."""

    every_taxon: Reliability
    likeliest: Reliability
    caste: Reliability


def size_holds(lineup: Lineup, case: Case, probability: NDArray[np.float64], itd_mm: float) -> bool:
    """Tell whether the ITD lies in the interval (of the bumblebees in the line-up, as in the answer)."""
    terms = tone_terms(lineup.tone, case.tone, temperature_c=case.temperature_c)
    weight = np.where(lineup.is_bumblebee, probability, 0.0)
    mean, sd = np.nan_to_num(terms.itd_mean_ln_mm), np.sqrt(np.nan_to_num(terms.itd_var, nan=1.0))
    low, high = (mixture_quantile(weight, mean, sd, q) for q in (0.5 - LEVEL / 2, 0.5 + LEVEL / 2))
    return bool(low <= math.log(itd_mm) <= high)


def assess(
    fauna: Fauna, trouble: Trouble, *, bees: int, seed: int, surprise_every: int = 1
) -> tuple[Scores, Curves]:
    """Draw bees and score the program on them.

    Parameters
    ----------
    surprise_every
        Judge the fit of every so-many-th bee only, to save time.
    """
    world, lineup = World(fauna, seed=seed, trouble=trouble), line_up(fauna)
    rng = np.random.default_rng(seed + 1)
    ranks, losses, covered, exact, stated, sizes, in_set = [], [], [], [], [], [], []
    everything: list[NDArray[np.float64]] = []
    hits: list[NDArray[np.bool_]] = []
    top_p, top_hit, caste_p, caste_hit, warned, named = [], [], [], [], [], []
    for number in range(bees):
        bee = world.draw()
        case = make_case(lineup, **bee.evidence)
        probability = posterior(lineup, case)
        shares = lineup.by_taxon(probability)
        order = np.argsort(-shares, kind="stable")
        true = lineup.taxa.index(bee.taxon)
        rank = int(np.flatnonzero(order == true)[0])
        running = np.cumsum(shares[order])
        last = int(np.searchsorted(running, LEVEL - 1e-12))
        before = float(running[last - 1]) if last else 0.0
        ranks.append(rank)
        losses.append(-math.log(max(float(shares[true]), 1e-300)))
        covered.append(rank <= last)
        exact.append(rank < last or (rank == last and rng.random() < (LEVEL - before) / shares[order[last]]))
        stated.append(float(running[last]))
        in_set.append(last + 1)
        likely = np.flatnonzero(shares >= 0.01)
        everything.append(shares[likely])
        hits.append(likely == true)
        top_p.append(float(shares[order[0]]))
        top_hit.append(rank == 0)
        castes = lineup.by_caste(probability)
        best = int(castes.argmax())
        caste_p.append(float(castes[best]))
        caste_hit.append(CASTES[best] == (bee.caste if bee.is_bumblebee else "not a bumblebee"))
        if bee.is_bumblebee and case.tone is not None:
            sizes.append(size_holds(lineup, case, probability, bee.itd_mm))
        if number % surprise_every == 0:
            odd = misfits(lineup, case)
            absent = stranger(lineup, case) is not None
            late = unseasonal(lineup, case) is not None
            record = name_it(lineup, case, probability, doubt=doubt_words(odd, absent, late)).record_as
            named.append((record.rank, is_right(fauna, record, bee.taxon)))
            what = {misfit.side or misfit.kind for misfit in odd}
            warned.append(what | ({"place"} if absent else set()) | ({"date"} if late else set()))
    curves = Curves(
        reliability(np.concatenate(everything), np.concatenate(hits)),
        reliability(np.array(top_p), np.array(top_hit)),
        reliability(np.array(caste_p), np.array(caste_hit)),
    )
    scores = Scores(
        bees=bees,
        top_1=float(np.mean(np.array(ranks) == 0)),
        top_3=float(np.mean(np.array(ranks) < 3)),
        log_loss=float(np.mean(losses)),
        coverage=float(np.mean(covered)),
        stated=float(np.mean(stated)),
        exact_coverage=float(np.mean(exact)),
        taxa_in_set=float(np.mean(in_set)),
        ece_all=calibration_error(curves.every_taxon),
        ece_top=calibration_error(curves.likeliest),
        ece_caste=calibration_error(curves.caste),
        size_coverage=float(np.mean(sizes)),
        warned=float(np.mean([bool(what) for what in warned])),
        named={rank: _shares(named, rank) for rank in RANKS},
        by_what={what: float(np.mean([what in each for each in warned])) for what in WHAT},
    )
    return scores, curves


def is_right(fauna: Fauna, record: RecordAs, taxon: str) -> bool:
    """Tell whether the recorded name holds for the true taxon."""
    if record.rank == "aggregate":
        return any(taxon in a.members for a in fauna.aggregates if a.aggregate == record.taxon)
    return taxon == record.taxon or (record.rank == "genus" and taxon.split()[0] == record.taxon)


def _shares(named: Sequence[tuple[str, bool]], rank: str) -> tuple[float, float]:
    """Share of bees recorded at a rank, and how many of those are right (NaN when there are none)."""
    right = [hit for at, hit in named if at == rank]
    return len(right) / len(named), float(np.mean(right)) if right else math.nan


def caste_accuracy(model: ToneComponents, queen: int, worker: int) -> float:
    """Return the share of queens and workers, equally common, that the model itself tells apart by one tone.

    Numerically over ln f0: the mean of the larger of the two densities.
    """
    y = np.linspace(math.log(30), math.log(600), 6001)

    def density(candidate: int) -> NDArray[np.float64]:
        row = int(np.flatnonzero(model.candidate == candidate)[0])
        var = model.own_var[row] + model.exponent[row] ** 2 * model.itd_var[row] + model.within_sd**2
        out = np.exp(-0.5 * (y - model.mean_ln_hz[row]) ** 2 / var) / math.sqrt(2 * math.pi * var)
        return np.asarray(out)

    larger = np.maximum(density(queen), density(worker))
    return float(0.5 * larger.sum() * (y[1] - y[0]))


def caste_table(fauna: Fauna) -> dict[str, float]:
    """Return `caste_accuracy` of every social bumblebee of the fauna."""
    lineup = line_up(fauna)
    typical = {(e.taxon, e.caste): i for i, e in enumerate(fauna.entries) if not e.form and e.is_bumblebee}
    return {
        taxon: caste_accuracy(lineup.tone, typical[taxon, "queen"], typical[taxon, "worker"])
        for taxon in dict.fromkeys(taxon for taxon, caste in typical if caste == "queen")
        if (taxon, "worker") in typical
    }


def report(rows: dict[str, Scores], castes: dict[str, float]) -> str:
    """Write the figures as Markdown."""
    lines = [
        "| world | bees | top 1 | top 3 | log loss | 90 % set holds it (stated) | exact | taxa in set "
        f"| ECE all / top / caste | size in 90 % | warned | {' / '.join(WHAT)} |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    for name, row in rows.items():
        lines.append(
            f"| {name} | {row.bees} | {row.top_1:.1%} | {row.top_3:.1%} | {row.log_loss:.3f} "
            f"| {row.coverage:.1%} ({row.stated:.1%}) | {row.exact_coverage:.1%} | {row.taxa_in_set:.1f} "
            f"| {row.ece_all:.3f} / {row.ece_top:.3f} / {row.ece_caste:.3f} | {row.size_coverage:.1%} "
            f"| {row.warned:.1%} | {' / '.join(f'{row.by_what[what]:.1%}' for what in WHAT)} |"
        )
    lines += ["", "Offered for recording (and right):", ""]
    for name, row in rows.items():
        offered = ", ".join(f"{rank} {share:.0%} ({right:.0%})" for rank, (share, right) in row.named.items())
        lines.append(f"- {name}: {offered}")
    lines += [
        "",
        "Queen or worker from one tone, species known, both equally common (what the model expects):",
        "",
    ]
    lines += [f"- *{taxon}*: {share:.0%}" for taxon, share in castes.items()]
    return "\n".join(lines)


def values(rows: dict[str, Scores], castes: dict[str, float]) -> dict[str, Any]:
    """Return the same as plain values."""
    shares = ("top_1", "top_3", "coverage", "stated", "exact_coverage", "size_coverage", "warned")
    others = ("log_loss", "taxa_in_set", "ece_all", "ece_top", "ece_caste")
    worlds = {
        slug(name): {
            "bees": row.bees,
            **{f"{share}_percent": 100 * getattr(row, share) for share in shares},
            **{key: getattr(row, key) for key in others},
            **{f"{rank}_offered_percent": 100 * row.named[rank][0] for rank in RANKS},
            **{f"{rank}_right_percent": 100 * row.named[rank][1] for rank in RANKS},
        }
        for name, row in rows.items()
    }
    elsewhere = [row.named for name, row in rows.items() if name != "as the model"]
    right = {f"{rank}_right_percent": [100 * named[rank][1] for named in elsewhere] for rank in RANKS}
    percents = {slug(taxon): 100 * share for taxon, share in castes.items()}
    told = {**percents, "of_all": list(percents.values())}
    return {**worlds, "other_worlds": right, "queen_or_worker_percent": told}


def main() -> None:
    """Run the benchmark."""
    parser = argparse.ArgumentParser(description="Calibration of the identification.")
    parser.add_argument("--bees", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=20260320)
    parser.add_argument("--variant-bees", type=int, help="bees for each wrong variant; default a quarter")
    parser.add_argument("--fauna", type=Path)
    add_out(parser)
    parser.add_argument("--figure", type=Path, help="image of the reliability curves")
    options = parser.parse_args()
    fauna = load(options.fauna)
    rows, curves = {}, {}
    for name, trouble in VARIANTS.items():
        bees = options.bees if name == "as the model" else options.variant_bees or options.bees // 4
        rows[name], curves[name] = assess(fauna, trouble, bees=bees, seed=options.seed, surprise_every=2)
        print(f"{name}: {rows[name]}", file=sys.stderr)
    castes = caste_table(fauna)
    keep("calibration", report(rows, castes), values(rows, castes), out=options.out, seed=options.seed)
    if options.figure:
        from wingtone.figures.calibration import draw_calibration

        draw_calibration(
            {name: curve.every_taxon for name, curve in curves.items()},
            coverage={name: row.coverage for name, row in rows.items()},
            warned={name: row.warned for name, row in rows.items()},
            out=options.figure,
        )


if __name__ == "__main__":
    main()
