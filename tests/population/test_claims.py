"""What is claimed of made-up populations whose truth is known; the full figures come from the benchmark."""

from __future__ import annotations

import datetime as dt
import math
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from population.made_up import draw, rows_of
from wingtone.errors import RequestError, TableError
from wingtone.fauna import load
from wingtone.population import Sizes, sizes
from wingtone.population.activity import activity, effort_of, rate
from wingtone.population.bouts import Located
from wingtone.population.castes import castes
from wingtone.population.changeover import changeover, turning_day
from wingtone.population.comparison import compare, permutation_p, power_statement
from wingtone.population.distribution import quantiles, spread
from wingtone.population.expected import COMPOSITION, expected_castes
from wingtone.population.individuals import Individual
from wingtone.population.resampling import Clusters, cluster_of
from wingtone.population.thorax import GRID_MM, thorax
from wingtone.population.words import percent

if TYPE_CHECKING:
    from population.made_up import Drawn
    from wingtone.population.castes import Castes, Members

FAUNA = load()
ONE = expected_castes(FAUNA, taxa=["lapidarius"])


def castes_of(found: Drawn, *, seed: int, n_draws: int, n_null: int) -> tuple[Castes, Members | None]:
    """Split drawn bees of one species."""
    return castes(
        found.tone_ln,
        found.error_ln,
        cluster_of(found.bees),
        ONE,
        rng=np.random.default_rng(seed),
        n_draws=n_draws,
        n_null=n_null,
    )


def test_expected_groups_are_those_that_pitch_tells_apart() -> None:
    low, high = expected_castes(FAUNA).groups
    assert set(low.castes) == {"queen", "cuckoo female"}
    assert set(high.castes) == {"worker", "male"}
    assert low.share + high.share == pytest.approx(1.0)
    # the predicted bands that ship with the project's notes: lapidarius queen 116, worker 190 Hz (derived)
    assert ONE.groups[0].tone_hz == pytest.approx(116, abs=2)
    worker = expected_castes(FAUNA, taxa=["lapidarius"], dates=[dt.date(2026, 6, 5)]).groups[1]
    assert worker.tone_hz == pytest.approx(190, abs=4)


def test_expected_spread_is_that_of_drawn_gardens() -> None:
    """Moments of the Dirichlet: the variance of garden means and within gardens, by drawing them."""
    group = expected_castes(FAUNA).groups[1]
    means, variances, weights = (np.array(column) for column in zip(*group.parts, strict=True))
    mix = np.random.default_rng(1).dirichlet(COMPOSITION * weights, size=40_000)
    garden = mix @ means
    within = mix @ (means**2 + variances) - garden**2
    line = FAUNA.tone_model["sd_line"][0]
    assert group.doubt_ln == pytest.approx(math.sqrt(line**2 + garden.var()), rel=0.01)
    assert group.sd_ln == pytest.approx(math.sqrt(within.mean()), rel=0.01)


def test_early_in_the_year_queens_alone_are_expected() -> None:
    early = expected_castes(FAUNA, taxa=["lapidarius"], dates=[dt.date(2026, 3, 25)])
    assert early.groups[0].share > 0.98
    with pytest.raises(RequestError):
        expected_castes(FAUNA, taxa=["no such bee"])


def test_a_clear_split_is_found_with_its_share() -> None:
    found = draw(np.random.default_rng(5), ONE, 150, 0.3, doubt=False)
    answer, members = castes_of(found, seed=1, n_draws=100, n_null=99)
    queens = answer.groups[0]
    assert answer.answer == "two groups"
    assert queens.low <= 0.3 <= queens.high
    assert queens.high - queens.low < 0.25
    assert answer.bic[1] < answer.bic[0]
    assert members is not None
    # the bees that are surely of one group are of that group
    sure = np.abs(members.probability - 0.5) > 0.45
    assert np.mean((members.probability > 0.5)[sure] == found.lower[sure]) > 0.97


