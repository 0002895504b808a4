"""The notebook: nothing lost, nothing overwritten, found again, refused politely."""

from __future__ import annotations

import datetime as dt
import sqlite3
import tracemalloc
from typing import TYPE_CHECKING

import pytest
from hypothesis import HealthCheck, given, settings

from notebook.examples import example, records
from wingtone.errors import InputError, OutputError, RequestError
from wingtone.notebook import schema
from wingtone.notebook.nearby import distance_m
from wingtone.notebook.places import parse_place
from wingtone.notebook.records import Record
from wingtone.notebook.store import Filter, Notebook, default_path

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "bees.sqlite"


def test_a_record_comes_back_as_it_was(path: Path) -> None:
    record = example()
    with Notebook.open(path) as notebook:
        entry = notebook.add(record, by="A. Recorder")
        assert entry.record == record
    with Notebook.open(path, write=False) as notebook:
        again = notebook.get(entry.number)
        assert again == entry
        assert notebook.count() == 1
        assert notebook.check() == []


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
@given(record=records())
def test_any_record_goes_in_and_comes_out_equal(path: Path, record: Record) -> None:
    with Notebook.open(path) as notebook:
        number = notebook.add(record).number
    with Notebook.open(path) as notebook:
        assert notebook.get(number).record == record
        (row,) = [row for row in notebook.rows() if row.number == number]
        assert (row.taxon, row.caste, row.recorder) == (record.taxon, record.caste, record.recorder)


def test_amendments_keep_every_earlier_state(path: Path) -> None:
    with Notebook.open(path) as notebook:
        number = notebook.add(example(), by="A").number
        notebook.amend(number, by="B", taxon="Bombus lucorum", status="confirmed")
        entry = notebook.amend(number, by="C", notes="")
        assert (entry.version, entry.record.taxon, entry.record.notes) == (3, "Bombus lucorum", "")
        states = notebook.history(number)
    assert [(state.version, state.action, state.by) for state in states] == [
        (1, "added", "A"),
        (2, "amended", "B"),
        (3, "amended", "C"),
    ]
    assert [state.record.taxon[7:] for state in states] == ["terrestris", "lucorum", "lucorum"]
    assert states[0].record == example()
    assert dt.datetime.fromisoformat(states[0].at).utcoffset() == dt.timedelta(0)


def test_a_new_decision_is_not_put_in_the_mouth_of_whoever_made_the_last(path: Path) -> None:
    with Notebook.open(path) as notebook:
        number = notebook.add(Record(taxon="Bombus lucorum", status="decided", identified_by="A")).number
        assert notebook.amend(number, notes="seen again").record.identified_by == "A"
        confirmed = notebook.amend(number, status="confirmed", identified_by="B").record
        assert (confirmed.status, confirmed.identified_by) == ("confirmed", "B")
        renamed = notebook.amend(number, taxon="Bombus hortorum", status="decided").record
        assert renamed.identified_by == ""
        assert notebook.amend(number, status="confirmed", identified_by="B").record.identified_by == "B"
        assert notebook.amend(number, status="rejected").record.identified_by == ""


def test_what_depends_on_the_record_is_asked_within_the_amendment(path: Path) -> None:
    with Notebook.open(path) as notebook, Notebook.open(path) as other:
        notebook.add(example(hints={"tail": "buff"}))
        notebook.get(1)  # and then another program is faster
        other.amend(1, hints={"tail": "buff", "collar": "yellow"})
        notebook.amend(1, change=lambda record: {"hints": {**record.hints, "bands": "2"}}, notes="sure")
        assert notebook.get(1).record.hints == {"tail": "buff", "collar": "yellow", "bands": "2"}
        assert notebook.get(1).record.notes == "sure"


def test_an_amendment_that_changes_nothing_adds_nothing(path: Path) -> None:
    with Notebook.open(path) as notebook:
        number = notebook.add(example()).number
        assert notebook.amend(number, taxon="Bombus terrestris").version == 1


