"""wingtone: which bumblebee was that? An honest size cue from the sound of its flight.

In Python the main commands go by the same names, on files and on data frames, see `wingtone.api`:

- `wingtone.measure`: the flight bouts of recordings, and their tone.
- `wingtone.identify`: candidates from tone, date, place and what was seen.
- `wingtone.sizes`: what a population sounds like.

They are loaded when first used, so that ``import wingtone`` costs nothing.
"""

from typing import TYPE_CHECKING

__all__ = ["__version__", "identify", "measure", "sizes"]

__version__ = "0.1.0"

if TYPE_CHECKING:
    from wingtone.api import identify, measure, sizes
else:

    def __getattr__(name: str) -> object:  # PEP 562
        if name not in __all__:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        import importlib

        return getattr(importlib.import_module("wingtone.api"), name)

    def __dir__() -> list[str]:
        return sorted({*globals(), *__all__})
