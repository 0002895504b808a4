"""``wingtone survey``: very many recordings, or very long ones, heard once each."""

from __future__ import annotations

import os
import time
from pathlib import Path
from typing import TYPE_CHECKING

import click

from wingtone.cli.command import Command
from wingtone.cli.faults import debug_option, warn
from wingtone.cli.options import WholeRange, flight_threshold_option
from wingtone.cli.outputs import check_figure, check_place
from wingtone.cli.tables import bar, columns, paragraph, tell
from wingtone.errors import MissingExtraError, OutputError, how_many, one_line
from wingtone.files import what_is
from wingtone.pitch_names import note_name

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from wingtone.survey import Forecast, Progress, Report, Settings, Summary
    from wingtone.survey.workers import Workers

__all__ = ["survey"]

FIGURE_NAME = "figure.png"
REDRAW_S = 0.5
"""How often the line of progress is drawn anew, s. Ours."""


@click.command(
    cls=Command,
    examples=(
        "wingtone survey recordings/ --out results/",
        "wingtone survey recordings/ --out results/ --dry-run",
        "wingtone survey recordings/ --out results/ --workers 8",
        "wingtone survey s3://bucket/garden --out s3://bucket/results --scheduler tcp://10.0.0.1:8786",
        "wingtone survey recordings/ --out results/ --model garden.wingtone",
    ),
    epilog="Stop it when you like, with Ctrl-C or by pulling the plug; the same command goes on from there.",
)
@click.argument("place", metavar="FOLDER")
@click.option(
    "--out",
    "out",
    required=True,
    metavar="FOLDER",
    help="Where the tables go, and the manifest that remembers what was heard.",
)
@click.option(
    "--workers", type=WholeRange(1, 1024), metavar="N", help="Processes to use; without it one a core."
)
@click.option(
    "--scheduler", metavar="ADDRESS", help="Run on the Dask cluster whose scheduler is at ADDRESS instead."
)
@click.option("--dry-run", is_flag=True, help="Only say what would be done, and how long it may take.")
@click.option("--retry-failed", "retry", is_flag=True, help="Try again what went wrong in earlier runs.")
@click.option(
    "--model",
    "model_path",
    type=click.Path(path_type=Path),
    metavar="FILE",
    help="A classifier of wingtone train: adds its word on the caste of each flight.",
)
@flight_threshold_option
@click.option(
    "--figure",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="Draw activity and tones to FILE (.png, .svg or .pdf); without it to figure.png in --out.",
)
@click.option(
    "--manifest",
    "manifest_path",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="Where the manifest goes; to be given when --out is on a network drive, as it wants a local disk.",
)
@debug_option
def survey(
    place: str,
    out: str,
    workers: int | None,
    scheduler: str | None,
    dry_run: bool,
    retry: bool,
    model_path: Path | None,
    flight_threshold: float | None,
    figure: Path | None,
    manifest_path: Path | None,
) -> None:
    """Hear every recording in FOLDER once, and make tables of the bouts.

    FOLDER is searched to the bottom. What comes out: a table of bouts, one of recordings with what went wrong
    and how long was listened, and one of listening effort by ten minutes, as CSV and Parquet. A second
    run does only what is new or has changed. FOLDER and --out may be addresses such as s3://bucket/garden.
    """
    if workers is not None and scheduler is not None:
        raise click.UsageError(
            "--workers are processes here, --scheduler is a cluster; leave one of them out."
        )
    from wingtone.survey.places import is_url

    if figure is not None:
        check_figure(figure, to_come=out)
    elif not is_url(out) and what_is(Path(out)) == "folder":
        check_place(Path(out, FIGURE_NAME))
    from wingtone.survey import preview, run_survey

    settings = _settings(model_path, flight_threshold)
    count = workers or os.cpu_count() or 1
    if dry_run:
        told = preview(place, out, settings=settings, manifest_path=manifest_path)
        with _workers(count, scheduler, settings) as at_work:
            click.echo("\n".join(_forecast_lines(told, workers=at_work.count)))
        return
    line = _ProgressLine()
    try:
        report = run_survey(
            place,
            out,
            workers=_workers(count, scheduler, settings),
            settings=settings,
            manifest_path=manifest_path,
            retry=retry,
            progress=line.show,
        )
    finally:
        line.clear()
    _tell_faults(report.summary)
    if report.summary.without_parquet:
        warn(str(MissingExtraError("writing Parquet beside CSV", "survey")))
    if report.summary.left_out:
        warn(_left_out_words(report.summary.left_out, place), where=out)
    drawn, is_lost = None, False
    try:
        drawn = _draw(report.summary, out, figure)
    except OutputError as error:
        click.echo(f"wingtone: {error}", err=True)
        is_lost = True
    click.echo("\n".join(_summary_lines(report, drawn)))
    if report.stopped:
        click.echo("wingtone: stopped; the same command goes on from here", err=True)
        click.get_current_context().exit(130)
    if report.summary.faults or is_lost:
        click.get_current_context().exit(1)


