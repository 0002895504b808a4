"""All of it together: rows or files in, sentences, JSON and tidy rows out."""

from __future__ import annotations

import csv
import dataclasses
import datetime as dt
import doctest
import json
import math
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
import pytest

import wingtone
import wingtone.population
from population.made_up import rows_of
from wingtone.errors import InputError, RequestError, TableError
from wingtone.figures import population as population_figure
from wingtone.figures.population import draw_population
from wingtone.notebook.places import parse_place
from wingtone.notebook.records import BoutNote, Record, RecordingNote, Tone
from wingtone.notebook.store import Notebook
from wingtone.population import sizes
from wingtone.population.activity import effort_of
from wingtone.population.results import TIDY_COLUMNS
from wingtone.population.sources import read_sites, read_sources
from wingtone.population.work import sizes_of

if TYPE_CHECKING:
    from pathlib import Path

    from matplotlib.figure import Figure


def season(seed: int = 5) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Two sites of *lapidarius* from April to June, changing over on 20 May, and how long was listened."""
    rng = np.random.default_rng(seed)
    rows: list[dict[str, Any]] = []
    effort: list[dict[str, Any]] = []
    for visit in range(22):
        day = dt.date(2026, 4, 10) + dt.timedelta(days=4 * visit)
        for site in ("garden", "meadow"):
            path, at = f"{site}/{day}.wav", f"{day}T11:00:00"
            effort.append(
                {"path": path, "heard_s": 1800, "wind_lost_s": 180, "recorded_at": at, "duration_s": 1800}
            )
            worker = 1 / (1 + math.exp(-(day.timetuple().tm_yday - 140) / 6))
            tones = np.where(rng.random(3) < worker, 186, 115) * np.exp(0.08 * rng.standard_normal(3))
            for k, tone in enumerate(tones):
                for row in rows_of([float(tone)], path=path, recorded_at=at):
                    rows.append(row | {"start_s": 300.0 * k + 60, "end_s": 300.0 * k + 61})
    return rows, effort


ROWS, EFFORT = season()
QUICK: dict[str, Any] = {"taxa": ["lapidarius"], "draws": 60}
FOUND = sizes(ROWS, recordings=EFFORT, group_by="folder", **QUICK)


def test_the_example_of_the_package() -> None:
    tested = doctest.testmod(wingtone.population)
    assert tested.attempted > 5
    assert tested.failed == 0


def test_the_summary_begins_with_the_bees_and_tells_the_main_things() -> None:
    first, *rest = FOUND.summary
    assert first.startswith(f"{len(FOUND.individuals)} bees, from {len(ROWS)} of {len(ROWS)} bouts")
    text = " ".join(rest)
    assert FOUND.castes is not None
    assert FOUND.castes.answer == "two groups"
    for word in (
        "Hz",
        "mm between the wing bases",
        "queens near",
        "workers and males",
        "an hour of listening",
        "80 % power",
    ):
        assert word in text
    assert FOUND.changeover is not None
    assert FOUND.changeover.low <= 140 <= FOUND.changeover.high
    assert "May" in text
    assert any("no random sample" in line for line in FOUND.cautions)
    assert any("cue of size" in line for line in FOUND.cautions)


def test_counts_under_other_rules_stand_beside_the_one_used() -> None:
    (used,) = [one for one in FOUND.counted if one.used]
    assert used.n == len(FOUND.individuals)
    assert {one.rule for one in FOUND.counted} == {"bout", "clip", "clip, tone", "clip, gap, tone"}
    assert {one.gap_s for one in FOUND.counted} == {None, 10.0, 30.0, 120.0}


def test_json_is_plain_and_whole() -> None:
    laid_out = FOUND.to_json()
    assert json.loads(json.dumps(laid_out, allow_nan=False)) == laid_out
    assert laid_out["schema"] == "wingtone/sizes/1"
    assert len(laid_out["individuals"]) == len(FOUND.individuals) == len(laid_out["lower_probability"])
    assert laid_out["settings"]["n_clusters"] == 22  # days, each at two sites
    assert laid_out["activity"]["wind_lost_h"] == pytest.approx(44 * 180 / 3600)


def test_tidy_rows_hold_every_part_and_make_a_data_frame() -> None:
    frame = pd.DataFrame(FOUND.table())
    assert list(frame.columns) == list(TIDY_COLUMNS)
    assert {
        "selection",
        "individuals",
        "tone",
        "ITD",
        "castes",
        "changeover",
        "comparison",
        "activity",
        "power",
    } == set(frame["part"])
    bees = pd.DataFrame(FOUND.bees())
    assert len(bees) == len(FOUND.individuals)
    assert bees["lower_probability"].between(0, 1).all()


def test_forms_of_input_agree_and_the_answer_is_the_same_each_time() -> None:
    again = sizes(pd.DataFrame(ROWS), recordings=pd.DataFrame(EFFORT), group_by="folder", **QUICK)
    assert again.to_json() == FOUND.to_json()


def test_groups_by_site_month_and_table() -> None:
    def groups(**how: Any) -> list[str]:
        found = sizes(ROWS, draws=40, **how)
        assert found.comparison is not None
        return [group.name for group in found.comparison.groups]

    assert groups(group_by="month") == ["2026-04", "2026-05", "2026-06", "2026-07"]
    assert groups(sites={"./garden/": "Garden", "meadow": "Meadow"}) == ["Garden", "Meadow"]
    assert groups(sites={"garden": "Garden", "garden/2026-04-10.wav": "First day", "meadow": "Meadow"}) == [
        "First day",
        "Garden",
        "Meadow",
    ]
    with pytest.raises(RequestError, match="no bout has a site"):
        sizes(ROWS, group_by="site")
    with pytest.raises(RequestError, match="no grouping"):
        sizes(ROWS, group_by="weather")
    with pytest.raises(RequestError, match="gap"):
        sizes(ROWS, gap_s=math.nan)
    with pytest.raises(RequestError, match="too few"):
        sizes(ROWS, draws=5)


def test_what_is_said_of_all_bees_does_not_hang_on_how_they_are_grouped() -> None:
    """Two sites of one day are no two days; the groups themselves are compared day by day of each."""
    alone = sizes(ROWS, recordings=EFFORT, **QUICK)
    for part in ("tone", "castes", "changeover", "counted", "individuals", "lower_probability"):
        of_all, of_grouped = (getattr(found, part) for found in (alone, FOUND))
        if part == "individuals":
            of_grouped = tuple(dataclasses.replace(bee, group="") for bee in of_grouped)
        assert of_all == of_grouped, part
    assert FOUND.comparison is not None
    assert [group.n_clusters for group in FOUND.comparison.groups] == [22, 22]
    assert "bees a folder show" in FOUND.summary[-1]
    assert "bees a site show" in alone.summary[-1]


def test_bees_an_hour_are_told_by_group_too() -> None:
    assert FOUND.activity is not None
    by = {rate.name: rate for rate in FOUND.activity.rates if rate.by == "group"}
    assert set(by) == {"garden", "meadow"}
    assert sum(rate.bees for rate in by.values()) == len(FOUND.individuals)
    assert by["garden"].hours == pytest.approx(22 * 0.45)


@pytest.mark.parametrize("heard_s", [1.0, 85_000.0])
def test_short_clips_and_weeks_of_listening_are_told_without_powers_of_ten(heard_s: float) -> None:
    effort = [row | {"duration_s": heard_s, "heard_s": heard_s, "wind_lost_s": 0.0} for row in EFFORT]
    found = sizes(ROWS, recordings=effort, **QUICK)
    assert found.activity is not None
    rate = found.activity.rates[0]
    assert max(rate.rate, rate.hours) > 1000
    told = [line for line in found.summary if "bees an hour of listening" in line]
    notes = [str(row["note"]) for row in found.rows() if row["item"] == f"{rate.by} {rate.name}"]
    assert len(told) == len(notes) == 1
    assert "e+" not in told[0] + notes[0]


def test_bees_at_an_hour_without_listening_are_told() -> None:
    short = [row | {"duration_s": 600, "heard_s": 600, "recorded_at": row["recorded_at"]} for row in EFFORT]
    rows = [row | {"start_s": 3700.0, "end_s": 3701.0} for row in ROWS[:9]] + ROWS[9:]
    found = sizes(rows, recordings=short, **QUICK)
    assert found.activity is not None
    assert found.activity.without_hour > 0
    told = [line for line in found.cautions if "at no hour of the day" in line]
    assert [line.split()[0] for line in told] == [str(found.activity.without_hour)]
    assert not any("at no hour of the day" in line for line in FOUND.cautions)


def test_groups_of_different_seasons_are_cautioned_about() -> None:
    found = sizes(ROWS, group_by="month", **QUICK)
    assert any("different times of the season" in line for line in found.cautions)
    assert not any("different times of the season" in line for line in FOUND.cautions)


def test_nothing_usable_is_an_answer_too() -> None:
    rows = rows_of([250.0], kind="sonication")
    said = "No bee is left of 1 bout, so nothing can be said about size. Left out: not flight but sonication"
    none = "There is no bout in it, so no bee to say anything about."
    for given, why in ((rows, f"{said} (1)."), ([], none)):
        found = sizes(given)
        assert found.individuals == ()
        assert found.tone is None
        assert found.summary == (why,)
        json.dumps(found.to_json(), allow_nan=False)
        assert found.rows()


@pytest.mark.parametrize("tones", [[150.0], [150.0, 150.0], [150.0] * 12, [120.0, 160.0, 200.0]])
def test_few_or_equal_bees_do_not_break_anything(tones: list[float], tmp_path: Path) -> None:
    found = sizes(rows_of(tones), recordings=[], draws=40)
    assert len(found.individuals) == len(tones)
    json.dumps(found.to_json(), allow_nan=False)
    draw_population(found, tmp_path / "few.png")
    assert (tmp_path / "few.png").stat().st_size > 5000


def test_tones_that_are_told_alike_are_one_figure() -> None:
    one, alike = (sizes(rows_of(tones), recordings=[], draws=40) for tones in ([150.0], [150.0, 150.2]))
    assert one.summary[1] == "It flies at 150 Hz."
    assert alike.summary[1] == "The middle four fifths fly at 150 Hz."


def test_a_row_that_cannot_be_right_is_named() -> None:
    with pytest.raises(TableError, match=r"^rows, line 2, column f0_hz"):
        sizes([ROWS[0], ROWS[1] | {"f0_hz": "?"}])


# --- files ------------------------------------------------------------------------------------------


def write_csv(path: Path, rows: list[dict[str, Any]]) -> Path:
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.DictWriter(file, rows[0].keys())
        writer.writeheader()
        writer.writerows(rows)
    return path


def test_csv_parquet_json_and_survey_folders_agree(tmp_path: Path) -> None:
    frame, listened = pd.DataFrame(ROWS), pd.DataFrame(EFFORT)
    survey = tmp_path / "survey"
    survey.mkdir()
    write_csv(survey / "bouts.csv", ROWS)
    write_csv(survey / "recordings.csv", EFFORT)
    frame.to_parquet(tmp_path / "bouts.parquet")
    listened.to_parquet(tmp_path / "recordings.parquet")
    bout = ("kind", "start_s", "end_s", "f0_hz", "f0_low_hz", "f0_high_hz", "snr_db")
    lines = [
        json.dumps(
            {
                "recording": {"path": row["path"], "recorded_at": row["recorded_at"]},
                "bouts": [{name: row[name] for name in bout} | {"flags": []}],
            }
        )
        for row in ROWS
    ]
    (tmp_path / "bouts.jsonl").write_text("\n".join(lines))
    answers = []
    for paths in (
        [survey],
        [tmp_path / "bouts.parquet", tmp_path / "recordings.parquet"],
        [tmp_path / "bouts.jsonl", survey / "recordings.csv"],
    ):
        source = read_sources(paths)
        answers.append(sizes_of(source.bouts, source.effort, group_by="folder", **QUICK).to_json())
    assert answers[0] == answers[1] == answers[2] == FOUND.to_json()


def test_recordings_of_many_bees_are_left_out_of_a_survey(tmp_path: Path) -> None:
    first, second = rows_of([120.0, 180.0])
    write_csv(tmp_path / "bouts.csv", [first | {"flags": "wind;many bees"}, second | {"flags": ""}])
    write_csv(tmp_path / "recordings.csv", [{"path": "0.wav", "heard_s": 60}])
    source = read_sources([tmp_path])
    found = sizes_of(source.bouts, source.effort)
    assert dict(found.selection.dropped) == {"flag: many bees": 1}


def test_a_record_of_a_notebook_is_one_bee(tmp_path: Path) -> None:
    with Notebook.open(tmp_path / "n.sqlite") as notebook:
        for day, tone in (("2026-04-02", 115.0), ("2026-04-03T10:15:00", 118.0), ("2026-04", 120.0)):
            place = parse_place("51.46,-0.30")
            notebook.add(
                Record(event_date=day, tone=Tone(tone, tone - 1, tone + 1, 2), caste="queen", place=place)
            )
        notebook.add(Record(event_date="2026-04-02"))
        notebook.add(Record(event_date="2026-04-02", tone=Tone(300.0, 299, 301), status="rejected"))
    source = read_sources([tmp_path / "n.sqlite"])
    found = sizes_of(source.bouts, source.effort)
    assert [bee.day for bee in found.individuals] == [dt.date(2026, 4, 2), dt.date(2026, 4, 3), None]
    assert {bee.caste for bee in found.individuals} == {"queen"}
    assert found.individuals[1].moment == dt.datetime(2026, 4, 3, 10, 15)


def test_other_insects_of_a_notebook_are_left_out_and_counted(tmp_path: Path) -> None:
    tone = Tone(150.0, 149, 151)
    with Notebook.open(tmp_path / "n.sqlite") as notebook:
        for taxon, status, caste in (
            ("Bombus terrestris", "confirmed", "worker"),
            ("Psithyrus vestalis", "decided", ""),  # as in old lists
            ("Pyrobombus pratorum", "decided", ""),  # a subgenus as genus
            ("Buff-tailed bumblebee", "decided", ""),
            ("Apidae", "decided", ""),  # bumblebees too
            ("Apis mellifera", "hint", ""),  # only the program's word
            ("Apis mellifera", "confirmed", "not a bumblebee"),
            ("Apis mellifera", "decided", ""),
            ("Megachile willughbiella", "decided", ""),  # not in the fauna
            ("Vespula", "decided", ""),  # a genus that is
            ("", "hint", "not a bumblebee"),
        ):
            notebook.add(Record(taxon=taxon, status=status, caste=caste, tone=tone))
    found = sizes_of(read_sources([tmp_path / "n.sqlite"]).bouts, None)
    assert found.selection.dropped == (("not a bumblebee", 5),)
    assert found.summary[0] == "6 bees, from 6 of 11 bouts."
    assert wingtone.sizes(tmp_path / "n.sqlite").selection == found.selection


def test_a_notebook_beside_a_table_of_its_recordings_counts_nothing_twice(tmp_path: Path) -> None:
    rows = rows_of([120.0, 180.0, 150.0], path="{i}.wav", bouts=2)
    rows += [rows[0] | {"f0_hz": 200.0, "f0_low_hz": 198.0, "f0_high_hz": 202.0}]  # another bee at once
    rows = [row | {"sha256": f"sum {row['path']}"} for row in rows[:4]] + rows[4:]

    def record(name: str, *bouts: BoutNote, sha256: str = "") -> Record:
        tone = Tone(150.0, 149, 151, duration_s=4.0)
        return Record(tone=tone, recording=RecordingNote(f"/kept/{name}", sha256, bouts=bouts))

    with Notebook.open(tmp_path / "n.sqlite") as notebook:
        flights = [BoutNote("flight", 3.0 * k, 3.0 * k + 1, 121.0) for k in range(2)]
        notebook.add(record("0.wav", *flights, sha256="sum 0.wav"))
        notebook.add(record("1.wav", sha256="sum 1.wav"))  # it does not say on which flights it rests
        notebook.add(dataclasses.replace(record("2.wav"), caste="not a bumblebee"))
    table = write_csv(tmp_path / "bouts.csv", [{"sha256": ""} | row for row in rows])
    for order in ((table, tmp_path / "n.sqlite"), (tmp_path / "n.sqlite", table)):
        found = sizes_of(read_sources(order).bouts, None)
        assert dict(found.selection.dropped) == {"given twice": 4, "not a bumblebee": 1}
        # Two records, the bee that flew at once, and the recording that lies elsewhere and has no checksum.
        assert sorted(round(bee.tone_hz) for bee in found.individuals) == [150, 150, 150, 200]


def test_places_of_one_square_are_one_site_of_a_notebook(tmp_path: Path) -> None:
    places = [f"51.466{k}1, -0.2952{k}" for k in range(6)] + ["TQ 18 75", "TQ 1812 7531", "TQ 25 75"]
    with Notebook.open(tmp_path / "n.sqlite") as notebook:
        for text in places:
            notebook.add(Record(tone=Tone(150.0, 149, 151), place=parse_place(text)))
    found = sizes_of(read_sources([tmp_path / "n.sqlite"]).bouts, None, group_by="site", **QUICK)
    assert [bee.group for bee in found.individuals] == ["TQ 18 75"] * 8 + ["TQ 25 75"]


def test_empty_cells_beyond_the_headings_are_nothing(tmp_path: Path) -> None:
    path = write_csv(tmp_path / "bouts.csv", rows_of([120.0]))
    path.write_text(path.read_text().rstrip("\n") + ",, \n")
    assert len(read_sources([path]).bouts) == 1


@pytest.mark.parametrize("mark", [";", "\t"])
def test_decimal_commas_of_spreadsheets_are_read(tmp_path: Path, mark: str) -> None:
    heading = "path,kind,start_s,end_s,f0_hz,f0_low_hz,f0_high_hz,flags".replace(",", mark)
    cells = ["a, b.wav", "flight", "0,5", "1,25", "150,4", "149,9", "150", ""]
    (tmp_path / "bouts.csv").write_text(f"{heading}\n{mark.join(cells)}\n", encoding="utf-8")
    (row,) = read_sources([tmp_path / "bouts.csv"]).bouts
    assert list(row.values.values()) == ["a, b.wav", "flight", "0.5", "1.25", "150.4", "149.9", "150", ""]
    (tmp_path / "english.csv").write_text('path,heard_s\na.wav,"3,600"\n', encoding="utf-8")
    with pytest.raises(TableError, match="'3,600' was not understood"):  # an hour, not 3.6 s
        effort_of(read_sources([tmp_path / "english.csv"]).effort or ())


def test_files_that_cannot_be_used_say_why(tmp_path: Path) -> None:
    def refused(name: str, content: str, match: str, error: type[InputError] = TableError) -> None:
        path = tmp_path / name
        path.write_text(content)
        with pytest.raises(error, match=match):
            read_sources([path])

    refused("a.csv", "x,y\n", "line 1, column f0_hz: this column is missing")
    refused("b.csv", "f0_hz,f0_hz\n1,2\n", "stands there twice")
    refused("c.csv", "f0_hz\n1,2\n", "2 cells under 1")
    refused("d.csv", 'f0_hz\n"1\n', "line 2: is not a readable table")
    refused("e.csv", "", "no heading", InputError)
    refused("f.jsonl", '{"a": 1}\nnot json\n', "line 1: this is no result")
    refused("g.parquet", "PAR?", "no Parquet", InputError)
    with pytest.raises(InputError, match="no such file"):
        read_sources([tmp_path / "none.csv"])
    with pytest.raises(InputError, match="no table of bouts"):
        read_sources([tmp_path])


def test_line_numbers_are_those_of_the_file(tmp_path: Path) -> None:
    rows = rows_of([120.0, 130.0, 140.0])
    rows[0]["site"], rows[1]["site"], rows[2]["site"] = "by the\nriver", "B", "C"
    rows[2]["f0_hz"] = "loud"
    source = read_sources([write_csv(tmp_path / "t.csv", rows)])
    with pytest.raises(TableError, match=r"t\.csv, line 5, column f0_hz"):
        sizes_of(source.bouts, None)


def test_sites_are_checked(tmp_path: Path) -> None:
    path = tmp_path / "sites.csv"
    path.write_text("path;site\ngarden;G\nmeadow;\ngarden;H\n")
    with pytest.raises(TableError) as caught:
        read_sites(path)
    assert [(fault.line, fault.column) for fault in caught.value.faults] == [(3, "site"), (4, "site")]
    path.write_text("path,period\nspring/,before\n")
    assert read_sites(path) == {"spring/": "before"}
    path.write_text("folder,site\n")
    with pytest.raises(TableError, match="column path"):
        read_sites(path)


# --- the figure -------------------------------------------------------------------------------------


@pytest.mark.parametrize("ending", ["svg", "pdf", "png"])
def test_the_figure_is_the_same_each_time(ending: str, tmp_path: Path) -> None:
    files = [tmp_path / f"{k}.{ending}" for k in range(2)]
    for file in files:
        draw_population(FOUND, file)
    assert files[0].read_bytes() == files[1].read_bytes()
    if ending == "svg":
        text = files[0].read_text()
        assert text.count('<g id="axes_') >= 5  # every panel there is something for


def test_long_names_of_groups_leave_the_panels_their_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Widths of the left panels in shares of the page; a squeezed one is a fifth of it and less."""
    figures: list[Figure] = []
    monkeypatch.setattr(population_figure, "save_figure", lambda figure, _: figures.append(figure))
    folders = {
        "garden": "a" * 90 + "/north $x_{$",
        "meadow": "the long meadow beside the river, in two parts",
    }
    rows = [row | {"site": folders[str(row["path"]).split("/")[0]]} for row in ROWS]
    draw_population(sizes(rows, group_by="site", **QUICK), tmp_path / "x.png")
    (figure,) = figures
    figure.draw_without_rendering()
    every = [axes for axes in figure.axes if axes.axison]
    assert all(axes.get_position().width > 0.3 for axes in every)
    names = [label.get_text() for label in every[-1].get_yticklabels()]
    assert names[0].endswith("/north $x_{$ (66)")
    assert names[1].replace("\n", " ") == "the long meadow beside the river, in two parts (66)"


def test_without_bees_no_figure(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no bee to draw"):
        draw_population(sizes([]), tmp_path / "x.svg")
    with pytest.raises(RequestError):
        draw_population(FOUND, tmp_path / "x.gif")
