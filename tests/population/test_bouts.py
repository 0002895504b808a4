"""Rows in any form, and every fault of them at once."""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

import pandas as pd
import pyarrow as pa
import pytest

from population.made_up import rows_of
from wingtone.errors import InputError, TableError
from wingtone.population.bouts import Located, moment_of, plain_rows, read_heard


def located(rows: list[dict[str, Any]]) -> list[Located]:
    return [Located("t.csv", i, row) for i, row in enumerate(rows, 2)]


ROWS = rows_of([120.0, 180.0], bouts=2, flags=["wind"], recorded_at="2026-05-03T10:00:00+01:00", site="A")


@pytest.mark.parametrize(
    "form",
    [
        list,
        tuple,
        iter,
        pd.DataFrame,
        pa.Table.from_pylist,
        lambda rows: {name: [row[name] for row in rows] for name in rows[0]},
        lambda rows: {name: pd.DataFrame(rows)[name] for name in rows[0]},
    ],
    ids=["list", "tuple", "generator", "pandas", "pyarrow", "columns", "columns of pandas"],
)
def test_all_forms_of_a_table_are_the_same(form: Any) -> None:
    found = read_heard([Located("t", i, row) for i, row in enumerate(plain_rows(form(ROWS)))])
    expected = read_heard([Located("t", i, row) for i, row in enumerate(ROWS)])
    assert found == expected
    assert found[0].bout.flags == ("wind",)


def test_a_data_frame_of_polars_shape_and_an_object_with_rows() -> None:
    class Frame:
        def to_dicts(self) -> list[dict[str, Any]]:
            return ROWS

    class Measured:
        def rows(self) -> list[dict[str, Any]]:
            return ROWS

    assert plain_rows(Frame()) == plain_rows(Measured()) == ROWS


@pytest.mark.parametrize("wrong", [3, "bouts.csv", ["a", "b"], {"f0_hz": [1], "path": []}])
def test_what_is_no_table_is_refused(wrong: Any) -> None:
    with pytest.raises(InputError):
        plain_rows(wrong)


def test_missing_values_of_every_library() -> None:
    (row,) = rows_of([120.0])
    for missing in (None, "", " ", math.nan, pd.NA, pd.NaT):
        row |= {"snr_db": missing, "recorded_at": missing, "flags": missing, "site": missing}
        (found,) = read_heard(located([row]))
        assert math.isnan(found.bout.snr_db)
        assert (found.moment, found.day, found.bout.flags, found.site) == (None, None, (), "")


def test_all_faults_are_told_with_line_and_column() -> None:
    good, *rest = rows_of([120.0] * 7)
    rest[0]["f0_hz"] = "loud"
    rest[1]["kind"] = "singing"
    rest[2] |= {"start_s": 4.0, "end_s": 2.0}
    rest[3]["f0_low_hz"] = 130.0
    rest[4]["path"] = ""
    rest[5] |= {"recorded_at": "last week", "f0_hz": 9.0, "f0_low_hz": 8.0, "f0_high_hz": 10.0}
    with pytest.raises(TableError) as caught:
        read_heard(located([good, *rest]))
    told = [(fault.line, fault.column) for fault in caught.value.faults]
    assert told == [
        (3, "f0_hz"),
        (4, "kind"),
        (5, "end_s"),
        (6, "f0_hz"),
        (7, "path"),
        (8, "f0_hz"),
        (8, "recorded_at"),
    ]


def test_missing_columns_are_told_once() -> None:
    rows = [{"path": "a.wav", "f0_hz": 120.0}] * 3
    with pytest.raises(TableError) as caught:
        read_heard(located(rows))
    assert [fault.column for fault in caught.value.faults] == [
        "kind",
        "start_s",
        "end_s",
        "f0_low_hz",
        "f0_high_hz",
    ]


def test_other_sounds_may_lack_a_tone_but_flight_may_not() -> None:
    rows = rows_of([120.0])
    rows[0] |= {"kind": "uncertain", "f0_hz": None, "f0_low_hz": None, "f0_high_hz": None}
    assert math.isnan(read_heard(located(rows))[0].bout.f0_hz)
    rows[0]["kind"] = "flight"
    with pytest.raises(TableError, match="a number is needed"):
        read_heard(located(rows))


def test_a_bouts_own_moment_is_after_the_start_and_a_files_time_is_no_date() -> None:
    rows = rows_of([120.0], recorded_at="2026-05-03T23:59:59", recorded_at_source="container")
    rows[0] |= {"start_s": 2.0, "end_s": 3.0}
    (found,) = read_heard(located(rows))
    assert found.day == dt.date(2026, 5, 4)
    rows[0]["recorded_at_source"] = "file time"
    (found,) = read_heard(located(rows), date=dt.date(2026, 1, 1))
    assert (found.moment, found.day) == (None, dt.date(2026, 1, 1))


def test_a_moment_after_the_last_date_is_a_fault() -> None:
    rows = rows_of([120.0, 121.0, 122.0])
    rows[0] |= {"recorded_at": "9999-12-31T23:59:59", "start_s": 2.0, "end_s": 3.0}
    rows[1] |= {"recorded_at": "2026-05-03T10:00:00", "start_s": 1e300, "end_s": 1e301}
    rows[2] |= {"recorded_at": "9999-12-31", "start_s": 2.0, "end_s": 3.0}
    with pytest.raises(TableError) as caught:
        read_heard(located(rows))
    assert [fault.column for fault in caught.value.faults] == ["start_s", "start_s"]
    assert "there is no date" in caught.value.faults[0].what


def test_moments() -> None:
    assert moment_of("2026-05-03") == (None, dt.date(2026, 5, 3))
    assert moment_of(pd.Timestamp("2026-05-03T10:00"))[1] == dt.date(2026, 5, 3)
    with pytest.raises(ValueError, match="Invalid isoformat"):
        moment_of("yesterday, about tea-time")
