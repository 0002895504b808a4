"""Made-up individuals."""

from __future__ import annotations

import numpy as np
import pytest

from wingtone.simulate.population import EXPONENT, Group, draw_individuals, line_tone_hz


@pytest.mark.parametrize(
    ("itd_mm", "f0_hz"),
    [(6.07, 104), (4.15, 155), (3.39, 192), (4.96, 129), (5.83, 108), (3.41, 190), (3.87, 167), (4.46, 144)],
)
def test_the_line_gives_the_reference_bands(itd_mm: float, f0_hz: float) -> None:
    # predicted bands of the project's reference tables, column "ITD scaled" (derived), rounded to 1 Hz
    assert float(line_tone_hz(itd_mm)) == pytest.approx(f0_hz, abs=1.0)


def test_the_line_is_mass_to_the_minus_0_35() -> None:
    # worked value T7: 155 Hz at 175 mg gives 100.7 Hz at 600 mg when size goes with the cube root of mass
    itd_mm = 4.15 * (600 / 175) ** (1 / 3)
    assert float(line_tone_hz(itd_mm)) == pytest.approx(100.7, abs=0.1)
    assert pytest.approx(3 * -0.35) == EXPONENT


def test_individuals_spread_as_asked() -> None:
    group = Group("Bombus terrestris", "worker", 4.15, 0.62)
    bees = draw_individuals(np.random.default_rng(0), group, 4000)
    size = np.array([bee.itd_mm for bee in bees])
    tone = np.array([bee.f0_hz for bee in bees])
    assert size.mean() == pytest.approx(4.15, abs=0.04)
    assert size.std() == pytest.approx(0.62, abs=0.03)
    assert np.median(tone) == pytest.approx(155.0, abs=1.5)
    assert np.std(np.log(tone)) == pytest.approx(0.12, abs=0.006)
    assert abs(np.corrcoef(size, tone)[0, 1]) < 0.05  # no relation within a group unless asked for


def test_within_a_group_size_can_count() -> None:
    group = Group("x", "worker", 4.0, 0.4, f0_log_sd=0.0, within_exponent=EXPONENT)
    bees = draw_individuals(np.random.default_rng(1), group, 50)
    assert [bee.f0_hz for bee in bees] == pytest.approx([float(line_tone_hz(bee.itd_mm)) for bee in bees])
