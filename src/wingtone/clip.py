"""One recording all the way: open it, find the bouts, and narrow who was flying.

Everything that works on whole recordings (the commands, the figures) starts here.

Conventions
-----------
Times are seconds from the start of the recording, frequencies Hz. The ``*_json`` functions give plain
dictionaries in the published layouts ``wingtone/measure/1`` and ``wingtone/identify/1``: a value that is
not known is None, never NaN.

- `measure_recording`: a file to a `Measurement`; `with_tone`: the same with bouts that were corrected.
- `flight_cue`: the flight bouts of one individual as one tone with its error.
- `flights_by_individual`, `cues_by_individual`: the bouts of a recording shared out among its bees, and the
  tone of each.
- `stated_place`: where a recording says that it was made.
- `identify_measurement`: a `Measurement` and what was seen to answers, one per individual.
- `measure_json`, `identify_json`: the published layouts; without a recording, `Answer.to_json`.
- `track_rows`: the tone line on an even 10 ms grid.
"""

from __future__ import annotations

import dataclasses
import datetime
import math
from typing import TYPE_CHECKING, Any

from wingtone.errors import PlaceError
from wingtone.files import path_text

if TYPE_CHECKING:
    import os
    from collections.abc import Callable, Iterator, Mapping, Sequence

    from wingtone.audio import RecordingInfo
    from wingtone.evidence import Answer, ToneCue
    from wingtone.evidence.answer import Advice
    from wingtone.fauna import Fauna
    from wingtone.learn.model import Model, Word
    from wingtone.notebook.places import Place
    from wingtone.tone.individuals import Individuals
    from wingtone.tone.results import Bout, ToneResult

__all__ = [
    "Measurement",
    "cues_by_individual",
    "flight_cue",
    "flights_by_individual",
    "identify_json",
    "identify_measurement",
    "measure_json",
    "measure_recording",
    "stated_place",
    "track_rows",
    "with_tone",
]

MEASURE_SCHEMA = "wingtone/measure/1"

REMARK_FLAGS = {"silent": "silent", "clipped": "clipped", "damaged": "damaged", "cut short": "damaged"}
"""The flag that goes with a remark of the audio room. Its remark on a weak date matters only to the season
and is made by `identify_measurement`."""

ONE_BEE_RATIO = 1.25
"""Highest over lowest flight tone that one bee is believed to give. Ours: three standard deviations of the
difference of two bouts, each spread by 5 % (``sd_within`` of the shipped fauna's tone model)."""

MEDIAN_ERROR_FACTOR = math.sqrt(math.pi / 2)
"""Standard error of a median against that of a mean, for many normal errors (textbook statistics: the
asymptotic efficiency of the median is 2/pi). Used from three values on, where it errs on the wide side."""


@dataclasses.dataclass(frozen=True)
class Measurement:
    """What was found in one recording.

    Attributes
    ----------
    recording
        What the file says of itself, from `wingtone.audio`.
    sha256
        Checksum of the file, hexadecimal.
    tone
        Bouts and tone line, from `wingtone.tone`. Bouts after a damaged place carry the flag ``damaged``.
    flags
        What holds for the recording as a whole, a subset of `wingtone.tone.results.FLAGS`.
    warnings
        Pairs of a short code and a sentence.
    """

    recording: RecordingInfo
    sha256: str
    tone: ToneResult
    flags: tuple[str, ...] = ()
    warnings: tuple[tuple[str, str], ...] = ()

    @property
    def flight(self) -> tuple[Bout, ...]:
        """The bouts that are flight, in order of time."""
        return tuple(bout for bout in self.tone.bouts if bout.kind == "flight")


