"""What lies where a file was expected: folders, pipes, devices, links that lead nowhere or to themselves.

And what goes or changes while it is read, and names that are too long or of another system.
"""

from __future__ import annotations

import os
import signal
import threading
import unicodedata
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from click.testing import CliRunner

from faults.surroundings import DEMO, open_folder
from wingtone import clip
from wingtone.audio import find_recordings
from wingtone.audio.encode import write_encoded
from wingtone.cli import main
from wingtone.cli.measure_command import track_names
from wingtone.errors import InputError, OutputError, WingtoneError
from wingtone.files import replacing, what_is
from wingtone.survey.places import find

if TYPE_CHECKING:
    from collections.abc import Iterator

ODD = ("folder", "pipe", "dangling", "loop", "device", "long", "under a file")
WAIT_S = 60


@pytest.fixture
def odd(tmp_path: Path) -> dict[str, Path]:
    """Things that are no files, by what they are."""
    (tmp_path / "folder").mkdir()
    os.mkfifo(tmp_path / "pipe.csv")
    (tmp_path / "dangling.wav").symlink_to("nowhere")
    (tmp_path / "loop.wav").symlink_to("loop.wav")
    (tmp_path / "file").write_text("x")
    return {
        "folder": tmp_path / "folder",
        "pipe": tmp_path / "pipe.csv",
        "dangling": tmp_path / "dangling.wav",
        "loop": tmp_path / "loop.wav",
        "device": Path("/dev/zero"),
        "long": tmp_path / ("x" * 300),
        "under a file": tmp_path / "file" / "below.wav",
    }


@pytest.fixture(autouse=True)
def no_waiting() -> Iterator[None]:
    """A pipe that is waited for, or a device read without end, fails the test instead of stopping all."""

    def too_long(_: int, __: object) -> None:
        raise AssertionError("it waits")

    before = signal.signal(signal.SIGALRM, too_long)
    signal.alarm(WAIT_S)
    yield
    signal.alarm(0)
    signal.signal(signal.SIGALRM, before)


@pytest.mark.parametrize("kind", ODD)
def test_no_command_waits_for_it_or_calls_it_a_bug(kind: str, odd: dict[str, Path], tmp_path: Path) -> None:
    bad = str(odd[kind])
    bouts = tmp_path / "bouts.csv"
    bouts.write_text("path,kind,start_s,end_s,f0_hz,f0_low_hz,f0_high_hz,flight_probability,flags\n")
    for arguments in (
        ["measure", bad],
        ["identify", bad],
        ["cue", bad, "--clips", str(DEMO), "--out", str(tmp_path / "out.csv")],
        ["cue", str(bouts), "--clips", bad, "--out", str(tmp_path / "out.csv")],
        ["train", bad, "--check"],
        ["assess", bad, bad],
        ["sizes", bad],
        ["sizes", str(bouts), "--sites", bad],
        ["survey", bad, "--out", str(tmp_path / "survey"), "--dry-run"],
        ["fauna", "check", bad],
        ["identify", "--f0", "150", "--fauna", bad],
        ["notebook", "--notebook", str(tmp_path / "n.sqlite"), "import", bad],
        ["notebook", "--notebook", bad, "list"],
        ["notebook", "--notebook", bad, "add", "--taxon", "Bombus hortorum"],
        ["notebook", "--notebook", bad, "rescue", "--out", str(tmp_path / "saved.sqlite")],
        ["notebook", "--notebook", str(tmp_path / "n.sqlite"), "add", "--recording", bad],
    ):
        result = CliRunner().invoke(main, arguments)
        if "--dry-run" in arguments and kind in ("pipe", "device"):
            continue  # it counts as a recording that is still to be opened
        assert result.exit_code in (1, 2), (arguments, result.output)
        assert "inside wingtone" not in result.stderr, (arguments, result.stderr)
        assert "Traceback" not in result.stderr
        assert not (tmp_path / "n.sqlite").exists()


