"""``wingtone identify``: with and without recordings, for people and for programs."""

from __future__ import annotations

import dataclasses
import json
import math
from typing import TYPE_CHECKING, Any

import pytest

from cli.made_up import bout, tone_of
from wingtone import clip
from wingtone.cli import main

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from click.testing import CliRunner, Result

    from wingtone.clip import Measurement
    from wingtone.tone.results import ToneResult

    Find = Callable[[ToneResult], None]


def answer(result: Result) -> dict[str, Any]:
    assert result.exit_code == 0, result.stderr
    (line,) = result.stdout.splitlines()
    laid_out: dict[str, Any] = json.loads(line, parse_constant=lambda name: pytest.fail(f"{name} in JSON"))
    return laid_out


def test_without_a_recording(runner: CliRunner) -> None:
    arguments = ["identify", "--f0", "146", "--date", "2026-03-20", "--hint", "tail=buff", "--format", "json"]
    laid_out = answer(runner.invoke(main, arguments))
    assert laid_out["schema"] == "wingtone/identify/1"
    assert "recording" not in laid_out
    assert math.fsum(c["probability"] for c in laid_out["candidates"]) == pytest.approx(1.0)
    shares = [c["probability"] for c in laid_out["candidates"]]
    assert shares == sorted(shares, reverse=True)
    assert {piece["kind"] for piece in laid_out["evidence"]} >= {"date", "tone", "hint"}


def test_hints_alone_say_nothing_of_size(runner: CliRunner) -> None:
    laid_out = answer(runner.invoke(main, ["identify", "--hint", "tail=red", "--format", "json"]))
    assert laid_out["size"]["itd_mm"] is None


def test_a_deeper_tone_is_a_bigger_bee(runner: CliRunner) -> None:
    """Between species the tone falls with size (Casey, May and Morgan 1985: about mass^-0.35)."""
    sizes = [
        answer(runner.invoke(main, ["identify", "--f0", f0, "--hint", "tail=white", "--format", "json"]))[
            "size"
        ]
        for f0 in ("120", "200")
    ]
    assert sizes[0]["itd_mm"] > sizes[1]["itd_mm"]
    assert all(s["itd_low_mm"] < s["itd_mm"] < s["itd_high_mm"] for s in sizes)


def test_a_question_mark_is_the_same_as_leaving_out(runner: CliRunner) -> None:
    with_mark = ["identify", "--hint", "tail=red", "--hint", "collar=?", "--format", "json"]
    without = ["identify", "--hint", "tail=red", "--format", "json"]
    assert answer(runner.invoke(main, with_mark)) == answer(runner.invoke(main, without))


def test_a_recording_gives_both_halves(runner: CliRunner, hover_wav: Path, perfect_ear: Find) -> None:
    laid_out = answer(runner.invoke(main, ["identify", str(hover_wav), "--format", "json"]))
    assert laid_out["individual"] == 1
    assert laid_out["recording"]["recorded_at_source"] == "file name"
    assert len(laid_out["bouts"]) > 0
    assert {piece["kind"] for piece in laid_out["evidence"]} >= {"date", "tone"}


def test_a_model_stands_in_place_of_the_built_in_cue(runner: CliRunner, hover_wav: Path) -> None:
    """The demonstration model knows tones only, and its queens (drawn at 6.1 mm) lie well below 150 Hz."""
    arguments = ["identify", str(hover_wav), "--format", "json"]
    built_in = answer(runner.invoke(main, arguments))
    result = runner.invoke(main, [*arguments, "--model", "demonstration"])
    laid_out = answer(result)
    assert "demonstration: note: synthetic; for trying the commands; not for real bees" in result.stderr
    summaries = [piece["summary"] for piece in laid_out["evidence"]]
    (said,) = [text for text in summaries if "trained model demonstration hears" in text]
    assert not any("trained model" in piece["summary"] for piece in built_in["evidence"])
    assert "worker" in said or "male" in said
    shares = {c["caste"]: c["probability"] for c in laid_out["castes"]}
    assert shares != {c["caste"]: c["probability"] for c in built_in["castes"]}
    assert sum(shares.values()) == pytest.approx(1.0)


def test_a_model_is_not_asked_of_several_bees(runner: CliRunner, hover_wav: Path, perfect_ear: Find) -> None:
    perfect_ear(tone_of(bout(140, end_s=2.0), bout(165, start_s=1.0, end_s=3.0)))
    arguments = ["identify", str(hover_wav), "--model", "demonstration", "--format", "json"]
    answers = [json.loads(line) for line in runner.invoke(main, arguments).stdout.splitlines()]
    assert len(answers) == 2
    for laid_out in answers:
        assert "model not used" in {warning["code"] for warning in laid_out["warnings"]}
        assert not any("trained model" in piece["summary"] for piece in laid_out["evidence"])


