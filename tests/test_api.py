"""The commands as functions: what they take, what they give, and that they agree with the commands."""

from __future__ import annotations

import csv
import dataclasses
import datetime
import doctest
import inspect
import io
import json
import math
import re
import subprocess
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner

import wingtone
from wingtone import api
from wingtone.audio.encode import write_encoded
from wingtone.bout_table import COLUMNS, csv_values
from wingtone.cli import COMMANDS, main
from wingtone.cli.tables import csv_text
from wingtone.demo import load_scenario
from wingtone.errors import (
    DateError,
    HintError,
    InputError,
    PlaceError,
    RecordingError,
    RequestError,
    TableError,
)
from wingtone.notebook.places import parse_place
from wingtone.simulate import make_scene

if TYPE_CHECKING:
    from types import ModuleType

SCENARIO = load_scenario()
NO_NAME = "nonsense"
PLACE = (SCENARIO.latitude_deg, SCENARIO.longitude_deg)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Two flights, a hiss without a bee, and a file that is no recording."""
    place = tmp_path_factory.mktemp("clips")
    for name, condition, f0_hz in (("a", "hover", 130.0), ("b", "hover", 170.0)):
        clip = make_scene(3, condition=condition, snr_db=20.0, duration_s=4.0, f0_hz=f0_hz)
        write_encoded(place / f"{name}_20260615_101500.wav", clip.samples, rate_hz=clip.rate_hz)
    write_encoded(place / "c.wav", clip.samples[:, :1600] * 0, rate_hz=clip.rate_hz)
    (place / "d.wav").write_text("this is no sound")
    return place


@pytest.fixture(scope="module")
def heard(folder: Path) -> api.Measurements:
    return wingtone.measure(folder, failures="keep")


@pytest.fixture
def run() -> CliRunner:
    return CliRunner()


# --- the package's front door -----------------------------------------------------------------------


def test_the_package_is_light_and_loads_on_first_use() -> None:
    code = (
        "import sys, wingtone\n"
        "heavy = {'numpy', 'scipy', 'sklearn', 'wingtone.api'}\n"
        "print(sorted(heavy & set(sys.modules)), sorted(set(wingtone.__all__) - set(dir(wingtone))))\n"
        "wingtone.identify\n"
        "print('wingtone.api' in sys.modules)\n"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.splitlines() == ["[] []", "True"]


def test_what_the_package_hands_on_are_the_commands_functions() -> None:
    assert set(wingtone.__all__) == {"__version__", "identify", "measure", "sizes"}
    for name in set(wingtone.__all__) - {"__version__"}:
        assert name in COMMANDS
        assert getattr(wingtone, name) is getattr(api, name)
    with pytest.raises(AttributeError, match="'wingtone' has no attribute 'nonsense'"):
        getattr(wingtone, NO_NAME)


@pytest.mark.parametrize("module", [api, api.measurements, api.answers, api.populations])
def test_the_examples_run(module: ModuleType) -> None:
    failed, tried = doctest.testmod(module)
    assert tried >= 3
    assert failed == 0


@pytest.mark.parametrize("name", api.__all__)
def test_everything_public_is_documented_and_typed(name: str) -> None:
    thing = getattr(api, name)
    if not callable(thing):
        return
    assert inspect.getdoc(thing)
    if inspect.isfunction(thing):
        signature = inspect.signature(thing)
        assert signature.return_annotation is not inspect.Signature.empty
        for parameter in signature.parameters.values():
            assert parameter.annotation is not inspect.Parameter.empty
            assert f"{parameter.name}\n" in (thing.__doc__ or "") or name == "given_tone"


# --- measure ----------------------------------------------------------------------------------------


def test_measure_gives_what_the_command_gives(heard: api.Measurements, folder: Path, run: CliRunner) -> None:
    told = run.invoke(main, ["measure", str(folder), "--format", "json"])
    assert [json.loads(line) for line in told.stdout.splitlines()] == heard.to_json()
    told = run.invoke(main, ["measure", str(folder), "--format", "csv"])
    rows = list(csv.DictReader(io.StringIO(told.stdout)))
    assert [row["start_s"] for row in rows] == [str(row["start_s"]) for row in heard.rows()]


def test_measured_tones_are_those_that_were_made(heard: api.Measurements) -> None:
    """The truth is what the simulator was asked for: 130 and 170 Hz, wandering by a few percent."""
    assert len(heard) == 3
    for measurement, f0_hz in zip(heard, (130.0, 170.0), strict=False):
        assert measurement.flight
        for bout in measurement.flight:
            assert bout.f0_hz == pytest.approx(f0_hz, rel=0.08)
    assert heard.bouts == tuple(bout for one in heard for bout in one.tone.bouts)


def test_what_cannot_be_used_is_raised_or_kept(heard: api.Measurements, folder: Path) -> None:
    assert [error.where for error in heard.failed] == [str(folder / "d.wav")]
    with pytest.raises(RecordingError, match=r"d\.wav"):
        wingtone.measure(folder)
    gone = folder / "gone.wav"
    with pytest.raises(RecordingError, match="no such file"):
        wingtone.measure([gone])
    kept = wingtone.measure([gone, folder / "c.wav"], failures="keep")
    assert (len(kept), len(kept.failed)) == (1, 1)


def test_a_data_frame_takes_the_table_even_when_it_is_empty(heard: api.Measurements) -> None:
    frame = pd.DataFrame(heard.table())
    assert tuple(frame.columns) == COLUMNS
    assert frame["f0_hz"].tolist() == [row["f0_hz"] for row in heard.rows()]
    assert frame.equals(pd.DataFrame(heard.rows()))
    nothing = pd.DataFrame(heard[2:].table())
    assert (len(nothing), tuple(nothing.columns)) == (0, COLUMNS)


def test_a_measurement_shows_itself_in_lines(heard: api.Measurements) -> None:
    lines = repr(heard).splitlines()
    assert lines[0].startswith("3 recordings, ")
    assert lines[0].endswith("1 could not be used")
    assert len(lines) == 2 + len(heard.bouts)
    many = api.Measurements(tuple(heard) * 20)
    assert len(repr(many).splitlines()) == api.showing.MOST_LINES + 2


@pytest.mark.parametrize(
    ("options", "what"),
    [
        ({"flight_threshold": "a"}, "flight_threshold is .a."),
        ({"flight_threshold": 1.5}, "flight_threshold is 1.5"),
        ({"flight_threshold": math.nan}, "flight_threshold is nan"),
        ({"failures": "ignore"}, "failures is 'ignore'"),
        ({"recordings": 3}, "3 is no path"),
        ({"recordings": [b"a", None]}, "is no path"),
        ({"recordings": pd.DataFrame({"path": ["a.wav"]})}, r"a table is no path .*table\['path'\]"),
        ({"recordings": {"path": ["a.wav"]}}, "a table is no path"),
    ],
)
def test_wrong_requests_to_measure(options: dict[str, Any], what: str) -> None:
    with pytest.raises(RequestError, match=what):
        wingtone.measure(**({"recordings": "nothing.wav"} | options))


# --- identify ---------------------------------------------------------------------------------------


def test_identify_gives_what_the_command_gives(heard: api.Measurements, folder: Path, run: CliRunner) -> None:
    words = ["--date", "2026-06-15", "--place", "51.46,-0.30", "--temperature", "17", "--hint", "tail=white"]
    told = run.invoke(main, ["identify", str(folder), *words, "--format", "json"])
    answers = wingtone.identify(
        heard, date="2026-06-15", place=(51.46, -0.30), temperature_c=17, hints={"tail": "white"}
    )
    laid_out = [json.loads(line) for line in told.stdout.splitlines()]
    assert json.loads(json.dumps(answers.to_json(), allow_nan=False)) == laid_out
    told = run.invoke(main, ["identify", "--f0", "146", "--hint", "tail=white", "--format", "json"])
    assert json.loads(told.stdout) == wingtone.identify(f0_hz=146, hints=["tail=white"]).to_json()[0]


def test_every_way_to_say_the_same_gives_the_same() -> None:
    day = datetime.date(2026, 3, 20)
    place = parse_place("51.46,-0.30")
    expected = wingtone.identify(f0_hz=120, date=day, place=place, hints={"tail": "white", "bands": 2})
    row = pd.DataFrame(
        {"day": [pd.Timestamp(day)], "tail": ["white"], "bands": ["2"], "face": [None], "size": [math.nan]}
    ).iloc[0]
    frame = pd.DataFrame({"tail": ["white", "buff"], "bands": [2, None], "face": [None, "black"]})
    assert str(frame["bands"][0]) == "2.0"
    sparse = {"tail": "white", "bands": np.float32(2), "face": np.float32("nan"), "collar": pd.NA}
    for date, where, hints in (
        (day, place, frame.iloc[0]),
        (day, place, sparse),
        ("20 March 2026", "51.46,-0.30", ["tail=white", "bands=2"]),
        (datetime.datetime(2026, 3, 20, 11, 4), place, "tail = white"),
        (row["day"], place, row.drop("day").to_dict()),
    ):
        found = wingtone.identify(f0_hz=120, date=date, place=where, hints=hints)
        if isinstance(hints, str):
            hinted = wingtone.identify(f0_hz=120, date=day, place=place, hints={"tail": "white"})
            assert found.to_json() == hinted.to_json()
        else:
            assert found.to_json() == expected.to_json()


def test_answers_are_rows_of_a_data_frame(heard: api.Measurements) -> None:
    answers = wingtone.identify(heard, date="2026-06-15", place=PLACE)
    frame = pd.DataFrame(answers.table())
    assert tuple(frame.columns) == api.ANSWER_COLUMNS
    assert len(frame) == len(answers) == 3
    assert frame["caste"].tolist() == [answer.castes[0].caste for answer in answers]
    assert frame["f0_hz"].isna().tolist() == [False, False, True]
    lower, higher = frame["f0_hz"][:2]
    assert lower < higher
    assert frame["itd_mm"][0] > frame["itd_mm"][1]
    assert wingtone.identify(heard[0], date="2026-06-15", place=PLACE).to_json() == answers[:1].to_json()
    assert repr(answers).splitlines()[0] == "3 answers"
    assert "a_20260615_101500.wav, bee 1" in repr(answers)


def test_the_demonstration_model_says_what_it_is(heard: api.Measurements) -> None:
    [answer] = wingtone.identify(heard[0], model="demonstration", date="2026-06-15", place=PLACE)
    assert {piece.kind for piece in answer.evidence} >= {"model"}
    assert any("not for real bees" in advice.text for advice in answer.warnings)


@pytest.mark.parametrize(
    ("options", "error", "what"),
    [
        ({}, RequestError, "nothing to go on"),
        ({"f0_hz": 20}, RequestError, "f0_hz is 20"),
        ({"f0_hz": math.nan}, RequestError, "f0_hz is nan"),
        ({"f0_hz": 150, "temperature_c": 200}, RequestError, "temperature_c is 200"),
        ({"f0_hz": 150, "model": "demonstration"}, RequestError, "sound of a recording"),
        ({"f0_hz": 150, "recording": "a.wav"}, RequestError, "f0_hz is for when there is no recording"),
        ({"date": "soon"}, DateError, "'soon' cannot be read as a day"),
        ({"date": 2026}, DateError, "2026 is no date"),
        ({"date": pd.NaT}, DateError, "NaT is no date"),
        ({"place": (51.0,)}, PlaceError, "is no place"),
        ({"place": ("x", "y")}, PlaceError, "is no place"),
        ({"place": (-0.3, 51.46)}, PlaceError, "the wrong way round"),
        ({"hints": {"tail": "pink"}}, HintError, "tail has no state 'pink'"),
        ({"hints": [("tail", "white")]}, HintError, "is no hint"),
        ({"hints": {"bands": 2.5}}, HintError, "bands has no state '2.5'"),
        ({"hints": {"bands": math.inf}}, HintError, "bands has no state 'inf'"),
        ({"recording": "missing.wav"}, RecordingError, "no such file"),
    ],
)
def test_wrong_requests_to_identify(options: dict[str, Any], error: type[Exception], what: str) -> None:
    with pytest.raises(error, match=what):
        wingtone.identify(**options)


# --- sizes ------------------------------------------------------------------------------------------


def bout_row(i: int, f0_hz: float, **more: Any) -> dict[str, Any]:
    row = {"path": f"{i}.wav", "kind": "flight", "start_s": 0.0, "end_s": 1.0, "f0_hz": f0_hz}
    ends = {"f0_low_hz": f0_hz - 1, "f0_high_hz": f0_hz + 1, "recorded_at": f"2026-05-{1 + i % 28:02d}"}
    return {**row, **ends, **more}


ROWS = [bout_row(i, 150 + (7 * i) % 30, site="a" if i % 2 else "b") for i in range(40)]


def test_sizes_are_the_same_from_rows_frames_columns_and_files(tmp_path: Path) -> None:
    expected = wingtone.sizes(ROWS, place=PLACE, date="2026-05-01").to_json()
    assert expected["selection"]["n_used"] == 40
    frame = pd.DataFrame(ROWS)
    frame.to_csv(tmp_path / "bouts.csv", index=False)
    given: list[Any] = [frame, frame.to_dict("list"), tmp_path / "bouts.csv", [str(tmp_path / "bouts.csv")]]
    for one in given:
        assert wingtone.sizes(one, place=PLACE, date="2026-05-01").to_json() == expected


def test_sizes_are_what_the_command_says(tmp_path: Path, run: CliRunner) -> None:
    file = tmp_path / "bouts.csv"
    pd.DataFrame(ROWS).to_csv(file, index=False)
    words = ["--group-by", "site", "--taxon", "Bombus terrestris", "--gap", "20", "--place", "51.46,-0.30"]
    told = run.invoke(main, ["sizes", str(file), *words, "--format", "json"])
    found = wingtone.sizes(file, group_by="site", taxa="Bombus terrestris", gap_s=20, place="51.46,-0.30")
    assert json.loads(json.dumps(found.to_json(), allow_nan=False)) == json.loads(told.stdout)


def test_sizes_take_what_measure_gives(heard: api.Measurements) -> None:
    """The median of the bees' tones lies between the two tones that were made, 130 and 170 Hz."""
    found = wingtone.sizes(heard, taxa="Bombus terrestris")
    assert {bee.n_bouts for bee in found.individuals} <= set(range(1, len(heard.bouts) + 1))
    assert [round(bee.tone_hz, -1) for bee in found.individuals] == [130, 170]
    frame = pd.DataFrame(found.table())
    assert not frame.empty
    assert found.to_json() == wingtone.sizes(pd.DataFrame(heard.table()), taxa="Bombus terrestris").to_json()


