"""The short part of the hostile inputs: some cases of each target, and whether the judge sees what it should.

The whole is ``python tests/benchmarks/fuzz.py``, our parsers under a fuzzer guided by coverage
``python tests/benchmarks/fuzz_parsers.py``.
"""

from __future__ import annotations

import io
import os
import pickle
import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from fuzz import commands, functions
from fuzz.archives import Watched, hostile_model
from fuzz.case import Broken, Ground, Place, Target, message_faults, run_case, safe_table, text_faults
from fuzz.parsers import PARSERS, changed, corpus
from fuzz.recordings import hostile_files
from fuzz.texts import file_name
from fuzz.torn import chance
from wingtone.errors import InputError, one_line

if TYPE_CHECKING:
    import random
    from collections.abc import Iterator, Sequence

FEW = {
    "measure a recording": 8,
    "damaged notebook": 8,
    "bouts for sizes": 8,
    "cue table": 8,
    "wingtone measure": 5,
    "wingtone identify": 5,
}
"""Cases of the targets that take longest."""


@pytest.fixture
def ground(tmp_path: Path) -> Iterator[Ground]:
    with Ground(tmp_path / "ground") as own:
        yield own


@pytest.mark.parametrize("target", functions.TARGETS, ids=lambda target: target.name)
def test_functions_use_or_refuse_it(target: Target, ground: Ground) -> None:
    for number in range(FEW.get(target.name, 16)):
        verdict = run_case(target, number, ground)
        assert verdict.what in ("worked", "refused"), f"{target.name} {number}: {verdict.told}"


@pytest.mark.parametrize(
    "target", [t for t in commands.TARGETS if not t.spawns], ids=lambda target: target.name
)
def test_commands_use_or_refuse_it(target: Target, ground: Ground) -> None:
    for number in range(FEW.get(target.name, 8)):
        verdict = run_case(target, number, ground)
        assert verdict.what in ("worked", "refused"), f"{target.name} {number}: {verdict.told}"


@pytest.mark.parametrize("name", PARSERS)
def test_parsers_take_any_bytes(name: str) -> None:
    honest = corpus(name)
    for data in honest:
        PARSERS[name](data)
    draw = chance(name, 0)
    for _ in range(25):
        PARSERS[name](changed(draw.choice(honest), draw))


# --- on a terminal ------------------------------------------------------------------------------------------


@pytest.mark.skipif(os.name != "posix", reason="there are no such terminals elsewhere")
@pytest.mark.parametrize("layout", ["table", "json", "csv"])
def test_names_cannot_steer_a_terminal(layout: str, tmp_path: Path) -> None:
    name = "bee\x1b[2J\x9b31m\u202egnp\n.wav"
    (tmp_path / name).write_bytes(
        (Path(__file__).parents[2] / "demo_audio" / "2_april_small_queen.3gp").read_bytes()
    )
    run = commands.apart(
        ["measure", "--format", layout, str(tmp_path / name)], terminal=True
    )  # looks at what is shown
    assert run.status == 0
    assert (
        one_line("bee\x1b[2J\x9b31m\u202egnp") in run.stderr.replace("\\\\n", "\\n")
        or "\\u001b" in run.stderr
    )


# --- the generator and the judge --------------------------------------------------------------------------


def test_a_case_is_the_same_each_time(monkeypatch: pytest.MonkeyPatch) -> None:
    def made() -> object:
        return hostile_files(40), [hostile_model(chance("model", number)) for number in range(20)]

    first = made()
    now = time.time()
    monkeypatch.setattr(time, "time", lambda: now + 86_400.0)  # archives like to note when they were made
    assert made() == first
    assert len({data for _, data in hostile_files(40)}) > 30
    names = {file_name(chance("name", number), ".wav") for number in range(300)}
    assert any("\u202e" in name for name in names)
    assert all("/" not in name and "\0" not in name and len(os.fsencode(name)) <= 255 for name in names)


def _planted(work: Any) -> Target:
    def run(draw: random.Random, place: Place) -> Iterator[Sequence[str]]:
        yield ["bee.wav"]
        work(place)

    return Target("planted", 1, run)


def _fail(error: Exception) -> Any:
    def work(_: Place) -> None:
        raise error

    return work


@pytest.mark.parametrize(
    ("work", "what"),
    [
        (_fail(KeyError("x")), "KeyError"),
        (_fail(Broken("a promise")), "a promise"),
        (_fail(InputError("no good")), "names no file"),
        (_fail(InputError("'NoneType' object is not iterable", where="bee.wav")), "bare text"),
        (lambda _: Path("beside.txt").write_text("x"), "outside the output: home/work/beside.txt"),
        (lambda _: Path("keep.txt").write_text("x"), "outside the output: home/work/keep.txt"),
        (lambda _: Path("keep.txt").unlink(), "outside the output: home/work/keep.txt"),
        (lambda _: Path("~/.profile").expanduser().write_text("x"), "outside the output: home/.profile"),
        (lambda place: (place.given / "more").mkdir(), "outside the output: case/given/more"),
        (lambda _: tempfile.mkstemp(), "outside the output: temporary"),
        (lambda _: pickle.loads(pickle.dumps(Watched())), "forbidden: pickle.find_class"),
        (lambda _: os.system("true"), "forbidden: os.system"),
    ],
)
def test_the_judge_sees_what_must_not_be(work: Any, what: str, ground: Ground) -> None:
    verdict = run_case(_planted(work), 0, ground)
    assert verdict.what == "broken"
    assert what in verdict.told


def test_the_judge_lets_honest_work_pass(ground: Ground) -> None:
    assert run_case(_planted(lambda place: (place.out / "a.txt").write_text("x")), 0, ground).what == "worked"
    verdict = run_case(
        _planted(_fail(InputError("is empty", remedy="copy it again", where="x/bee.wav"))), 0, ground
    )
    assert (verdict.what, verdict.told) == ("refused", "x/bee.wav: is empty (copy it again)")


def test_messages_are_judged() -> None:
    assert message_faults(InputError("x", where="a\nb.wav"), ["a\nb.wav"]) == []
    assert text_faults("a\u202eb")
    assert text_faults("a\x9bb")
    assert not text_faults("plain é 🐝\nlines")


@pytest.mark.parametrize("cell", ["=1", "+1+1", "-1+1", "@x", "\t=1", "\r=1", "=cmd|' /C calc'!A0"])
def test_a_cell_that_runs_is_seen(cell: str) -> None:
    out = io.StringIO()
    out.write('a,b\nx,"' + cell + '"\n')
    with pytest.raises(Broken):
        safe_table(out.getvalue())


def test_cells_that_do_not_run_pass() -> None:
    safe_table("a,b\n-1.5,'=1\n-0.9;0.0;-9.1,x\n1e-5,\n")
