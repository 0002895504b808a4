"""Sizes against the normal distribution worked out at length: every bout a dimension of its own, no weights
of bouts, no grid. The fauna is the made-up one of two bees, so that its numbers stand beside the test."""

from __future__ import annotations

import datetime as dt
import math
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import brentq

from fauna.tiny import CELLS, table_text, write_fauna
from population.made_up import rows_of
from wingtone.fauna import Fauna, load
from wingtone.notebook.places import Place
from wingtone.population.bouts import Heard, Located, read_heard
from wingtone.population.distribution import PROBABILITIES
from wingtone.population.individuals import Individual, individuals_of
from wingtone.population.resampling import Clusters, cluster_of
from wingtone.population.thorax import GRID_MM, Thorax, thorax

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from pathlib import Path

CLOSE_MM = 3e-3
"""The grid is of 0.04 mm; between its points a straight line is taken."""

ANCHOR_HZ, ANCHOR_MM, EXPONENT, WITHIN_CASTE = 155.0, 4.0, -1.0, 0.5
OWN_VAR = 0.1**2 + 0.1**2 + 0.01**2  # line, between bees, wear
EXPONENT_SD, WITHIN_SD, LEAST_HZ = 0.1, 0.05, 20.0
WARM_HZ = 0.1 * 5.0  # doubt of the slope, times the spread of temperatures that nobody noted
SIZES_MM = {"queen": (5.5, 0.3), "worker": (3.8, 0.4), "male": (4.4, 0.5)}

IN_APRIL, IN_JULY = dt.date(2026, 4, 10), dt.date(2026, 7, 24)  # weeks 15.2 and 30.2
FLOOR = 3e-4
MET: dict[dt.date | None, dict[str, float]] = {
    # level of the castes that fly, the floor of the others
    IN_APRIL: {"queen": 0.2, "worker": FLOOR, "male": 0.5 * FLOOR},
    IN_JULY: {"queen": 0.2 * FLOOR, "worker": 1.0, "male": 0.5},
    # over the year: level times the area of the trapezoid, (last - first + fade - full) / 2 weeks
    None: {
        "queen": 0.2 * (14 + 8) / 2,
        "worker": 1.0 * (20 + 10) / 2,
        "male": 0.5 * (14 + 6) / 2,
    },
}


class Bout(NamedTuple):
    """Tone of one bout and the error of its measurement, a standard deviation of ln Hz."""

    hz: float
    sd: float = 0.01


@pytest.fixture(scope="module")
def tiny(tmp_path_factory: pytest.TempPathFactory) -> Fauna:
    return load(write_fauna(tmp_path_factory.mktemp("tiny") / "fauna"))


def by_hand(bouts: Sequence[Bout], met: Mapping[str, float]) -> Callable[[float], float]:
    """Distribution function of the size of one bee: ITD and the tones of its bouts are jointly normal in
    each caste, and the castes are weighted by how they are met and by the density of the tones."""
    y = np.log([bout.hz for bout in bouts])
    parts = []
    for caste, (mm, sd_mm) in SIZES_MM.items():
        var = math.log(1 + (sd_mm / mm) ** 2)  # lognormal of this mean and spread
        mean = math.log(mm) - var / 2
        slope, away = WITHIN_CASTE * EXPONENT, mean - math.log(ANCHOR_MM)
        tone = math.log(ANCHOR_HZ) + EXPONENT * away
        own = OWN_VAR + (EXPONENT_SD * away) ** 2
        least = math.log(1 + (LEAST_HZ / math.exp(tone)) ** 2)  # of a bee about the prediction, in one bout
        own = max(own, least - slope**2 * var - WITHIN_SD**2)
        warm = (WARM_HZ / math.exp(y.mean())) ** 2
        cov = np.full((len(y), len(y)), slope**2 * var + own + warm)
        cov += np.diag([WITHIN_SD**2 + bout.sd**2 for bout in bouts])
        gain = slope * var * np.linalg.solve(cov, np.ones(len(y)))
        height = float(stats.multivariate_normal(np.full(len(y), tone), cov).pdf(y))
        sd = math.sqrt(var - slope * var * gain.sum())
        parts.append((met[caste] * height, mean + float(gain @ (y - tone)), sd))
    total = sum(weight for weight, _, _ in parts)
    return lambda mm: sum(w * float(stats.norm.cdf(math.log(mm), m, s)) for w, m, s in parts) / total


