"""``wingtone cue``: a table of records and a folder of clips in, the table with the size cue out."""

from __future__ import annotations

import csv
import datetime as dt
import io
from typing import TYPE_CHECKING

import pytest
from sklearn.metrics import average_precision_score

from wingtone.audio.encode import write_encoded
from wingtone.cli import main
from wingtone.cue.work import COLUMNS
from wingtone.simulate import make_scene

if TYPE_CHECKING:
    from pathlib import Path

    from click.testing import CliRunner, Result

DAYS = [dt.datetime(2026, 6, day, 10, 15) for day in (2, 5, 9, 12, 17, 20, 23, 27)]
TONES_HZ = (112.0, 185.0, 118.0, 190.0, 115.0, 180.0, 116.0, 188.0)  # queens and workers in turn
SLOW = dt.timedelta(minutes=7, seconds=24)
PLANTED = {4, 5}  # a queen called worker, and a worker called queen


@pytest.fixture(scope="module")
def clips(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Eight bees, dated by name with a clock that is slow; one file more that is no recording."""
    folder = tmp_path_factory.mktemp("walk") / "clips"
    folder.mkdir()
    for i, (when, f0_hz) in enumerate(zip(DAYS, TONES_HZ, strict=True)):
        clip = make_scene(20 + i, condition="hover", snr_db=20.0, duration_s=3.0, f0_hz=f0_hz)
        write_encoded(folder / f"bee_{when - SLOW:%Y%m%d_%H%M%S}.wav", clip.samples, rate_hz=clip.rate_hz)
    (folder / "broken.m4a").write_text("nothing to hear")
    return folder


def table(folder: Path) -> Path:
    """Records kept in a spreadsheet, with all that spreadsheets do."""
    lines = ['\ufeffNo;Date;Time;Species;Stage;Grid ref;Sound file;"Remarks; ""own"""']
    for i, when in enumerate(DAYS):
        stage = "queen" if (i % 2 == 0) != (i in PLANTED) else "worker"
        remark = '"on ""lavender"";\nby the wall"' if i == 2 else ""
        lines.append(f"{i};{when:%d/%m/%Y};{when:%H:%M};Bombus lapidarius;{stage};TQ 18 75;;{remark}")
    lines += [
        "",
        "8;03/06/2026;;Bombus pascuorum;worker;TQ 18 75;;=1+1",
        "9;03/06/2026;10:00;Bombus pascuorum;worker;TQ 18 75;;",
        "10;03/06/2026;;Bombus pascuorum;worker;TQ 18 75;broken.m4a;",
        "11;soon;;Bombus pascuorum;worker;TQ 18 75;gone.wav;",
    ]
    path = folder / "records.csv"
    path.write_bytes("\r\n".join(lines).encode())
    return path


def run(runner: CliRunner, records: Path, clips: Path, *more: str) -> tuple[Result, list[dict[str, str]]]:
    out = records.with_name("out.csv")
    arguments = [
        "cue",
        str(records),
        "--clips",
        str(clips),
        "--out",
        str(out),
        "--time-zone",
        "Europe/London",
    ]
    result = runner.invoke(main, [*arguments, *more])
    rows = list(csv.DictReader(io.StringIO(out.read_bytes().decode("utf-8-sig"), newline=""), delimiter=";"))
    return result, rows


def test_the_whole_way(runner: CliRunner, clips: Path, tmp_path: Path) -> None:
    records = table(tmp_path)
    before = records.read_bytes()
    result, rows = run(runner, records, clips)
    assert result.exit_code == 1  # one clip could not be read; all the rest is done
    assert result.stdout == ""
    assert result.stderr.count("is a text file, not a recording") == 1
    assert records.read_bytes() == before

    assert [row["No"] for row in rows] == [str(i) for i in range(12)]
    heard = rows[:8]
    for row, f0_hz in zip(heard, TONES_HZ, strict=True):
        # the tone of `make_scene` wanders about the one asked for
        assert float(row["tone_hz"]) == pytest.approx(f0_hz, rel=0.04)
        assert float(row["tone_low_hz"]) <= float(row["tone_hz"]) <= float(row["tone_high_hz"])
        assert float(row["itd_low_mm"]) < float(row["itd_mm"]) < float(row["itd_high_mm"])
        assert row["match"].startswith("time, ")
    named = [row["clip"] for row in heard]
    assert named == sorted(named)
    assert "Clock offset: +7.4 min" in result.stderr

    weights = [float(row["weight_bits"]) for row in heard]
    truth = [i in PLANTED for i in range(8)]
    assert average_precision_score(truth, [-weight for weight in weights]) == 1.0
    assert all((row["agreement"] == "disagrees") == wrong for row, wrong in zip(heard, truth, strict=True))
    assert heard[5]["sounds_like_caste"] == "worker"
    order = [line for line in result.stderr.splitlines() if line.strip().startswith("line ")]
    assert len(order) == 2

    reasons = [row["note"] for row in rows[8:]]
    assert "no time of day" in reasons[0]
    assert "no clip within 5 min" in reasons[1]
    assert "could not be read" in reasons[2]
    assert reasons[3].startswith("Date: this date was not understood (")
    assert reasons[3].endswith("; there is no clip gone.wav")
    assert not any(row["tone_hz"] for row in rows[8:])


def test_what_was_in_the_table_is_byte_for_byte_the_same(
    runner: CliRunner, clips: Path, tmp_path: Path
) -> None:
    records = table(tmp_path)
    run(runner, records, clips)
    old, new = records.read_bytes(), records.with_name("out.csv").read_bytes()
    assert new.startswith(b"\xef\xbb\xbfNo;")
    # No cell of ours holds a line end, so every old line is the beginning of the new one.
    olds, news = old.split(b"\r\n"), new.split(b"\r\n")
    assert len(olds) == len(news)
    for before, after in zip(olds, news, strict=True):
        assert after.startswith(before)
        assert after[len(before) : len(before) + 1] in (b";", b"")
    assert olds[9] == news[9] == b""


def test_by_name_and_with_headings_that_say_nothing(runner: CliRunner, clips: Path, tmp_path: Path) -> None:
    one = sorted(clips.glob("*.wav"))[0]
    records = tmp_path / "records.csv"
    records.write_text(f"Bee;Cast;Tape\nBombus terrestris;queen;{one.name.upper()}\n", encoding="utf-8")
    result, _ = _plain(runner, records, clips)
    assert result.exit_code == 1
    assert "no column holds a date or a file name" in result.stderr
    assert "--map 'Bee=date'" in result.stderr
    mapping = ["--map", "Tape=recording", "--map", "Bee=taxon", "--map", "Cast=caste"]
    result, out = _plain(runner, records, clips, *mapping)
    (row,) = csv.DictReader(io.StringIO(out), delimiter=";")
    assert row["match"] == "file name"
    assert row["agreement"] == "agrees"
    assert [*row][-len(COLUMNS) :] == list(COLUMNS)
    # the record gave no date, so that of the clip counted
    assert "flies there then" in row["sentence"]


def test_what_fails_is_named_and_told_by_the_status(runner: CliRunner, clips: Path, tmp_path: Path) -> None:
    """A record without a clip of its time is none of it: there may be more records than recordings."""
    records = tmp_path / "records.csv"
    one = sorted(clips.glob("*.wav"))[0].name
    only = tmp_path / "only"
    only.mkdir()
    (only / one).write_bytes((clips / one).read_bytes())
    rows = [f"2026-06-02,Bombus terrestris,{one}", "2026-06-09 10:15,Bombus terrestris,"]
    records.write_text("\n".join(["Date,Species,Recording", *rows, ""]), encoding="utf-8")
    result, _ = _plain(runner, records, only)
    assert result.exit_code == 0, result.stderr
    rows += ["2026-06-05,Bombus terrestris,gone.wav", "2026-06-31,Bombus terrestris,"]
    records.write_text("\n".join(["Date,Species,Recording", *rows, ""]), encoding="utf-8")
    result, out = _plain(runner, records, only)
    assert result.exit_code == 1
    said = [line for line in result.stderr.splitlines() if line.startswith("wingtone:")]
    assert said[0] == f"wingtone: {records}, line 4: there is no clip gone.wav"
    assert said[1].startswith(f"wingtone: {records}, line 5, column Date: ")
    assert len(said) == 2
    assert len(out.splitlines()) == 5, "the rest is done"


def _plain(runner: CliRunner, records: Path, clips: Path, *more: str) -> tuple[Result, str]:
    out = records.with_name("out.csv")
    result = runner.invoke(main, ["cue", str(records), "--clips", str(clips), "--out", str(out), *more])
    return result, out.read_text("utf-8") if out.exists() else ""


@pytest.mark.parametrize(
    ("more", "status", "said"),
    [
        (("--clock-offset", "soon"), 2, "neither auto, none nor a number of minutes"),
        (("--clock-offset", "nan"), 2, "neither auto, none nor a number of minutes"),
        (("--tolerance", "-1"), 2, "-1"),
        (("--time-zone", "Mars/Base"), 2, "no such time zone"),
        (("--map", "Nothing=date"), 2, "there is no column"),
        (("--out", "RECORDS"), 2, "is read by this command"),
        (("--clips", "nowhere"), 1, "there is no such file or folder"),
        (("--out", "nowhere/out.csv"), 1, "there is no such folder"),
    ],
)
def test_wrong_usage_writes_nothing(
    runner: CliRunner, tmp_path: Path, more: tuple[str, ...], status: int, said: str
) -> None:
    records = tmp_path / "records.csv"
    records.write_text("Date,Species\n2026-06-02,Bombus\n", encoding="utf-8")
    wanted = [str(records) if word == "RECORDS" else word for word in more]
    arguments = ["cue", str(records), *wanted]
    for option, value in (("--clips", str(tmp_path / "none")), ("--out", str(tmp_path / "out.csv"))):
        if option not in more:
            arguments += [option, value]
    result = runner.invoke(main, arguments)
    assert result.exit_code == status, result.stderr
    assert said in result.stderr
    assert records.read_text("utf-8") == "Date,Species\n2026-06-02,Bombus\n"
    assert not (tmp_path / "out.csv").exists()


def test_an_offset_can_be_given_or_done_without(runner: CliRunner, clips: Path, tmp_path: Path) -> None:
    records = table(tmp_path)
    result, rows = run(runner, records, clips, "--clock-offset", "none")
    assert "no clip within 5 min; the nearest lies 7 min away" in rows[0]["note"]
    assert "+0.0 min" in result.stderr
    result, rows = run(runner, records, clips, "--clock-offset", "7.4", "--tolerance", "0.1")
    assert rows[0]["tone_hz"]
    assert "as given: +7.4 min" in result.stderr


def test_a_table_of_labels_names_its_clips_under_file(runner: CliRunner, clips: Path, tmp_path: Path) -> None:
    """The tables that ``wingtone train`` reads have the heading ``file`` (README)."""
    clip = next(path for path in sorted(clips.iterdir()) if path.suffix == ".wav")
    records = tmp_path / "labels.csv"
    records.write_text(f"file;caste;taxon\n{clip.name};queen;Bombus lapidarius\n", encoding="utf-8")
    _, rows = run(runner, records, clips)
    assert rows[0]["match"] == "file name"
    assert rows[0]["clip"] == clip.name