def test_results_never_take_the_place_of_a_device_a_link_or_a_guarded_file(tmp_path: Path) -> None:
    def write(target: Path) -> None:
        with replacing(target) as scratch:
            scratch.write_text("new")

    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)  # as /dev/null would be, which root could replace
    with pytest.raises(OutputError, match="not an ordinary file"):
        write(pipe)
    assert what_is(pipe) == "other"
    (tmp_path / "real.csv").write_text("old")
    (tmp_path / "link.csv").symlink_to("real.csv")
    write(tmp_path / "link.csv")
    assert (tmp_path / "link.csv").is_symlink()
    assert (tmp_path / "real.csv").read_text() == "new"
    (tmp_path / "to be made.csv").symlink_to("later.csv")
    write(tmp_path / "to be made.csv")
    assert (tmp_path / "later.csv").read_text() == "new"
    private = tmp_path / "private.csv"
    private.touch(mode=0o600)
    write(private)
    assert private.stat().st_mode & 0o777 == 0o600
    longest = tmp_path / ("b" * 120 + "." + "x" * 130)
    write(longest)
    assert longest.read_text() == "new"
    with pytest.raises(OutputError, match="too long"):
        write(tmp_path / ("x" * 300))
    assert not list(tmp_path.glob(".wingtone-*"))


