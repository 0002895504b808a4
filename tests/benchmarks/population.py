"""Do the intervals of ``wingtone sizes`` hold what they promise, and does it claim only what is there?

Populations are drawn from the stated model (`tests/population/made_up.py`; tones only, no sound) with 20 to
500 bees, several bouts a bee, error of measurement, days that differ, and queens from none to all. Run from
the top:

    python tests/benchmarks/population.py
    python tests/benchmarks/population.py --share 0.05 --only castes      a twentieth of the samples

What is measured
----------------
quantiles   share of 95 % intervals of the 10, 50 and 90 % quantile, the mean, and the spread between bees
            that hold the truth
castes      the same of the share of queens, whatever the answer; how often a split was claimed
one caste   how often a split was claimed where there is one caste: normal; mixed of taxa as the fauna leads
            to expect; and half and half of two species
changeover  share of 95 % intervals that hold the day
permutation share of p <= 0.05 where two sites do not differ, with days that differ and recordings of unequal
            size
rates       share of 95 % intervals of bees an hour that hold the truth, for chance alone and for days
            that differ
differences share of 95 % intervals of the difference of two sites that hold it, from few recordings, also
            where one of them holds most of the bees
splits      how often a split is found with 30 % queens, in gardens whose tones are as expected
power       share of samples in which a stated difference is found, beside the power stated
"""

from __future__ import annotations

import argparse
import itertools
import math
import sys
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks.kept import add_out, keep, slug
from population.made_up import WITHIN, Drawn, draw
from wingtone.fauna import load
from wingtone.population.activity import rate
from wingtone.population.castes import castes
from wingtone.population.changeover import changeover
from wingtone.population.comparison import LEAST_CLUSTERS, compare, needed, permutation_p
from wingtone.population.distribution import quantiles, spread
from wingtone.population.expected import expected_castes
from wingtone.population.resampling import Clusters, cluster_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

Part = tuple[list[str], dict[str, Any]]
"""Lines of a table, and its values."""

SHARES = (0.0, 0.1, 0.25, 0.5, 0.75, 0.9, 1.0)
TAXON = "Bombus terrestris"
"""The hardest of the common species: its castes lie nearest together."""


def rated(hits: Iterable[bool]) -> tuple[float, float, int]:
    """Return share, standard error, and number."""
    values = np.array(list(hits), float)
    n = len(values)
    share = float(values.mean()) if n else math.nan
    return share, math.sqrt(max(share * (1 - share), 0.25 / max(n, 1)) / max(n, 1)), n


def told(hits: Iterable[bool]) -> str:
    """Write a share with its error."""
    share, error, n = rated(hits)
    return f"{100 * share:.1f} % +- {100 * error:.1f} ({n})"


def kept(hits: Iterable[bool]) -> dict[str, float]:
    """Return the same as values."""
    share, error, n = rated(hits)
    return {"percent": 100 * share, "error_percent": 100 * error, "of": n}


