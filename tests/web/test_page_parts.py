"""Parts of the page by themselves: a copy that is still growing, measurements on disk, forms, file names."""

from __future__ import annotations

import asyncio
import dataclasses
import io
import json
import wave
import zipfile
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from wingtone.clip import measure_recording
from wingtone.errors import InputError
from wingtone.fauna import load as load_fauna
from wingtone.notebook.records import Record
from wingtone.notebook.store import Entry
from wingtone.tone.stretch import measure_stretches
from wingtone.web import corrections, stored, strip
from wingtone.web.clips import harmless
from wingtone.web.corrections import Correction
from wingtone.web.fields import FieldFaults
from wingtone.web.seen import read_seen
from wingtone.web.sheet import sheet_html
from wingtone.web.sounds import read_copy
from wingtone.web.worker import COPY_RATE_HZ
from wingtone.web.workers import WorkerFailed, Workers

if TYPE_CHECKING:
    from collections.abc import Callable

    from wingtone.clip import Measurement


def copy_of(path: Path, seconds: float, *, hz: float = 500.0) -> bytes:
    """Write a whole listening copy of one tone, and give its bytes."""
    t = np.arange(round(seconds * COPY_RATE_HZ)) / COPY_RATE_HZ
    noise = 0.001 * np.random.default_rng(2).standard_normal(t.size)
    sound = (0.3 * np.sin(2 * np.pi * hz * t) + noise) * 32767
    with wave.open(str(path), "wb") as file:
        file.setparams((1, 2, COPY_RATE_HZ, 0, "NONE", ""))
        file.writeframes(sound.astype("<i2").tobytes())
    return path.read_bytes()


def picture(png: bytes) -> np.ndarray:
    from PIL import Image

    with Image.open(io.BytesIO(png)) as image:
        return np.asarray(image)


def test_jobs_that_come_while_the_processes_start_get_no_more_of_them(tmp_path: Path) -> None:
    async def started() -> int:
        workers = Workers(most=2)
        job = {"do": "listen", "source": str(tmp_path / "gone.wav"), "folder": str(tmp_path)}
        jobs = [workers.do(job, tell=lambda _: None) for _ in range(3)]
        try:
            _, *failed = await asyncio.gather(workers.warm(), *jobs, return_exceptions=True)
            assert [str(error) for error in failed] == [str(failed[0])] * 3
            assert isinstance(failed[0], WorkerFailed)
            return len(workers.pids)
        finally:
            await workers.close()

    with ThreadPoolExecutor(1) as thread:  # the driver of the browser may keep a loop in this one
        assert thread.submit(lambda: asyncio.run(started())).result() == 2


def test_a_growing_copy_is_seen_as_far_as_it_goes(tmp_path: Path) -> None:
    whole = copy_of(tmp_path / "whole.wav", 16.0)
    growing, cache = tmp_path / "growing", tmp_path / "tiles"
    growing.write_bytes(whole[: 44 + 2 * 10 * COPY_RATE_HZ + 1])  # 10 s and half a sample
    first, second = (strip.tile(growing, 0, number, cache=cache, complete=False) for number in (0, 1))
    assert np.any(picture(first) > 200, axis=0)[1:].all()  # half of the first column lies before the start
    loud = np.flatnonzero((picture(second) > 200).any(axis=0))
    assert loud.max() / strip.TILE_PX * 8.0 == pytest.approx(2.0, abs=0.1)
    assert [path.name for path in cache.iterdir()] == ["0-0.png"], "only what cannot change is kept"
    assert not (picture(strip.tile(growing, 0, 7, cache=cache, complete=False)) > 0).any()
    done = strip.tile(tmp_path / "whole.wav", 0, 1, cache=cache, complete=True)
    assert (picture(done) > 200).any(axis=0).mean() > 0.98
    with pytest.raises(IndexError):
        strip.tile(tmp_path / "whole.wav", 0, 2, cache=cache, complete=True)


@pytest.mark.parametrize("seconds", [0.05, 0.5, 3.0, 8.0, 8.01, 700.0])
def test_one_tile_holds_everything_at_the_coarsest_level(tmp_path: Path, seconds: float) -> None:
    copy_of(tmp_path / "copy.wav", min(seconds, 20.0))
    levels = strip.layout(seconds, copied_s=seconds, complete=True)["levels"]
    assert levels[-1]["seconds_per_tile"] >= seconds
    assert len(levels) == 1 or levels[-2]["seconds_per_tile"] < seconds
    if seconds <= 20.0:
        width = picture(strip.whole(tmp_path / "copy.wav", cache=tmp_path / "tiles")).shape[1]
        assert width == min(strip.TILE_PX, max(1, int(round(seconds * 1e6) / 1e6 / 0.01)))


