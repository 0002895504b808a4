"""Bouts as the user corrects them: moved, dropped, added, of another kind or octave.

A correction names every bout that shall be there. One that is as the machine found it keeps its measurement
to the last digit; one that only changes its kind too; all others are measured again within their new limits
by `wingtone.tone.stretch`, near the tone that the machine had there, an octave up or down where asked.

- `Correction`, `read`, `from_json`, `to_json`: what was asked.
- `carry_out`: a measurement with the bouts asked for.
- `measured_before`: what need not be measured again for it.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, cast, get_args

import numpy as np

from wingtone.clip import with_tone
from wingtone.errors import RequestError
from wingtone.tone.comb import HIGHEST_HZ, LOWEST_HZ
from wingtone.tone.results import Kind, ToneResult, Track
from wingtone.tone.stretch import SHORTEST_S, MeasuredStretch, Stretch, measure_stretches
from wingtone.web.fields import Faults, number_of, record_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence

    from numpy.typing import NDArray

    from wingtone.clip import Measurement
    from wingtone.tone.results import Bout

__all__ = ["Correction", "carry_out", "from_json", "measured_before", "read", "to_json"]

MOST_BOUTS = 5000
MOST_BYTES = 1 << 20
"""Of a list of so many bouts as JSON: each takes 80 bytes, with times as the page writes them. Ours: 200."""
LONGEST_S = 600.0
"""Ours: ten minutes of one unbroken flight are a hive, and are better marked in parts."""
MANY_BEES = "many bees"
"""Falls when the user says that one of the bouts is the flight of one bee."""
SAME_S = 0.006
"""Limits nearer than this to the machine's are the machine's: less than a frame."""


@dataclass(frozen=True)
class Correction:
    """One bout as it shall be.

    ``octave`` is counted from the tone that the machine had there, or, where it had none, from what is heard.
    """

    start_s: float
    end_s: float
    kind: Kind
    octave: int = 0


def from_json(asked: list[dict[str, Any]]) -> list[Correction]:
    """Read corrections that `to_json` wrote."""
    return [Correction(**one) for one in asked]


def to_json(corrections: Sequence[Correction]) -> list[dict[str, Any]]:
    """Lay corrections out as plain JSON."""
    return [dataclasses.asdict(one) for one in corrections]


def read(body: Any, *, duration_s: float, found: Sequence[Bout]) -> list[Correction]:
    """Read and check what a page asks for.

    Raises
    ------
    FieldFaults
        With every fault, by bout and field.
    """
    faults = Faults()
    asked = record_of(body, faults).get("bouts")
    if not isinstance(asked, list) or len(asked) > MOST_BOUTS:
        faults.add("bouts", f"give a list of at most {MOST_BOUTS} bouts")
        asked = []
    out = []
    for number, one in enumerate(asked):
        at = f"bouts.{number}"
        fields = record_of(one, faults, where=at)
        start_s = number_of(fields, "start_s", faults, low=0.0, high=duration_s, where=at)
        end_s = number_of(fields, "end_s", faults, low=0.0, high=duration_s + 0.02, where=at)
        kind, octave = fields.get("kind"), fields.get("octave", 0)
        if kind not in get_args(Kind):
            faults.add(f"{at}.kind", f"must be one of {', '.join(get_args(Kind))}")
        if octave not in (-1, 0, 1) or isinstance(octave, bool):
            faults.add(f"{at}.octave", "must be -1, 0 or 1")
            continue
        if start_s is None or end_s is None or kind not in get_args(Kind):
            continue
        correction = Correction(start_s, end_s, cast("Kind", kind), int(octave))
        if _kept(correction, found) is not None:
            out.append(correction)  # not measured anew, so it may be shorter, longer, or end a frame later
            continue
        end_s = min(end_s, math.floor(duration_s * 100) / 100)
        correction = dataclasses.replace(correction, end_s=end_s)
        out.append(correction)
        if not SHORTEST_S <= round(end_s - start_s, 6) <= LONGEST_S:  # 0.6 - 0.5 is a little less than 0.1
            span = f"lasts {SHORTEST_S:g} to {LONGEST_S:g} s"
            faults.add(
                f"{at}.end_s", f"what is measured anew {span}, and the bout at {start_s:.2f} s does not"
            )
            continue
        near_hz = _near_hz(correction, found)
        if near_hz is not None and not LOWEST_HZ <= near_hz <= HIGHEST_HZ:
            faults.add(f"{at}.octave", _too_far(near_hz))
    faults.stop()
    return sorted(out, key=lambda one: (one.start_s, one.end_s))


def carry_out(
    found: Measurement,
    corrections: Sequence[Correction],
    *,
    before: Mapping[Correction, MeasuredStretch] | None = None,
    progress: Callable[[], None] = lambda: None,
) -> Measurement:
    """Give a measurement with the bouts asked for.

    Parameters
    ----------
    found
        As the machine found it.
    corrections
        Every bout that shall be there.
    before
        What was measured for a correction already, see `measured_before`; it is not measured again.
    progress
        Called again and again while it goes on.

    Raises
    ------
    RecordingError
        The recording cannot be read any more.
    RequestError
        A bout that cannot be measured.
    """
    known = before or {}
    parts: list[MeasuredStretch | None] = [_as_found(one, found) or known.get(one) for one in corrections]
    anew = [i for i, part in enumerate(parts) if part is None]
    stretches = {i: _stretch(corrections[i], found.tone.bouts) for i in anew}
    _measure(found, stretches, parts, progress)
    # Where the machine heard nothing, the octave is counted from what is heard there without one.
    moved = {
        i: _moved(stretches[i], part.bout.f0_hz, corrections[i].octave)
        for i in anew
        if corrections[i].octave and stretches[i].near_hz is None and (part := parts[i]) is not None
    }
    _measure(found, moved, parts, progress)
    return _joined(found, [part for part in parts if part is not None])


def measured_before(
    stands: Measurement, corrections: Sequence[Correction]
) -> dict[Correction, MeasuredStretch]:
    """Give what each of some corrections was measured to be, as far as it can be told apart.

    Parameters
    ----------
    stands
        What `carry_out` made of them.
    """
    out = {}
    for one in corrections:
        numbers = [number for number, bout in enumerate(stands.tone.bouts) if _has_limits(bout, one)]
        if len(numbers) == 1 and sum(_has_limits(one, other) for other in corrections) == 1:
            out[one] = _part_of(stands, numbers[0])
    return out


def _has_limits(bout: Bout | Correction, correction: Correction) -> bool:
    apart_s = max(abs(bout.start_s - correction.start_s), abs(bout.end_s - correction.end_s))
    return apart_s < SAME_S


def _part_of(measurement: Measurement, number: int) -> MeasuredStretch:
    bout, track = measurement.tone.bouts[number], measurement.tone.track
    own = track.bout == number
    return MeasuredStretch(bout, track.time_s[own], track.f0_hz[own])


def _measure(
    found: Measurement,
    stretches: Mapping[int, Stretch],
    parts: list[MeasuredStretch | None],
    progress: Callable[[], None],
) -> None:
    """Measure stretches, each for its place among the parts."""
    from wingtone import audio, tone

    if not stretches:
        return
    with audio.open_recording(found.recording.path) as recording:
        try:
            measured = measure_stretches(
                _told(recording.blocks(rate_hz=tone.RATE_HZ), progress),
                list(stretches.values()),
                rate_hz=tone.RATE_HZ,
                band_hz=recording.sample_rate_hz / 2,
                progress=lambda _: progress(),
            )
        except ValueError as error:
            raise RequestError(str(error), remedy="move the ends of the bout") from error
    for i, part in zip(stretches, measured, strict=True):
        parts[i] = part


def _told(
    blocks: Iterable[NDArray[np.float32]], progress: Callable[[], None]
) -> Iterator[NDArray[np.float32]]:
    for block in blocks:
        progress()
        yield block


def _moved(stretch: Stretch, heard_hz: float, octave: int) -> Stretch:
    near_hz = heard_hz * 2.0**octave
    if not LOWEST_HZ <= near_hz <= HIGHEST_HZ:
        raise RequestError(_too_far(near_hz), remedy="leave the octave of this bout as it is heard")
    return dataclasses.replace(stretch, near_hz=near_hz)


def _too_far(near_hz: float) -> str:
    span = f"{LOWEST_HZ:g} to {HIGHEST_HZ:g} Hz"
    return f"that octave would be at {near_hz:.0f} Hz; wingtone measures {span}"


def _kept(correction: Correction, bouts: Sequence[Bout]) -> int | None:
    """Which bout of the machine's a correction leaves as it is, but for its kind."""
    for number, bout in enumerate(bouts):
        if _has_limits(bout, correction) and correction.octave == 0:
            return number
    return None


