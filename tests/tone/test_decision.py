"""Deciding what is flight, given how likely each piece is."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, cast

import numpy as np
import pytest

from wingtone.tone.decision import Judged, decide, doubted, join, judge
from wingtone.tone.gate import SOURCES
from wingtone.tone.pieces import Piece
from wingtone.tone.refine import REFINED
from wingtone.tone.results import Bout
from wingtone.tone.rows import ROW

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from wingtone.tone.gate import Gate
    from wingtone.tone.results import Kind

THRESHOLD = 0.6


def judged(
    start: int,
    n: int,
    flight: float,
    sonication: float = 0.0,
    *,
    f0_hz: float = 150.0,
    stretch: int | None = None,
) -> Judged:
    """A piece of ``n`` frames of 10 ms, a stretch of its own unless its number is given."""
    rows = np.zeros(n, ROW)
    rows["frame"] = start + np.arange(n)
    rows["tracked"] = True
    rows["ln_f0"] = np.log(f0_hz)
    kinds = np.array([flight, sonication, 1.0 - flight - sonication])
    stretch = start if stretch is None else stretch
    piece = Piece(rows, rows[:0], rows[:0], np.zeros(0, REFINED), stretch, thread=stretch, thread_s=n * 0.01)
    return Judged(piece, kinds, np.full(3, 1 / 3), n * 0.01)


def kinds(*items: Judged, threshold: float = THRESHOLD) -> list[str | None]:
    return list(decide(items, threshold=threshold))


def test_a_long_piece_needs_the_threshold_and_a_short_one_more() -> None:
    assert kinds(judged(0, 60, 0.61)) == ["flight"]
    assert kinds(judged(0, 60, 0.59)) == ["uncertain"]
    assert kinds(judged(0, 30, 0.92)) == ["uncertain"]
    assert kinds(judged(0, 30, 0.94)) == ["flight"]
    assert kinds() == []


def test_short_pieces_of_one_bout_are_judged_as_the_bout() -> None:
    assert kinds(judged(0, 30, 0.7), judged(32, 30, 0.75)) == ["flight", "flight"]
    # Together still under 0.4 s, at another tone, too far apart, or not likely enough together.
    assert "flight" not in kinds(judged(0, 15, 0.7), judged(17, 15, 0.75))
    assert "flight" not in kinds(judged(0, 30, 0.7), judged(32, 30, 0.75, f0_hz=180.0))
    assert "flight" not in kinds(judged(0, 30, 0.7), judged(90, 30, 0.75))
    assert "flight" not in kinds(judged(0, 30, 0.7), judged(32, 30, 0.45))


def test_sonication_joins_no_flight() -> None:
    assert kinds(judged(0, 30, 0.7), judged(32, 30, 0.3, 0.6)) == ["uncertain", "sonication"]
    sure = judged(0, 60, 0.9)
    assert kinds(sure, judged(62, 60, 0.35, 0.6)) == ["flight", "sonication"]


def in_company(
    probability: float,
    *flags: str,
    end_s: float = 0.5,
    kind: Kind = "flight",
    sonication: float = 0.05,
    snr_db: float = 3.0,
    motor_frames: int = 0,
) -> str:
    """What stands of a bout from 0 s on at a threshold of 0.5; an engine was taken out of so many frames."""
    bout = Bout(kind, 0.0, end_s, 120.0, 119.0, 121.0, 2.0, snr_db, (), probability, flags=flags)
    frames = round(end_s * 100)
    parts = [
        judged(0, frames // 2, probability, sonication - 0.1),
        judged(frames // 2, frames - frames // 2, probability, sonication + 0.1),
    ]
    for part in parts:
        part.piece.rows["motor"] = part.piece.rows["frame"] < motor_frames
    return doubted(bout, parts, threshold=0.5).kind


@pytest.mark.parametrize("company", ["engine", "voice"])
def test_a_short_flight_in_bad_company_has_to_be_surer(company: str) -> None:
    assert in_company(0.92, company) == "uncertain"
    assert in_company(0.94, company) == "flight"
    # Alone, in other company, or longer, what was decided stands.
    assert in_company(0.86) == in_company(0.86, "wind") == in_company(0.86, company, end_s=0.6) == "flight"


def test_a_flight_of_under_a_second_where_an_engine_was_taken_out_has_to_be_surer() -> None:
    assert in_company(0.92, end_s=0.98, motor_frames=98) == "uncertain"
    assert in_company(0.92, end_s=0.98, motor_frames=50) == "uncertain"
    assert in_company(0.94, end_s=0.98, motor_frames=98) == "flight"
    # Where it ran for less than half of it, or the flight is longer, what was decided stands.
    assert in_company(0.86, end_s=0.98, motor_frames=48) == "flight"
    assert in_company(0.86, end_s=1.0, motor_frames=100) == "flight"
    # Nothing is concluded from a flower buzz.
    assert in_company(0.05, end_s=0.98, kind="sonication", sonication=0.9, motor_frames=98) == "sonication"


@pytest.mark.parametrize("company", ["engine", "voice"])
def test_a_short_flower_buzz_in_bad_company_stays_uncertain(company: str) -> None:
    assert in_company(0.05, company, kind="sonication", sonication=0.9) == "uncertain"
    for flags, end_s in (((), 0.5), (("wind",), 0.5), ((company,), 0.6)):
        assert in_company(0.05, *flags, end_s=end_s, kind="sonication", sonication=0.55) == "sonication"


def test_the_shortest_flower_buzz_has_to_be_surer() -> None:
    assert in_company(0.05, end_s=0.38, kind="sonication", sonication=0.65) == "uncertain"
    assert in_company(0.05, end_s=0.38, kind="sonication", sonication=0.67) == "sonication"
    assert in_company(0.05, end_s=0.4, kind="sonication", sonication=0.55) == "sonication"


def test_a_flower_buzz_far_below_the_noise_stays_uncertain() -> None:
    assert in_company(0.05, kind="sonication", sonication=0.9, snr_db=-35.0) == "uncertain"
    assert in_company(0.05, kind="sonication", sonication=0.9, snr_db=-33.0) == "sonication"
    assert in_company(0.9, snr_db=-35.0) == "flight"


def test_between_sonication_and_sonication_of_one_tone_nobody_flies() -> None:
    """A bee changes its tone from flight to sonication: De Luca et al. 2019."""
    start, end = judged(0, 80, 0.05, 0.95), judged(164, 40, 0.1, 0.9)
    assert kinds(start, judged(82, 80, 0.7, 0.25), end) == ["sonication"] * 3
    # Not beside it, not at another tone, not after a pause, and not when it is the longer by far.
    assert kinds(start, judged(82, 80, 0.7, 0.25)) == ["sonication", "flight"]
    assert kinds(start, judged(82, 80, 0.7, 0.25, f0_hz=115.0), end)[1] == "flight"
    assert kinds(start, judged(120, 80, 0.7, 0.25), judged(202, 40, 0.1, 0.9))[1] == "flight"
    assert kinds(start, judged(82, 300, 0.9, 0.05), judged(384, 40, 0.1, 0.9))[1] == "flight"


@pytest.mark.parametrize(
    ("flight", "sonication", "kind"),
    [(0.45, 0.37, "flight"), (0.45, 0.379, "uncertain"), (0.5, 0.43, "sonication")],
)
def test_flight_has_to_be_likelier_than_sonication(flight: float, sonication: float, kind: str) -> None:
    assert kinds(judged(0, 60, flight, sonication), threshold=0.45) == [kind]
    parts = [judged(0, 30, flight, sonication), judged(32, 30, flight, sonication)]
    assert ("flight" in kinds(*parts, threshold=0.45)) == (kind == "flight")


def test_a_tone_higher_than_bumblebees_has_to_be_surer() -> None:
    """Tones read by hand of *Bombus* in the labelled recordings lie at 108 to 140 Hz."""
    assert kinds(judged(0, 60, 0.61, f0_hz=249.0)) == ["flight"]
    assert kinds(judged(0, 60, 0.79, f0_hz=251.0)) == ["uncertain"]
    assert kinds(judged(0, 60, 0.81, f0_hz=251.0)) == ["flight"]
    assert "flight" not in kinds(judged(0, 30, 0.75, f0_hz=260.0), judged(32, 30, 0.75, f0_hz=260.0))


@pytest.mark.parametrize("gap", [1, 140])
def test_a_flight_supports_what_is_heard_near_it_at_its_tone(gap: int) -> None:
    sure = judged(100, 60, 0.9)
    assert kinds(sure, judged(160 + gap, 20, 0.5)) == ["flight", "flight"]
    assert kinds(judged(80 - gap, 20, 0.5), judged(100, 60, 0.9)) == ["flight", "flight"]


def test_no_support_from_afar_or_from_what_is_itself_supported() -> None:
    sure = judged(0, 60, 0.9)
    near, far = judged(190, 20, 0.5), judged(670, 20, 0.5)
    assert kinds(sure, near, far) == ["flight", "flight", None]
    assert kinds(sure, near, judged(650, 20, 0.5)) == ["flight"] * 3
    assert kinds(sure, judged(100, 20, 0.5, f0_hz=180.0)) == ["flight", None]
    assert kinds(sure, judged(100, 20, 0.39)) == ["flight", None]


@pytest.mark.parametrize(("off", "reach_s"), [(0.04, 6.0), (0.06, 1.5), (0.11, 1.5), (0.13, 0.0)])
def test_further_away_only_its_very_tone_is_supported(off: float, reach_s: float) -> None:
    """Within 1.5 s the tone may lie 12 % off, from there to 6 s 5 %."""
    sure = judged(1000, 60, 0.9)
    for f0_hz in (150 * np.exp(off), 150 * np.exp(-off)):
        for gap_s in (0.5, 1.4, 1.6, 5.9, 6.1):
            late = judged(1060 + round(gap_s * 100), 50, 0.5, f0_hz=f0_hz)
            early = judged(1000 - 50 - round(gap_s * 100), 50, 0.5, f0_hz=f0_hz)
            expected = "flight" if gap_s <= reach_s else None
            assert kinds(sure, late)[1] == kinds(early, sure)[0] == expected, gap_s


def test_sonication_between_two_flights_of_its_tone_is_flight() -> None:
    """A flower buzz is higher than the flight before and after it (De Luca et al. 2019)."""
    before, after = judged(0, 60, 0.9), judged(300, 60, 0.9)
    doubted = judged(150, 60, 0.2, 0.7)
    assert kinds(before, doubted, after) == ["flight"] * 3
    assert kinds(before, doubted) == ["flight", "sonication"]
    assert kinds(doubted, after) == ["sonication", "flight"]
    assert kinds(before, judged(150, 60, 0.19, 0.7), after)[1] == "sonication"
    assert kinds(before, judged(150, 60, 0.2, 0.7, f0_hz=190.0), after)[1] == "sonication"
    # Two flights that differ, only one of which it is like.
    assert kinds(before, doubted, judged(300, 60, 0.9, f0_hz=190.0))[1] == "sonication"


def told_by_a_gate(
    items: Sequence[Judged], told: Sequence[Sequence[float]], *, source: str = "engine"
) -> list[Judged]:
    """The pieces of ``items``, judged where a gate says ``told`` of each, and ``source`` of the rest."""

    class Told:
        def kinds(self, rows: Sequence[Mapping[str, float]]) -> NDArray[np.float64]:
            return np.array(told)[: len(rows)]

        def sources(self, rows: Sequence[Mapping[str, float]]) -> NDArray[np.float64]:
            return np.tile([float(name == source) for name in SOURCES], (len(rows), 1))

    return judge([item.piece for item in items], cast("Gate", Told()))


def test_parts_of_an_unbroken_tone_are_judged_together() -> None:
    """Their log probabilities are averaged by length; another tone is judged by itself."""
    told = np.array([[0.8, 0.1, 0.1], [0.2, 0.4, 0.4], [0.3, 0.3, 0.4]])
    pieces = [judged(0, 60, 0.0, stretch=1), judged(60, 20, 0.0, stretch=1), judged(90, 50, 0.0, stretch=2)]
    first, second, alone = told_by_a_gate(pieces, told.tolist())
    pooled = told[0] ** 0.75 * told[1] ** 0.25
    assert first.kinds == pytest.approx(pooled / pooled.sum())
    assert second.kinds == pytest.approx(first.kinds)
    assert alone.kinds == pytest.approx(told[2])
    assert [item.stretch_s for item in (first, second, alone)] == pytest.approx([0.8, 0.8, 0.5])


def unbroken(
    length_s: float, told: Sequence[float], *, n_stretches: int = 1, source: str = "engine"
) -> list[Judged]:
    """A tone of 210 Hz in four parts, each of which a gate says ``told`` of, and ``source`` of the rest."""
    n = round(25 * length_s)
    parts = [judged(k * n, n, 0.0, f0_hz=210.0, stretch=k * n_stretches // 4) for k in range(4)]
    return told_by_a_gate(parts, [told] * 4, source=source)


def test_the_longer_a_tone_goes_on_unbroken_the_likelier_it_is_flight_and_no_flower_buzz() -> None:
    """Of the flower buzzes of the labelled recordings none is tracked unbroken for more than 1.6 s."""
    told = [0.2, 0.7, 0.1]
    for length_s in (0.4, 1.6):
        assert unbroken(length_s, told)[0].kinds == pytest.approx(told)
        assert kinds(*unbroken(length_s, told)) == ["sonication"] * 4
    # For every second more the odds are e^1.5 times as good; how likely it is a bee at all stays as it was.
    flight, sonication, other = unbroken(2.6, told)[0].kinds
    assert flight / sonication == pytest.approx(2 / 7 * np.exp(1.5))
    assert other == pytest.approx(0.1)
    assert kinds(*unbroken(2.0, told)) == ["sonication"] * 4
    assert kinds(*unbroken(2.7, told)) == ["uncertain"] * 4
    assert kinds(*unbroken(3.0, told)) == kinds(*unbroken(6.0, told)) == ["flight"] * 4
    assert unbroken(1200.0, told)[0].kinds == pytest.approx([0.9, 0.0, 0.1])
    # What is surely a buzz takes longer, what is no bee does not become one, parts of two tones are not one.
    assert kinds(*unbroken(2.6, [0.01, 0.98, 0.01])) == ["sonication"] * 4
    assert kinds(*unbroken(6.0, [0.1, 0.3, 0.6])) == [None] * 4
    assert kinds(*unbroken(3.0, told, n_stretches=2)) == ["sonication"] * 4


def test_the_longer_a_tone_goes_on_unbroken_the_less_it_is_a_voice_while_an_engine_hums_on() -> None:
    """Of the tones tracked in voices 3 in 100 last more than 0.6 s, of labelled flights 39."""
    told = [0.3, 0.1, 0.6]
    for source in ("voice", "other"):
        assert unbroken(0.6, told, source=source)[0].kinds == pytest.approx(told)
        flight, sonication, other = unbroken(1.6, told, source=source)[0].kinds
        assert flight + sonication + other == pytest.approx(1.0)
        assert flight / other == pytest.approx(0.5 * np.exp(0.5))
        assert flight / sonication == pytest.approx(3.0)
        assert unbroken(1200.0, told, source=source)[0].kinds == pytest.approx([1.0, 0.0, 0.0])
        assert kinds(*unbroken(0.6, told, source=source)) == [None] * 4
        assert kinds(*unbroken(3.0, told, source=source)) == ["flight"] * 4
    assert unbroken(1.6, told)[0].kinds == pytest.approx(told)


def sliding(start: int, n: int, from_hz: float, to_hz: float, flight: float) -> Judged:
    """A piece whose tone slides."""
    item = judged(start, n, flight)
    item.piece.rows["ln_f0"] = np.linspace(np.log(from_hz), np.log(to_hz), n)
    return item


def test_tones_are_compared_where_they_meet() -> None:
    """A bee that slides from 130 to 170 Hz is one bout; one that ends at 140, one from 170 Hz on, are two."""
    rising = [sliding(0, 60, 130.0, 150.0, 0.9), sliding(62, 60, 150.0, 170.0, 0.9)]
    assert [len(items) for _, items in join(rising, decide(rising, threshold=THRESHOLD))] == [2]
    apart = [sliding(0, 60, 150.0, 140.0, 0.9), sliding(62, 60, 170.0, 150.0, 0.9)]
    assert [len(items) for _, items in join(apart, decide(apart, threshold=THRESHOLD))] == [1, 1]


def test_between_two_flights_of_its_tone_less_will_do() -> None:
    """As much as a flight reaches over, 0.4 of the threshold; beside one the threshold less 0.2."""
    before, after = judged(0, 60, 0.9), judged(340, 60, 0.9)
    faint = [judged(140 + 40 * k, 40, 0.25, stretch=1) for k in range(2)]
    assert kinds(before, *faint, after) == ["flight"] * 4
    assert kinds(before, *faint) == ["flight", None, None]
    assert kinds(*faint, after) == [None, None, "flight"]
    # Not at another tone, not after too long, and not what is hardly a bee.
    assert kinds(before, *faint, judged(340, 60, 0.9, f0_hz=180.0))[1] is None
    assert kinds(before, *faint, judged(830, 60, 0.9))[1] is None
    assert kinds(before, judged(140, 80, 0.23), after)[1] is None


def test_what_supports_a_part_of_an_unbroken_tone_supports_all_of_it() -> None:
    sure = judged(0, 60, 0.9)
    parts = [judged(100 + 80 * k, 80, 0.5, stretch=1) for k in range(5)]
    assert kinds(sure, *parts) == ["flight"] * 6
    assert kinds(*[judged(-500 + 80 * k, 80, 0.5, stretch=1) for k in range(5)], sure) == ["flight"] * 6
    # Another stretch that goes on from there has no support of its own.
    assert kinds(sure, *parts, judged(670, 80, 0.5, stretch=2))[-1] is None
    assert kinds(sure, judged(100, 80, 0.5, stretch=1), judged(180, 80, 0.5, f0_hz=74.0, stretch=1)) == [
        "flight",
        "flight",
        None,
    ]


def test_nothing_outside_the_pitch_of_flight_is_called_flight() -> None:
    for f0_hz in (70.0, 340.0):
        low = [judged(0, 60, 0.99, f0_hz=f0_hz), judged(62, 60, 0.99, f0_hz=f0_hz)]
        assert "flight" not in kinds(*low)
    assert kinds(judged(0, 60, 0.9, f0_hz=78.0), judged(100, 60, 0.5, f0_hz=74.0))[1] != "flight"


def test_a_higher_threshold_never_finds_more() -> None:
    rng = np.random.default_rng(5)
    for _ in range(200):
        items, at = [], 0
        for share in rng.dirichlet([2, 1, 1], size=8):
            at += int(rng.integers(1, 60))
            n = int(rng.integers(8, 80))
            items.append(judged(at, n, share[0], share[1], f0_hz=float(rng.choice([150, 160, 200]))))
            at += n
        found = [
            {i for i, kind in enumerate(kinds(*items, threshold=t)) if kind == "flight"}
            for t in (0.3, 0.5, 0.6, 0.7, 0.9)
        ]
        for more, fewer in pairwise(found):
            assert fewer <= more
