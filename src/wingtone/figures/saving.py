"""Writing a finished figure, the same for all of them.

- `save_figure`: to PNG, SVG or PDF, whole or not at all, and the same for the same input.
"""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import TYPE_CHECKING

from wingtone.files import replacing

if TYPE_CHECKING:
    import os
    from typing import Any

    from matplotlib.figure import Figure

__all__ = ["save_figure"]


def save_figure(figure: Figure, out: str | os.PathLike[str]) -> None:
    """Write a figure by the ending of its file name (see `wingtone.figures.recording.check_target`).

    Raises
    ------
    OutputError
        It cannot be written; an existing file then stays as it was.
    """
    from matplotlib import rc_context

    suffix = Path(out).suffix.lower()
    # The same input gives the same file: no date, and names inside the SVG that do not change.
    stamps: dict[str, dict[str, Any]] = {".png": {}, ".svg": {"Date": None}, ".pdf": {"CreationDate": None}}
    with replacing(out) as scratch, rc_context({"svg.hashsalt": "wingtone"}), warnings.catch_warnings():
        warnings.filterwarnings("ignore", message="Glyph .* missing")  # a name in a script the font lacks
        figure.savefig(scratch, format=suffix[1:], metadata=stamps[suffix])