def quantiles_mm(*bees: Callable[[float], float]) -> list[float]:
    """Quantiles of the mean of the bees' distributions."""

    def below(mm: float) -> float:
        return sum(bee(mm) for bee in bees) / len(bees)

    return [brentq(lambda mm, p=p: below(mm) - p, 1.0, 20.0) for p in PROBABILITIES]


def heard(bouts: Sequence[Bout], day: dt.date | None, recording: str = "a.wav") -> list[Heard]:
    """Bouts of one recording, 3 s apart."""
    rows: list[dict[str, Any]] = []
    for i, (hz, sd) in enumerate(bouts):
        reach = stats.norm.ppf(0.975) * sd
        (row,) = rows_of(
            [hz], path=recording, f0_low_hz=hz * math.exp(-reach), f0_high_hz=hz * math.exp(reach)
        )
        row |= {"start_s": 3.0 * i, "end_s": 3.0 * i + 1}
        rows.append(row if day is None else row | {"recorded_at": f"{day}T12:00:00"})
    return read_heard([Located("t", i, row) for i, row in enumerate(rows)])


def sizes(bees: Sequence[Individual], fauna: Fauna, place: Place | None = None, **more: Any) -> Thorax:
    return thorax(bees, cluster_of(bees), fauna, rng=np.random.default_rng(1), place=place, **more)


def values_mm(found: Thorax) -> list[float]:
    assert [quantile.probability for quantile in found.quantiles] == list(PROBABILITIES)
    return [quantile.value for quantile in found.quantiles]


@pytest.mark.parametrize(
    "bouts",
    [
        [Bout(130.0)],
        [Bout(118.0, 0.15)],
        [Bout(126.0, 0.2), Bout(134.0, 0.1)],
        [Bout(175.0, 0.15), Bout(168.0, 0.05), Bout(182.0, 0.3), Bout(170.0, 0.2)],
        [Bout(112.0), Bout(110.0), Bout(115.0), Bout(113.0), Bout(111.0), Bout(109.0)],
    ],
)
@pytest.mark.parametrize("day", MET)
def test_the_size_of_one_bee_is_that_of_all_its_bouts_together(
    tiny: Fauna, bouts: list[Bout], day: dt.date | None
) -> None:
    # errors far beyond what is let through, so that they would be missed
    (bee,) = individuals_of(heard(bouts, day), within_ln=WITHIN_SD)
    assert (bee.n_bouts, bee.day) == (len(bouts), day)
    assert values_mm(sizes([bee], tiny)) == pytest.approx(
        quantiles_mm(by_hand(bouts, MET[day])), abs=CLOSE_MM
    )


def test_more_bouts_of_a_bee_make_its_size_surer_up_to_six(tiny: Fauna) -> None:
    """Bouts beyond six add nothing but for the error of measurement, of which 0.4 % stay whatever happens."""

    def found(n: int) -> list[float]:
        (bee,) = individuals_of(heard([Bout(165.0)] * n, IN_JULY), within_ln=WITHIN_SD)
        return values_mm(sizes([bee], tiny, taxa=["Bombus lapillus"]))

    reach = [values[-1] - values[0] for values in map(found, (1, 2, 4, 6))]
    assert reach == sorted(reach, reverse=True)
    six = by_hand([Bout(165.0, math.sqrt(6) * 0.004)] * 6, MET[IN_JULY])
    assert found(20) == pytest.approx(quantiles_mm(six), abs=CLOSE_MM)
    assert found(40) == found(20)


def test_a_tone_in_spring_is_a_queens_and_in_summer_a_workers(tiny: Fauna) -> None:
    """The same tone twice: half of the sizes are a queen's, half those of a worker or a male."""
    bout = Bout(135.0)
    bees = [
        bee
        for day in (IN_APRIL, IN_JULY)
        for bee in individuals_of(heard([bout], day, f"{day}.wav"), within_ln=WITHIN_SD)
    ]
    both = quantiles_mm(by_hand([bout], MET[IN_APRIL]), by_hand([bout], MET[IN_JULY]))
    assert values_mm(sizes(bees, tiny)) == pytest.approx(both, abs=CLOSE_MM)
    assert both[0] < 3.8
    assert both[-1] > 5.5
    spring, summer = (values_mm(sizes([bee], tiny)) for bee in bees)
    assert spring[0] > summer[2]