def test_one_caste_is_not_split_and_the_answer_says_so() -> None:
    """Eight gardens of one caste each: at 5 % two or more false claims have a chance of 6 %."""
    claims = 0
    for seed in range(8):
        found = draw(np.random.default_rng(seed), ONE, 60, float(seed % 2))
        answer, _ = castes_of(found, seed=seed, n_draws=50, n_null=99)
        claims += answer.answer == "two groups"
        if answer.answer == "cannot be separated":
            # the interval reaches to an edge, as one group was not refuted
            assert answer.groups[0].low == 0.0 or answer.groups[0].high == 1.0
            assert sum(chance for _, chance in answer.one_group) == pytest.approx(1.0)
    assert claims <= 1


def two_recordings(mixed: bool) -> Sizes:
    """Ten bees at 110 Hz and ten at 200 in two recordings: each with both, or each with one."""
    rng = np.random.default_rng(1)
    tones = np.repeat([110.0, 200.0], 10) * np.exp(0.02 * rng.standard_normal(20))
    which = np.tile([0, 1], 10) if mixed else np.repeat([0, 1], 10)
    rows = [
        row | {"start_s": 100.0 * k, "end_s": 100.0 * k + 1}
        for k, (tone, recording) in enumerate(zip(tones, which, strict=True))
        for row in rows_of([float(tone)], path=f"{recording}.wav", recorded_at="2026-05-20")
    ]
    return sizes(rows, draws=100)


def test_recordings_that_differ_are_not_taken_for_castes() -> None:
    """Of two recordings each draw holds one, so one of the groups is empty in it."""
    found = two_recordings(mixed=False)
    assert found.castes is not None
    assert found.castes.one_refuted
    assert found.castes.answer == "cannot be separated"
    assert (found.castes.groups[0].low, found.castes.groups[0].high) == (0.0, 1.0)
    (line,) = [line for line in found.summary if "Castes" in line]
    assert "with other recordings of them one might be left" in line
    assert "anything from 0 % to 100 %" in line
    assert found.to_json()["castes"]["answer"] == "cannot be separated"
    assert {row["note"] for row in found.rows() if row["name"] == "share"} == {"cannot be separated"}


def test_the_same_bees_in_mixed_recordings_are() -> None:
    found = two_recordings(mixed=True)
    assert found.castes is not None
    assert found.castes.answer == "two groups"
    assert 0.0 < found.castes.groups[0].low < 0.5 < found.castes.groups[0].high < 1.0


def test_a_split_is_claimed_exactly_where_the_interval_reaches_no_edge() -> None:
    """Few bees, gardens that differ, all shares; split or not as it comes."""
    answers = set()
    for seed in range(24):
        found = draw(np.random.default_rng(seed), ONE, 24, (0.1, 0.5, 0.9)[seed % 3], n_days=6)
        answer, _ = castes_of(found, seed=seed, n_draws=50, n_null=39)
        lower, upper = answer.groups
        reaches = 0.0 in (lower.low, upper.low)
        assert reaches == (answer.answer == "cannot be separated")
        assert (lower.high, upper.high) == pytest.approx((1 - upper.low, 1 - lower.low))
        answers.add(answer.answer)
    assert answers == {"two groups", "cannot be separated"}


def test_none_and_all_are_said_of_none_and_all_only() -> None:
    told = [percent(share) for share in (0.0, 0.002, 0.3, 0.998, 1.0)]
    assert told == ["0 %", "under 1 %", "30 %", "over 99 %", "100 %"]


def test_few_bees_and_no_expectation_are_said() -> None:
    found = draw(np.random.default_rng(1), ONE, 9, 0.5)
    args = (found.tone_ln, found.error_ln, cluster_of(found.bees))
    assert castes(*args, ONE, rng=np.random.default_rng(1))[0].answer == "too few bees"
    nobody = type(ONE)((), (), True, 1.0)
    assert castes(*args, nobody, rng=np.random.default_rng(1))[0].answer == "none expected"
    alone = type(ONE)(ONE.groups[:1], ONE.taxa, True, 0.0)
    found = draw(np.random.default_rng(1), ONE, 20, 1.0)
    args = (found.tone_ln, found.error_ln, cluster_of(found.bees))
    assert castes(*args, alone, rng=np.random.default_rng(1))[0].answer == "one group expected"


def test_the_same_seed_gives_the_same_answer() -> None:
    found = draw(np.random.default_rng(3), ONE, 40, 0.5)
    args = (found.tone_ln, found.error_ln, cluster_of(found.bees), ONE)
    answers = [castes(*args, rng=np.random.default_rng(9), n_draws=30, n_null=20)[0] for _ in range(2)]
    assert answers[0] == answers[1]


