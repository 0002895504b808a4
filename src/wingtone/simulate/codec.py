"""Send a clip through a real encoder and back.

- `through_codec`: the same clip as a phone's file would bring it
"""

from __future__ import annotations

import tempfile
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from wingtone.simulate.scene import Clip

__all__ = ["through_codec"]


def through_codec(
    clip: Clip, *, suffix: str = ".3gp", codec: str | None = "amr_nb", bit_rate: int | None = 12200
) -> Clip:
    """Encode the samples of a clip to a file and decode it again.

    Parameters
    ----------
    suffix, codec, bit_rate
        See `wingtone.audio.encode.write_encoded`. AMR is what old phones and some recorder apps write:
        8 kHz, one channel (3GPP TS 26.071; memory).

    Returns
    -------
    Clip
        At the sample rate of ``clip``, cut or padded to its length. What the codec shifts stays shifted (AMR:
        1-2 ms; AAC, MP3, Opus and Vorbis: nothing measurable). Truth and parts are those of ``clip``.

    Raises
    ------
    OutputError, RecordingError
        When the encoder or decoder refuses.
    """
    from wingtone import audio
    from wingtone.audio.encode import write_encoded

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"clip{suffix}"
        write_encoded(path, clip.samples, rate_hz=clip.rate_hz, codec=codec, bit_rate=bit_rate)
        decoded, _ = audio.read(path, rate_hz=clip.rate_hz)
    n = clip.samples.shape[1]
    decoded = np.pad(decoded[:, :n], ((0, 0), (0, max(0, n - decoded.shape[1]))))
    return replace(clip, samples=decoded.astype(np.float32))
