"""What a worker does: look at a recording, hear a piece of one. Plain data in, plain data out.

These functions run in other processes, here or on other computers. What they return is what JSON can hold, so
that it can be sent, stored and read again without loss. They write nothing.

- `prepare`: load what they need; `compiles`: what of that compiles itself on a new installation.
- `look`: checksum and facts of a recording.
- `hear`: the bouts and the listening effort of one piece.
- `look_and_hear`: both, of a recording that has to be fetched.
"""

from __future__ import annotations

import contextlib
import dataclasses
import importlib
import time
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from wingtone.survey.effort import EffortMeter
from wingtone.survey.joins import kept, pieces_of
from wingtone.survey.places import fetched

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    from wingtone.audio import RecordingInfo
    from wingtone.learn.model import Model
    from wingtone.survey.joins import Piece
    from wingtone.survey.places import Found
    from wingtone.survey.settings import Settings
    from wingtone.tone.results import Bout, ToneResult

__all__ = ["compiles", "hear", "look", "look_and_hear", "prepare"]


NEEDED = (
    "av",
    "scipy.fft",
    "scipy.linalg",
    "scipy.ndimage",
    "scipy.optimize",
    "scipy.signal",
    "scipy.sparse",
    "soxr",
    "wingtone.audio.decode",
    "wingtone.clip",
    "wingtone.tone",
)


def prepare() -> None:
    """Load what the jobs need, so that a fresh process is ready for them."""
    for name in NEEDED:
        importlib.import_module(name)


def compiles(settings: Settings) -> str:
    """Name the module needed that compiles itself when it is first loaded; empty where there is none.

    It is what `wingtone.learn.features` uses of librosa: numba makes machine code of some of that.
    """
    return "" if settings.model is None else "librosa.feature.spectral"


def look(found: Found) -> dict[str, Any]:
    """Look at a recording without hearing it.

    Returns
    -------
    dict
        ``sha256`` and ``facts``: sample_rate_hz, channels, codec, recorded_at, recorded_at_source, stated_s
        (0 when unknown), size_bytes and seeks (whether pieces of it can be heard alone); or, of what is no
        recording, ``fault`` in its place: the reason.

    Raises
    ------
    RecordingError
        It cannot even be read.
    """
    from wingtone import audio
    from wingtone.errors import RecordingError

    with fetched(found) as path:
        try:
            with audio.open_recording(path) as recording:
                info = recording.info
                stated_s, seeks = recording.declared_s, recording.seeks
        except RecordingError as error:
            with contextlib.suppress(RecordingError):
                return {"sha256": audio.sha256_of(path), "fault": reason(error)}
            raise  # what opening it says tells more than what reading it does
        sha256, size_bytes = audio.sha256_of(path), path.stat().st_size
    facts = {
        name: getattr(info, name)
        for name in ("sample_rate_hz", "channels", "codec", "recorded_at", "recorded_at_source")
    }
    return {
        "sha256": sha256,
        "facts": {**facts, "stated_s": stated_s, "size_bytes": size_bytes, "seeks": seeks},
    }


def reason(error: Exception) -> str:
    """Say why a recording could not be used, without its name, which stands beside it."""
    from wingtone.errors import WingtoneError, one_line

    if isinstance(error, WingtoneError):
        return one_line(f"{error.what} ({error.remedy})" if error.remedy else error.what)
    if isinstance(error, MemoryError):
        return "there was not enough memory for it (try fewer --workers, then --retry-failed)"
    if isinstance(error, OSError) and error.strerror:
        return one_line(f"{error.strerror} (is the disk there and in order? then --retry-failed)")
    what = f"{type(error).__name__}: {error}" if str(error) else type(error).__name__
    return one_line(f"something went wrong inside wingtone: {what} (please report it)")


def hear(found: Found, piece: Piece, settings: Settings) -> dict[str, Any]:
    """Hear one piece of a recording.

    Returns
    -------
    dict
        - ``bouts``: those the piece answers for, each in the layout of ``wingtone/measure/1``, and with
          a model ``castes``, the probability of each of its classes or None.
        - ``effort``: ``[start_s, heard_s, wind_lost_s]`` for each ten minutes of the core.
        - ``end_s``: where the core or the sound ended; not behind ``start_s`` when the sound ended before.
        - ``flags``: of the window, from the tone room.
        - ``silent``, ``clipped_fraction``, ``damaged_packets``, ``damaged_from_s``: of the window.
        - ``spent_s``: seconds of this process's time on the processor.

    Raises
    ------
    RecordingError
        It cannot be read, or not any more.
    MissingExtraError
        With a model: librosa is not installed.
    """
    started = time.process_time()
    with fetched(found) as path:
        info, tone, effort = _measured(path, piece, settings)
        mine = kept(tone.bouts, piece)
        castes = _castes(path, tone, settings) if settings.model is not None else {}
    rows = []
    for bout in mine:
        row = _laid_out(bout, info, tone)
        if settings.model is not None:
            row["castes"] = castes.get((bout.start_s, bout.f0_hz))
        rows.append(row)
    return {
        "bouts": rows,
        "effort": [[row.start_s, row.heard_s, row.wind_lost_s] for row in effort],
        "end_s": min(info.duration_s, piece.end_s),
        "silent": info.silent,
        "flags": list(tone.flags),
        "clipped_fraction": info.clipped_fraction,
        "damaged_packets": info.damaged_packets,
        "damaged_from_s": info.damaged_from_s,
        "spent_s": round(time.process_time() - started, 4),
    }


