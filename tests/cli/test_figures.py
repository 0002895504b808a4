"""Figures: whole files of the kind asked for, bounded in memory, true to where things are."""

from __future__ import annotations

import dataclasses
import sys
from typing import TYPE_CHECKING
from xml.etree import ElementTree

import numpy as np
import pytest

from cli.made_up import tone_of
from wingtone.errors import MissingExtraError, OutputError, RequestError
from wingtone.figures import recording as figure
from wingtone.figures.recording import draw_recording
from wingtone.figures.style import check_target
from wingtone.tone.spectrum import BIN_HZ, RATE_HZ

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

    from wingtone.clip import Measurement


@pytest.mark.parametrize(
    ("suffix", "head"),
    [
        (".png", b"\x89PNG\r\n\x1a\n"),  # PNG specification, clause 5.2
        (".svg", b"<?xml"),
        (".pdf", b"%PDF-"),  # ISO 32000-1, 7.5.2
        (".PNG", b"\x89PNG\r\n\x1a\n"),
    ],
)
def test_draws_each_kind(
    suffix: str, head: bytes, hover_wav: Path, hover_truth: Measurement, tmp_path: Path
) -> None:
    target = tmp_path / f"bee{suffix}"
    draw_recording(hover_wav, hover_truth, target)
    assert target.read_bytes().startswith(head)
    assert [path.name for path in tmp_path.iterdir()] == [target.name]


def test_the_same_input_gives_the_same_file(
    hover_wav: Path, hover_truth: Measurement, tmp_path: Path
) -> None:
    for name in ("one.svg", "two.svg"):
        draw_recording(hover_wav, hover_truth, tmp_path / name)
    assert (tmp_path / "one.svg").read_bytes() == (tmp_path / "two.svg").read_bytes()


def test_nothing_heard_and_a_strange_name_are_drawn_too(
    hover_wav: Path, hover_truth: Measurement, tmp_path: Path
) -> None:
    """A name with formula marks and a script the font may lack must not break the title."""
    strange = tmp_path / "$x_1$ 蜂.wav"
    strange.write_bytes(hover_wav.read_bytes())
    nothing = dataclasses.replace(
        hover_truth, tone=tone_of(), recording=dataclasses.replace(hover_truth.recording, path=strange)
    )
    draw_recording(strange, nothing, tmp_path / "nothing.svg")
    ElementTree.parse(tmp_path / "nothing.svg")


def test_an_old_file_stays_when_the_drawing_fails(
    hover_wav: Path, hover_truth: Measurement, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from matplotlib.figure import Figure

    def full_disk(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    target = tmp_path / "bee.png"
    target.write_bytes(b"old")
    monkeypatch.setattr(Figure, "savefig", full_disk)
    with pytest.raises(OutputError, match="No space left"):
        draw_recording(hover_wav, hover_truth, target)
    assert target.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [target]


def test_refuses_what_it_cannot_write(hover_wav: Path, hover_truth: Measurement, tmp_path: Path) -> None:
    with pytest.raises(RequestError, match=r"\.png, \.svg or \.pdf"):
        check_target(tmp_path / "bee.jpg")
    with pytest.raises(OutputError, match="folder that exists"):
        draw_recording(hover_wav, hover_truth, tmp_path / "none" / "bee.png")


def test_without_matplotlib_it_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib", None)
    with pytest.raises(MissingExtraError, match=r"'\.\[plot\]'"):
        check_target(tmp_path / "bee.png")


# --- the spectrogram --------------------------------------------------------------------------------


def tone_blocks(
    f_hz: float, *, start_s: float, end_s: float, duration_s: float
) -> Iterator[NDArray[np.float32]]:
    """A steady tone between two times in faint noise, handed over in uneven pieces."""
    time_s = np.arange(int(duration_s * RATE_HZ)) / RATE_HZ
    samples = 0.001 * np.random.default_rng(2).standard_normal(time_s.size)
    samples += np.where((time_s >= start_s) & (time_s < end_s), np.sin(2 * np.pi * f_hz * time_s), 0)
    for piece in np.array_split(samples.astype(np.float32), [700, 701, 9000, 30011]):
        yield piece[None]


def test_a_tone_stands_where_and_when_it_sounds() -> None:
    levels = figure._spectrogram(tone_blocks(440.0, start_s=4.0, end_s=6.0, duration_s=10.0), duration_s=10.0)
    assert levels.shape[1] == 1000  # every 10 ms
    during, before = levels[:, 450:550].mean(axis=1), levels[:, 100:300].mean(axis=1)
    assert abs(np.argmax(during) * BIN_HZ - 440.0) <= BIN_HZ
    assert during.max() - before[np.argmax(during)] > 10
    line = levels[round(440 / BIN_HZ)]
    loud = np.flatnonzero(line > line.max() - 3)
    assert loud[0] == pytest.approx(400, abs=8)  # half a window either side
    assert loud[-1] == pytest.approx(600, abs=8)


def test_a_long_recording_keeps_short_sounds_and_bounded_memory() -> None:
    """Eight minutes with 0.3 s of tone: no wider than the picture, and the tone still there."""

    def eight_minutes() -> Iterator[NDArray[np.float32]]:
        noise = 0.001 * np.random.default_rng(2).standard_normal((1, 60 * RATE_HZ)).astype(np.float32)
        tone = np.sin(2 * np.pi * 440 * np.arange(int(0.3 * RATE_HZ)) / RATE_HZ).astype(np.float32)
        for minute in range(8):
            block = noise.copy()
            if minute == 5:
                block[0, : tone.size] += tone
            yield block

    levels = figure._spectrogram(eight_minutes(), duration_s=480.0)
    assert levels.shape[1] <= figure.MOST_COLUMNS
    line = levels[round(440 / BIN_HZ)]
    assert np.argmax(line) / levels.shape[1] == pytest.approx(5 / 8, abs=0.002)
    assert line.max() - np.median(line) > 3


def test_a_recording_shorter_than_a_window_is_blank() -> None:
    levels = figure._spectrogram(iter([np.zeros((1, 100), np.float32)]), duration_s=100 / RATE_HZ)
    assert levels.shape[1] == 2
    assert not levels.any()