def _as_found(correction: Correction, found: Measurement) -> MeasuredStretch | None:
    number = _kept(correction, found.tone.bouts)
    if number is None:
        return None
    part = _part_of(found, number)
    bout = part.bout
    if bout.kind != correction.kind:
        # A pass is that of a flight; the rest says what was heard, whatever made it.
        flyby = bout.flyby if correction.kind == "flight" else None
        part = dataclasses.replace(part, bout=dataclasses.replace(bout, kind=correction.kind, flyby=flyby))
    return part


def _anchor(correction: Correction, bouts: Sequence[Bout]) -> Bout | None:
    """Give the machine's bout that shares most with a correction."""

    def shared_s(bout: Bout) -> float:
        return min(bout.end_s, correction.end_s) - max(bout.start_s, correction.start_s)

    best = max(bouts, key=shared_s, default=None)
    return best if best is not None and shared_s(best) > 0.0 else None


def _near_hz(correction: Correction, bouts: Sequence[Bout]) -> float | None:
    """Near which tone to look; None where the machine heard none."""
    anchor = _anchor(correction, bouts)
    return None if anchor is None else anchor.f0_hz * 2.0**correction.octave


def _stretch(correction: Correction, bouts: Sequence[Bout]) -> Stretch:
    near_hz = _near_hz(correction, bouts)
    return Stretch(correction.start_s, correction.end_s, correction.kind, near_hz)


def _joined(found: Measurement, parts: Sequence[MeasuredStretch]) -> Measurement:
    parts = sorted(parts, key=lambda part: part.bout.start_s)
    sizes = [part.time_s.size for part in parts]
    time_s = np.concatenate([np.zeros(0), *(part.time_s for part in parts)])
    f0_hz = np.concatenate([np.zeros(0), *(part.f0_hz for part in parts)])
    bout = np.repeat(np.arange(len(parts)), sizes).astype(np.int64)
    order = np.lexsort((bout, time_s))
    flies = any(part.bout.kind == "flight" for part in parts)
    tone = ToneResult(
        bouts=tuple(part.bout for part in parts),
        track=Track(time_s[order], f0_hz[order], bout[order]),
        flags=tuple(flag for flag in found.tone.flags if flag != MANY_BEES or not flies),
        warnings=found.tone.warnings,
    )
    return with_tone(found, tone)
