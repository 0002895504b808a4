"""What goes wrong is told in one line with the remedy, the rest is still done, and the status says so."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from typing import TYPE_CHECKING

import av
import click
import numpy as np
import pytest

from wingtone import clip
from wingtone.audio.encode import write_encoded
from wingtone.cli import main

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from click.testing import CliRunner

    from wingtone.clip import Measurement
    from wingtone.tone.results import ToneResult

    Find = Callable[[ToneResult], None]


def film_without_sound(path: Path) -> None:
    with av.open(str(path), "w") as container:
        stream = container.add_stream("mpeg4", rate=5)
        stream.width, stream.height, stream.pix_fmt = 64, 64, "yuv420p"
        for _ in range(5):
            frame = av.VideoFrame.from_ndarray(np.zeros((64, 64, 3), np.uint8), format="rgb24")
            for packet in stream.encode(frame):
                container.mux(packet)
        for packet in stream.encode():
            container.mux(packet)


def make_bad(kind: str, folder: Path) -> Path:
    path = folder / f"{kind}.m4a"
    if kind == "text":
        path.write_text("Seen at the foxgloves, a big one.\n" * 50, encoding="utf-8")
    elif kind == "empty":
        path.touch()
    elif kind == "noise":
        path.write_bytes(np.random.default_rng(1).bytes(5000))
    elif kind == "truncated":
        whole = folder / "whole.m4a"
        tone = np.sin(2 * np.pi * 150 * np.arange(32000) / 16000).astype(np.float32)[None]
        write_encoded(whole, tone, rate_hz=16000)
        path.write_bytes(whole.read_bytes()[:2000])
        whole.unlink()
    elif kind == "film":
        path = folder / "film.mp4"
        film_without_sound(path)
    elif kind == "folder":
        path = folder / "folder"
        path.mkdir()
        (path / "notes.txt").write_text("no sound here", encoding="utf-8")
    return path  # "missing" is not made


@pytest.mark.parametrize("command", ["measure", "identify"])
@pytest.mark.parametrize("kind", ["missing", "folder", "text", "empty", "noise", "truncated", "film"])
def test_a_bad_input_is_told_and_the_others_are_done(
    kind: str, command: str, runner: CliRunner, tmp_path: Path, hover_wav: Path, perfect_ear: Find
) -> None:
    bad = make_bad(kind, tmp_path)
    result = runner.invoke(main, [command, str(bad), str(hover_wav), "--format", "json"])
    assert result.exit_code == 1
    (line,) = result.stderr.splitlines()
    assert line.startswith(f"wingtone: {bad}: ")
    assert line.endswith(")")
    assert "(" in line, "says no remedy"
    assert "Traceback" not in result.stderr
    (laid_out,) = (json.loads(text) for text in result.stdout.splitlines())
    assert laid_out["recording"]["path"] == str(hover_wav)


def test_silence_and_no_bee_are_answers_with_a_note(
    runner: CliRunner, tmp_path: Path, perfect_ear: Find
) -> None:
    from cli.made_up import tone_of

    perfect_ear(tone_of())
    noise = np.random.default_rng(1).standard_normal((1, 32000)).astype(np.float32)
    for name, loudness in (("silent", 0.0), ("wind", 0.05)):
        write_encoded(tmp_path / f"{name}.wav", loudness * noise, rate_hz=16000)
    result = runner.invoke(main, ["measure", str(tmp_path), "--format", "json"])
    assert result.exit_code == 0
    silent, wind = result.stderr.splitlines()
    assert "silent.wav: note:" in silent
    assert "no bee was heard flying" in wind
    laid_out = [json.loads(line) for line in result.stdout.splitlines()]
    assert [one["bouts"] for one in laid_out] == [[], []]
    assert [one["warnings"][0]["code"] for one in laid_out] == ["silent", "no bee heard"]
    assert laid_out[0]["flags"] == ["silent"]


def test_no_bee_still_gives_an_answer_from_what_was_seen(
    runner: CliRunner, tmp_path: Path, perfect_ear: Find
) -> None:
    from cli.made_up import tone_of

    perfect_ear(tone_of())
    noise = 0.05 * np.random.default_rng(1).standard_normal((1, 32000)).astype(np.float32)
    write_encoded(tmp_path / "wind.wav", noise, rate_hz=16000)
    result = runner.invoke(main, ["identify", str(tmp_path), "--hint", "tail=red", "--format", "json"])
    assert result.exit_code == 0
    laid_out = json.loads(result.stdout)
    assert laid_out["size"]["itd_mm"] is None
    assert "tone" not in {piece["kind"] for piece in laid_out["evidence"]}


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["--hint", "tail=purple"], ["white", "buff", "red", "orange", "ginger", "yellow", "black"]),
        (["--hint", "nose=red"], ["tail", "collar", "face"]),
        (["--hint", "tail"], ["tail=white"]),
        (["clip.wav", "tail=white"], ["with --hint: --hint tail=white"]),
        (["--hint", "tail=red", "--hint", "tail=white"], ["red", "white"]),
        (["--date", "someday"], ["2026-03-20"]),
        (["--date", "2026-02-30"], ["2026-02-30"]),
        (["--place", "Atlantis"], ["grid reference"]),
        (["--place", "91,0"], ["91"]),
        (["--f0", "nan"], ["--f0"]),
        (["--f0", "4000"], ["--f0"]),
        (["--temperature", "200"], ["--temperature"]),
        (["--format", "xml"], ["json"]),
        (["--fnord"], ["--fnord"]),
        ([], ["nothing to go on"]),
    ],
)
def test_wrong_usage_is_refused_with_what_would_be_right(
    arguments: list[str], says: list[str], runner: CliRunner
) -> None:
    result = runner.invoke(main, ["identify", *arguments])
    assert result.exit_code == 2
    assert result.stdout == ""
    for word in says:
        assert word in result.stderr
    assert "Traceback" not in result.stderr


def test_wrong_usage_is_told_before_a_recording_is_opened(
    runner: CliRunner, hover_wav: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def never(*_: object, **__: object) -> Measurement:
        raise AssertionError("opened")

    monkeypatch.setattr(clip, "measure_recording", never)
    for wrong in (["--hint", "tail=purple"], ["--date", "someday"], ["--place", "Atlantis"], ["--f0", "150"]):
        result = runner.invoke(main, ["identify", str(hover_wav), *wrong])
        assert result.exit_code == 2
        assert "opened" not in result.stderr


def test_an_error_nobody_foresaw_is_contained(
    runner: CliRunner, hover_wav: Path, tmp_path: Path, perfect_ear: Find, monkeypatch: pytest.MonkeyPatch
) -> None:
    cursed = tmp_path / "cursed.wav"
    cursed.write_bytes(hover_wav.read_bytes())
    healthy = clip.measure_recording

    def measure(
        path: Path,
        *,
        flight_threshold: float | None = None,
        progress: Callable[[float], None] | None = None,
    ) -> Measurement:
        if path.name == "cursed.wav":
            raise ZeroDivisionError("a fault of ours\nover two lines")
        return healthy(path, flight_threshold=flight_threshold, progress=progress)

    monkeypatch.setattr(clip, "measure_recording", measure)
    result = runner.invoke(main, ["measure", str(cursed), str(hover_wav), "--format", "json"])
    assert result.exit_code == 1
    (line,) = result.stderr.splitlines()
    assert "cursed.wav" in line
    assert "report" in line
    assert len(result.stdout.splitlines()) == 1
    for arguments in (["--debug", "measure", str(cursed)], ["measure", str(cursed), "--debug"]):
        assert "ZeroDivisionError" in runner.invoke(main, arguments).stderr.split("Traceback")[1]


def test_an_error_nobody_foresaw_outside_any_input_is_one_line_too(
    runner: CliRunner, monkeypatch: pytest.MonkeyPatch
) -> None:
    import wingtone.evidence

    def broken(**_: object) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(wingtone.evidence, "identify", broken)
    result = runner.invoke(main, ["identify", "--f0", "150"])
    assert result.exit_code == 1
    assert len(result.stderr.splitlines()) == 1
    assert "ZeroDivisionError" in result.stderr


def test_escape_sequences_in_a_file_name_are_shown_not_obeyed(runner: CliRunner, tmp_path: Path) -> None:
    result = runner.invoke(main, ["measure", str(tmp_path / "bee\x1b[2Jgone.wav")])
    assert result.exit_code == 1
    assert "\x1b" not in result.stderr
    assert "\\x1b[2Jgone.wav" in result.stderr


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux takes file names that are no text")
@pytest.mark.parametrize("layout", ["table", "json", "csv"])
def test_a_file_name_that_is_no_text_is_shown_with_escapes(
    layout: str, runner: CliRunner, tmp_path: Path, hover_wav: Path, perfect_ear: Find
) -> None:
    name = os.fsencode(tmp_path) + b"/bee\xff.wav"
    with open(name, "wb") as file:
        file.write(hover_wav.read_bytes())
    result = runner.invoke(main, ["measure", os.fsdecode(name), "--format", layout])
    assert result.exit_code == 0, result.stderr
    assert "bee\\" in result.stdout


# --- as a process -----------------------------------------------------------------------------------


def test_a_closed_pipe_ends_it_quietly() -> None:
    """The reader has gone before anything is written, as in ``wingtone identify ... | true``."""
    code = "from wingtone.cli import main; main(['identify', '--f0', '150'])"
    reader, writer = os.pipe()
    os.close(reader)
    run = subprocess.run(
        [sys.executable, "-c", code], stdout=writer, stderr=subprocess.PIPE, text=True, check=False
    )
    os.close(writer)
    assert run.stderr == ""
    assert run.returncode == 141


def test_ctrl_c_ends_it_quietly() -> None:
    code = (
        "import os, signal, wingtone.clip\n"
        "from wingtone.cli import main\n"
        # a process started in the background inherits a deaf ear for Ctrl-C
        "signal.signal(signal.SIGINT, signal.default_int_handler)\n"
        "wingtone.clip.measure_recording = lambda *_, **__: os.kill(os.getpid(), signal.SIGINT)\n"
        f"main(['measure', {__file__!r}])\n"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert run.returncode == 128 + signal.SIGINT
    assert run.stderr.strip() == ""
    assert run.stdout == ""


def test_the_command_runs_as_a_module_too() -> None:
    run = subprocess.run(
        [sys.executable, "-m", "wingtone", "measure", "nothing.wav"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert run.returncode == 1
    assert run.stderr.startswith("wingtone: nothing.wav: there is no such file or folder")


def test_version(runner: CliRunner) -> None:
    from wingtone import __version__

    assert runner.invoke(main, ["--version"]).stdout == f"wingtone, version {__version__}\n"


def number_options() -> list[tuple[tuple[str, ...], str, bool]]:
    """Every option of every command that takes a number, and whether it takes whole ones only."""
    found = []
    commands: list[tuple[tuple[str, ...], click.Command]] = [((), main)]
    while commands:
        names, command = commands.pop()
        if isinstance(command, click.Group):
            inside = click.Context(command)
            children = ((name, command.get_command(inside, name)) for name in command.list_commands(inside))
            commands += [((*names, name), child) for name, child in children if child is not None]
        for option in command.params:
            if isinstance(option, click.Option) and option.type.name.split()[0] in ("float", "integer"):
                found.append((names, option.opts[0], option.type.name.startswith("integer")))
    return found


def test_there_are_options_that_take_a_number() -> None:
    assert {"--f0", "--temperature", "--gap", "--within", "--flight-threshold", "--workers", "--limit"} <= {
        option for _, option, _ in number_options()
    }


@pytest.mark.parametrize(("names", "option", "whole"), number_options())
def test_a_number_that_is_written_otherwise_is_told_in_plain_words(
    runner: CliRunner, names: tuple[str, ...], option: str, whole: bool
) -> None:
    for written, right in (
        ("146,5", "146.5"),
        ("12C", "12"),
        ("-3,5 °C", "-3.5"),
        ("146 Hz", "146"),
        ("two", ""),
    ):
        result = runner.invoke(main, [*names, option, written])
        assert result.exit_code == 2
        said = " ".join(result.stderr.split())
        assert "range" not in said.split("Error")[-1], said
        if whole:
            assert f"'{written}' is not a whole number" in said
        elif right:
            assert f"'{written}' is not a number (write it with a point and without a unit: {right})." in said
        else:
            assert "'two' is not a number." in said


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ("https://example.com/bee.m4a", "https://example.com/bee.m4a: addresses are not read here (fetch"),
        ("s3://bucket/bee.m4a", "s3://bucket/bee.m4a: addresses are not read here"),
        ("-", "-: standard input is not read (write the recording to a file"),
        ("c:/bee.m4a", "there is no such file or folder"),
    ],
)
def test_what_is_no_name_of_a_file_is_told_as_such(runner: CliRunner, given: str, told: str) -> None:
    result = runner.invoke(main, ["measure", given])
    assert result.exit_code == 1
    assert told in result.stderr


def test_a_name_that_begins_with_a_dash_is_told_how_to_be_given(runner: CliRunner) -> None:
    result = runner.invoke(main, ["measure", "-dash.m4a"])
    assert result.exit_code == 2
    assert "./-dash.m4a" in result.stderr
