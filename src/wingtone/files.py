"""Writing a result file so that a reader never sees half of one.

- `replacing`: a temporary path beside the target that takes its place when the block ends well.
"""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

from wingtone.errors import OutputError

if TYPE_CHECKING:
    from collections.abc import Iterator

__all__ = ["replacing"]


@contextlib.contextmanager
def replacing(target: str | os.PathLike[str]) -> Iterator[Path]:
    """Give a temporary path in the target's folder; move it over the target when the block succeeds.

    Parameters
    ----------
    target
        The file to write. Its folder must exist; an existing file is replaced in one step.

    Yields
    ------
    Path
        An empty file to write to. It is removed when the block raises.

    Raises
    ------
    OutputError
        The folder is missing or not writable, the target is a folder, or writing failed (`OSError`).
    """
    target = Path(target)
    if target.is_dir():
        raise OutputError("this is a folder, not a file", remedy="give a file name", where=target)
    try:
        handle, name = tempfile.mkstemp(prefix=".wingtone-", suffix=target.suffix, dir=target.parent)
    except OSError as error:
        remedy = "give a folder that exists and that you may write to"
        raise OutputError(f"cannot write here: {error.strerror}", remedy=remedy, where=target) from error
    os.close(handle)
    scratch = Path(name)
    try:
        yield scratch
        # A temporary file is private to its owner; the finished one gets what a new file would get.
        mask = os.umask(0)
        os.umask(mask)
        scratch.chmod(0o666 & ~mask)
        scratch.replace(target)
    except OSError as error:
        what = f"writing failed: {error.strerror}"
        raise OutputError(what, remedy="is there room, and may you write there?", where=target) from error
    finally:
        scratch.unlink(missing_ok=True)