def test_what_lies_outside_the_copy_is_silence(tmp_path: Path) -> None:
    copy_of(tmp_path / "copy.wav", 1.0)
    around = read_copy(tmp_path / "copy.wav", -0.5, 1.5, rate_hz=COPY_RATE_HZ)
    assert around is not None
    assert around.size == 2 * COPY_RATE_HZ
    half = COPY_RATE_HZ // 2
    assert not around[:half].any()
    assert not around[-half:].any()
    assert around[half:-half].std() == pytest.approx(0.3 / np.sqrt(2), rel=0.01)
    assert read_copy(tmp_path / "copy.wav", 1.0, 2.0, rate_hz=COPY_RATE_HZ) is None


# --- measurements on disk ---------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def measured(demo_clip: Path) -> Measurement:
    return measure_recording(demo_clip / "4_july_tomato_flower.flac")


def test_a_measurement_comes_back_as_it_was(tmp_path: Path, measured: Measurement) -> None:
    stored.save(measured, tmp_path)
    back = stored.load(tmp_path, measured.recording.path)
    assert repr(
        dataclasses.replace(back, tone=dataclasses.replace(back.tone, track=measured.tone.track))
    ) == repr(measured)  # NaN is not equal to itself
    for name in ("time_s", "f0_hz", "bout"):
        assert np.array_equal(getattr(back.tone.track, name), getattr(measured.tone.track, name))
    assert back.flight == tuple(bout for bout in back.tone.bouts if bout.kind == "flight")


def edited(change: Callable[[dict[str, Any]], None]) -> Callable[[Path], None]:
    def spoil(folder: Path) -> None:
        path = folder / stored.HEAD
        body = json.loads(path.read_text())
        change(body)
        path.write_text(json.dumps(body))

    return spoil


def bomb(folder: Path) -> None:
    """A gigabyte of noughts in a megabyte, as the line."""
    with (
        zipfile.ZipFile(folder / stored.LINE, "w", zipfile.ZIP_DEFLATED) as archive,
        archive.open("time_s.npy", "w") as member,
    ):
        for _ in range(300):
            member.write(bytes(1 << 20))


def pickled(folder: Path) -> None:
    objects = np.array([{"a": 1}], object)
    np.savez(folder / stored.LINE, time_s=objects, f0_hz=np.zeros(1), bout=np.zeros(1, int))


SPOILED: list[Callable[[Path], object]] = [
    lambda folder: (folder / stored.HEAD).unlink(),
    lambda folder: (folder / stored.LINE).unlink(),
    lambda folder: (folder / stored.LINE).write_bytes(b"PK"),
    lambda folder: (folder / stored.HEAD).write_text("[]"),
    lambda folder: (folder / stored.HEAD).write_text("[" * 100_000),
    edited(lambda body: body.clear()),
    lambda folder: np.savez(folder / stored.LINE, time_s=np.zeros(3), f0_hz=np.zeros(3), bout=np.full(3, 99)),
    lambda folder: np.savez(folder / stored.LINE, time_s=np.zeros(3), f0_hz=np.zeros(2), bout=np.zeros(3)),
    edited(lambda body: body["bouts"][0].update(kind="<script>")),
    edited(lambda body: body["bouts"][0].update(f0_hz=float("nan"))),
    edited(lambda body: body["bouts"][0].update(extra=1)),
    edited(lambda body: body["recording"].update(shell="rm")),
    edited(lambda body: body.update(bouts=body["bouts"] * 20_000)),
    bomb,
    pickled,
]


@pytest.mark.parametrize("spoil", SPOILED)
def test_a_spoiled_measurement_is_refused(
    tmp_path: Path, measured: Measurement, spoil: Callable[[Path], object]
) -> None:
    """A worker has read a stranger's file: what it leaves behind is not believed either."""
    stored.save(measured, tmp_path)
    spoil(tmp_path)
    with pytest.raises(InputError, match="damaged"):
        stored.load(tmp_path, measured.recording.path)


# --- names and forms --------------------------------------------------------------------------------------