def test_removal_hides_and_restoring_undoes_it(path: Path) -> None:
    with Notebook.open(path) as notebook:
        number = notebook.add(example()).number
        assert notebook.remove(number).removed
        assert notebook.remove(number).version == 2  # twice is once
        assert notebook.rows() == []
        assert [row.number for row in notebook.rows(Filter(removed=True))] == [number]
        with pytest.raises(RequestError, match="was removed"):
            notebook.amend(number, notes="x")
        entry = notebook.restore(number)
        assert (entry.removed, entry.record) == (False, example())
        assert notebook.restore(number).version == 3
        assert [state.action for state in notebook.history(number)] == ["added", "removed", "restored"]


def test_history_cannot_be_changed_even_by_hand(path: Path) -> None:
    with Notebook.open(path) as notebook:
        notebook.add(example())
    connection = sqlite3.connect(path)
    for statement in ("UPDATE history SET body = '{}'", "DELETE FROM history", "DELETE FROM record"):
        with pytest.raises(sqlite3.IntegrityError, match="nothing is overwritten"):
            connection.execute(statement)
    connection.close()


def test_a_refused_amendment_leaves_no_trace(path: Path) -> None:
    with Notebook.open(path) as notebook:
        number = notebook.add(example()).number
        with pytest.raises(RequestError):
            notebook.amend(number, caste="drone")
        assert notebook.get(number).version == 1
        notebook.amend(number, caste="worker")  # and the notebook can be written again


def test_an_unknown_record_is_told(path: Path) -> None:
    with Notebook.open(path) as notebook:
        for call in (notebook.get, notebook.history, notebook.remove, notebook.restore, notebook.amend):
            with pytest.raises(RequestError, match="no record 7"):
                call(7)


def test_imports_are_all_or_nothing_and_never_double(path: Path) -> None:
    with Notebook.open(path) as notebook:
        given = [("a", None, example()), ("b", None, example(taxon="Bombus hortorum"))]
        assert notebook.add_imported(given) == [1, 2]
        assert notebook.add_imported([*given, ("c", None, example())]) == [None, None, 3]
        same_id = notebook.get(1).id
        assert notebook.add_imported([("elsewhere", same_id, example())]) == [None]

        def breaks() -> list[tuple[str, None, Record]]:
            return [("d", None, example()), ("e", None, example(answer={"x": object()}))]

        with pytest.raises(RequestError):
            notebook.add_imported(breaks())
        assert notebook.count() == 3


class TestLists:
    @pytest.fixture
    def notebook(self, path: Path) -> Iterator[Notebook]:
        notebook = Notebook.open(path)
        for day, place, taxon, caste, status, recorder in (
            ("2026-03-20", "TQ 187 753", "Bombus terrestris", "queen", "decided", "Ann"),
            ("2026-06", "TQ 18 75", "Bombus lucorum", "worker", "hint", "Ben"),
            ("2026-07-01/2026-07-03", "NN 166 712", "Bombus terrestris", "male", "confirmed", "ann"),
            ("", "", "Vespa crabro", "", "hint", ""),
        ):
            notebook.add(
                Record(
                    event_date=day,
                    place=parse_place(place) if place else None,
                    taxon=taxon,
                    caste=caste,
                    status=status,
                    recorder=recorder,
                )
            )
        yield notebook
        notebook.close()

    def numbers(self, notebook: Notebook, where: Filter) -> list[int]:
        rows = [row.number for row in notebook.rows(where)]
        assert sorted(rows) == [entry.number for entry in notebook.entries(where)]
        return rows

    def test_newest_first_and_undated_last(self, notebook: Notebook) -> None:
        assert self.numbers(notebook, Filter()) == [3, 2, 1, 4]
        assert [row.number for row in notebook.rows(limit=2)] == [3, 2]

    def test_by_day_an_interval_counts_when_it_may_fit(self, notebook: Notebook) -> None:
        assert self.numbers(notebook, Filter(since=dt.date(2026, 6, 30))) == [3, 2]
        assert self.numbers(notebook, Filter(since=dt.date(2026, 7, 2), until=dt.date(2026, 7, 2))) == [3]
        assert self.numbers(notebook, Filter(until=dt.date(2026, 3, 20))) == [1]

    def test_by_name_its_beginning_and_without_regard_to_capitals(self, notebook: Notebook) -> None:
        assert self.numbers(notebook, Filter(taxon="bombus TERR")) == [3, 1]
        assert self.numbers(notebook, Filter(taxon="Bombus")) == [3, 2, 1]
        assert self.numbers(notebook, Filter(taxon="%")) == []

    def test_by_caste_status_and_recorder(self, notebook: Notebook) -> None:
        assert self.numbers(notebook, Filter(caste="worker")) == [2]
        assert self.numbers(notebook, Filter(status="hint")) == [2, 4]
        assert self.numbers(notebook, Filter(recorder="ANN")) == [3, 1]
        notebook.amend(2, recorder="Éva Ørsted")
        for name in ("éva ørsted", "E\u0301VA ØRSTED"):
            assert self.numbers(notebook, Filter(recorder=name)) == [2]

    def test_by_place(self, notebook: Notebook) -> None:
        assert self.numbers(notebook, Filter(near=parse_place("TQ17"))) == [2, 1]
        assert self.numbers(notebook, Filter(near=parse_place("TQ 187 753"), within_m=60)) == [1]
        assert self.numbers(notebook, Filter(near=parse_place("TQ 187 753"), within_m=2_000_000)) == [3, 2, 1]

    def test_a_row_tells_what_a_list_needs(self, notebook: Notebook) -> None:
        row = notebook.rows(Filter(caste="male"))[0]
        assert (row.first_day, row.last_day, row.place) == ("2026-07-01", "2026-07-03", "NN 166 712")
        assert row.f0_hz is None


