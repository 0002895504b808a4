"""What a survey's results depend on besides the sound, and how long recordings are cut.

- `Settings`: the choices; two surveys with equal `Settings.key` give equal results.
- `settings_for`: from the options of a command.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

from wingtone import __version__
from wingtone.bout_table import COLUMNS

if TYPE_CHECKING:
    import os

__all__ = ["Settings", "settings_for"]

PIECE_S = 3600.0
"""Length of a piece of a long recording. Ours: some 10 s of work, so little is lost when it is cut short."""
OVERLAP_S = 120.0
"""How far a piece listens beyond its two ends. Ours: many times what the tone room looks back or ahead
(seconds), and longer than nearly every bout. Like `PIECE_S` a multiple of the 40 s in which
`wingtone.tone.listen` takes its sound, so that the pieces meet the same frames as one pass."""


@dataclass(frozen=True)
class Settings:
    """The choices behind the results of a survey.

    Attributes
    ----------
    flight_threshold
        For `wingtone.tone.measure`; None for its own.
    model
        Path of a trained classifier, or None.
    model_sha256, classes
        Its checksum and classes; empty without one.
    piece_s, overlap_s
        See `wingtone.survey.joins`.
    program
        Version of wingtone.
    """

    flight_threshold: float | None = None
    model: str | None = None
    model_sha256: str = ""
    classes: tuple[str, ...] = ()
    piece_s: float = PIECE_S
    overlap_s: float = OVERLAP_S
    program: str = __version__

    @property
    def text(self) -> str:
        """All that changes a result, as JSON; where the model lies does not."""
        told = {**asdict(self), "columns": COLUMNS}
        del told["model"]
        return json.dumps(told, sort_keys=True)

    @property
    def key(self) -> str:
        """Short name of these settings: the start of the SHA-256 of `text`."""
        return hashlib.sha256(self.text.encode()).hexdigest()[:16]

    @property
    def caste_columns(self) -> tuple[str, ...]:
        """Names of the columns with the word of the model; empty without one."""
        return tuple(f"p_{name.replace(' ', '_')}" for name in self.classes)


def settings_for(
    *, flight_threshold: float | None = None, model: str | os.PathLike[str] | None = None
) -> Settings:
    """Make the settings of a survey.

    Parameters
    ----------
    flight_threshold
        Probability from which a buzz is called flight, 0..1; None for wingtone's own.
    model
        A classifier of castes from ``wingtone train``.

    Raises
    ------
    RequestError, InputError, MissingExtraError
        The model cannot be used, see `wingtone.learn.model_file.usable_model`.
    """
    if model is None:
        return Settings(flight_threshold)
    from wingtone.learn.model_file import path_of_model, usable_model

    path = path_of_model(model)
    loaded = usable_model(path)
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    return Settings(flight_threshold, str(path.absolute()), digest, loaded.classes)