def test_the_changeover_is_found_within_its_interval() -> None:
    found = draw(np.random.default_rng(11), ONE, 200, 0.0, n_days=25, changeover=(140.0, 25.0), doubt=False)
    clusters = cluster_of(found.bees)
    _, members = castes(
        found.tone_ln, found.error_ln, clusters, ONE, rng=np.random.default_rng(1), n_draws=100, n_null=1
    )
    assert members is not None
    days = [bee.day for bee in found.bees]
    answer = changeover(days, found.tone_ln, found.error_ln, members, clusters)
    assert answer.found
    assert answer.low <= 140.0 <= answer.high
    assert answer.high - answer.low < 20.0
    assert answer.date.startswith("2026-05-")
    for date, day in (
        (answer.date, answer.day_of_year),
        (answer.low_date, answer.low),
        (answer.high_date, answer.high),
    ):
        assert dt.date.fromisoformat(date).timetuple().tm_yday == round(day)
    shares = [point.share for point in answer.curve]
    assert shares == sorted(shares)
    tenth, half, most = np.interp([0.1, 0.5, 0.9], shares, [point.day_of_year for point in answer.curve])
    assert half == pytest.approx(answer.day_of_year, abs=0.5)
    assert most - tenth == pytest.approx(answer.width_days, abs=1.0)

    # Of fewer days the ends lie further out, as Student's t does.
    few = changeover(days, found.tone_ln, found.error_ln, members, Clusters("day", clusters.of % 4, 4))
    wider = stats.t.ppf(0.975, 3) / stats.t.ppf(0.975, clusters.n - 1)
    assert few.day_of_year == answer.day_of_year
    assert few.day_of_year - few.low == pytest.approx(wider * (answer.day_of_year - answer.low))
    assert few.high - few.day_of_year == pytest.approx(wider * (answer.high - answer.day_of_year))


def test_without_a_change_there_is_no_changeover() -> None:
    found = draw(np.random.default_rng(2), ONE, 100, 0.5, n_days=25, doubt=False)
    clusters = cluster_of(found.bees)
    _, members = castes(
        found.tone_ln, found.error_ln, clusters, ONE, rng=np.random.default_rng(1), n_draws=60, n_null=1
    )
    assert members is not None
    days = [bee.day for bee in found.bees]
    answer = changeover(days, found.tone_ln, found.error_ln, members, clusters)
    assert not answer.found
    assert answer.reason
    assert math.isnan(answer.day_of_year)
    none = changeover([None] * 100, found.tone_ln, found.error_ln, members, clusters)
    assert "needs" in none.reason


def test_new_queens_are_left_out() -> None:
    """The fauna's new queens of lapidarius begin in week 29, mid-July."""
    turning = turning_day(FAUNA, taxa=["lapidarius"])
    assert dt.date(2026, 6, 15).timetuple().tm_yday < turning < dt.date(2026, 8, 1).timetuple().tm_yday


def test_intervals_hold_the_truth_about_as_often_as_they_say() -> None:
    """60 samples, four quantities each: 216 of 240 would be six standard errors low for independent ones."""
    rng = np.random.default_rng(7)
    hits = []
    for _ in range(60):
        tones = np.exp(
            rng.normal(math.log(150), 0.1, 12)[np.repeat(np.arange(12), 3)] + rng.normal(0, 0.1, 36)
        )
        clusters = Clusters("day", np.repeat(np.arange(12), 3), 12)
        total = math.sqrt(0.02)
        for q, z in zip(
            quantiles(tones, clusters, probabilities=(0.25, 0.5, 0.75)), (-0.67449, 0, 0.67449), strict=True
        ):
            hits.append(q.low <= 150 * math.exp(total * z) <= q.high)
        middle = spread(tones, np.zeros(36), clusters, rng=rng, n_draws=99)
        hits.append(middle.mean_low_hz <= 150 * math.exp(0.01) <= middle.mean_high_hz)
    assert 0.9 <= np.mean(hits) <= 0.995