def test_distances_on_the_earth() -> None:
    # London to Paris, 343.5 km on the sphere between 51.5074, -0.1278 and 48.8566, 2.3522 (handbook value).
    assert distance_m(parse_place("51.5074, -0.1278"), 48.8566, 2.3522) == pytest.approx(343_560, rel=1e-3)
    half_way_round = distance_m(parse_place("51.5, -0.1"), -51.5, 179.9)
    assert half_way_round == pytest.approx(6_371_008.8 * 3.14159265, rel=1e-6)


def test_near_the_date_line_and_the_pole(path: Path) -> None:
    with Notebook.open(path) as notebook:
        notebook.add(Record(place=parse_place("-17.0, 179.99")))
        notebook.add(Record(place=parse_place("89.95, 20.0")))
        fiji = Filter(near=parse_place("-17.0, -179.99"), within_m=5000)
        pole = Filter(near=parse_place("89.95, -160.0"), within_m=20_000)
        assert [row.number for row in notebook.rows(fiji)] == [1]
        assert [row.number for row in notebook.rows(pole)] == [2]


# --- the file ------------------------------------------------------------------------------------------


def test_the_file_is_as_promised(path: Path) -> None:
    Notebook.open(path).close()
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    tables = connection.execute(
        "SELECT name, strict FROM pragma_table_list WHERE schema = 'main' AND name NOT LIKE 'sqlite%'"
    )
    assert dict(tables.fetchall()) == {"record": 1, "history": 1, "migration": 1}
    assert connection.execute("PRAGMA user_version").fetchone() == (len(schema.MIGRATIONS),)
    applied = connection.execute("SELECT level, name FROM migration ORDER BY level").fetchall()
    assert applied == [(i, name) for i, (name, _) in enumerate(schema.MIGRATIONS, 1)]
    connection.close()
    assert list(path.parent.glob(".wingtone-*")) == []


def test_foreign_keys_are_enforced(path: Path) -> None:
    with Notebook.open(path) as notebook:
        assert notebook._connection.execute("PRAGMA foreign_keys").fetchone() == (1,)
        assert notebook._connection.execute("PRAGMA synchronous").fetchone() == (2,)  # FULL


def test_a_failed_migration_changes_nothing_and_stays_pending(path: Path) -> None:
    Notebook.open(path).close()

    def half(connection: sqlite3.Connection) -> None:
        connection.execute("CREATE TABLE half (x INTEGER) STRICT")
        raise RuntimeError("no further")

    def whole(connection: sqlite3.Connection) -> None:
        connection.execute("ALTER TABLE record ADD COLUMN altitude_m REAL")

    connection = sqlite3.connect(path, isolation_level=None)
    with pytest.raises(RuntimeError, match="no further"):
        schema.migrate(connection, [*schema.MIGRATIONS, ("half", half)])
    assert connection.execute("PRAGMA user_version").fetchone() == (1,)
    assert connection.execute("SELECT name FROM sqlite_schema WHERE name = 'half'").fetchall() == []
    schema.migrate(connection, [*schema.MIGRATIONS, ("whole", whole)])
    assert connection.execute("PRAGMA user_version").fetchone() == (2,)
    applied = connection.execute("SELECT name FROM migration ORDER BY level").fetchall()
    assert applied == [("first layout",), ("whole",)]
    schema.migrate(connection, [*schema.MIGRATIONS, ("whole", whole)])  # again: nothing pending
    connection.close()