@given(st.text(max_size=200))
def test_any_name_becomes_a_harmless_one_and_stays_it(name: str) -> None:
    plain = harmless(name)
    assert plain.isascii()
    assert plain.startswith("sound-")
    assert set(plain) <= set("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_.")
    assert plain.count(".") == 1
    assert len(plain) < 100
    assert Path(plain).name == plain
    assert harmless(plain) == plain


JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=10), inner, max_size=3),
    max_leaves=8,
)
FIELDS = ("date", "time", "place", "temperature_c", "hints", "notes", "observer", "other")


@given(st.dictionaries(st.sampled_from(FIELDS), JSON) | JSON)
def test_any_form_is_taken_or_refused_by_field(body: Any) -> None:
    fields: dict[str, str] = {}
    try:
        seen = read_seen(body, fauna=load_fauna())
    except FieldFaults as faults:
        fields = faults.fields
    if not fields:
        json.dumps(seen.body, allow_nan=False)
        again = read_seen(seen.body, fauna=load_fauna())
        assert again == seen, "what was taken once is taken again, unchanged"
    assert all(isinstance(text, str) and text for text in fields.values())


def test_what_was_measured_before_is_not_measured_again(
    measured: Measurement, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The result is the same to the last digit; only what is new is measured."""
    first = [
        Correction(0.5, 1.5, "flight"),
        Correction(1.0, 2.0, "flight", 1),
        Correction(1.002, 2.002, "uncertain"),
    ]
    second = [*first, Correction(2.0, 2.5, "flight")]
    whole = corrections.carry_out(measured, second)
    known = corrections.measured_before(corrections.carry_out(measured, first), first)
    assert list(known) == first[:1], "two with the same limits cannot be told apart"
    asked: list[int] = []

    def counted(blocks: Any, stretches: Any, **options: Any) -> Any:
        asked.append(len(stretches))
        return measure_stretches(blocks, stretches, **options)

    monkeypatch.setattr("wingtone.web.corrections.measure_stretches", counted)
    again = corrections.carry_out(measured, second, before=known)
    assert asked[0] == len(second) - 1
    assert repr(again.tone.bouts) == repr(whole.tone.bouts)  # NaN is not equal to itself
    assert np.array_equal(again.tone.track.f0_hz, whole.tone.track.f0_hz)


def test_the_shortest_bout_is_as_short_as_it_is_told_to_be() -> None:
    """0.6 - 0.5 is a little less than 0.1 in floating point."""
    asked = {"bouts": [{"start_s": 0.5, "end_s": 0.6, "kind": "flight", "octave": 0}]}
    (one,) = corrections.read(asked, duration_s=2.0, found=[])
    assert (one.start_s, one.end_s) == (0.5, 0.6)
    asked["bouts"][0]["end_s"] = 0.59
    with pytest.raises(FieldFaults, match=r"the bout at 0\.50 s does not"):
        corrections.read(asked, duration_s=2.0, found=[])


@pytest.mark.parametrize("long_s", [0.08, 700.0])
def test_a_bout_of_the_machine_that_is_left_alone_may_last_as_it_does(
    measured: Measurement, long_s: float
) -> None:
    """Else nothing could be corrected in a recording that has one."""
    first, *others = measured.tone.bouts
    bout = dataclasses.replace(first, end_s=first.start_s + long_s)
    found = dataclasses.replace(measured, tone=dataclasses.replace(measured.tone, bouts=(bout, *others)))
    one = {"start_s": bout.start_s, "end_s": bout.end_s, "kind": "uncertain", "octave": 0}
    # Its last frame may reach a little beyond the recording.
    asked = corrections.read({"bouts": [one]}, duration_s=bout.end_s - 0.01, found=found.tone.bouts)
    (kept,) = corrections.carry_out(found, asked).tone.bouts
    assert repr(kept) == repr(dataclasses.replace(bout, kind="uncertain", flyby=None))
    with pytest.raises(FieldFaults, match="measured anew"):
        corrections.read({"bouts": [{**one, "octave": 1}]}, duration_s=1000.0, found=found.tone.bouts)


def test_a_sheet_calls_nothing_certain_that_is_not() -> None:
    """As the page: 0.997 is no 100 %."""
    taxa = [{"taxon": "Bombus hortorum", "vernacular": "Garden bumblebee", "probability": 0.997}]
    entry = Entry(1, "id", 1, False, "2026-06-01T10:00:00Z", Record(answer={"taxa": taxa}))
    told = sheet_html(entry, load_fauna(), None)
    assert "<td>over 99 %</td>" in told