def test_the_spread_between_bees_has_the_error_taken_off() -> None:
    rng = np.random.default_rng(1)
    n = 4000
    tones = 150 * np.exp(0.1 * rng.standard_normal(n) + 0.05 * rng.standard_normal(n))
    found = spread(tones, np.full(n, 0.05), Clusters("recording", np.arange(n), n), rng=rng, n_draws=50)
    assert found.bees_sd_hz == pytest.approx(15.1, abs=0.5)
    assert found.sd_hz > 1.08 * found.bees_sd_hz
    assert found.effective_n == n


def test_two_sites_that_differ_do_and_two_alike_hardly_ever() -> None:
    rng = np.random.default_rng(5)
    alarms = []
    for _ in range(200):
        sizes = 1 + rng.poisson(2, 24)
        cluster = np.repeat(np.arange(24), sizes)
        tones = 150 + 12 * rng.standard_normal(sizes.sum()) + 8 * rng.standard_normal(24)[cluster]
        alarms.append(
            permutation_p(tones, cluster, np.repeat([0, 1], 12), rng=rng, n_permutations=199) <= 0.05
        )
    assert 0.01 <= np.mean(alarms) <= 0.1  # 5 % with a standard error of 1.5 %
    n = 60
    tones = np.concatenate([rng.normal(m, 12, n) for m in (150.0, 152.0, 175.0)])
    group = [name for name in ("A", "B", "C") for _ in range(n)]
    found = compare(tones, group, Clusters("recording", np.arange(3 * n), 3 * n), rng=rng, n_permutations=999)
    by = {(pair.first, pair.second): pair for pair in found.pairs}
    assert by["A", "C"].p_holm <= 0.05
    assert by["A", "C"].low_hz < 25 < by["A", "C"].high_hz
    assert by["A", "B"].p_holm > 0.05
    assert found.p_overall <= 0.01
    assert all(pair.p_holm >= pair.p_value for pair in found.pairs)


def test_bees_of_one_recording_are_not_taken_for_independent() -> None:
    """Each recording ten times over: the same number of recordings must not show more."""
    rng = np.random.default_rng(2)
    once = rng.normal(150, 15, 12)
    labels = np.repeat([0, 1], 6)
    p_once = permutation_p(once, np.arange(12), labels, rng=rng, n_permutations=999)
    p_often = permutation_p(
        np.repeat(once, 10), np.repeat(np.arange(12), 10), labels, rng=rng, n_permutations=999
    )
    assert p_often == pytest.approx(p_once)


def test_groups_too_small_to_compare_are_skipped() -> None:
    tones = np.array([150.0, 151, 152, 149, 170, 171])
    found = compare(
        tones, ["A"] * 4 + ["B"] * 2, Clusters("recording", np.arange(6), 6), rng=np.random.default_rng(1)
    )
    assert found.skipped == ("B",)
    assert found.pairs == ()


@pytest.mark.parametrize("recordings", [3, 4, 5, 8])
@pytest.mark.parametrize("last", [1, 3, 12])
def test_the_interval_of_a_difference_holds_from_three_recordings_on(recordings: int, last: int) -> None:
    """Also where one recording of each site holds most of its bees; 900 pairs, standard error 0.7 %."""
    rng = np.random.default_rng([recordings, last])
    of = np.repeat(np.arange(recordings), [1] * (recordings - 1) + [last])
    cluster = np.concatenate([of, recordings + of])
    group = ["A"] * len(of) + ["B"] * len(of)
    hits = []
    for _ in range(900):
        tones = (
            150 + 12 * rng.standard_normal(len(cluster)) + 8 * rng.standard_normal(2 * recordings)[cluster]
        )
        # one dealing is enough: the interval does not ask for p
        (pair,) = compare(
            tones, group, Clusters("recording", cluster, 2 * recordings), rng=rng, n_permutations=1
        ).pairs
        hits.append(pair.low_hz <= 0.0 <= pair.high_hz)
    assert 0.9 <= np.mean(hits) <= 0.995