def _settings(model_path: Path | None, flight_threshold: float | None) -> Settings:
    from wingtone.survey import settings_for

    settings = settings_for(flight_threshold=flight_threshold, model=model_path)
    if model_path is not None:
        from wingtone.learn.model_file import load_model

        notice = load_model(model_path).notice
        if notice:
            warn(notice, where=model_path)
    return settings


def _workers(count: int, scheduler: str | None, settings: Settings) -> Workers:
    if scheduler is None:
        from wingtone.survey import LocalWorkers
        from wingtone.survey.jobs import compiles

        return LocalWorkers(count, compiles=compiles(settings))
    from wingtone.survey.cluster import ClusterWorkers

    return ClusterWorkers(scheduler)


# --- while it runs ----------------------------------------------------------------------------------------


class _ProgressLine:
    """One line on the terminal that says how far the survey is; nothing elsewhere."""

    def __init__(self) -> None:
        self._drawn = 0.0

    def show(self, progress: Progress) -> None:
        """Draw it, not too often."""
        now = time.monotonic()
        if now - self._drawn > REDRAW_S or progress.done == progress.of:
            self._drawn = now
            tell(progress_text(progress))

    def clear(self) -> None:
        """Leave the terminal as it was."""
        tell("")


def progress_text(progress: Progress) -> str:
    """Put how far a survey is into a line."""
    if progress.stage == "write":
        return "writing the tables"
    what = {"look": "looking at files", "hear": "listening"}[progress.stage]
    share = progress.done / progress.of if progress.of else 1.0
    parts = [f"[{bar(share):.<20}] {what}: {progress.done} of {progress.of}"]
    if progress.rate:
        parts.append(f"{progress.rate:.0f} times real time")
    left_s = progress.left_s
    if left_s is not None and progress.done < progress.of:
        parts.append(f"{_span(left_s)} left")
    if progress.faults:
        parts.append(f"{progress.faults} with a fault")
    return ", ".join(parts)


# --- in the end -------------------------------------------------------------------------------------------


def _tell_faults(summary: Summary) -> None:
    """Name every recording with a fault on stderr."""
    for path, status, reason in summary.faults:
        head = "" if status == "failed" else f"{status}: "
        click.echo(f"wingtone: {one_line(path)}: {one_line(head + reason)}", err=True)


def _left_out_words(count: int, place: str) -> str:
    """Say that the tables no longer hold what an earlier run put into them, most likely of another folder."""
    return (
        f"these tables no longer hold {how_many(count, 'recording')} of earlier runs, not found in {place} "
        "now; to have them back survey their folder again, best with an --out of its own"
    )


def _draw(summary: Summary, out: str, figure: Path | None) -> str | None:
    """Draw the figure where it is wanted and there is something to draw; the tables come first."""
    if not summary.n_flight and not summary.heard_s:
        return None
    from wingtone.figures.style import check_target
    from wingtone.figures.survey import draw_survey
    from wingtone.survey.places import Output

    tones, effort = summary.flight_tones, summary.effort
    try:
        if figure is not None:
            draw_survey(tones, effort, figure)
            return str(figure)
        check_target(FIGURE_NAME)
        output = Output(out)
        with output.writing(FIGURE_NAME) as scratch:
            draw_survey(tones, effort, scratch)
        return output.name_of(FIGURE_NAME)
    except MissingExtraError as error:
        warn(str(error))
        return None