def measure_recording(
    path: str | os.PathLike[str],
    *,
    flight_threshold: float | None = None,
    progress: Callable[[float], None] | None = None,
) -> Measurement:
    """Find the bouts of one recording and measure their tone.

    Parameters
    ----------
    path
        Any audio or video file that `wingtone.audio` reads.
    flight_threshold
        Probability from which a buzz is called flight, 0..1; None for wingtone's own.
    progress
        Called now and then with the seconds of recording that have been heard.

    Returns
    -------
    Measurement
        A recording without a bee gives one with no bouts and a warning.

    Raises
    ------
    RecordingError
        The file is missing, empty, has no sound in it or is not a recording.
    """
    from wingtone import audio, tone

    def heard() -> Iterator[Any]:
        seconds = 0.0
        for block in recording.blocks(rate_hz=tone.RATE_HZ):
            yield block
            seconds += block.shape[1] / tone.RATE_HZ
            if progress is not None:
                progress(seconds)

    with audio.open_recording(path) as recording:
        band_hz = recording.sample_rate_hz / 2
        own = tone.FLIGHT_THRESHOLD
        result = tone.measure(
            heard(),
            rate_hz=tone.RATE_HZ,
            band_hz=band_hz,
            flight_threshold=own if flight_threshold is None else flight_threshold,
        )
        info = recording.info
    result = _flag_damaged(result, info.damaged_from_s)
    return _measurement(info, audio.sha256_of(path), result)


def with_tone(measurement: Measurement, tone: ToneResult) -> Measurement:
    """Put other bouts and another line into a measurement; its flags and warnings are made anew."""
    return _measurement(measurement.recording, measurement.sha256, tone)


def _measurement(info: RecordingInfo, sha256: str, tone: ToneResult) -> Measurement:
    flags = _recording_flags(tone, info)
    return Measurement(
        recording=info,
        sha256=sha256,
        tone=tone,
        flags=flags,
        warnings=_recording_warnings(tone, info, flags),
    )


def _flag_damaged(result: ToneResult, damaged_from_s: float | None) -> ToneResult:
    """Mark the bouts that lie after a damaged place: their times cannot be trusted."""
    if damaged_from_s is None:
        return result
    bouts = tuple(
        dataclasses.replace(bout, flags=_unique((*bout.flags, "damaged")))
        if bout.end_s > damaged_from_s
        else bout
        for bout in result.bouts
    )
    return dataclasses.replace(result, bouts=bouts)


def _recording_flags(result: ToneResult, info: RecordingInfo) -> tuple[str, ...]:
    of_file = (REMARK_FLAGS[remark.code] for remark in info.remarks if remark.code in REMARK_FLAGS)
    return _unique((*result.flags, *of_file))


def _recording_warnings(
    result: ToneResult, info: RecordingInfo, flags: tuple[str, ...]
) -> tuple[tuple[str, str], ...]:
    """Say what a person should know of this recording, each thing once, with what to do."""
    warnings = dict(result.warnings)  # keyed by code: what the tone room has said is not said again
    for remark in info.remarks:
        if remark.code in REMARK_FLAGS:
            warnings.setdefault(remark.code, remark.text)
    if "many bees" in flags:
        what = "many bees at once, as near a hive or nest: no single bee can be sized from this"
        warnings.setdefault("many bees", what)
    if what := _tones_apart(result.bouts, flags):
        warnings.setdefault("tones differ", what)
    kinds = {bout.kind for bout in result.bouts}
    if "flight" not in kinds and not {"many bees", "silent"} & set(flags):
        if "sonication" in kinds:
            what = "only flower buzzes were heard, which say nothing about size: record the bee as it flies"
        else:
            what = "no bee was heard flying: record within arm's length of the bee, out of the wind"
        warnings.setdefault("no bee heard", what)
    return tuple(warnings.items())


