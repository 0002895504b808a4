"""From blocks of sound to what was tracked in them, in one pass and within bounded memory.

Sound passes once, in chunks that overlap by `MARGIN_S` on either side; the tracker forgets much faster than
that, so the joins leave no trace. Mains hum and engines are taken out of each chunk (`wingtone.tone.hum`,
`wingtone.tone.motor`), a quick look (`wingtone.tone.scout`) finds the stretches that could hold a tone, and
only those are tracked frame by frame. Of them only rows of evidence stay behind, and those are handed on as
soon as nothing to come can change what is made of them.

- `listen`: blocks in, one `Heard` after the other out.
- `level`: blocks without the offset that some recorders add.
- `undisturbed`: a sound without channels that say nothing of their own, mains hum and engines.
- `distinct`: the channels of a sound that differ.
- `salience_of`: the comb's verdict on every frame of a sound, block by block.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wingtone.tone import comb, hum, motor, scout, spectrum, track
from wingtone.tone.refine import REFINED, refine_tracked
from wingtone.tone.rows import ROW, SHOULDER, frame_rows
from wingtone.tone.second import second_line

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from numpy.typing import NDArray

CHUNK_FRAMES = 4000
MARGIN_FRAMES = 150
MARGIN_S = MARGIN_FRAMES * spectrum.HOP_S
OFFSET_S = 1.0
OFFSET_SHARE = 0.2
BLOCK_S = 10.0
"""Second from which the offset is read, its least share of the spread, and the longest piece of sound that is
handled at once. Ours: a mean that is smaller is chance and does no harm, and taking it off would tell the
pieces of a recording from the whole."""
QUIET_FRAMES = 650
"""6.5 s without a tone part what is heard: more than any later stage looks back or ahead (6 s)."""
MOST_ROWS = 60_000
"""A tone that has not stopped for 10 minutes is handed on in parts, to keep memory bounded. Ours."""
DEAF_SHARE = 1e-6
ALIKE = 0.8
"""A channel with less than this share of the loudest one's power (60 dB) is a socket with nothing in it. One
that correlates with another one by more than 0.8, as it is or upside down, hears the same noise once more.
Ours: the channels of labelled bees correlate by 0.76 at most. With the same sound in both channels 17 of the
labelled tones were found before such channels were left out, with one empty 7, with one alone 24."""
HEAP_BYTES = 32_000_000
"""Once a piece of memory of this size (just under the most it heeds, 32 MiB) has been given back, glibc's
`malloc` keeps freed memory instead of returning every array to the system and fetching it anew; that saves
a third of the time. See M_MMAP_THRESHOLD in mallopt(3); harmless elsewhere."""


@dataclass(frozen=True)
class Heard:
    """What stays behind of a part of a recording that can be judged by itself.

    Attributes
    ----------
    peak
        Largest sample since the part before, of full scale, a constant offset left out.
    rows, second_rows
        Evidence of the tracked tone and of a second one under it, dtype `wingtone.tone.rows.ROW`.
    refined, second_refined
        Their refined values, dtype `wingtone.tone.refine.REFINED`.
    """

    peak: float
    rows: NDArray[np.void]
    refined: NDArray[np.void]
    second_rows: NDArray[np.void]
    second_refined: NDArray[np.void]


def listen(
    blocks: Iterable[NDArray[np.float32]], *, band_hz: float | None = None, keep_motors: bool = False
) -> Iterator[Heard]:
    """Track a recording.

    Parameters
    ----------
    blocks
        The recording in order, each of shape (n_channels, n_samples), at `spectrum.RATE_HZ`.
    band_hz
        Upper edge of what the recording carries; None for all of the band.
    keep_motors
        Leave engines in: those who judge have to learn what one sounds like that was not taken out.

    Yields
    ------
    Heard
        Parts in order of time, at least one. No tone reaches from one into the next, unless it goes on for
        more than `MOST_ROWS` frames.
    """
    top_hz = spectrum.RATE_HZ / 2
    band = min(top_hz, 0.95 * band_hz) if band_hz else top_hz
    held: list[NDArray[np.void]] = [np.zeros(0, kind) for kind in (ROW, REFINED, ROW, REFINED)]
    peak = 0.0
    np.empty(HEAP_BYTES, np.uint8)
    for chunk, first, core in _chunks(level(blocks)):
        peak = max(peak, float(chunk.max(initial=0.0)), -float(chunk.min(initial=0.0)))
        found = _chunk_rows(chunk, first, core, band, keep_motors=keep_motors)
        held = [np.concatenate(both) for both in zip(held, found, strict=True)]
        end = _settled(held[0], core[1])
        if end is not None:
            yield Heard(peak, *(part[part["frame"] < end] for part in held))
            held = [part[part["frame"] >= end] for part in held]
            peak = 0.0
    yield Heard(peak, *held)


def _settled(rows: NDArray[np.void], heard_frames: int) -> int | None:
    """Frame up to which rows can be judged without those to come; None for none yet."""
    tracked = rows["frame"][rows["tracked"]]
    if tracked.size == 0:
        return None
    quiet = np.flatnonzero(np.diff(tracked, append=heard_frames) > QUIET_FRAMES)
    if quiet.size:
        return int(tracked[quiet[-1]]) + SHOULDER + 1
    return heard_frames if rows.size > MOST_ROWS else None


def level(blocks: Iterable[NDArray[np.float32]]) -> Iterator[NDArray[np.float32]]:
    """Take off the constant offset of each channel that has one, as it is in the first `OFFSET_S`.

    Blocks come and go in order, each of shape (n_channels, n_samples); those that go are `BLOCK_S` long at
    most. The same whatever the length of the blocks that come.
    """
    need, longest = round(OFFSET_S * spectrum.RATE_HZ), round(BLOCK_S * spectrum.RATE_HZ)
    waiting: list[NDArray[np.float32]] = []
    offset: NDArray[np.float32] | None = None
    for block in blocks:
        if block.shape[1] == 0:
            continue
        waiting.append(np.asarray(block, np.float32))
        if offset is None and sum(part.shape[1] for part in waiting) >= need:
            offset = _offset(np.concatenate([part[:, :need] for part in waiting], axis=1)[:, :need])
        if offset is not None:
            for part in waiting:
                for start in range(0, part.shape[1], longest):
                    yield part[:, start : start + longest] - offset
            waiting = []
    if waiting:
        whole = np.concatenate(waiting, axis=1)
        yield whole - _offset(whole)


def _offset(samples: NDArray[np.float32]) -> NDArray[np.float32]:
    """Mean of each channel where it is an offset, else 0; shape (n_channels, 1)."""
    mean, spread = samples.mean(axis=1, dtype=np.float64), samples.std(axis=1, dtype=np.float64)
    offset: NDArray[np.float32] = np.where(np.abs(mean) > OFFSET_SHARE * spread, mean, 0.0).astype(np.float32)
    return offset[:, None]


def _chunks(
    blocks: Iterable[NDArray[np.float32]],
) -> Iterator[tuple[NDArray[np.float32], int, tuple[int, int]]]:
    """Cut the stream into overlapping chunks.

    Yields the samples, the frame that is centred half a window into them, and the range of frames this
    chunk answers for. Half a window of silence is put before the start and after the end, so that frame
    k is centred on sample ``k * HOP``.
    """
    half = spectrum.WINDOW // 2
    pending: list[NDArray[np.float32]] = []
    held = 0
    first = 0
    done = 0
    need = (CHUNK_FRAMES + 2 * MARGIN_FRAMES) * spectrum.HOP + spectrum.WINDOW
    for block in blocks:
        if not pending:
            pending.append(np.zeros((block.shape[0], half), np.float32))
            held = half
        pending.append(block)
        held += block.shape[1]
        # The last chunk is to be long enough for its hum to be known.
        while held >= need + hum.WINDOW:
            joined = np.concatenate(pending, axis=1)
            yield joined[:, :need], first, (done, done + CHUNK_FRAMES)
            done += CHUNK_FRAMES
            skip = max(0, done - MARGIN_FRAMES - first)
            pending = [joined[:, skip * spectrum.HOP :]]
            first += skip
            held = pending[0].shape[1]
    if pending:
        end = np.zeros((pending[0].shape[0], half), np.float32)
        joined = np.concatenate([*pending, end], axis=1)
        if joined.shape[1] >= spectrum.WINDOW:
            last = first + (joined.shape[1] - spectrum.WINDOW) // spectrum.HOP + 1
            yield joined, first, (done, last)


def _chunk_rows(
    chunk: NDArray[np.float32], first: int, core: tuple[int, int], band_hz: float, *, keep_motors: bool
) -> tuple[NDArray[np.void], NDArray[np.void], NDArray[np.void], NDArray[np.void]]:
    """Track one chunk; rows and refined values of its core, of the first and of a second tone."""
    chunk, ran = undisturbed(chunk, keep_motors=keep_motors)
    looks = looks_at(chunk, band_hz=band_hz)
    n_frames = (chunk.shape[1] - spectrum.WINDOW) // spectrum.HOP + 1
    spans = [
        span
        for span in scout.spans(looks, n_frames=n_frames)
        if first + span[1] + SHOULDER > core[0] and first + span[0] - SHOULDER < core[1]
    ]
    rows = _span_rows(chunk, first, spans, band_hz)
    second, second_refined = second_line(chunk, rows, first_frame=first, band_hz=band_hz)
    for found in (rows, second):
        found["motor"] = ran[found["frame"] - first]
    rows = _inside(rows, core)
    refined = refine_tracked(chunk, rows[rows["tracked"]], first_frame=first, band_hz=band_hz)
    return rows, refined, _inside(second, core), _inside(second_refined, core)


def _span_rows(
    chunk: NDArray[np.float32], first: int, spans: list[tuple[int, int]], band_hz: float
) -> NDArray[np.void]:
    """Track the spans of a chunk. All are traced at once: that is what `track.best_paths` is quick at."""
    groups = [_Group(chunk, group, band_hz) for group in _groups(spans)]
    paths = iter(track.best_paths([salience for group in groups for salience in group.hear_spans()]))
    return np.concatenate([np.zeros(0, ROW), *(group.rows(paths, first_frame=first) for group in groups)])


def undisturbed(
    samples: NDArray[np.float32], *, keep_motors: bool = False
) -> tuple[NDArray[np.float32], NDArray[np.bool_]]:
    """Clean a sound of what stands in the way of a tone.

    Returns
    -------
    left : shape (n_channels, n)
        Its `distinct` channels without mains hum and, unless they are kept, engines.
    ran : shape (n_frames,)
        In which frames an engine was taken out.
    """
    steady = hum.without_hum(distinct(samples))
    left = steady if keep_motors else motor.without_motor(steady)
    return left, motor.frames_changed(steady, left)


def distinct(samples: NDArray[np.float32]) -> NDArray[np.float32]:
    """Leave out channels that say nothing of their own: silent beside the others, or the same as one of them.

    Parameters
    ----------
    samples : shape (n_channels, n)

    Returns
    -------
    shape (n_kept, n)
        The same array when all are kept; at least one channel is.
    """
    if samples.shape[0] == 1:
        return samples
    power = np.einsum("cn,cn->c", samples, samples, dtype=np.float64)
    kept: list[int] = []
    for c in range(samples.shape[0]):
        alike = (abs(samples[c] @ samples[k]) > ALIKE * np.sqrt(power[c] * power[k]) for k in kept)
        if power[c] > DEAF_SHARE * power.max() and not any(alike):
            kept.append(c)
    return samples if len(kept) == samples.shape[0] else samples[kept or [0]]


def _inside(rows: NDArray[np.void], core: tuple[int, int]) -> NDArray[np.void]:
    return rows[(rows["frame"] >= core[0]) & (rows["frame"] < core[1])]


def _groups(spans: list[tuple[int, int]]) -> list[list[tuple[int, int]]]:
    """Spans whose shoulders touch belong together."""
    groups: list[list[tuple[int, int]]] = []
    for span in spans:
        if groups and span[0] - groups[-1][-1][1] < 2 * SHOULDER:
            groups[-1].append(span)
        else:
            groups.append([span])
    return groups


class _Group:
    """What is heard of neighbouring spans of a chunk: levels, contrast and salience, frame by frame.

    The shoulders are only listened to when a tone is found: most spans hold none.
    """

    def __init__(self, chunk: NDArray[np.float32], spans: list[tuple[int, int]], band_hz: float) -> None:
        self._chunk = chunk
        self._band_hz = band_hz
        n_frames = (chunk.shape[1] - spectrum.WINDOW) // spectrum.HOP + 1
        self._start = max(0, spans[0][0] - SHOULDER)
        n = min(n_frames, spans[-1][1] + SHOULDER) - self._start
        self._spans = [slice(a - self._start, b - self._start) for a, b in spans]
        shape = (chunk.shape[0], spectrum.N_BINS, n)
        self._levels, self._marks = np.zeros(shape, np.float32), np.zeros(shape, np.float32)
        self._salience = np.full((n, comb.candidates_hz().size), track.UNHEARD, np.float32)

    def _hear(self, start: int, stop: int) -> None:
        first, last = self._start + start, self._start + stop - 1
        part = self._chunk[:, first * spectrum.HOP : last * spectrum.HOP + spectrum.WINDOW]
        keep = self._levels[:, :, start:stop], self._marks[:, :, start:stop]
        self._salience[start:stop] = salience_of(part, band_hz=self._band_hz, keep=keep)

    def hear_spans(self) -> Iterator[NDArray[np.float32]]:
        """Listen to the spans; yields the salience to be traced for each."""
        for span in self._spans:
            self._hear(span.start, span.stop)
        for span in self._spans:
            # A frame that was not heard comes before the first and after the last, if there is one in the
            # sound: what is tracked has to pay for its start and its end.
            yield self._salience[max(span.start - 1, 0) : span.stop + 1]

    def rows(self, paths: Iterator[NDArray[np.int64]], *, first_frame: int) -> NDArray[np.void]:
        """Rows of what was traced, and of its shoulders.

        Takes its spans' paths off ``paths``; ``first_frame`` is the chunk's.
        """
        path = np.full(self._salience.shape[0], track.NO_BEE, np.int64)
        heard = np.zeros(path.size, bool)
        for span, found in zip(self._spans, paths, strict=False):
            before = min(span.start, 1)
            path[span] = found[before : before + span.stop - span.start]
            heard[span] = True
        near = spectrum.running_mean((path != track.NO_BEE).astype(np.float32), SHOULDER) > 0
        wanted = np.flatnonzero(near & ~heard)
        for run in track.unbroken(wanted):
            self._hear(int(run[0]), int(run[-1]) + 1)
        return frame_rows(
            self._levels.transpose(0, 2, 1),
            self._marks.transpose(0, 2, 1),
            path,
            first_frame=first_frame + self._start,
            band_hz=self._band_hz,
        )


def looks_at(samples: NDArray[np.float32], *, band_hz: float) -> NDArray[np.float32]:
    """Salience of every `scout.STEP_FRAMES`-th frame of a sound as `scout.spans` wants it."""
    step = scout.STEP_FRAMES
    n_looks = (samples.shape[1] - spectrum.WINDOW) // (spectrum.HOP * step) + 1
    out = []
    for block in _blocks(samples, n_looks, spectrum.HOP * step):
        marks = (
            spectrum.contrast(spectrum.log_power(channel, step=step, size=scout.FFT_SIZE), band_hz=band_hz)
            for channel in block
        )
        out.append(comb.combine_channels([comb.search_salience(one, band_hz=band_hz) for one in marks]))
    return np.concatenate(out)


def salience_of(
    samples: NDArray[np.float32],
    *,
    band_hz: float,
    keep: tuple[NDArray[np.float32], NDArray[np.float32]] | None = None,
) -> NDArray[np.float32]:
    """Salience of a sound, all channels together.

    Parameters
    ----------
    samples : shape (n_channels, n)
    keep
        Two arrays of shape (n_channels, N_BINS, n_frames) to be filled with log power and contrast.

    Returns
    -------
    shape (n_frames, n_candidates), float32
    """
    n_frames = (samples.shape[1] - spectrum.WINDOW) // spectrum.HOP + 1
    out = np.empty((n_frames, comb.candidates_hz().size), np.float32)
    for number, block in enumerate(_blocks(samples, n_frames, spectrum.HOP)):
        levels = [spectrum.log_power(channel) for channel in block]
        marks = [spectrum.contrast(one, band_hz=band_hz) for one in levels]
        here = slice(number * spectrum.BLOCK_FRAMES, number * spectrum.BLOCK_FRAMES + levels[0].shape[0])
        if keep is not None:
            for c in range(len(levels)):
                keep[0][c, :, here], keep[1][c, :, here] = levels[c].T, marks[c].T
        out[here] = comb.combine_channels([comb.search_salience(one, band_hz=band_hz) for one in marks])
    return out


def _blocks(samples: NDArray[np.float32], n_frames: int, hop: int) -> Iterator[NDArray[np.float32]]:
    """Samples under `spectrum.BLOCK_FRAMES` frames at a time."""
    for a in range(0, n_frames, spectrum.BLOCK_FRAMES):
        b = min(a + spectrum.BLOCK_FRAMES, n_frames)
        yield samples[:, a * hop : (b - 1) * hop + spectrum.WINDOW]