def test_some_of_what_was_measured_will_do(heard: api.Measurements) -> None:
    """As `[one for one in heard if one.flight]`, or the same gone through once."""
    flown = [one for one in heard if one.flight]
    assert 0 < len(flown) < len(heard)
    answers = wingtone.identify(flown, date="2026-06-15").to_json()
    assert answers == wingtone.identify(heard[:2], date="2026-06-15").to_json()
    assert answers == wingtone.identify((one for one in flown), date="2026-06-15").to_json()
    sizes = wingtone.sizes(heard).to_json()
    assert [wingtone.sizes(some).to_json() for some in (flown, iter(flown))] == [sizes, sizes]
    assert wingtone.sizes(heard[0]).to_json() == wingtone.sizes(heard[:1]).to_json()
    mixed: list[Any] = [heard[0], "b.wav"]
    with pytest.raises(RequestError, match="is no path"):
        wingtone.identify(mixed)


def test_files_of_sizes_may_come_from_glob_or_a_column(tmp_path: Path) -> None:
    for name, rows in (("a", ROWS[:20]), ("b", ROWS[20:])):
        pd.DataFrame(rows).to_csv(tmp_path / f"{name}.csv", index=False)
    expected = wingtone.sizes([tmp_path / "a.csv", tmp_path / "b.csv"]).to_json()
    assert expected["selection"]["n_used"] == 40
    column = pd.DataFrame({"path": [str(tmp_path / "a.csv"), str(tmp_path / "b.csv")]})["path"]
    for given in ((path for path in sorted(tmp_path.glob("*.csv"))), column):
        assert wingtone.sizes(given).to_json() == expected


