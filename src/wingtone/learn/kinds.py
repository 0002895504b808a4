"""The kinds of classifier there are. Apart, so that the command line can name them without numpy."""

from __future__ import annotations

__all__ = ["KINDS", "LINEAR"]

LINEAR = ("logistic", "discriminant")
"""Those that end in one plane a class, and are stored as plain numbers."""

KINDS = (*LINEAR, "forest", "boosting")
"""All; the first is the best choice for a few hundred bouts."""