def test_too_few_recordings_to_test_claim_nothing() -> None:
    """Three against three wholly apart: of 20 dealings two are as extreme, so p is 0.1 whatever is heard."""
    rows = [
        row
        for site, tones in (("A", (134.0, 135.0, 136.5)), ("B", (244.0, 245.0, 246.0)))
        for row in rows_of(list(tones), path=site + "/{i}.wav", site=site)
    ]
    found = sizes(rows, group_by="site", draws=40)
    assert found.comparison is not None
    (pair,) = found.comparison.pairs
    assert not pair.tested
    assert pair.least_p == pytest.approx(0.1)
    assert pair.low_hz < pair.difference_hz < pair.high_hz
    (line,) = [line for line in found.summary if "minus" in line]
    assert line.startswith(
        "Too few recordings to test whether A and B differ: 3 and 3 recordings give a p of 0.1"
    )
    assert "+110 Hz, 95 % interval" in line
    assert not any("do not differ" in line for line in found.summary)
    (laid_out,) = found.to_json()["comparison"]["pairs"]
    assert (laid_out["tested"], laid_out["p_value"], laid_out["p_holm"]) == (False, None, None)
    noted = {row["name"]: row["note"] for row in found.rows() if row["item"] == "B - A"}
    assert noted["p"] == noted["p (Holm)"] == "too few recordings to test"
    assert any("takes on trust" in line for line in found.cautions)


@pytest.mark.parametrize(
    ("sites", "told"),
    [
        ("AAAAAAAAAAAA", "All bees are of one group, A, so there is nothing to compare."),
        ("AABBBBBBBBBB", "Too few recordings to compare the groups: two of them need 3 or more."),
    ],
)
def test_why_nothing_is_compared(sites: str, told: str) -> None:
    rows = [row for i, site in enumerate(sites) for row in rows_of([150.0 + i], path=f"{i}.wav", site=site)]
    summary = sizes(rows, group_by="site", draws=40).summary
    assert told in summary
    assert any("bees of a recording as alike as here" in line for line in summary)


def test_four_a_site_can_be_tested_alone_but_not_three_sites_at_once() -> None:
    rng = np.random.default_rng(1)
    tones = np.concatenate([m + rng.standard_normal(4) for m in (135.0, 245.0, 136.0)])
    group = [name for name in "ABC" for _ in range(4)]
    first = compare(tones[:8], group[:8], Clusters("recording", np.arange(8), 8), rng=rng)
    assert first.pairs[0].tested
    assert first.pairs[0].p_holm == pytest.approx(2 / 70)
    found = compare(tones, group, Clusters("recording", np.arange(12), 12), rng=rng)
    assert not any(pair.tested for pair in found.pairs)
    assert found.p_overall <= 0.05  # all three at once can be tested
    # a third site with recordings enough brings its own pairs back, and they alone are corrected for
    tones, group = np.append(tones, rng.normal(190, 1, 30)), group + ["D"] * 30
    found = compare(tones, group, Clusters("recording", np.arange(42), 42), rng=rng)
    assert [pair.tested for pair in found.pairs] == ["D" in (p.first, p.second) for p in found.pairs]
    assert all(pair.p_holm <= 3 * pair.p_value for pair in found.pairs if pair.tested)


def test_recordings_without_scatter_give_no_interval() -> None:
    found = compare(
        np.repeat([150.0, 160.0], 5),
        ["A"] * 5 + ["B"] * 5,
        Clusters("recording", np.arange(10), 10),
        rng=np.random.default_rng(1),
    )
    (pair,) = found.pairs
    assert pair.difference_hz == 10.0
    assert math.isnan(pair.low_hz)


def test_power_statement_counts_clustered_bees_for_less() -> None:
    alone, together = power_statement(12.0, 1.0), power_statement(12.0, 2.0)
    assert alone is not None
    assert together is not None
    # 64 bees a group show half a standard deviation, Cohen 1988 (memory): 6 Hz of 12
    assert dict(alone.needed)[6.0] == 64
    assert dict(together.needed)[6.0] == 128
    rounded = power_statement(12.0, 1.3)
    assert rounded is not None
    assert dict(rounded.needed)[6.0] == 84  # 83.2, and the last bee is whole
    assert power_statement(math.nan, 1.0) is None