def test_a_recording_of_many_bees_gives_no_sizes(heard: api.Measurements, tmp_path: Path) -> None:
    """In whatever form it comes."""
    crowd = dataclasses.replace(heard[0], flags=("many bees",))
    measured = api.Measurements((crowd,))
    (tmp_path / "a.jsonl").write_text(json.dumps(measured.to_json()[0]), encoding="utf-8")
    table = csv_text([COLUMNS, *map(csv_values, measured.rows())])
    (tmp_path / "a.csv").write_text(table, encoding="utf-8")
    for form in (measured, pd.DataFrame(measured.table()), tmp_path / "a.jsonl", tmp_path / "a.csv"):
        found = wingtone.sizes(form)
        assert found.selection.n_used == 0
        assert dict(found.selection.dropped)["flag: many bees"] == len(heard[0].flight)


def test_sizes_compare_sites(tmp_path: Path) -> None:
    by_column = wingtone.sizes(ROWS, group_by="site")
    table = tmp_path / "sites.csv"
    table.write_text("path,site\n" + "".join(f"{row['path']},{row['site']}\n" for row in ROWS))
    without = [{name: value for name, value in row.items() if name != "site"} for row in ROWS]
    assert by_column.comparison is not None
    by_table = wingtone.sizes(without, sites=table)
    assert by_table.comparison == by_column.comparison
    by_mapping = wingtone.sizes(without, sites={row["path"]: row["site"] for row in ROWS})
    assert by_mapping.comparison == by_column.comparison