def test_a_walk_passes_over_what_systems_leave_and_names_what_was_meant(tmp_path: Path) -> None:
    sound = tmp_path / "garden" / "bee.wav"
    sound.parent.mkdir()
    write_encoded(sound, np.zeros((1, 800), np.float32), rate_hz=8000)
    whole = sound.read_bytes()
    left = ["._bee.wav", ".DS_Store", "$RECYCLE.BIN/bee.wav", "System Volume Information/a.wav"]
    for name in (*left, "__MACOSX/bee.wav", "lost+found/bee.wav", ".Trashes/bee.wav"):
        (sound.parent / name).parent.mkdir(exist_ok=True)
        (sound.parent / name).write_bytes(whole)
    (sound.parent / "Thumbs.db").write_bytes(b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1" + bytes(500))
    (sound.parent / "desktop.ini").write_text("[.ShellClassInfo]\r\n")
    (sound.parent / "bee.wav:Zone.Identifier").write_text("[ZoneTransfer]\r\nZoneId=3\r\n")
    (sound.parent / "moved away.wav").symlink_to("/nowhere/bee.wav")
    (sound.parent / "bee to come.m4a").symlink_to("bee to come.m4a")
    os.mkfifo(sound.parent / "pipe.wav")
    names = [path.name for path in find_recordings([sound.parent])]
    assert names == ["bee to come.m4a", "bee.wav", "moved away.wav"]
    assert [found.size_bytes for found in find(sound.parent)] == [0, len(whole), 0]
    result = CliRunner().invoke(main, ["measure", str(sound.parent), "--format", "csv"])
    assert result.exit_code == 1
    failed = [line for line in result.stderr.splitlines() if "note:" not in line]
    for name, line in zip(("bee to come.m4a", "moved away.wav"), failed, strict=True):
        assert line.startswith(f"wingtone: {sound.parent / name}: "), line
        assert "inside wingtone" not in line


def test_a_closed_folder_below_is_named_and_the_rest_is_heard() -> None:
    """As ``lost+found`` or another user's folder on a shared disk."""
    with open_folder() as folder:
        (folder / "mine").mkdir(mode=0o755)
        write_encoded(folder / "mine" / "bee.wav", np.zeros((1, 800), np.float32), rate_hz=8000)
        (folder / "theirs").mkdir()
        (folder / "theirs").chmod(0)
        list(find_recordings([folder / "mine"]))  # what is loaded late is loaded now
        reader, writer = os.pipe()
        child = os.fork()
        if child == 0:
            try:
                if os.geteuid() == 0:
                    os.setgroups([])
                    os.setgid(65534)
                    os.setuid(65534)
                said = "|".join(str(path.relative_to(folder)) for path in find_recordings([folder]))
                try:
                    find_recordings([folder / "theirs" / "bee.wav"])
                except WingtoneError as error:
                    said += f"|{error.what}"
                os.write(writer, said.encode())
            finally:
                os._exit(0)
        os.close(writer)
        with os.fdopen(reader) as answer:
            told = answer.read().split("|")
        os.waitpid(child, 0)
        (folder / "theirs").chmod(0o755)
    assert told[:2] == ["mine/bee.wav", "theirs"]
    assert "cannot be looked at: Permission denied" in told[2]


def test_a_recording_that_goes_or_grows_while_it_is_heard(tmp_path: Path) -> None:
    """Gone, it is heard to its end; growing, as far as it said; cut short, as far as it goes."""
    rng = np.random.default_rng(3)
    noise = (0.05 * rng.standard_normal((1, 8000 * 40))).astype(np.float32)
    for name in ("gone", "cut", "growing"):
        write_encoded(tmp_path / f"{name}.wav", noise, rate_hz=8000)
    from wingtone.audio import open_recording

    heard = {}
    for name in ("gone", "cut", "growing"):
        path = tmp_path / f"{name}.wav"
        with open_recording(path) as recording:
            blocks = recording.blocks(rate_hz=8000)
            seconds = next(blocks).shape[1] / 8000
            if name == "gone":
                path.unlink()
            elif name == "cut":
                os.truncate(path, path.stat().st_size // 3)
            else:
                with path.open("ab") as file:
                    file.write(bytes(100_000))
            heard[name] = seconds + sum(block.shape[1] for block in blocks) / 8000
    assert heard["gone"] == pytest.approx(40, abs=0.1)
    assert 0 < heard["cut"] < 40
    assert heard["growing"] == pytest.approx(40, abs=0.1)
    measured = clip.measure_recording(tmp_path / "cut.wav")
    assert measured.recording.damaged_packets > 0 or measured.recording.duration_s < 40
    with pytest.raises(InputError, match="no such file"):
        clip.measure_recording(tmp_path / "gone.wav")


def test_two_writers_of_one_file_leave_one_whole(tmp_path: Path) -> None:
    target = tmp_path / "bees.csv"
    begun = threading.Barrier(4)

    def write(letter: str) -> None:
        for _ in range(20):
            with replacing(target) as scratch:
                begun.wait(WAIT_S)
                scratch.write_text(letter * 50_000)

    writers = [threading.Thread(target=write, args=(letter,)) for letter in "abcd"]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert set(target.read_text()) in ({"a"}, {"b"}, {"c"}, {"d"})
    assert target.stat().st_size == 50_000
    assert list(tmp_path.iterdir()) == [target]


def test_names_of_results_are_apart_where_systems_do_not_tell_letters_apart(tmp_path: Path) -> None:
    """Case (Windows, macOS) and composed letters (macOS): a second track may not replace the first."""
    composed = "Bl\N{LATIN SMALL LETTER U WITH DIAERESIS}te"
    names = ["BEE.wav", "bee.wav", f"{composed}.wav", f"{unicodedata.normalize('NFD', composed)}.wav"]
    told = track_names([tmp_path / name for name in names])
    keys = {unicodedata.normalize("NFC", name).casefold() for name in told.values()}
    assert len(keys) == len(names)


def test_deep_paths(tmp_path: Path) -> None:
    """Longer than the 260 characters of old systems, up to what this one takes."""
    deep = tmp_path.joinpath(*["a folder with a rather long name" for _ in range(10)])
    deep.mkdir(parents=True)
    path = deep / "bee.wav"
    write_encoded(path, np.zeros((1, 8000), np.float32), rate_hz=8000)
    assert len(str(path)) > 300
    result = CliRunner().invoke(main, ["measure", str(tmp_path), "--tracks", str(deep / "tracks")])
    assert result.exit_code == 0, result.stderr
    assert (deep / "tracks" / "bee.track.csv").exists()