def _tones_apart(bouts: Sequence[Bout], flags: Sequence[str]) -> str:
    """Say that flights sound too unlike for one bee, in agreement with how many bees are told apart."""
    shared = _individuals(bouts, flags)
    if shared is None:
        return ""
    flights = [bout for bout in bouts if bout.kind == "flight"]
    if not _apart(flights):
        return ""
    tones = [bout.f0_hz for bout in flights]
    n = len(shared.groups)
    if n == 1:
        meaning = "it may be two animals, or another sound among them"
    elif any(_apart([bouts[i] for i in group]) for group in shared.groups):
        meaning = f"{n} bees are told apart, and there may be more, or another sound among them"
    else:
        meaning = f"{n} bees are told apart, unless one is another sound"
    return (
        f"the flight tones lie further apart ({min(tones):.0f} to {max(tones):.0f} Hz) than those of one "
        f"bee: {meaning}; look at the bouts one by one"
    )


def _apart(flights: Sequence[Bout]) -> bool:
    tones = [bout.f0_hz for bout in flights]
    return bool(tones) and max(tones) > ONE_BEE_RATIO * min(tones)


def _unique(items: Sequence[str]) -> tuple[str, ...]:
    return tuple(dict.fromkeys(items))


# --- the cue ----------------------------------------------------------------------------------------


def flight_cue(bouts: Sequence[Bout]) -> ToneCue | None:
    """Take the flight bouts of one individual together as one tone.

    Parameters
    ----------
    bouts
        Bouts of one individual. Only those of kind ``flight`` count.

    Returns
    -------
    ToneCue or None
        The median over the bouts, each weighted by its length, and its 95 % interval of measurement. None
        when there is no flight: flower buzzes and uncertain ones say nothing about size.

    Notes
    -----
    One bout keeps its own interval. For several, the half-widths below and above are combined as
    independent errors of a weighted mean, ``sqrt(sum (w h)^2) / sum w``, widened from three bouts on by
    `MEDIAN_ERROR_FACTOR`. How much one bee's tone differs from bout to bout is not in here; the model of
    `wingtone.evidence` adds it.
    """
    from wingtone.evidence import ToneCue

    flight = sorted((bout for bout in bouts if bout.kind == "flight"), key=lambda bout: bout.f0_hz)
    if not flight:
        return None
    weights = [bout.duration_s for bout in flight]
    total = math.fsum(weights)
    f0_hz = _weighted_median([bout.f0_hz for bout in flight], weights)
    widening = MEDIAN_ERROR_FACTOR if len(flight) > 2 else 1.0

    def combined(half_widths: list[float]) -> float:
        squares = math.fsum((w * h) ** 2 for w, h in zip(weights, half_widths, strict=True))
        return widening * math.sqrt(squares) / total

    return ToneCue(
        f0_hz=f0_hz,
        f0_low_hz=f0_hz - combined([bout.f0_hz - bout.f0_low_hz for bout in flight]),
        f0_high_hz=f0_hz + combined([bout.f0_high_hz - bout.f0_hz for bout in flight]),
        n_bouts=len(flight),
        duration_s=total,
    )


def _weighted_median(ascending: Sequence[float], weights: Sequence[float]) -> float:
    """Value at which half the weight is reached; the middle of two when it falls between them."""
    half = math.fsum(weights) / 2
    reached = 0.0
    for i, weight in enumerate(weights):
        reached += weight
        if math.isclose(reached, half, rel_tol=1e-9) and i + 1 < len(weights):
            return (ascending[i] + ascending[i + 1]) / 2
        if reached > half:
            return ascending[i]
    return ascending[-1]


# --- individuals ------------------------------------------------------------------------------------


def flights_by_individual(measurement: Measurement) -> list[tuple[Bout, ...]]:
    """Share the bouts of a recording out among the bees that it holds, see `wingtone.tone.individuals`.

    Returns
    -------
    list of tuples of Bout
        Never empty. One bee, or none, or many at once: all bouts together, whatever their kind. Several: the
        flights of each, in the order in which they are first heard; buzzes that are not flight cannot be told
        to be anyone's and are left out.
    """
    bouts = measurement.tone.bouts
    shared = _individuals(bouts, measurement.flags)
    if shared is None or len(shared.groups) < 2:
        return [bouts]
    return [tuple(bouts[i] for i in group) for group in shared.groups]