@pytest.mark.parametrize(
    ("given", "options", "error", "what"),
    [
        ("gone.csv", {}, InputError, "no such file"),
        (3, {}, InputError, "no table of bouts"),
        ([bout_row(0, 150.0, kind="song")], {}, TableError, "'song' is not one of"),
        (ROWS, {"group_by": "mood"}, RequestError, "no grouping"),
        (ROWS, {"place": "nowhere at all"}, PlaceError, "not"),
        (ROWS, {"date": 5}, DateError, "5 is no date"),
        (ROWS, {"sites": {}, "group_by": "month"}, RequestError, "sites are for"),
        (ROWS, {"seed": -1}, RequestError, "a seed of -1 is none"),
        (ROWS, {"seed": 1.5}, RequestError, "a seed of 1.5 is none"),
        (ROWS, {"gap_s": "x"}, RequestError, "a gap of 'x' s is none"),
        (ROWS, {"gap_s": math.nan}, RequestError, "a gap of nan s is none"),
    ],
)
def test_wrong_requests_to_sizes(
    given: Any, options: dict[str, Any], error: type[Exception], what: str
) -> None:
    with pytest.raises(error, match=what):
        wingtone.sizes(given, **options)


def test_the_python_of_the_readme_runs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    readme = (Path(__file__).resolve().parents[1] / "README.md").read_text(encoding="utf-8")
    blocks = re.findall(r"^```python\n(.*?)^```", readme, flags=re.MULTILINE | re.DOTALL)
    assert blocks
    clip = SCENARIO.clips[0].path
    (tmp_path / "walk").mkdir()
    for target in (tmp_path / "garden.m4a", tmp_path / "walk" / "first.m4a"):
        target.write_bytes(clip.read_bytes())
    monkeypatch.chdir(tmp_path)
    for block in blocks:
        exec(compile(block, "README.md", "exec"), {})
