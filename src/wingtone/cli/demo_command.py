"""``wingtone demo``: the whole job on the bundled clips, and what to try next."""

from __future__ import annotations

import contextlib
import shlex
import shutil
import sys
from pathlib import Path

import click

from wingtone.cli.command import Command
from wingtone.cli.faults import debug_option
from wingtone.cli.inputs import Inputs
from wingtone.cli.reports import demo_lines
from wingtone.cli.tables import paragraph

__all__ = ["demo"]


@click.command(cls=Command, examples=("wingtone demo",))
@debug_option
def demo() -> None:
    """Run the whole job on the bundled clips and say what to try next.

    The clips are made by computer, so what was put in is known, and each answer is held against it.
    """
    from wingtone.clip import identify_measurement
    from wingtone.demo import compare, load_scenario
    from wingtone.fauna import load
    from wingtone.notebook.places import place_from_degrees

    scenario = load_scenario()
    click.echo(scenario.title)
    click.echo("\n".join(paragraph(scenario.notice)) + "\n")
    fauna = load()
    place = place_from_degrees(
        scenario.latitude_deg,
        scenario.longitude_deg,
        uncertainty_m=scenario.uncertainty_m,
        text=scenario.place_name,
    )
    inputs = Inputs([str(clip.path) for clip in scenario.clips])
    right = total = 0
    for done, clip in enumerate(scenario.clips):
        measurement = inputs.measure(clip.path, done=done)
        if measurement is None:
            continue
        with inputs.contained(clip.path):
            answer, *_ = identify_measurement(
                measurement,
                fauna=fauna,
                date=clip.date,
                place=place,
                temperature_c=clip.temperature_c,
                hints=clip.hints,
            )
            comparison = compare(clip, measurement.tone)
            right += comparison.right
            total += comparison.total
            lines = demo_lines(clip, measurement, answer, comparison, fauna=fauna)
            click.echo(f"{done + 1}. " + "\n".join(lines) + "\n")
    if total:
        click.echo(f"Of {total} things put in or claimed, {right} were heard as they are.\n")
    click.echo("\n".join(_next_steps(scenario.clips[0].path)))
    inputs.finish()


def _next_steps(clip: Path) -> list[str]:
    wingtone = "wingtone" if shutil.which("wingtone") else sys.argv[0]  # the environment may be inactive
    with contextlib.suppress(ValueError):
        clip = clip.relative_to(Path.cwd())
    name = shlex.quote(str(clip))
    steps = (
        ("The bouts of a clip, and a picture:", f"measure {name} --figure bee.png"),
        ("What else it could have been:", f"identify {name} --hint tail=buff"),
        ("Without a recording:", "identify --f0 146 --date 2026-03-20 --hint tail=white"),
        ("What is known of the bees, and from where:", "fauna list"),
        ("Your own recordings:", "identify my-recordings/"),
    )
    return [
        "What to try next",
        *(f"  {what}\n      {shlex.quote(wingtone)} {arguments}" for what, arguments in steps),
    ]
