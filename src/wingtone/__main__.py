"""``python -m wingtone``: the command, where its name is not found."""

from __future__ import annotations

from wingtone.cli import main

if __name__ == "__main__":  # the processes of a survey import this module too
    main()
