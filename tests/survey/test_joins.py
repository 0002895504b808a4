"""Pieces of a long recording: they cover it once, and their joins leave no trace."""

from __future__ import annotations

import dataclasses
import itertools
import math
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from cli.made_up import bout
from survey.made_up import RATE_HZ, clip, garden
from wingtone.audio.encode import write_encoded
from wingtone.clip import measure_json, measure_recording
from wingtone.survey import Settings
from wingtone.survey.jobs import hear
from wingtone.survey.joins import EDGE_S, Piece, kept, pieces_of
from wingtone.survey.places import find

if TYPE_CHECKING:
    from pathlib import Path
    from typing import Any

    from numpy.typing import NDArray


@hypothesis_settings(deadline=None)
@given(length_s=st.floats(0, 1e5), piece_s=st.floats(100, 7200), overlap_s=st.floats(1, 100))
def test_cores_cover_a_recording_once(length_s: float, piece_s: float, overlap_s: float) -> None:
    pieces = pieces_of(length_s, piece_s=piece_s, overlap_s=overlap_s)
    assert pieces[0].start_s == 0.0
    assert pieces[-1].end_s == math.inf
    for one, other in itertools.pairwise(pieces):
        assert one.end_s == other.start_s
        assert other.window_start_s == pytest.approx(max(0.0, other.start_s - overlap_s))
        assert one.window_end_s == one.end_s + overlap_s
    if len(pieces) > 1:  # no piece for a crumb
        assert length_s - pieces[-1].start_s > overlap_s * (1 - 1e-9)
    assert len(pieces) <= length_s / piece_s + 1


def test_a_day_is_24_pieces() -> None:
    assert len(pieces_of(86_400.0, piece_s=3600, overlap_s=120)) == 24
    assert len(pieces_of(3600.0, piece_s=3600, overlap_s=120)) == 1
    assert len(pieces_of(0.0, piece_s=3600, overlap_s=120)) == 1


@hypothesis_settings(deadline=None)
@given(
    spans=st.lists(
        st.tuples(st.floats(0, 1900), st.floats(0.2, 1500)).map(lambda t: (t[0], t[0] + t[1])), max_size=12
    )
)
def test_every_bout_is_kept_once_and_whole(spans: list[tuple[float, float]]) -> None:
    """Whatever the bouts: over all pieces, each moment of each bout is told by exactly one."""
    pieces = pieces_of(2000.0, piece_s=400.0, overlap_s=80.0)
    told: list[tuple[float, float, float]] = []
    for piece in pieces:
        heard = []
        for k, (start_s, end_s) in enumerate(spans):
            low, high = max(start_s, piece.window_start_s), min(end_s, piece.window_end_s)
            if low < high:
                heard.append(bout(100.0 + k, start_s=low, end_s=high))
        told += [(b.f0_hz, b.start_s, b.end_s) for b in kept(heard, piece)]
    for k, (start_s, end_s) in enumerate(spans):
        own = sorted((s, e) for f0, s, e in told if f0 == 100.0 + k)
        assert own[0][0] == start_s
        assert own[-1][1] == end_s
        assert all(one[1] == other[0] for one, other in itertools.pairwise(own))
        if end_s - start_s < 80.0 - EDGE_S:
            assert len(own) == 1  # an ordinary bout is never cut


def test_a_bout_over_a_join_is_the_earlier_pieces() -> None:
    early, late = Piece(0, 0.0, 400.0, 80.0), Piece(1, 400.0, math.inf, 80.0)
    over = bout(150.0, start_s=398.0, end_s=403.0)
    assert kept([over], early) == [over]
    assert kept([over], late) == []


# --- with sound -------------------------------------------------------------------------------------------

BEES_AT = (3.0, 77.0, 118.0, 155.0, 158.5, 237.2, 262.0, 300.0)
"""118, 237.2 and 155 to 164.5 lie over joins at 120, 160 and 240 s."""
LENGTH_S = 310


@pytest.fixture(scope="module")
def sound() -> NDArray[np.float32]:
    return garden(LENGTH_S, bees_at=BEES_AT)