def quantile_part(rng: np.random.Generator, draws: int) -> Part:
    """Coverage of quantiles, mean and spread, in a garden as expected with days that differ."""
    expected = expected_castes(load(), taxa=[TAXON])
    lines = [
        "| bees | days | queens | 10 % | 50 % | 90 % | mean | spread |",
        "| --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    every: list[bool] = []
    few: list[bool] = []
    for (n, days), share in itertools.product(((20, 10), (60, 12), (500, 25)), (0.0, 0.5)):
        big = draw(rng, expected, 100_000, share, doubt=False, n_days=5000)
        truth = np.quantile(big.tone_hz, (0.1, 0.5, 0.9))
        mean = float(big.tone_hz.mean())
        sd = math.sqrt(float(np.var(big.tone_hz) - np.mean((big.tone_hz * big.error_ln) ** 2)))
        hits: list[list[bool]] = [[] for _ in range(5)]
        for _ in range(draws):
            found = draw(rng, expected, n, share, doubt=False, n_days=days)
            clusters = cluster_of(found.bees)
            for k, q in enumerate(quantiles(found.tone_hz, clusters, probabilities=(0.1, 0.5, 0.9))):
                hits[k].append(not (q.low > truth[k] or q.high < truth[k]))  # an open end holds everything
            middle = spread(found.tone_hz, found.error_ln, clusters, rng=rng, n_draws=199)
            hits[3].append(middle.mean_low_hz <= mean <= middle.mean_high_hz)
            hits[4].append(middle.bees_sd_low_hz <= sd <= middle.bees_sd_high_hz)
        lines.append(f"| {n} | {days} | {share:.0%} | " + " | ".join(told(h) for h in hits) + " |")
        every += [hit for part in hits for hit in part]
        few += hits[3] + hits[4] if n == 20 else []
    lines += ["", f"All together: {told(every)}; mean and spread of 20 bees on ten days: {told(few)}."]
    return lines, {"all": kept(every), "mean_and_spread_of_20_bees": kept(few)}


def caste_part(rng: np.random.Generator, draws: int) -> Part:
    """Coverage of the share of queens, and claims of a split."""
    expected = expected_castes(load(), taxa=[TAXON])
    lines = [
        "| bees | queens | interval holds | mean width | split claimed |",
        "| --- | --- | --- | --- | --- |",
    ]
    every, inner, false_claims = [], [], []
    for n, share in itertools.product((20, 80, 500), SHARES):
        many = draws if n < 500 else max(draws // 2, 10)
        hits, widths, claims = [], [], []
        for _ in range(many):
            found = draw(rng, expected, n, share)
            answer, _ = castes(
                found.tone_ln,
                found.error_ln,
                cluster_of(found.bees),
                expected,
                rng=rng,
                n_draws=100,
                n_null=99,
            )
            queens = answer.groups[0]
            hits.append(queens.low <= share <= queens.high)
            widths.append(queens.high - queens.low)
            claims.append(answer.answer == "two groups")
        lines.append(f"| {n} | {share:.0%} | {told(hits)} | {np.mean(widths):.2f} | {told(claims)} |")
        every += hits
        inner += hits if 0 < share < 1 else []
        false_claims += claims if share in (0.0, 1.0) else []
    lines += [
        "",
        f"All together: {told(every)}; where both castes are there: {told(inner)}. "
        f"A split was claimed in {told(false_claims)} of the samples of one caste.",
    ]
    return lines, {"all": kept(every), "both_there": kept(inner), "false_splits": _counted(false_claims)}


def _counted(claims: list[bool]) -> dict[str, int]:
    return {"claimed": sum(claims), "of": len(claims)}


def one_caste_part(rng: np.random.Generator, draws: int) -> Part:
    """Claims of a split where there is one caste, the species not named."""
    fauna = load()
    whole = expected_castes(fauna)
    kinds: dict[str, Callable[[int, float], Drawn]] = {
        "one caste, normal, days alike": lambda n, s: draw(rng, whole, n, s, day_sd=0.0),
        "one caste, normal, days differ (sd 4 %)": lambda n, s: draw(rng, whole, n, s, day_sd=0.04),
        "one caste, taxa as the fauna expects": lambda n, s: draw(rng, whole, n, s, composed=3.0),
        "one caste, half of it of each of two taxa": lambda n, s: _two_taxa(rng, n),
    }
    lines = ["| sample | 40 bees | 200 bees |", "| --- | --- | --- |"]
    every: list[bool] = []
    for name, make in kinds.items():
        cells = []
        for n in (40, 200):
            claims = []
            for k in range(draws):
                found = make(n, float(k % 2))
                clusters = cluster_of(found.bees)
                answer, _ = castes(
                    found.tone_ln, found.error_ln, clusters, whole, rng=rng, n_draws=100, n_null=99
                )
                claims.append(answer.answer == "two groups")
            cells.append(told(claims))
            every += claims
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    return lines, {"false_splits": _counted(every)}


def _two_taxa(rng: np.random.Generator, n: int) -> Drawn:
    """Workers only, of *terrestris* and *lapidarius* in equal parts: 155 and 190 Hz by the fauna."""
    fauna = load()
    pair = [expected_castes(fauna, taxa=[name]) for name in (TAXON, "Bombus lapidarius")]
    first, second = (draw(rng, expected, n // 2, 0.0, doubt=False) for expected in pair)
    lower = np.concatenate([first.lower, second.lower])
    return Drawn(first.bees + second.bees, lower, first.means_ln, first.sds_ln)


def changeover_part(rng: np.random.Generator, draws: int) -> Part:
    """Coverage of the day of changeover."""
    expected = expected_castes(load(), taxa=[TAXON])
    lines = [
        "| bees | days | interval holds the day | median width, days | a day given |",
        "| --- | --- | --- | --- | --- |",
    ]
    every: list[bool] = []
    for n, days in ((60, 25), (150, 25), (500, 30)):
        hits, widths = [], []
        for _ in range(draws):
            day = float(rng.uniform(125, 150))
            found = draw(rng, expected, n, 0.0, n_days=days, changeover=(day, 25.0))
            clusters = cluster_of(found.bees)
            _, members = castes(
                found.tone_ln, found.error_ln, clusters, expected, rng=rng, n_draws=150, n_null=1
            )
            assert members is not None
            answer = changeover(
                [bee.day for bee in found.bees], found.tone_ln, found.error_ln, members, clusters
            )
            if answer.found:
                hits.append(answer.low <= day <= answer.high)
                widths.append(answer.high - answer.low)
        lines.append(f"| {n} | {days} | {told(hits)} | {np.median(widths):.0f} | {len(hits)} of {draws} |")
        every += hits
    return [*lines, "", f"All together: {told(every)}."], {"all": kept(every)}


def permutation_part(rng: np.random.Generator, draws: int) -> Part:
    """False alarms of the permutation test."""
    lines = ["| clusters a site | bees a cluster | p <= 0.05 |", "| --- | --- | --- |"]
    every: list[bool] = []
    for (one, other), size in itertools.product(((5, 5), (8, 12), (30, 30)), (1, 6)):
        alarms = []
        for _ in range(draws):
            sizes = 1 + rng.poisson(size - 1, one + other) if size > 1 else np.ones(one + other, int)
            cluster = np.repeat(np.arange(one + other), sizes)
            tones = (
                150 + 15 * rng.standard_normal(len(cluster)) + 6 * rng.standard_normal(one + other)[cluster]
            )
            labels = np.repeat([0, 1], [one, other])
            alarms.append(permutation_p(tones, cluster, labels, rng=rng, n_permutations=999) <= 0.05)
        lines.append(f"| {one} and {other} | {'1' if size == 1 else '1 or more, mean 6'} | {told(alarms)} |")
        every += alarms
    lines += ["", f"All together: {told(every)}."]
    return lines, {"all": kept(every)}


def rate_part(rng: np.random.Generator, draws: int) -> Part:
    """Coverage of bees an hour."""
    lines = ["| days | bees an hour | days differ | interval holds |", "| --- | --- | --- | --- |"]
    every: list[bool] = []
    few = []
    for days, mean, size in itertools.product((5, 20, 60), (0.5, 3.0), (math.inf, 1.5)):
        hits = []
        for _ in range(draws):
            hours = rng.uniform(0.5, 4.0, days)
            factor = np.ones(days) if math.isinf(size) else rng.gamma(size, 1 / size, days)
            counts = rng.poisson(mean * hours * factor)
            found = rate("all", "all", counts.tolist(), hours.tolist())
            assert found is not None
            hits.append(found.low <= mean <= found.high)
        kind = "no" if math.isinf(size) else f"negative binomial, k = {size:g}"
        lines.append(f"| {days} | {mean:g} | {kind} | {told(hits)} |")
        every += hits
        few += [kept(hits)["percent"]] if days == 5 and not math.isinf(size) else []
    values = {"all": kept(every), "five_days_that_differ_percent": few}
    return [*lines, "", f"All together: {told(every)}."], values


def power_part(rng: np.random.Generator, draws: int) -> Part:
    """Power as stated and as found."""
    lines = ["| difference | bees a site by the statement | found at 5 % |", "| --- | --- | --- |"]
    values = {}
    for difference in (0.5, 0.8):
        n = needed(difference)
        alarms = []
        for _ in range(draws):
            tones = np.concatenate([rng.standard_normal(n), difference + rng.standard_normal(n)])
            labels = np.repeat([0, 1], [n, n])
            p = permutation_p(tones, np.arange(2 * n), labels, rng=rng, n_permutations=499)
            alarms.append(p <= 0.05)
        lines.append(f"| {difference} sd | {n} | {told(alarms)} |")
        values[f"difference_{slug(difference)}"] = {"bees": n, **kept(alarms)}
    return lines, values


def split_part(rng: np.random.Generator, draws: int) -> Part:
    """How often a split is found where there is one."""
    lines = ["| species | 40 bees | 150 bees |", "| --- | --- | --- |"]
    values = {}
    for name in (TAXON, "Bombus lapidarius", ""):
        expected = expected_castes(load(), taxa=[name] if name else [])
        cells = []
        for n in (40, 150):
            claims = []
            for _ in range(draws):
                found = draw(rng, expected, n, 0.3, doubt=False, composed=None if name else 3.0)
                clusters = cluster_of(found.bees)
                answer, _ = castes(
                    found.tone_ln, found.error_ln, clusters, expected, rng=rng, n_draws=100, n_null=99
                )
                claims.append(answer.answer == "two groups")
            cells.append(told(claims))
            values[f"{slug(name or 'not named')}_{n}_bees"] = kept(claims)
        lines.append(f"| {name or 'not named'} | " + " | ".join(cells) + " |")
    return lines, values


def difference_part(rng: np.random.Generator, draws: int) -> Part:
    """Coverage of the difference of two sites."""
    lines = ["| recordings a site | bees in each | interval holds |", "| --- | --- | --- |"]
    every: list[bool] = []
    shares: list[float] = []
    for (one, other), last in itertools.product(((3, 3), (4, 4), (5, 5), (8, 8), (3, 8)), (1, 4, 12)):
        of = [np.repeat(np.arange(n), [1] * (n - 1) + [last]) for n in (one, other)]
        cluster = np.concatenate([of[0], one + of[1]])
        group = ["A"] * len(of[0]) + ["B"] * len(of[1])
        hits = []
        for _ in range(draws):
            tones = (
                150 + 12 * rng.standard_normal(len(cluster)) + 8 * rng.standard_normal(one + other)[cluster]
            )
            clusters = Clusters("recording", cluster, one + other)
            (pair,) = compare(tones, group, clusters, rng=rng, n_permutations=1).pairs
            hits.append(pair.low_hz <= 0.0 <= pair.high_hz)
        lines.append(f"| {one} and {other} | 1, in the last {last} | {told(hits)} |")
        every += hits
        shares.append(kept(hits)["percent"])
    lines += ["", f"All together: {told(every)}. At least {LEAST_CLUSTERS} recordings a site are asked for."]
    return lines, {"all": kept(every), "percents": shares}


PARTS = {
    "quantiles": (quantile_part, 400),
    "castes": (caste_part, 35),
    "one caste": (one_caste_part, 50),
    "changeover": (changeover_part, 60),
    "permutation": (permutation_part, 1200),
    "rates": (rate_part, 200),
    "power": (power_part, 1200),
    "splits": (split_part, 24),
    "differences": (difference_part, 1200),
}
"""Each with the samples it draws of each kind, as they differ in cost."""

HEAD = """# Do the intervals of `wingtone sizes` hold?

Populations drawn from the stated model, tones only. What each part measures stands at the top of
`tests/benchmarks/population.py`; after +- is the standard error, in brackets the number of samples or
intervals. The castes, changeover and named splits are those of *Bombus terrestris* unless said otherwise: of
the common species its castes lie nearest together. What to know when reading them:

- **castes**: where there is one caste only (0 or 100 %), the interval reaches to that edge unless a split is
  claimed, so it can hardly miss; those rows are near 100 % by construction. Gardens differ from what the
  fauna expects by its full stated doubt, which is why many samples cannot be separated even with 500 bees:
  in some gardens the castes do sound alike.
- **one caste**: the test is on the safe side. *splits* says what that costs.
- **quantiles**: with 20 bees the 10 and 90 % quantiles are often bounded on one side only, so those intervals
  hold more than they promise; mean and spread from ten days hold less.
- **rates**: from five days that differ much, intervals hold too little. The command says so.
"""


def main() -> None:
    """Run what is asked for, and write it."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--share", type=float, default=1.0, help="of the samples each part draws")
    parser.add_argument("--only", choices=PARTS, action="append")
    parser.add_argument("--seed", type=int, default=20261125)
    add_out(parser)
    asked = parser.parse_args()
    lines, values = [HEAD], {}
    for number, (name, (part, draws)) in enumerate(PARTS.items()):
        if asked.only and name not in asked.only:
            continue
        began = time.process_time()
        rng = np.random.default_rng([asked.seed, number])
        told_lines, values[slug(name)] = part(rng, max(round(asked.share * draws), 4))
        lines += [f"## {name}", "", *told_lines, ""]
        print(f"{name}: {time.process_time() - began:.0f} s of processor time", file=sys.stderr, flush=True)
    false_splits = [part["false_splits"] for part in values.values() if "false_splits" in part]
    values["false_splits"] = {key: sum(part[key] for part in false_splits) for key in ("claimed", "of")}
    assert load().tone_model["sd_within"][0] == WITHIN
    keep("population", "\n".join(lines), values, out=asked.out, seed=asked.seed)


if __name__ == "__main__":
    main()