def test_a_foreign_model_is_refused_before_anything_is_opened(
    runner: CliRunner, hover_wav: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import wingtone.audio

    monkeypatch.setattr(wingtone.audio, "open_recording", lambda path: pytest.fail("a recording was opened"))
    ran = tmp_path / "ran"
    hostile = tmp_path / "hostile.wingtone"
    # A pickle that makes a file when it is loaded (Python's manual warns of just this).
    hostile.write_bytes(f"cbuiltins\nopen\n(V{ran}\nVw\ntR.".encode())
    result = runner.invoke(main, ["identify", str(hover_wav), "--model", str(hostile)])
    assert result.exit_code == 1
    assert result.stdout == ""
    assert "hostile.wingtone: not a usable model" in result.stderr
    assert len(result.stderr.splitlines()) == 1
    assert not ran.exists()


def test_a_model_needs_a_recording(runner: CliRunner) -> None:
    result = runner.invoke(main, ["identify", "--f0", "150", "--model", "demonstration"])
    assert result.exit_code == 2
    assert "--model judges the sound of a RECORDING" in result.stderr


def test_two_bees_give_two_lines(runner: CliRunner, hover_wav: Path, perfect_ear: Find) -> None:
    perfect_ear(tone_of(bout(140, end_s=2.0), bout(165, start_s=1.0, end_s=3.0)))
    result = runner.invoke(main, ["identify", str(hover_wav), "--format", "json"])
    answers = [json.loads(line) for line in result.stdout.splitlines()]
    assert [a["individual"] for a in answers] == [1, 2]
    assert [[b["f0_hz"] for b in a["bouts"]] for a in answers] == [[140.0], [165.0]]


def test_answers_about_several_bees_say_at_their_head_which(
    runner: CliRunner, hover_wav: Path, perfect_ear: Find
) -> None:
    perfect_ear(tone_of(bout(140, end_s=2.0), bout(165, start_s=1.0, end_s=3.0)))
    told = runner.invoke(main, ["identify", str(hover_wav)], catch_exceptions=False).stdout
    heads = ["  Bee 1", "  Bee 2"]
    lines = told.splitlines()
    assert [line for line in lines if line in heads] == heads
    assert all(lines[lines.index(head) + 1].startswith("  Record as ") for head in heads)
    perfect_ear(tone_of(bout(140, end_s=2.0)))
    assert "Bee 1" not in runner.invoke(main, ["identify", str(hover_wav)], catch_exceptions=False).stdout


def test_a_date_given_is_marked_as_given(runner: CliRunner, hover_wav: Path, perfect_ear: Find) -> None:
    arguments = ["identify", str(hover_wav), "--date", "2026-03-20", "--format", "json"]
    recording = answer(runner.invoke(main, arguments))["recording"]
    assert (recording["recorded_at"], recording["recorded_at_source"]) == ("2026-03-20", "given")


def test_several_recordings_give_a_line_each(runner: CliRunner, hover_wav: Path, perfect_ear: Find) -> None:
    folder = hover_wav.parent
    result = runner.invoke(main, ["identify", str(folder), str(folder / "none.wav"), "--format", "json"])
    assert result.exit_code == 1
    lines = [json.loads(line) for line in result.stdout.splitlines()]
    assert len(lines) >= 1
    assert all(line["schema"] == "wingtone/identify/1" for line in lines)
    assert "none.wav" in result.stderr


def test_report_for_people(runner: CliRunner, hover_wav: Path, perfect_ear: Find) -> None:
    arguments = [
        "identify",
        str(hover_wav),
        "--hint",
        "tail=white",
        "--place",
        "TQ 18 75",
        "--temperature",
        "18",
    ]
    result = runner.invoke(main, arguments)
    assert result.exit_code == 0
    text = result.stdout
    # In the order a person needs them.
    parts = ["Record as", "It may be", "Caste", "Size", "Why", "Look next"]
    assert [text.index(part) for part in parts] == sorted(text.index(part) for part in parts)
    assert " %  #" in text
    assert "bits  " in text
    assert all(len(line) <= 80 for line in text.splitlines()[1:])
    assert "\x1b" not in text


@pytest.mark.parametrize("told", [["--date", "2026-06-25"], ["--date", "2026-03-25", "--hint", "tail=white"]])
def test_the_reasons_name_the_bee_that_they_are_about_where_another_stands_first(
    runner: CliRunner, told: list[str]
) -> None:
    """The lines are of one caste each, the reasons of the likeliest bee in all its castes."""
    given = ["identify", *told]
    laid_out = answer(runner.invoke(main, [*given, "--format", "json"]))
    leads = laid_out["taxa"][0]["vernacular"]
    assert laid_out["candidates"][0]["vernacular"] != leads
    head = " ".join(runner.invoke(main, given).stdout.partition("  Why")[2].partition(" bits ")[0].split())
    assert f"the odds of {leads}, which leads by all its castes together" in head
    text = runner.invoke(main, ["identify", "--hint", "tail=buff", "--date", "2026-03-20"]).stdout
    assert "doubles the odds of the leading name," in " ".join(text.split())


def test_questions_come_with_their_answers(runner: CliRunner) -> None:
    text = runner.invoke(main, ["identify", "--f0", "150", "--hint", "collar=yellow"]).stdout
    asked = " ".join(text.split("Look next")[1].split())
    assert "? (" in asked
    assert "--hint CHARACTER=STATE" in asked


def test_a_fauna_of_ones_own(runner: CliRunner, tmp_path: Path) -> None:
    """The shipped fauna, copied elsewhere, gives the same answer; a folder without tables is refused."""
    import shutil

    from wingtone.fauna.load import SHIPPED

    own = tmp_path / "own"
    shutil.copytree(SHIPPED, own)
    asked = ["identify", "--f0", "150", "--format", "json"]
    assert answer(runner.invoke(main, [*asked, "--fauna", str(own)])) == answer(runner.invoke(main, asked))
    empty = tmp_path / "empty"
    empty.mkdir()
    result = runner.invoke(main, [*asked, "--fauna", str(empty)])
    assert result.exit_code == 1
    assert result.stdout == ""
    assert "Traceback" not in result.stderr


def test_a_date_in_the_future_is_told_once(
    runner: CliRunner,
    hover_wav: Path,
    hover_truth: Measurement,
    monkeypatch: pytest.MonkeyPatch,
    tmp_path: Path,
) -> None:
    told = "the date, 2190-12-01, lies in the future"
    given = runner.invoke(main, ["identify", "--f0", "146", "--date", "2190-12-01"])
    assert given.exit_code == 0
    assert given.stderr == f"wingtone: note: {told}\n"
    stated = dataclasses.replace(hover_truth.recording, recorded_at="2190-12-01T10:15:00")
    measurement = dataclasses.replace(hover_truth, recording=stated)
    monkeypatch.setattr(clip, "measure_recording", lambda *_, **__: measurement)
    assert f"{hover_wav}: note: {told}" in runner.invoke(main, ["identify", str(hover_wav)]).stderr
    keep = ["--record", "--notebook", str(tmp_path / "bees.sqlite")]
    kept = runner.invoke(main, ["identify", str(hover_wav), *keep])
    assert kept.stderr.count("lies in the future") == 1
    dated = runner.invoke(main, ["identify", str(hover_wav), "--date", "2019-06-15"])
    assert "future" not in dated.stderr


def test_the_usual_bees_are_not_told_as_if_one_had_been_heard(
    runner: CliRunner, hover_wav: Path, perfect_ear: Find
) -> None:
    said = "No more than how common each is: nothing was heard or seen of this one."
    perfect_ear(tone_of())
    nothing = runner.invoke(main, ["identify", str(hover_wav)]).stdout
    assert said in nothing
    assert "It may be" not in nothing
    worn = runner.invoke(main, ["identify", "--date", "2019-06-15", "--hint", "condition=bald"]).stdout
    assert said in worn, "how worn its hair is says nothing of which insect it was"
    assert "It may be" not in worn
    for known in (["--hint", "tail=white"], ["--f0", "146"]):
        text = runner.invoke(main, ["identify", "--date", "2019-06-15", *known]).stdout
        assert "It may be" in text
        assert said not in text


def test_elsewhere_all_is_said_to_be_of_the_fauna(runner: CliRunner) -> None:
    """In Nairobi nobody says that it was no bumblebee, and nobody what is usual there."""

    def told(*known: str) -> str:
        command = ["identify", "--place=-1.29,36.82", "--date", "2026-06-20", *known]
        return " ".join(runner.invoke(main, command).stdout.split())

    seen = told("--hint", "tail=black")
    assert "By a fauna that does not reach there it may be" in seen
    assert "Caste no bumblebee of this fauna" in seen
    assert "not a bumblebee" not in seen
    assert "No more than how common each is in the area of this fauna: " in told()


def test_a_narrow_terminal_is_kept_to(runner: CliRunner, hover_wav: Path, perfect_ear: Find) -> None:
    arguments = ["identify", str(hover_wav), "--place", "TQ 18 75"]
    lines = runner.invoke(main, arguments, env={"COLUMNS": "48"}).stdout.splitlines()
    assert all(len(line) <= 48 for line in lines[1:])
    assert any("Buff-tailed bumblebee" in line for line in lines)
    _ = perfect_ear


def test_all_that_is_to_be_minded_is_told_in_sentences(
    runner: CliRunner, hover_wav: Path, perfect_ear: Find
) -> None:
    """Some of it comes from the recording, where it follows a name: "the date given, ..., was taken"."""
    words = ["identify", str(hover_wav), "--date", "2026-03-01"]
    told = runner.invoke(main, words, catch_exceptions=False).stdout
    minded = " ".join(told.split("\n  Mind\n")[1].split()).removeprefix("- ").split(" - ")
    assert any("check which of them is right" in remark for remark in minded)
    assert all(remark[0].isupper() and remark[-1] == "." for remark in minded), minded
