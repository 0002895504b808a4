"""The tone model against published means, closed forms and limit cases."""

from __future__ import annotations

import csv
import math
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest

from wingtone.evidence import ToneCue, size_words
from wingtone.evidence.tone_size import mixture_quantile, normal_cdf, tone_band_hz, tone_terms

if TYPE_CHECKING:
    from wingtone.evidence.lineup import Lineup

with Path(__file__).with_name("published_tones.csv").open(encoding="utf-8") as file:
    PUBLISHED = list(csv.DictReader(file))


def entry(lineup: Lineup, taxon: str, caste: str) -> int:
    return next(
        i for i, e in enumerate(lineup.fauna.entries) if (e.taxon, e.caste, e.form) == (taxon, caste, "")
    )


def cue(f0_hz: float, **rest: int) -> ToneCue:
    return ToneCue(f0_hz, f0_hz * 0.99, f0_hz * 1.01, **rest)


@pytest.mark.parametrize("row", PUBLISHED, ids=lambda row: f"{row['who']}: {row['taxon']}")
def test_published_means_lie_in_the_95_percent_range_or_outside_for_a_reason(
    lineup: Lineup, row: dict[str, str]
) -> None:
    low, high = tone_band_hz(lineup.tone, entry(lineup, row["taxon"], row["caste"]), level=0.95)
    assert (low <= float(row["mean_hz"]) <= high) == (row["inside"] == "yes"), (low, high)
    assert bool(row["why"]) == (row["inside"] == "no")


def test_the_published_list_holds_both_kinds() -> None:
    """Every figure of flight with a species in it, both ends of every range, and what is not flight."""
    assert len(PUBLISHED) == 44
    outside = [(row["taxon"], float(row["mean_hz"])) for row in PUBLISHED if row["inside"] == "no"]
    assert outside == [
        ("Bombus terrestris", 236),
        ("Bombus terrestris", 313),
        ("Bombus hypnorum", 240),
        ("Apis mellifera", 440),
        ("Episyrphus balteatus", 400),
    ]


def test_the_published_list_would_notice_a_wrong_line(lineup: Lineup) -> None:
    """A line a fifth too low or too high puts published figures of bumblebees on the other side."""
    for factor in (0.8, 1.25):
        wrong = sum(
            (low * factor <= float(row["mean_hz"]) <= high * factor) != (row["inside"] == "yes")
            for row in PUBLISHED
            if row["taxon"].startswith("Bombus")
            for low, high in [
                tone_band_hz(lineup.tone, entry(lineup, row["taxon"], row["caste"]), level=0.95)
            ]
        )
        assert wrong >= 2


@pytest.mark.parametrize(
    ("taxon", "caste", "hz"),
    # 155 Hz at ITD 4.15 mm, ITD^-1.05 (from mass^-0.35, Casey, May & Morgan 1985); worked out by hand
    [
        ("Bombus terrestris", "queen", 104.0),
        ("Bombus terrestris", "worker", 155.0),
        ("Bombus lapidarius", "worker", 190.0),
        ("Bombus pascuorum", "worker", 177.0),
        ("Bombus hortorum", "queen", 108.0),
        ("Bombus sylvestris", "cuckoo female", 144.0),
    ],
)
def test_mean_ln_tone_follows_the_line(lineup: Lineup, taxon: str, caste: str, hz: float) -> None:
    row = int(np.flatnonzero(lineup.tone.candidate == entry(lineup, taxon, caste))[0])
    # the scaled values were worked out from mean ITD, the model's centre from median ITD: 1 % apart
    assert math.exp(lineup.tone.mean_ln_hz[row]) == pytest.approx(hz, rel=0.025)


def test_no_spread_is_below_20_hz(lineup: Lineup) -> None:
    # literature: "use a standard deviation of at least 20 Hz for any species-caste prior"
    model = lineup.tone
    on_line = model.exponent != 0
    var = model.own_var + model.exponent**2 * model.itd_var + model.within_sd**2
    sd_hz = np.sqrt(np.expm1(var)) * np.exp(model.mean_ln_hz)
    assert on_line.sum() > 60
    assert (sd_hz[on_line] > 19.99).all()


def test_likelihood_of_a_caste_is_a_density(lineup: Lineup) -> None:
    grid = np.linspace(math.log(20), math.log(1500), 4001)
    total = np.zeros(len(lineup))
    for y in grid:
        total += np.exp(tone_terms(lineup.tone, cue(math.exp(y)), temperature_c=18.0).log_likelihood)
    integral = total * (grid[1] - grid[0])
    # something else is even over 50-1000 Hz; the grid is wider, so it holds more than 1 there
    assert integral[:-1] == pytest.approx(np.ones(len(lineup) - 1), abs=0.01)
    assert integral[-1] == pytest.approx(math.log(1500 / 20) / math.log(1000 / 50), rel=1e-3)