def test_sizes_of_a_sample_lie_where_its_bees_do() -> None:
    """Bees drawn as the model says, ITD and tone together: the 10 and 90 % quantiles of ITD come back."""
    rng = np.random.default_rng(3)
    n, day = 400, dt.date(2026, 6, 5)
    model = FAUNA.tone_model
    slope = model["within_caste"][0] * model["exponent"][0]
    worker = expected_castes(FAUNA, taxa=["lapidarius"], dates=[day]).groups[1].parts[0][0]
    itd = np.exp(math.log(3.41) - 0.0044 + 0.0936 * rng.standard_normal(n))  # 3.41 +- 0.32 mm, size table
    own = math.sqrt(model["sd_between"][0] ** 2 + model["sd_wear"][0] ** 2 + model["sd_within"][0] ** 2)
    tones = np.exp(worker + slope * (np.log(itd) - math.log(3.41)) + own * rng.standard_normal(n))
    bees = [Individual(float(t), 0.05, 1, str(i), f"{i}.wav", day=day) for i, t in enumerate(tones)]
    found = thorax(bees, cluster_of(bees), FAUNA, rng=rng, taxa=["Bombus lapidarius"], n_draws=50)
    by = {q.probability: q for q in found.quantiles}
    assert by[0.5].value == pytest.approx(np.quantile(itd, 0.5), abs=0.15)
    assert by[0.1].value == pytest.approx(np.quantile(itd, 0.1), abs=0.2)
    assert by[0.5].low <= by[0.5].value <= by[0.5].high
    assert np.trapezoid(found.density, found.at_mm) == pytest.approx(1.0, abs=0.01)
    assert found.line_factor == pytest.approx(math.exp(2 * 0.12 / 1.05))


@pytest.mark.parametrize("n", [2, 3, 4])
@pytest.mark.parametrize("tones_hz", [(110, 190, 115, 185), (120, 125, 130, 200), (150, 151, 152, 153)])
def test_no_size_of_few_recordings_is_impossible(n: int, tones_hz: tuple[float, ...]) -> None:
    """Each end bounds the size, or is left open; a queen beside a worker bounds nothing."""
    bees = [
        Individual(float(hz), 0.02, 3, str(i), f"{i}.wav", day=dt.date(2026, 6, 5))
        for i, hz in enumerate(tones_hz[:n])
    ]
    found = thorax(bees, cluster_of(bees), FAUNA, rng=np.random.default_rng(4), n_draws=100)
    for quantile in found.quantiles:
        low = GRID_MM[0] if math.isnan(quantile.low) else quantile.low
        high = GRID_MM[-1] if math.isnan(quantile.high) else quantile.high
        assert GRID_MM[0] <= low <= quantile.value <= high <= GRID_MM[-1], quantile
    middle = found.quantiles[2]
    if n == 2 and tones_hz[0] == 110:
        assert math.isnan(middle.low)
        assert math.isnan(middle.high)
    if tones_hz[0] == 150:
        assert middle.low < middle.value < middle.high < 1.5 * middle.low


# --- activity ---------------------------------------------------------------------------------------


def effort(*rows: dict[str, object]) -> list[Located]:
    return [Located("recordings.csv", i, row) for i, row in enumerate(rows, 2)]


def test_effort_is_spread_over_the_hours_it_covers() -> None:
    row = {"path": "a.wav", "heard_s": 5400, "wind_lost_s": 540, "recorded_at": "2026-05-03T23:30:00"}
    found = effort_of(effort(row))
    assert [(e.day.day, e.hour, round(e.heard_h, 3)) for e in found] == [(3, 23, 0.5), (4, 0, 1.0)]
    assert sum(e.listened_h for e in found) == pytest.approx(1.35)


def test_listening_that_two_tables_hold_counts_once() -> None:
    """As where all tables of a survey are named: that of its recordings and that of stretches of them."""
    whole = {"path": "a.wav", "sha256": "ab", "heard_s": 1200, "recorded_at": "2026-05-03T10:00:00+00:00"}
    first = {
        "path": "a.wav",
        "sha256": "ab",
        "start_s": 0,
        "starts_at": "2026-05-03T10:00:00Z",
        "heard_s": 600,
    }
    second = first | {"start_s": 600, "starts_at": "2026-05-03T10:10:00Z"}
    other = whole | {"sha256": "cd", "path": "b.wav"}
    found = effort_of(effort(whole, first, second, other, first | {"start_s": 0.0}, other))
    assert [(e.path, round(3600 * e.heard_h)) for e in found] == [
        ("a.wav", 600),
        ("a.wav", 600),
        ("b.wav", 1200),
    ]
    of_a_day = {"path": "garden", "heard_s": 3600, "recorded_at": "2026-05-03"}
    assert len(effort_of(effort(of_a_day, of_a_day))) == 2  # two hours of that day, for all one knows


