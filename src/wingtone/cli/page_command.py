"""``wingtone page``: the local page in the browser."""

from __future__ import annotations

import contextlib
from pathlib import Path

import click

from wingtone.cli.command import Command
from wingtone.cli.faults import debug_option, warn
from wingtone.cli.options import WholeRange, fauna_option, model_option, notebook_option
from wingtone.errors import one_line

__all__ = ["page"]


@click.command(
    cls=Command,
    examples=(
        "wingtone page",
        "wingtone page --lan                      use it from a phone in the same network",
        "wingtone page --notebook walks.sqlite --desk walks/",
        "wingtone page --model garden.wingtone",
    ),
)
@click.option(
    "--desk",
    "desk_folder",
    type=click.Path(path_type=Path),
    metavar="FOLDER",
    help="Where recordings lie that you bring in; without it, in your own data folder.",
)
@notebook_option
@fauna_option
@model_option
@click.option("--port", type=WholeRange(0, 65535), metavar="NUMBER", help="Exactly this port.")
@click.option(
    "--lan",
    is_flag=True,
    help="Let a phone or tablet in the same network in, with a code that is shown here. What goes over the "
    "network is not encrypted: use it in one that you trust.",
)
@click.option("--no-browser", is_flag=True, help="Only start; do not open the browser.")
@debug_option
def page(
    desk_folder: Path | None,
    notebook_path: Path | None,
    fauna_folder: Path | None,
    model_path: Path | None,
    port: int | None,
    lan: bool,
    no_browser: bool,
) -> None:
    """Open the page: drop a recording, hear the bee, say what you saw, keep the record.

    It runs on this computer only and sends nothing anywhere. Ctrl-C ends it; what is on the desk stays there.
    The address that it prints has a code in it, which lets in one browser; the next code is shown then.
    """
    from wingtone.web.desk import default_folder
    from wingtone.web.page import Settings
    from wingtone.web.server import prepare

    settings = Settings(
        desk=desk_folder or default_folder(), notebook=notebook_path, fauna=fauna_folder, model=model_path
    )
    running = prepare(settings, port=port, lan=lan, announce=_tell_code)
    address = running.address
    click.echo(f"the page is at {address} (Ctrl-C ends it)", err=True)
    click.echo(f"recordings that you bring are kept in {one_line(settings.desk)}", err=True)
    for notice in running.notices:
        warn(notice)
    if lan:
        if not running.lan_urls:
            warn("this computer seems to be in no network; other machines cannot reach the page")
        for url in running.lan_urls:
            click.echo(f"from another machine of this network: {url}", err=True)
        _tell_code(running.code)
    if not no_browser:
        _open_when_ready(address)
    with contextlib.suppress(KeyboardInterrupt):  # the way it is meant to end
        running.run()


def _tell_code(code: str) -> None:
    click.echo(f"code for the next browser: {code[:4]} {code[4:]}", err=True)


def _open_when_ready(url: str) -> None:
    """Open the browser in a thread of its own: some systems wait until it is closed."""
    import threading
    import webbrowser

    # The socket listens already, so a browser that is quicker than the server only waits a little.
    threading.Thread(target=webbrowser.open, args=(url,), daemon=True).start()