def test_an_older_notebook_is_brought_up_to_date_by_reading_too(
    path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with Notebook.open(path) as notebook:
        notebook.add(example())

    def more(connection: sqlite3.Connection) -> None:
        connection.execute("ALTER TABLE record ADD COLUMN altitude_m REAL")

    monkeypatch.setattr(schema, "MIGRATIONS", (*schema.MIGRATIONS, ("more", more)))
    with Notebook.open(path, write=False) as notebook:
        assert notebook.get(1).record == example()
    connection = sqlite3.connect(path)
    assert connection.execute("PRAGMA user_version").fetchone() == (2,)
    connection.close()


def test_a_newer_notebook_is_refused_politely(path: Path) -> None:
    Notebook.open(path).close()
    connection = sqlite3.connect(path)
    connection.execute("PRAGMA user_version = 99")
    connection.close()
    before = path.read_bytes()
    for write in (True, False):
        with pytest.raises(InputError, match="newer wingtone") as caught:
            Notebook.open(path, write=write)
        assert "update" in caught.value.remedy
    assert path.read_bytes() == before


def test_another_programs_database_is_refused(path: Path) -> None:
    connection = sqlite3.connect(path)
    connection.execute("CREATE TABLE bookmarks (x)")
    connection.commit()
    connection.close()
    before = path.read_bytes()
    with pytest.raises(InputError, match="not a wingtone notebook"):
        Notebook.open(path)
    assert path.read_bytes() == before


def test_what_is_no_notebook_is_refused_and_left_alone(path: Path) -> None:
    path.write_bytes(b"")
    with pytest.raises(InputError, match="empty"):
        Notebook.open(path)
    path.write_text("These are my notes on bees.\n" * 100)
    with pytest.raises(InputError, match="is a text file, not a notebook"):
        Notebook.open(path)
    assert path.read_text().startswith("These are my notes")
    with pytest.raises(InputError, match="not a file"):
        Notebook.open(path.parent)


def test_the_photographs_of_many_records_are_found_in_little_memory(path: Path) -> None:
    with Notebook.open(path) as notebook:
        long = (Record(notes="x" * 50_000, photographs=(f"{i}.jpg",)) for i in range(100))
        notebook.add_imported((f"{record.photographs}", None, record) for record in long)
        tracemalloc.start()
        try:
            found = notebook.photographs()
            _, most = tracemalloc.get_traced_memory()
        finally:
            tracemalloc.stop()
    assert found == {f"{i}.jpg" for i in range(100)}
    assert most < 1_000_000


def test_reading_does_not_make_a_notebook(path: Path) -> None:
    with pytest.raises(InputError, match="no notebook here yet"):
        Notebook.open(path, write=False)
    assert not path.exists()


def test_a_missing_folder_is_told(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="cannot be written here"):
        Notebook.open(tmp_path / "nowhere" / "bees.sqlite")


def test_without_a_home_directory_the_notebook_has_to_be_named(monkeypatch: pytest.MonkeyPatch) -> None:
    def nobody(uid: int) -> None:
        raise KeyError(uid)

    for name in ("HOME", "XDG_DATA_HOME"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setattr("pwd.getpwuid", nobody)
    with pytest.raises(InputError, match=r"no home directory .*\(give --notebook FILE\)"):
        Notebook.open(write=False)


def test_the_default_notebook_lies_in_the_users_data(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "data"))  # read by platformdirs on Linux
    monkeypatch.setenv("HOME", str(tmp_path))
    assert default_path().is_relative_to(tmp_path)
    with Notebook.open() as notebook:
        notebook.add(example())
        assert notebook.path == default_path()
    assert default_path().stat().st_mode & 0o077 == 0  # places may be private: for its owner alone
