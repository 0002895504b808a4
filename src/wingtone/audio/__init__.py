"""Open whatever a phone or recorder makes, in blocks of bounded memory.

Functions and classes
---------------------
open_recording
    Open one file; gives a `Recording` to read blocks from.
read
    A whole short clip at once.
find_recordings
    Files and folders to a list of recordings.
named_like_recording
    Whether a file's name ends like that of a recording.
sha256_of
    The fingerprint of a file.
Recording, RecordingInfo, Remark
    What they give.

Writing (for the demo and tests) is in `wingtone.audio.encode`. The decoder, the resampler and FFmpeg
itself are only loaded when a recording is opened.
"""

from __future__ import annotations

from wingtone.audio.find import find_recordings, named_like_recording, sha256_of
from wingtone.audio.recording import Recording, RecordingInfo, Remark, open_recording, read

__all__ = [
    "Recording",
    "RecordingInfo",
    "Remark",
    "find_recordings",
    "named_like_recording",
    "open_recording",
    "read",
    "sha256_of",
]