@pytest.fixture(scope="module")
def whole(sound: NDArray[np.float32], tmp_path_factory: pytest.TempPathFactory) -> list[dict[str, Any]]:
    """The bouts of one pass."""
    path = tmp_path_factory.mktemp("whole") / "garden.wav"
    write_encoded(path, sound, rate_hz=RATE_HZ)
    bouts: list[dict[str, Any]] = measure_json(measure_recording(path))["bouts"]
    return bouts


@pytest.mark.parametrize(
    ("name", "piece_s", "n"), [("a.wav", 120.0, 3), ("a.wav", 80.0, 4), ("a.flac", 120.0, 3)]
)
def test_joins_leave_no_trace(
    sound: NDArray[np.float32],
    whole: list[dict[str, Any]],
    tmp_path: Path,
    name: str,
    piece_s: float,
    n: int,
) -> None:
    """The same bouts as from one pass, number for number."""
    assert len(whole) >= 5
    assert any(b["start_s"] < join < b["end_s"] for b in whole for join in (120.0, 240.0))
    write_encoded(tmp_path / name, sound, rate_hz=RATE_HZ)
    (found,) = find(tmp_path / name)
    pieces = pieces_of(LENGTH_S, piece_s=piece_s, overlap_s=40.0)
    parts = [hear(found, piece, Settings(piece_s=piece_s, overlap_s=40.0)) for piece in pieces]
    assert len(parts) == n
    assert [bout for part in parts for bout in part["bouts"]] == whole
    assert sum(row[1] for part in parts for row in part["effort"]) == pytest.approx(LENGTH_S)


def test_files_of_an_hour_give_what_one_long_file_gives(tmp_path: Path) -> None:
    """A bout over a cut is told as two that meet there, all others are alike. Scaled: files of 80 s."""
    sound = garden(240, bees_at=(10.0, 40.0, 78.0, 110.0, 180.0))
    path = tmp_path / "whole.wav"
    write_encoded(path, sound, rate_hz=RATE_HZ)
    whole = [(b.start_s, b.end_s, b.f0_hz) for b in measure_recording(path).tone.bouts]
    parts = []
    for k in range(3):
        part = tmp_path / f"part{k}.wav"
        write_encoded(part, sound[k * 80 * RATE_HZ : (k + 1) * 80 * RATE_HZ], rate_hz=RATE_HZ)
        parts += [(b.start_s + 80 * k, b.end_s + 80 * k, b.f0_hz) for b in measure_recording(part).tone.bouts]
    over = [b for b in whole if b[0] < 80.0 < b[1]]
    assert len(over) == 1
    halves = [b for b in parts if b[0] < 80.1 and b[1] > 79.9]
    assert len(halves) == 2
    assert halves[0][0] == pytest.approx(over[0][0], abs=0.05)
    assert halves[0][1] == pytest.approx(80.0, abs=0.05)
    assert halves[1][0] == pytest.approx(80.0, abs=0.05)
    assert halves[1][1] == pytest.approx(over[0][1], abs=0.05)
    rest = [b for b in parts if b not in halves]
    assert len(rest) >= 4
    for got, want in zip(rest, [b for b in whole if b not in over], strict=True):
        assert got[:2] == pytest.approx(want[:2], abs=0.05)
        assert got[2] == pytest.approx(want[2], rel=0.01)


@pytest.mark.parametrize("name", ["a.wav", "a.flac", "a.m4a"])
def test_a_piece_behind_the_end_is_empty(tmp_path: Path, name: str) -> None:
    write_encoded(tmp_path / name, clip(1), rate_hz=RATE_HZ)
    (found,) = find(tmp_path / name)
    told = hear(found, Piece(5, 2000.0, math.inf, 40.0), Settings())
    assert told["bouts"] == told["effort"] == []
    assert told["end_s"] <= 4.1


def test_compressed_with_loss_stays_whole(tmp_path: Path) -> None:
    from wingtone.survey.jobs import look
    from wingtone.survey.plan import pieces_for

    settings = Settings(piece_s=80.0, overlap_s=40.0)
    for name, n in (("a.wav", 3), ("a.flac", 3), ("a.m4a", 1), ("a.ogg", 1)):
        path = tmp_path / name
        write_encoded(path, np.resize(clip(1), 240 * RATE_HZ), rate_hz=RATE_HZ)
        (found,) = find(path)
        facts = look(found)["facts"]
        assert len(pieces_for(facts, settings)) == n
        assert len(pieces_for(facts, dataclasses.replace(settings, model="any"))) == 1