def cues_by_individual(measurement: Measurement) -> list[ToneCue | None]:
    """Give the tone of each bee, in the order of `flights_by_individual`.

    None for one that was not heard flying, and where many bees at once cannot be told apart.
    """
    many = "many bees" in measurement.flags
    return [None if many else flight_cue(bouts) for bouts in flights_by_individual(measurement)]


def _individuals(bouts: Sequence[Bout], flags: Sequence[str]) -> Individuals | None:
    """Share out; None where single bees cannot be followed."""
    from wingtone.tone.individuals import individuals

    return None if "many bees" in flags else individuals(bouts)


LEAST_DOUBT = 0.2
"""Probability of one bee more from which it is mentioned. Ours."""


def _individual_advice(measurement: Measurement, number: int, *, seen: bool) -> list[Advice]:
    """Say how sure it is how many bees there are, and which of them an answer is about."""
    from wingtone.evidence.answer import Advice, percent

    shared = _individuals(measurement.tone.bouts, measurement.flags)
    if shared is None or not shared.groups:
        return []
    n, more = len(shared.groups), shared.more_odds / (1 + shared.more_odds)
    if n == 1:
        if more < LEAST_DOUBT:
            return []
        text = (
            "The flights are taken for one bee; by their tones, more than one has a chance of "
            f"{percent(more)}."
        )
        return [Advice("maybe several bees", text)]
    bouts = flights_by_individual(measurement)[number - 1]
    cue = flight_cue(bouts)
    tone = "" if cue is None else f", at {cue.f0_hz:.0f} Hz"
    why = "two tones sound at once" if shared.at_once > 1 else "the tones lie too far apart for one bee"
    sure = f" (chance that it is one bee after all: {percent(1 - more)})" if shared.at_once == 1 else ""
    also = "; what was seen is counted for each of them, so look at one bee at a time" if seen else ""
    text = (
        f"{n} bees are told apart, because {why}{sure}; this is number {number}, first heard at "
        f"{bouts[0].start_s:.1f} s{tone}{also}."
    )
    return [Advice("several bees", text)]


# --- narrowing --------------------------------------------------------------------------------------


def identify_measurement(
    measurement: Measurement,
    *,
    fauna: Fauna,
    date: datetime.date | None = None,
    place: Place | None = None,
    temperature_c: float | None = None,
    hints: Mapping[str, str],
    model: Model | None = None,
) -> list[Answer]:
    """Narrow who was flying in a recording.

    Parameters
    ----------
    measurement
        From `measure_recording`.
    fauna
        What is known of the bees.
    date, place
        When and where. What the recording says of itself is used for what is not given, except a date that
        is only the time of the file: that may be the day it was copied. Where what is given is clearly not
        what the recording says, a warning says so.
    temperature_c
        Air temperature, Celsius.
    hints
        What was seen: character to state, from `wingtone.evidence.parse_hints`.
    model
        A trained classifier whose word on each bee stands in place of the built-in tone cue. It is not asked
        where there is no tone, nor of flights during which another bee is heard, which a warning says.

    Returns
    -------
    list[Answer]
        One per individual, in the order of `flights_by_individual`: usually one. What was seen counts for
        each of them, and a warning says so. Without flight, or with many bees at once, there is one answer
        that rests on the other evidence alone.

    Raises
    ------
    RequestError, MissingExtraError, RecordingError
        With a model, see `wingtone.learn.model.model_words`.
    """
    from wingtone.evidence import identify
    from wingtone.evidence.answer import Advice

    recording = measurement.recording
    extra = _contradictions(recording, date=date, place=place)
    instead: dict[str, Advice] = {}  # by the code of what it says better
    if date is None:
        date = _stated_day(recording)
        if date is None and recording.recorded_at is not None:
            day = recording.recorded_at[:10]
            text = (
                f"Only the file's own time ({day}) hints at the day, and that may be the day it was copied, "
                "so the season was left out: give the date yourself."
            )
            instead["no date"] = Advice("file time weak", text)
    if place is None:
        try:
            place = stated_place(recording)
        except PlaceError:
            # The figures stay out of the text: a recording's place may be private.
            text = "The place that the recording states makes no sense: give the place yourself."
            extra.append(Advice("place not understood", text))
    answers = []
    bees, cues = flights_by_individual(measurement), cues_by_individual(measurement)
    words: list[Word | None] = [None] * len(bees)
    if model is not None and any(cues):
        from wingtone.learn.model import model_words

        words = [*model_words(model, recording.path, measurement.tone, bees=bees, fauna=fauna)]
    for number, (tone, word) in enumerate(zip(cues, words, strict=True), start=1):
        remarks = [] if word is None else [Advice(code, text) for code, text in word.warnings]
        answer = identify(
            fauna=fauna,
            tone=tone,
            date=date,
            place=place,
            temperature_c=temperature_c,
            hints=hints,
            model=None if word is None else word.likelihood,
        )
        doubt = _individual_advice(measurement, number, seen=bool(hints))
        own = (instead.get(advice.code, advice) for advice in answer.warnings)
        answers.append(dataclasses.replace(answer, warnings=(*own, *extra, *remarks, *doubt)))
    return answers