def _summary_lines(report: Report, drawn: str | None) -> list[str]:
    """Tell a person what the survey came to."""
    summary = report.summary
    total = summary.statuses.total()
    rows = [(f"{n}", _STATUSES[status]) for status, n in sorted(summary.statuses.items(), key=_order)]
    lines = [f"{how_many(total, 'recording')}, {_span(summary.heard_s)} heard", *columns(rows, align="rl")]
    if summary.heard_s:
        share = summary.wind_lost_s / summary.heard_s
        lines += paragraph(
            f"{_span(summary.wind_lost_s)} ({100 * share:.0f} %) lost to wind", label="Of that "
        )
    others = summary.n_bouts - summary.n_flight
    lines += paragraph(
        f"{how_many(summary.n_flight, 'flight')}, and {how_many(others, 'other buzz')}", label="Found "
    )
    tones = sorted(summary.flight_tones[1])
    if tones:
        lines += paragraph(_tone_words(tones), label="Tones ")
    for text in _cautions(summary):
        lines += paragraph(text, label="Mind ")
    if report.pieces:
        rate = report.heard_s / report.elapsed_s if report.elapsed_s else 0.0
        text = f"{_span(report.heard_s)} heard in {_span(report.elapsed_s)}, {rate:.0f} times real time"
        lines += paragraph(text, label="This run ")
    else:
        left = summary.faults or report.stopped
        lines += paragraph("nothing was heard" if left else "nothing was left to hear", label="This run ")
    written = [*summary.written, *([drawn] if drawn else [])]
    return [*lines, "", *(f"  {one_line(name)}" for name in written)]


def _cautions(summary: Summary) -> Iterator[str]:
    """Say what can be done about faults, and what is odd about what was heard (flags say in which)."""
    if summary.faults:
        yield "--retry-failed tries again what went wrong, also where nothing has changed"
    if n := summary.undated:
        text = "1 recording does not say when; its" if n == 1 else f"{n} recordings do not say when; their"
        yield f"{text} bouts have no time of day"
    if len(summary.zones) > 1:
        zones = [f"UTC{zone}".removesuffix("+00:00") if zone else "none told" for zone in summary.zones]
        yield f"clocks of different zones ({', '.join(sorted(zones))}): hours of the day are those of each"
    if n := summary.flags["silent"]:
        yield f"{how_many(n, 'recording')} silent from beginning to end: is the microphone in order?"
    if n := summary.flags["damaged"]:
        text = "times behind that place may be wrong, so copy again what you can"
        yield f"{how_many(n, 'recording')} damaged or cut short: {text}"


def _tone_words(tones: Sequence[float]) -> str:
    """Say where the tones lie, given in rising order; one figure where the ends are told alike."""
    low, middle, high = (tones[round(q * (len(tones) - 1))] for q in (0.1, 0.5, 0.9))
    text = f"{middle:.0f} Hz ({note_name(middle)})"
    if len(tones) == 1:
        return text
    if f"{low:.0f}" == f"{high:.0f}":
        return f"most at {text}"
    return f"{text} in the middle, most between {low:.0f} and {high:.0f} Hz"


_STATUSES = {
    "done": "heard",
    "copy": "copies of others, counted once",
    "waiting": "not heard yet",
    "failed": "could not be used",
    "crashed": "crashed the program that heard them",
    "hung": "took too long and were given up",
}


def _order(item: tuple[str, int]) -> int:
    return list(_STATUSES).index(item[0])


def _forecast_lines(told: Forecast, *, workers: int) -> list[str]:
    """Tell what a survey would do."""
    lines = [how_many(told.n_found, "recording")]
    lines += paragraph(f"{told.n_new} new or changed, {told.n_partly} begun or not heard yet")
    needs_s = told.needs_s(workers)
    if told.to_hear_s is None or needs_s is None:
        return [*lines, *paragraph("how long they are cannot be said before they are heard")]
    to_hear = _about(told.to_hear_s) if told.reckoned else _span(told.to_hear_s)
    lines += paragraph(f"{to_hear} of sound to hear")
    basis = "as measured here so far" if told.measured else "a guess until something was heard here"
    text = (
        f"{_about(needs_s)} with {how_many(workers, 'worker')}, at {told.rate:.0f} times "
        f"real time each ({basis})"
    )
    return [*lines, *paragraph(text)]


def _about(seconds: float) -> str:
    """Write a length of time that is not known exactly; nothing, and less than a second, need no "about"."""
    return _span(seconds) if seconds < 1 else f"about {_span(seconds)}"


def _span(seconds: float) -> str:
    """Write a length of time as a person would say it."""
    if 0 < seconds < 1:
        return "less than 1 s"
    if seconds < 90:
        return f"{seconds:.0f} s"
    if seconds < 5400:
        return f"{seconds / 60:.0f} min"
    if seconds < 72 * 3600:
        return f"{seconds / 3600:.1f} h"
    return f"{seconds / 86400:.1f} days"
