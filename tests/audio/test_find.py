"""Folders to recordings, and the fingerprint."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

import pytest

from wingtone.audio import find_recordings, sha256_of
from wingtone.errors import RecordingError

from .bout import FORMS, Form

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize("form", FORMS, ids=lambda form: form.name)
def test_every_format_is_found_whatever_its_name(bouts: Path, tmp_path: Path, form: Form) -> None:
    (tmp_path / "notes.txt").write_bytes((bouts / form.name).read_bytes()[:70_000])
    assert find_recordings([tmp_path]) == [tmp_path / "notes.txt"]


def test_a_folder_is_walked_in_order(bouts: Path, tmp_path: Path) -> None:
    sound = (bouts / "pcm_s16le.wav").read_bytes()
    for name in ("b/2.wav", "b/1.wav", "a.wav", "c/d/e/deep", ".hidden/x.wav", "b/._1.wav"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(sound)
    (tmp_path / "list.csv").write_text("file,start\n")
    (tmp_path / "photo.jpg").write_bytes(b"\xff\xd8\xff\xe0")
    (tmp_path / "broken.M4A").write_text("not sound")  # named like one: opening it will say what is wrong
    os.mkfifo(tmp_path / "pipe.wav")
    (tmp_path / "again").symlink_to(tmp_path, target_is_directory=True)
    found = [str(path.relative_to(tmp_path)) for path in find_recordings([tmp_path])]
    assert found == ["a.wav", "b/1.wav", "b/2.wav", "broken.M4A", "c/d/e/deep"]


def test_files_are_taken_as_given_and_once(tmp_path: Path) -> None:
    for name in ("b.txt", "a.wav"):
        (tmp_path / name).write_text("x")
    asked: list[Path | str] = [tmp_path / "b.txt", str(tmp_path / "a.wav"), tmp_path]
    assert find_recordings(asked) == [tmp_path / "b.txt", tmp_path / "a.wav"]
    assert find_recordings([]) == []


def test_missing_and_empty(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match=r"gone.*no such file or folder.*check"):
        find_recordings([tmp_path / "gone"])
    (tmp_path / "notes.txt").write_text("x")
    with pytest.raises(RecordingError, match="no recording in this folder"):
        find_recordings([tmp_path])


def test_fingerprint(tmp_path: Path) -> None:
    """The one-block example of FIPS 180-2, B.1 (from memory)."""
    (tmp_path / "x").write_bytes(b"abc")
    assert sha256_of(tmp_path / "x") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
