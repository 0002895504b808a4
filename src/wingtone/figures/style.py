"""What all figures share: their colours, the kinds of file, and how a finished one is written.

- `check_target`: whether a figure can be drawn to a file, before the long work starts.
- `new_figure`: an empty one on our paper.
- `is_our_png`: whether a file is a figure that was drawn here.
- `save_figure`: to PNG, SVG or PDF, whole or not at all, and the same for the same input.
"""

from __future__ import annotations

import importlib.util
import io
import warnings
from pathlib import Path
from typing import TYPE_CHECKING

from wingtone.errors import MissingExtraError, RequestError
from wingtone.files import replacing

if TYPE_CHECKING:
    import os
    from typing import Any, BinaryIO

    from matplotlib.figure import Figure

__all__ = [
    "BARK",
    "BLUE",
    "GREEN",
    "HONEY",
    "LINE",
    "ORANGE",
    "PAPER",
    "PURPLE",
    "VERMILION",
    "check_target",
    "is_our_png",
    "new_figure",
    "save_figure",
]

FORMATS = (".png", ".svg", ".pdf")

PAPER, HONEY, BARK, LINE = "#fdfaf3", "#e2a72e", "#2a1a0b", "#b9a98a"
"""Ground, filling, ink and ruling; dark on light, and the same in every figure. Ours."""

BLUE, VERMILION, GREEN, PURPLE, ORANGE = "#0072b2", "#d55e00", "#009e73", "#cc79a7", "#e69f00"
"""What is told apart by colour, for any colour vision: the palette of Okabe and Ito (2008, Color Universal
Design; memory). It is always told by line, hatch or place as well."""

DOTS_PER_INCH = 130
"""Ours: sharp on a page and on a screen, and small files."""

_MADE_BY = "wingtone"
_MARK = b"tEXtSoftware\0" + _MADE_BY.encode()
"""How a PNG says who drew it: a text chunk with the keyword Software (PNG specification; memory)."""
_MARK_WITHIN = 1024
"""Bytes at the start of a PNG in which its mark stands. Ours: the chunks before it are far shorter."""


def check_target(out: str | os.PathLike[str]) -> None:
    """Refuse a file that cannot become a figure.

    Raises
    ------
    RequestError
        The ending is not one of `FORMATS`.
    MissingExtraError
        matplotlib is not installed.
    """
    if Path(out).suffix.lower() not in FORMATS:
        raise RequestError(
            "not a kind of figure we draw", remedy="end the name in .png, .svg or .pdf", where=out
        )
    if importlib.util.find_spec("matplotlib") is None:
        raise MissingExtraError("drawing a figure", "plot")


def new_figure(width_in: float, height_in: float, *, dpi: int = DOTS_PER_INCH) -> Figure:
    """Make an empty figure of this size in inches."""
    from matplotlib.figure import Figure

    return Figure(figsize=(width_in, height_in), dpi=dpi, facecolor=PAPER, layout="constrained")


def is_our_png(file: BinaryIO) -> bool:
    """Say whether an open file is a PNG that `save_figure` wrote, and so may be drawn again."""
    head = file.read(_MARK_WITHIN)
    return head.startswith(b"\x89PNG") and _MARK in head


def save_figure(figure: Figure, out: str | os.PathLike[str]) -> None:
    """Write a figure by the ending of its file name, see `check_target`.

    Raises
    ------
    OutputError
        It cannot be written; an existing file then stays as it was.
    """
    from matplotlib import rc_context

    suffix = Path(out).suffix.lower()
    # The same input gives the same file: no date, and names inside the SVG that do not change.
    stamps: dict[str, dict[str, Any]] = {
        ".png": {"Software": _MADE_BY},  # by which it is known again
        ".svg": {"Date": None},
        ".pdf": {"CreationDate": None},
    }
    drawn = io.BytesIO()  # matplotlib's writers lose their way, and their open files, on a full disk
    with replacing(out) as scratch, rc_context({"svg.hashsalt": "wingtone"}), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing")  # a name in a script the font lacks
        figure.savefig(drawn, format=suffix[1:], metadata=stamps[suffix])
        scratch.write_bytes(drawn.getbuffer())
