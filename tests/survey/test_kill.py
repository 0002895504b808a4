"""Killed at any moment, a survey goes on to the very table that it would have given undisturbed.

``tests/benchmarks/survey.py`` does the same 50 times.
"""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import pytest

from survey.killing import kill_at_random, start
from survey.made_up import rows, tables, write_clips

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.skipif(sys.platform != "linux", reason="finds the processes to kill in /proc")
def test_kill_9_leaves_no_trace(tmp_path: Path) -> None:
    place = tmp_path / "in"
    write_clips(place, 20)
    (place / "bad.wav").write_bytes(b"nothing to hear")
    assert start(place, tmp_path / "calm", "--workers", "2").wait() == 1
    done = kill_at_random(place, tmp_path / "rough", "--workers", "2", kills=4, seed=4)
    assert done["driver"] >= 1
    assert done["driver"] + done["workers"] <= 4
    assert tables(tmp_path / "rough") == tables(tmp_path / "calm")
    recordings = rows(tmp_path / "rough" / "recordings.csv")
    assert [row["status"] for row in recordings].count("done") == 20
