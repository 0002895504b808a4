"""Results are written whole or not at all."""

from __future__ import annotations

import os
import stat
from typing import TYPE_CHECKING

import pytest

from wingtone.errors import OutputError
from wingtone.files import replacing, synchronise

if TYPE_CHECKING:
    from pathlib import Path


def test_takes_the_place_of_the_old_file_at_the_end(tmp_path: Path) -> None:
    target = tmp_path / "result.csv"
    target.write_text("old")
    with replacing(target) as scratch:
        scratch.write_text("new")
        assert target.read_text() == "old"
        assert scratch.suffix == ".csv"
    assert target.read_text() == "new"
    assert list(tmp_path.iterdir()) == [target]


def test_keeps_the_old_file_when_the_work_fails(tmp_path: Path) -> None:
    target = tmp_path / "result.csv"
    target.write_text("old")

    def fail_half_way() -> None:
        with replacing(target) as scratch:
            scratch.write_text("half")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail_half_way()
    assert target.read_text() == "old"
    assert list(tmp_path.iterdir()) == [target]


def test_a_new_file_has_the_rights_of_any_new_file(tmp_path: Path) -> None:
    plain = tmp_path / "plain"
    plain.touch()
    with replacing(tmp_path / "result") as scratch:
        scratch.write_text("new")
    assert stat.S_IMODE((tmp_path / "result").stat().st_mode) == stat.S_IMODE(plain.stat().st_mode)


def test_says_where_it_cannot_write(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="folder that exists"), replacing(tmp_path / "none" / "result"):
        pass
    with pytest.raises(OutputError, match="a folder, not a file"), replacing(tmp_path):
        pass


def test_a_full_disk_is_an_output_error(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="No space left"), replacing(tmp_path / "result"):
        raise OSError(28, os.strerror(28))


def test_what_was_written_is_on_the_disk_before_it_has_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A power cut cannot be tried here; that the system is asked in this order can."""
    target = tmp_path / "result.csv"
    asked: list[tuple[bool, bool]] = []
    healthy = os.fsync

    def fsync(handle: int) -> None:
        asked.append((stat.S_ISDIR(os.fstat(handle).st_mode), target.exists()))
        healthy(handle)

    monkeypatch.setattr("wingtone.files.os.fsync", fsync)
    with replacing(target) as scratch:
        scratch.write_text("new")
    assert asked == [(False, False), (True, True)]
    assert target.read_text() == "new"


def test_a_disk_that_fails_at_the_last_moment_leaves_what_was_there(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Network disks say that they are full only when they are asked whether all has arrived."""
    target = tmp_path / "result.csv"
    target.write_text("old")

    def full(_: int) -> None:
        raise OSError(28, os.strerror(28))

    monkeypatch.setattr("wingtone.files.os.fsync", full)
    with pytest.raises(OutputError, match="No space left"), replacing(target) as scratch:
        scratch.write_text("new")
    assert target.read_text() == "old"
    assert list(tmp_path.iterdir()) == [target]
    synchronise(tmp_path)  # the names in a folder: only where the system can