DAYS_APART, METRES_APART = 1, 5000
"""Beyond these, and the uncertainty of the place, what is given contradicts what a recording says of itself.
Ours: a day for time zones, and a walk."""


def _contradictions(
    recording: RecordingInfo, *, date: datetime.date | None, place: Place | None
) -> list[Advice]:
    """Say where the date or place given, which counts, is clearly not the recording's own."""
    from wingtone.evidence.answer import Advice

    told = []
    stated = _stated_day(recording)
    if date is not None and stated is not None and abs((stated - date).days) > DAYS_APART:
        text = (
            f"The date given, {date}, was taken, but the recording says that it was made on "
            f"{(recording.recorded_at or '')[:16].replace('T', ' at ')}: check which of them is right."
        )
        told.append(Advice("date contradicts recording", text))
    apart_m = 0.0 if place is None else _beyond_m(place, recording)
    if apart_m > METRES_APART:
        text = (  # how far, not where: the recording's own place may be private
            "The place given was taken, but the recording says that it was made at least "
            f"{apart_m / 1000:.0f} km from there: check which of them is right."
        )
        told.append(Advice("place contradicts recording", text))
    return told


def _beyond_m(place: Place, recording: RecordingInfo) -> float:
    """How far from a place a recording says that it was made, metres beyond the uncertainty of both; or 0."""
    from wingtone.notebook.nearby import distance_m

    try:
        own = stated_place(recording)
    except PlaceError:  # what makes no sense contradicts nothing
        return 0.0
    if own is None:
        return 0.0
    apart_m = distance_m(place, own.latitude_deg, own.longitude_deg)
    return max(apart_m - place.uncertainty_m - own.uncertainty_m, 0.0)


def _stated_day(recording: RecordingInfo) -> datetime.date | None:
    """Give the day that a recording states, in the zone it was written in; a file's own time states none."""
    if recording.recorded_at is None or recording.recorded_at_source == "file time":
        return None
    return datetime.date.fromisoformat(recording.recorded_at[:10])


def stated_place(recording: RecordingInfo) -> Place | None:
    """Give the place that a recording states; None when it states none.

    Raises
    ------
    PlaceError
        It makes no sense. The error tells the position, which may be private: do not pass it on.
    """
    if recording.latitude_deg is None or recording.longitude_deg is None:
        return None
    from wingtone.notebook.places import place_from_degrees

    return place_from_degrees(recording.latitude_deg, recording.longitude_deg)


# --- the published layouts --------------------------------------------------------------------------


def measure_json(measurement: Measurement) -> dict[str, Any]:
    """Lay a measurement out as ``wingtone/measure/1``."""
    return {"schema": MEASURE_SCHEMA, **_measured(measurement)}