def test_distribution_function_is_the_integral_of_the_likelihood(lineup: Lineup) -> None:
    low, high = 150.0, 151.0
    below = tone_terms(lineup.tone, cue(high), temperature_c=18.0).cdf
    below = below - tone_terms(lineup.tone, cue(low), temperature_c=18.0).cdf
    density = np.exp(tone_terms(lineup.tone, cue(150.5), temperature_c=18.0).log_likelihood)
    assert below == pytest.approx(density * math.log(high / low), rel=0.03, abs=1e-9)


def test_a_lower_tone_means_a_larger_bee_within_every_bumblebee_caste(lineup: Lineup) -> None:
    low = tone_terms(lineup.tone, cue(110.0)).itd_mean_ln_mm[lineup.is_bumblebee]
    high = tone_terms(lineup.tone, cue(190.0)).itd_mean_ln_mm[lineup.is_bumblebee]
    assert (low > high).all()


def test_the_tone_says_nothing_of_the_size_of_a_fly(lineup: Lineup) -> None:
    # Le Roy et al. 2024/25 eLife 13:RP97839 (read): no effect of size on wingbeat among hoverflies
    fly = entry(lineup, "Eristalis tenax", "female")
    low, high = (tone_terms(lineup.tone, cue(hz)) for hz in (120.0, 200.0))
    assert low.itd_mean_ln_mm[fly] == high.itd_mean_ln_mm[fly]
    assert low.itd_var[fly] == lineup.tone.itd_var[lineup.tone.candidate == fly][0]


def test_size_of_one_caste_is_the_normal_product(lineup: Lineup) -> None:
    """Bayes for two normals, by quadrature over ITD instead of the closed form."""
    index = entry(lineup, "Bombus terrestris", "worker")
    model = lineup.tone
    row = int(np.flatnonzero(model.candidate == index)[0])
    tone = cue(175.0, n_bouts=3)
    noise = model.own_var[row] + model.within_sd**2 / 3 + tone.measurement_sd**2
    x = np.linspace(math.log(2), math.log(9), 20001)
    centre = model.mean_ln_hz[row] + model.exponent[row] * (x - model.itd_mean_ln_mm[row])
    weight = np.exp(
        -0.5 * (x - model.itd_mean_ln_mm[row]) ** 2 / model.itd_var[row]
        - 0.5 * (math.log(175.0) - centre) ** 2 / noise
    )
    mean = float(weight @ x / weight.sum())
    var = float(weight @ (x - mean) ** 2 / weight.sum())
    terms = tone_terms(model, tone, temperature_c=18.0)
    assert terms.itd_mean_ln_mm[index] == pytest.approx(mean, abs=1e-6)
    assert terms.itd_var[index] == pytest.approx(var, rel=1e-5)


def test_what_is_missing_or_far_off_widens(lineup: Lineup) -> None:
    index = entry(lineup, "Bombus terrestris", "worker")

    def peak(**rest: float | None) -> float:
        return float(tone_terms(lineup.tone, cue(155.0), temperature_c=rest.get("t")).log_likelihood[index])

    # at its own centre the density is highest where the spread is least
    assert peak(t=18.0) > peak(t=None)
    assert peak(t=18.0) > peak(t=30.0) == pytest.approx(peak(t=6.0))


def test_temperature_moves_nothing_but_the_spread(lineup: Lineup) -> None:
    # Joos, Young & Casey 1991 (read): no effect at 10-29 degrees
    cold, warm = (tone_terms(lineup.tone, cue(130.0), temperature_c=t) for t in (8.0, 28.0))
    assert cold.log_likelihood == pytest.approx(warm.log_likelihood)


@pytest.mark.parametrize(
    ("itd_mm", "words"),
    [
        (2.8, "very small"),
        (3.4, "small"),
        (4.15, "medium"),
        (5.0, "large"),
        (6.07, "very large"),
        (math.nan, ""),
    ],
)
def test_size_words(itd_mm: float, words: str) -> None:
    assert size_words(itd_mm) == words


def test_mixture_quantile_of_one_normal_is_its_quantile() -> None:
    one = np.array([3.0])
    assert mixture_quantile(np.array([2.0]), one, np.array([0.5]), 0.975) == pytest.approx(
        3.0 + 1.959963984540054 * 0.5, abs=1e-6
    )
    assert math.isnan(mixture_quantile(np.array([0.0]), one, np.array([0.5]), 0.5))


def test_normal_cdf_against_scipy() -> None:
    from scipy.special import ndtr

    z = np.linspace(-9, 9, 101)
    assert normal_cdf(z) == pytest.approx(ndtr(z), rel=1e-12, abs=1e-300)


@pytest.mark.parametrize(
    "bad", [(0.0, 1.0, 2.0), (100.0, 110.0, 120.0), (100.0, 90.0, math.inf), (math.nan,) * 3]
)
def test_a_tone_must_be_possible(bad: tuple[float, float, float]) -> None:
    with pytest.raises(ValueError, match="a tone needs"):
        ToneCue(*bad)