def test_two_years_of_a_season_are_that_season(tiny: Fauna) -> None:
    bouts = [Bout(135.0), Bout(140.0)]
    days = [IN_JULY.replace(year=year) for year in (2025, 2026)]
    bees = [
        bee for day in days for bee in individuals_of(heard(bouts, day, f"{day}.wav"), within_ln=WITHIN_SD)
    ]
    assert len(bees) == 2
    one = quantiles_mm(by_hand(bouts, MET[IN_JULY]))
    assert values_mm(sizes(bees, tiny)) == pytest.approx(one, abs=CLOSE_MM)


@pytest.mark.parametrize("day", MET)
def test_taxa_that_do_not_live_at_the_place_keep_their_season(tiny: Fauna, day: dt.date | None) -> None:
    """The bee lives on the shore alone; who asks for its sizes on the hill knows better than the fauna where
    it lives, not when its castes fly."""
    hill = Place(60.0, -0.3, 1000.0, None, "on the hill")
    (bee,) = individuals_of(heard([Bout(130.0)], day), within_ln=WITHIN_SD)
    found = sizes([bee], tiny, hill, taxa=["Bombus lapillus"])
    assert values_mm(found) == pytest.approx(quantiles_mm(by_hand([Bout(130.0)], MET[day])), abs=CLOSE_MM)


def test_taxa_of_which_the_fauna_knows_no_home_are_weighted_by_their_tones_alone(
    tiny: Fauna, tmp_path: Path
) -> None:
    """Nobody records on the shore, says this fauna, so that without a place its bee has no prior. The colour
    forms of the queen are still one caste."""
    regions = [(*row[:-1], 0 if row[0] == "shore" else 20) for row in CELLS["regions"]]
    fauna = load(write_fauna(tmp_path / "f", tables={"regions.csv": table_text("regions", rows=regions)}))
    (bee,) = individuals_of(heard([Bout(130.0)], IN_APRIL), within_ln=WITHIN_SD)
    alike = {"queen": 1.0, "worker": 1.0, "male": 1.0}
    found = sizes([bee], fauna)
    assert values_mm(found) == pytest.approx(quantiles_mm(by_hand([Bout(130.0)], alike)), abs=CLOSE_MM)


@pytest.mark.parametrize(
    "tones_hz", [[(165.0,), (163.0,)], [(165.0,), (163.0,), (168.0,)], [(160.0, 164.0), (165.0,)]]
)
def test_intervals_of_few_recordings_by_hand(tiny: Fauna, tones_hz: list[tuple[float, ...]]) -> None:
    """G - 1 of two or three recordings are drawn, so among hundreds of draws each stands alone often enough
    to be the end of the middle 95 %; the ends are then moved away from the middle, in log mm, as Student's t
    is wider than the normal distribution (12.706 and 4.303 against 1.960, any handbook's table)."""
    of = np.array([k for k, tones in enumerate(tones_hz) for _ in tones])
    bees = [
        Individual(hz, 0.051, 1, str(k), "", day=IN_JULY) for k, tones in enumerate(tones_hz) for hz in tones
    ]
    clusters = Clusters("recording", of, len(tones_hz))
    found = thorax(bees, clusters, tiny, rng=np.random.default_rng(2))
    hands = [[by_hand([Bout(hz)], MET[IN_JULY]) for hz in tones] for tones in tones_hz]
    alone = [quantiles_mm(*hand) for hand in hands]
    middle = quantiles_mm(*(hand for of_one in hands for hand in of_one))
    wider = {2: 12.706, 3: 4.303}[len(tones_hz)] / 1.960
    for i, quantile in enumerate(found.quantiles):
        low, high = (
            middle[i] * (end / middle[i]) ** wider
            for end in (min(q[i] for q in alone), max(q[i] for q in alone))
        )
        assert GRID_MM[0] < low < high < GRID_MM[-1]
        assert (quantile.low, quantile.high) == pytest.approx((low, high), rel=4e-3)
