"""The program as its own process, in surroundings that are made for it.

- `run`: one command, with redirections and limits as a shell gives them.
- `open_folder`: a folder that a user without rights can reach.
- `DEMO`: where the bundled clips are.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

DEMO = Path(__file__).resolve().parents[2] / "demo_audio"
PROGRAM = (sys.executable, "-c", "from wingtone.cli import main; main(prog_name='wingtone')")


def run(
    *arguments: str | bytes,
    shell: str = "",
    cwd: Path | None = None,
    program: tuple[str, ...] = PROGRAM,
    environment: Mapping[str, str | None] | None = None,
    pass_fds: tuple[int, ...] = (),
) -> subprocess.CompletedProcess[str]:
    """Run the program through a shell.

    Parameters
    ----------
    shell
        Around the command, which stands as ``"$@"``: redirections, limits, pipes. Empty: nothing.
    environment
        Variables that differ; None takes one away.
    pass_fds
        Open files that the shell may use by their numbers.
    """
    known = {**os.environ, "OPENBLAS_NUM_THREADS": "1", **(environment or {})}
    given = {name: text for name, text in known.items() if text is not None}
    return subprocess.run(
        ["bash", "-c", shell or '"$@"', "bash", *program, *arguments],
        capture_output=True,
        text=True,
        errors="surrogateescape",
        cwd=cwd,
        env=given,
        pass_fds=pass_fds,
        check=False,
        timeout=300,
    )


@contextlib.contextmanager
def open_folder() -> Iterator[Path]:
    """A folder that anybody may enter, with all that is put in it: pytest closes its own at every start."""
    own = os.umask(0o022)
    try:
        with tempfile.TemporaryDirectory(prefix="wingtone-faults-") as name:
            Path(name).chmod(0o755)
            yield Path(name)
    finally:
        os.umask(own)