def look_and_hear(found: Found, settings: Settings, heard: Collection[str] = ()) -> dict[str, Any]:
    """Look at a recording at a URL and hear the whole of it, so that it is fetched once.

    Parameters
    ----------
    heard
        Checksums of recordings that were heard before, under other names.

    Returns
    -------
    dict
        As from `look`, with ``remote`` among the facts; and, unless that found a fault or it was heard
        before, ``heard``: as from `hear`.

    Raises
    ------
    RecordingError
        It cannot be fetched, or not be read any more.
    """
    with fetched(found) as path:
        local = dataclasses.replace(found, location=str(path))
        told = look(local)
        if "facts" in told:
            told["facts"]["remote"] = True
            if told["facts"]["recorded_at_source"] == "file time":  # when it was fetched
                told["facts"] |= {"recorded_at": None, "recorded_at_source": None}
            if told["sha256"] in heard:
                return told
            (whole,) = pieces_of(0.0, piece_s=settings.piece_s, overlap_s=settings.overlap_s)
            told["heard"] = hear(local, whole, settings)
        return told


def _measured(path: Path, piece: Piece, settings: Settings) -> tuple[RecordingInfo, ToneResult, list[Any]]:
    """Measure a window; times are those of the recording."""
    from wingtone import audio, tone

    first_s = piece.window_start_s
    meter = EffortMeter(first_s=first_s, start_s=piece.start_s, end_s=piece.end_s)
    threshold = tone.FLIGHT_THRESHOLD if settings.flight_threshold is None else settings.flight_threshold
    with audio.open_recording(path) as recording:
        blocks = recording.blocks(rate_hz=tone.RATE_HZ, start_s=first_s)
        result = tone.measure(
            meter.watch(_until(blocks, piece.window_end_s - first_s, rate_hz=tone.RATE_HZ)),
            rate_hz=tone.RATE_HZ,
            band_hz=recording.sample_rate_hz / 2,
            flight_threshold=threshold,
        )
        info = recording.info
    if first_s:
        result = dataclasses.replace(result, bouts=tuple(_later(bout, first_s) for bout in result.bouts))
    return info, result, meter.told()


def _until(
    blocks: Iterator[NDArray[np.float32]], seconds: float, *, rate_hz: int
) -> Iterator[NDArray[np.float32]]:
    """Stop a stream of blocks after so many seconds."""
    left = seconds * rate_hz
    for block in blocks:
        if block.shape[1] >= left:
            yield block[:, : round(left)]
            return
        left -= block.shape[1]
        yield block


def _later(bout: Bout, by_s: float) -> Bout:
    """The same bout in the times of a recording that began earlier."""
    flyby = bout.flyby and dataclasses.replace(bout.flyby, at_s=bout.flyby.at_s + by_s)
    start_s, end_s = round(bout.start_s + by_s, 3), round(bout.end_s + by_s, 3)
    return dataclasses.replace(bout, start_s=start_s, end_s=end_s, flyby=flyby)


def _laid_out(bout: Bout, info: RecordingInfo, tone: ToneResult) -> dict[str, Any]:
    """Lay one bout out as everywhere else."""
    from wingtone.clip import Measurement, measure_json

    alone = Measurement(recording=info, sha256="", tone=dataclasses.replace(tone, bouts=(bout,)))
    row: dict[str, Any] = measure_json(alone)["bouts"][0]
    return row


@lru_cache(maxsize=1)
def _model(path: str) -> Model:
    from wingtone.learn.model_file import load_model

    return load_model(path)


def _castes(path: Path, tone: ToneResult, settings: Settings) -> dict[tuple[float, float], list[float]]:
    """Ask the model about each flight bout by itself; those unlike its training are left out.

    Probabilities are at the class shares of its training.
    """
    import numpy as np

    from wingtone.learn.dataset import hear as describe

    assert settings.model is not None
    model = _model(settings.model)
    heard = describe(path, tone=tone, checksum=False)
    if not heard.flight:
        return {}
    shares = np.exp(model.numbers.log_posterior(heard.table))
    like = model.numbers.in_range(heard.table)
    return {
        (bout.start_s, bout.f0_hz): [round(float(p), 4) for p in share]
        for bout, share, good in zip(heard.flight, shares, like, strict=True)
        if good
    }