def test_effort_that_cannot_be_is_told_row_by_row() -> None:
    good = {"path": "a.wav", "heard_s": 60, "recorded_at": "2026-05-03T10:00:00"}
    wrong: list[dict[str, object]] = [
        {"heard_s": 1e12},
        {"heard_s": "inf"},
        {"duration_s": 1e9},
        {"recorded_at": "9999-12-31T23:59:59"},
        {"recorded_at": pd.Timestamp("2262-04-11T23:47:00").as_unit("ns"), "heard_s": 600},
        {"heard_s": 10**400},
    ]
    with pytest.raises(TableError) as caught:
        effort_of(effort(good, *(good | one for one in wrong)))
    assert [(fault.line, fault.column) for fault in caught.value.faults] == [
        (3, "heard_s"),
        (4, "heard_s"),
        (5, "duration_s"),
        (6, "recorded_at"),
        (7, "recorded_at"),
        (8, "heard_s"),
    ]


def test_activity_counts_bees_against_listening_and_says_what_it_could_not() -> None:
    day = dt.date(2026, 5, 3)
    moment = dt.datetime(2026, 5, 3, 10, 20)
    rows = [
        {"path": "a.wav", "heard_s": 3600, "recorded_at": "2026-05-03T10:00:00"},
        {"path": "b.wav", "heard_s": 3600, "recorded_at": "2026-05-03T12:00:00"},
        {"path": "c.wav", "heard_s": 3600, "recorded_at": ""},
    ]
    bees = [
        *(Individual(150.0, 0.05, 1, "a", "a.wav", moment, day) for _ in range(4)),
        Individual(150.0, 0.05, 1, "c", "c.wav"),
    ]
    found = activity(bees, effort_of(effort(*rows)))
    by = {(r.by, r.name): r for r in found.rates}
    assert by["hour", "10"].rate == pytest.approx(4.0)
    assert (by["hour", "12"].bees, by["hour", "12"].low) == (0, 0.0)
    assert by["all", "all"].rate == pytest.approx(2.0)
    assert by["month", "2026-05"].hours == pytest.approx(2.0)
    assert found.without_time == 1


def test_a_bee_is_in_an_hour_or_told() -> None:
    day = dt.date(2026, 5, 3)

    def bee(path: str, minute: int | None, hour: int = 12) -> Individual:
        moment = None if minute is None else dt.datetime(2026, 5, 3, hour, minute)
        return Individual(150.0, 0.05, 1, path, path, moment, day)

    half = {"path": "a.wav", "heard_s": 300, "starts_at": "2026-05-03T12:55:00"}
    windy = {"path": "w.wav", "heard_s": 60, "wind_lost_s": 60, "starts_at": "2026-05-03T09:00:00"}
    bees = [bee("a.wav", 56), bee("a.wav", 3, 13), bee("a.wav", None), bee("w.wav", 0, 9)]

    found = activity(bees, effort_of(effort(half, windy)))  # as if it had ended at 13:00
    by = {(rate.by, rate.name): rate for rate in found.rates}
    assert (by["all", "all"].bees, found.without_time, found.without_hour) == (3, 1, 2)
    assert ("hour", "13") not in by

    found = activity(bees, effort_of(effort(half | {"duration_s": 600}, windy)))
    by = {(rate.by, rate.name): rate for rate in found.rates}
    assert (by["hour", "12"].bees, by["hour", "13"].bees) == (1, 1)
    assert by["hour", "12"].hours == by["hour", "13"].hours == pytest.approx(150 / 3600)
    assert (found.without_time, found.without_hour) == (1, 1)


def test_rates_hold_the_truth_where_days_differ() -> None:
    rng = np.random.default_rng(3)
    hits = []
    for _ in range(60):
        hours = rng.uniform(0.5, 3, 15)
        counts = rng.poisson(2.0 * hours * rng.gamma(1.5, 1 / 1.5, 15))
        found = rate("all", "all", counts.tolist(), hours.tolist())
        assert found is not None
        hits.append(found.low <= 2.0 <= found.high)
    assert np.mean(hits) >= 0.85  # 95 % with a standard error of 3 %
