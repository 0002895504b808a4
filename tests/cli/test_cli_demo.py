"""``wingtone demo``: the bundled clips through the whole program, told in words."""

from __future__ import annotations

import shutil
from typing import TYPE_CHECKING

import click
import pytest

import wingtone.tone
from cli.made_up import bout, tone_of
from wingtone.cli import main
from wingtone.demo import load_scenario

if TYPE_CHECKING:
    from collections.abc import Iterable

    import numpy as np
    from click.testing import CliRunner
    from numpy.typing import NDArray

    from wingtone.tone.results import ToneResult


@pytest.fixture
def ear_that_knows(monkeypatch: pytest.MonkeyPatch) -> None:
    """Hear in each clip of the scenario what was put in."""
    clips = iter(load_scenario().clips)

    def measure(
        blocks: Iterable[NDArray[np.float32]], *, rate_hz: int, band_hz: float, flight_threshold: float
    ) -> ToneResult:
        assert sum(block.shape[1] for block in blocks) > rate_hz
        return tone_of(
            *(
                bout(
                    b.f0_hz,
                    start_s=b.start_s,
                    end_s=b.end_s,
                    kind="flight" if b.kind == "flight" else "sonication",
                )
                for b in next(clips).bouts
            )
        )

    monkeypatch.setattr(wingtone.tone, "measure", measure)


def test_tells_every_clip_and_what_to_try_next(runner: CliRunner, ear_that_knows: None) -> None:
    result = runner.invoke(main, ["demo"])
    assert result.exit_code == 0, result.stderr
    assert result.stderr == ""
    scenario = load_scenario()
    text = " ".join(result.stdout.split())
    assert " ".join(scenario.notice.split()) in text  # that it is made up comes first
    for clip in scenario.clips:
        assert clip.path.name in text
        assert clip.story in text
        assert clip.expect in text
    total = sum(max(1, len(clip.bouts)) for clip in scenario.clips)
    assert f"Of {total} things put in or claimed, {total} were heard as they are." in text
    assert "wrong" not in text
    assert text.count("nothing was heard or seen of this one") == 1  # of the clip without a bee
    assert result.stdout.index("What to try next") > result.stdout.index(scenario.clips[-1].path.name)
    story = result.stdout.split("What to try next")[0]
    assert all(len(line) <= 80 for line in story.splitlines())


def test_what_it_says_to_try_is_understood(
    runner: CliRunner, ear_that_knows: None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(shutil, "which", lambda name: f"/usr/bin/{name}")
    steps = runner.invoke(main, ["demo"]).stdout.split("What to try next")[1].splitlines()
    commands = [line.split("wingtone ", 1)[1].split() for line in steps if line.startswith("      ")]
    assert len(commands) == 5
    for name, *rest in commands:
        command = main.get_command(click.Context(main), name)
        assert command is not None
        if not isinstance(command, click.Group):
            command.make_parser(click.Context(command)).parse_args(args=rest)


def test_a_deaf_ear_is_not_praised(runner: CliRunner, monkeypatch: pytest.MonkeyPatch) -> None:
    def measure(
        blocks: Iterable[NDArray[np.float32]], *, rate_hz: int, band_hz: float, flight_threshold: float
    ) -> ToneResult:
        list(blocks)
        return tone_of()

    monkeypatch.setattr(wingtone.tone, "measure", measure)
    result = runner.invoke(main, ["demo"])
    assert result.exit_code == 0
    assert "missed" in result.stdout
    # Only the clip without a bee, and the buzz at the flower that was not taken for flight, are right.
    assert ", 2 were heard as they are" in result.stdout