def identify_json(
    measurement: Measurement, answer: Answer, *, individual: int, given_date: datetime.date | None = None
) -> dict[str, Any]:
    """Lay a measurement and the answer for one individual out as ``wingtone/identify/1``.

    ``individual`` counts from 1, as `identify_measurement` gives them; where there are several, only the
    bouts of this one are laid out. A ``given_date`` replaces the recording's own time, with source ``given``,
    unless that is of the same day: the recording knows the time of it as well.
    """
    measured = _measured(measurement)
    measured["bouts"] = [_bout_json(bout) for bout in flights_by_individual(measurement)[individual - 1]]
    if given_date is not None and given_date != _stated_day(measurement.recording):
        measured["recording"] |= {"recorded_at": given_date.isoformat(), "recorded_at_source": "given"}
    answered = answer.to_json()
    return {
        "schema": answered["schema"],
        "individual": individual,
        **measured,
        **answered,
        "warnings": measured["warnings"] + answered["warnings"],
    }


def _measured(measurement: Measurement) -> dict[str, Any]:
    recording = measurement.recording
    return {
        "recording": {
            "path": path_text(recording.path),
            "sha256": measurement.sha256,
            "duration_s": _number(recording.duration_s),
            "sample_rate_hz": recording.sample_rate_hz,
            "channels": recording.channels,
            "codec": recording.codec,
            "recorded_at": recording.recorded_at,
            "recorded_at_source": recording.recorded_at_source,
        },
        "bouts": [_bout_json(bout) for bout in measurement.tone.bouts],
        "flags": list(measurement.flags),
        "warnings": [{"code": code, "text": text} for code, text in measurement.warnings],
    }


def _bout_json(bout: Bout) -> dict[str, Any]:
    flyby = bout.flyby
    return {
        "kind": bout.kind,
        "start_s": _number(bout.start_s),
        "end_s": _number(bout.end_s),
        "f0_hz": _number(bout.f0_hz),
        "f0_low_hz": _number(bout.f0_low_hz),
        "f0_high_hz": _number(bout.f0_high_hz),
        "f0_spread_hz": _number(bout.f0_spread_hz),
        "snr_db": _number(bout.snr_db, digits=1),
        "harmonics_db": [_number(level, digits=1) for level in bout.harmonics_db],
        "flight_probability": _number(bout.flight_probability),
        "flyby": flyby and {name: _number(value) for name, value in dataclasses.asdict(flyby).items()},
        "flags": list(bout.flags),
    }


def _number(value: float, *, digits: int = 3) -> float | None:
    """Round for printing; None for NaN and infinity."""
    return round(float(value), digits) if math.isfinite(value) else None


def track_rows(measurement: Measurement) -> Iterator[tuple[float, float | None, str | None, float | None]]:
    """Give the tone line on an even grid from 0 to the end of the recording.

    Yields
    ------
    tuple
        ``(time_s, f0_hz, kind, f0_second_hz)`` every 10 ms; None where there is no tone. Where two bouts
        overlap, the one with the better signal-to-noise ratio is the first tone.
    """
    import numpy as np

    from wingtone.tone.spectrum import HOP_S

    track = measurement.tone.track
    bouts = measurement.tone.bouts
    places = np.rint(track.time_s / HOP_S).astype(int)
    at: dict[int, list[int]] = {}
    for k, place in enumerate(places.tolist()):
        at.setdefault(place, []).append(k)
    for place in range(math.floor(measurement.recording.duration_s / HOP_S) + 1):
        here = sorted(at.get(place, ()), key=lambda k: -bouts[track.bout[k]].snr_db)
        yield (
            round(place * HOP_S, 2),
            _number(track.f0_hz[here[0]]) if here else None,
            bouts[track.bout[here[0]]].kind if here else None,
            _number(track.f0_hz[here[1]]) if len(here) > 1 else None,
        )
