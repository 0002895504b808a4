"""Recordings, or just what was seen, to candidates: `identify` and `Answers`."""

from __future__ import annotations

import dataclasses
import math
import os
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, overload

from wingtone.api.given import date_given, fauna_given, hints_given, listed, number_within, place_given
from wingtone.api.measurements import measure, measured_before
from wingtone.api.showing import columns_of, shown
from wingtone.errors import RequestError, how_many, one_line, shown_value

if TYPE_CHECKING:
    import datetime

    from wingtone.clip import Measurement
    from wingtone.evidence import Answer, ToneCue
    from wingtone.fauna import Fauna
    from wingtone.learn.model import Model
    from wingtone.notebook.places import Place

    PathLike = str | os.PathLike[str]

__all__ = ["ANSWER_COLUMNS", "F0_RANGE_HZ", "Answers", "given_tone", "identify"]

F0_RANGE_HZ = (40, 500)
"""What ``f0_hz`` takes. Ours: bumblebees fly at about 100 to 220 Hz; the rest leaves room for large hornets
and small flies, so that they are recognised as such instead of being refused."""

GIVEN_F0_ERROR = 0.03
"""Half-width of the 95 % interval given to a tone that was not measured here, as a share. Ours: half a
semitone, what a person reads off a tuner that jumps about, or hums after the bee."""

ANSWER_COLUMNS = (
    "path",
    "individual",
    "record_as",
    "rank",
    "taxon",
    "vernacular",
    "taxon_probability",
    "caste",
    "caste_probability",
    "itd_mm",
    "itd_low_mm",
    "itd_high_mm",
    "n_flights",
    "f0_hz",
    "f0_low_hz",
    "f0_high_hz",
)
"""Columns of `Answers`: where from, the name to write down, the likeliest taxon and caste, size, tone."""


@dataclass(frozen=True)
class _Source:
    """Where an answer comes from: a recording and the number of the bee in it, and its tone."""

    measurement: Measurement | None
    individual: int
    tone: ToneCue | None


@dataclass(frozen=True, eq=False, repr=False)
class Answers(Sequence["Answer"]):
    """Who it may have been: a sequence of `wingtone.evidence.Answer`, one an individual.

    Attributes
    ----------
    answers
        In the order of the recordings and of the bees in each.
    """

    answers: tuple[Answer, ...]
    _sources: tuple[_Source, ...]
    _given_date: datetime.date | None = None

    @overload
    def __getitem__(self, index: int) -> Answer: ...
    @overload
    def __getitem__(self, index: slice) -> Answers: ...
    def __getitem__(self, index: int | slice) -> Answer | Answers:
        """Give one answer, or some of them."""
        if isinstance(index, slice):
            return Answers(self.answers[index], self._sources[index], self._given_date)
        return self.answers[index]

    def __len__(self) -> int:
        return len(self.answers)

    def rows(self) -> list[dict[str, Any]]:
        """Give a row an answer, with the keys `ANSWER_COLUMNS`; the whole of it is in the answer itself."""
        return [_answer_row(a, s) for a, s in zip(self.answers, self._sources, strict=True)]

    def table(self) -> dict[str, list[Any]]:
        """Give the same as columns, name to values."""
        return columns_of(self.rows(), ANSWER_COLUMNS)

    def to_json(self) -> list[dict[str, Any]]:
        """Lay each answer out as ``wingtone/identify/1``."""
        from wingtone.clip import identify_json

        return [
            answer.to_json()
            if source.measurement is None
            else identify_json(
                source.measurement, answer, individual=source.individual, given_date=self._given_date
            )
            for answer, source in zip(self.answers, self._sources, strict=True)
        ]

    def __repr__(self) -> str:
        lines = [_answer_line(a, s) for a, s in zip(self.answers, self._sources, strict=True)]
        return shown(how_many(len(self), "answer"), lines)


def identify(
    recording: PathLike | Measurement | Iterable[PathLike] | Iterable[Measurement] | None = None,
    *,
    f0_hz: float | None = None,
    date: str | datetime.date | None = None,
    place: str | tuple[float, float] | Place | None = None,
    temperature_c: float | None = None,
    hints: Mapping[str, object] | Iterable[str] | None = None,
    model: PathLike | Model | None = None,
    fauna: PathLike | Fauna | None = None,
) -> Answers:
    """Narrow who was flying, from the sound, the date, the place and what was seen.

    Parameters
    ----------
    recording
        What `measure` takes, or gave, or some of that; None when there is no recording. What follows counts
        for all of it.
    f0_hz
        The tone of the flight when there is no recording, 40 to 500 Hz; 3 % of error are allowed for.
    date
        Day of the observation: a date, or a text such as ``2026-03-20``. None for the day that the recording
        states.
    place
        A text as on the command line (``"51.46,-0.30"``, ``"TQ 18 75"``), latitude and longitude in degrees,
        or a `wingtone.notebook.places.Place`. None for the place the recording states.
    temperature_c
        Air temperature.
    hints
        What was seen: a mapping such as ``{"tail": "white"}``, or texts such as ``["tail=white"]``. None, NaN
        and ``?`` mean not seen, so that a row of a data frame will do.
    model
        A classifier of ``wingtone train`` in place of the built-in tone cue: a file, or ``"demonstration"``.
    fauna
        A folder with the tables of another region; None for the bees of Britain and Ireland.

    Returns
    -------
    Answers
        One `wingtone.evidence.Answer` an individual: usually one a recording.

    Raises
    ------
    RecordingError
        As `measure`. To go on without the recordings that cannot be used, give
        ``measure(..., failures="keep")`` instead of paths.
    RequestError
        Nothing to go on, a tone beside a recording, a model without one, a number that cannot be; as
        DateError, PlaceError and HintError for what was not understood.
    InputError
        A model or a fauna that cannot be used.

    Examples
    --------
    >>> answers = identify(f0_hz=120, date="2026-03-05", hints={"tail": "buff"})
    >>> answers[0].record_as.taxon
    'Bombus terrestris'
    >>> answers.rows()[0]["caste"]
    'queen'
    """
    from wingtone import evidence
    from wingtone.clip import cues_by_individual, identify_measurement
    from wingtone.notebook.records import COLDEST_C, WARMEST_C

    seen = hints_given(hints)
    known: dict[str, Any] = {
        "date": date_given(date),
        "place": place_given(place),
        "temperature_c": number_within(temperature_c, COLDEST_C, WARMEST_C, "temperature_c"),
    }
    tone = None if f0_hz is None else given_tone(f0_hz)
    if recording is None and tone is None and not seen and known["date"] is None and known["place"] is None:
        raise RequestError(
            "nothing to go on", remedy="give a recording, f0_hz, or what was seen", where="identify"
        )
    if recording is not None and tone is not None:
        raise RequestError("f0_hz is for when there is no recording", remedy="leave one of the two out")
    if model is not None and recording is None:
        raise RequestError("a model judges the sound of a recording", remedy="give one, or no model")
    bees = fauna_given(fauna)
    known |= {"fauna": bees, "hints": evidence.parse_hints(seen, fauna=bees)}
    if recording is None:
        return Answers((evidence.identify(tone=tone, **known),), (_Source(None, 1, tone),))
    classifier = None if model is None else _model(model, bees)
    answers: list[Answer] = []
    sources: list[_Source] = []
    for measurement in _measured(recording):
        own = identify_measurement(measurement, model=classifier, **known)
        answers += [_with_notice(answer, classifier) for answer in own]
        sources += [_Source(measurement, i, cue) for i, cue in enumerate(cues_by_individual(measurement), 1)]
    return Answers(tuple(answers), tuple(sources), known["date"])


def given_tone(f0_hz: float) -> ToneCue:
    """Make a cue of a tone that somebody read off or hummed; 3 % of error are allowed for.

    Raises
    ------
    RequestError
        It is not between 40 and 500 Hz.
    """
    from wingtone.evidence import ToneCue

    number_within(f0_hz, *F0_RANGE_HZ, "f0_hz")
    low, high = f0_hz * (1 - GIVEN_F0_ERROR), f0_hz * (1 + GIVEN_F0_ERROR)
    return ToneCue(f0_hz=f0_hz, f0_low_hz=low, f0_high_hz=high, n_bouts=1, duration_s=0.0)


def _measured(recording: Any) -> Sequence[Measurement]:
    given = listed(recording)
    before = measured_before(given)
    return measure(given) if before is None else before


def _model(given: object, fauna: Fauna) -> Model:
    from wingtone.learn.model import Model, check_usable
    from wingtone.learn.model_file import load_model

    if not isinstance(given, (str, os.PathLike, Model)):
        remedy = 'give the file of a model, or "demonstration"'
        raise RequestError(f"{shown_value(given)} is no model", remedy=remedy)
    model = given if isinstance(given, Model) else load_model(given)
    check_usable(model, fauna=fauna)
    return model


def _with_notice(answer: Answer, model: Model | None) -> Answer:
    """Say with the answer what must be said whenever a model is used."""
    from wingtone.evidence.answer import Advice

    if model is None or not model.notice:
        return answer
    text = f"The model {model.name}: {model.notice.rstrip('.')}."
    return dataclasses.replace(answer, warnings=(*answer.warnings, Advice("model notice", text)))


def _answer_row(answer: Answer, source: _Source) -> dict[str, Any]:
    taxon, caste, size, tone = answer.taxa[0], answer.castes[0], answer.size, source.tone
    values = (
        None if source.measurement is None else source.measurement.recording.path,
        source.individual,
        answer.record_as.taxon or None,
        answer.record_as.rank,
        taxon.taxon,
        taxon.vernacular,
        taxon.probability,
        caste.caste,
        caste.probability,
        *(None if math.isnan(mm) else mm for mm in (size.itd_mm, size.itd_low_mm, size.itd_high_mm)),
        0 if source.measurement is None or tone is None else tone.n_bouts,
        *((None, None, None) if tone is None else (tone.f0_hz, tone.f0_low_hz, tone.f0_high_hz)),
    )
    return dict(zip(ANSWER_COLUMNS, values, strict=True))


def _answer_line(answer: Answer, source: _Source) -> str:
    from wingtone.evidence.answer import percent

    row = _answer_row(answer, source)
    head = "" if row["path"] is None else f"{one_line(Path(row['path']).name)}, bee {row['individual']}: "
    name = row["record_as"] or f"no name yet, likeliest {row['taxon']}"
    line = f"{head}{name}; {row['caste']} {percent(row['caste_probability'])}"
    if row["itd_mm"] is not None:
        line += f"; ITD {row['itd_low_mm']:.1f}-{row['itd_high_mm']:.1f} mm"
    asked = answer.look_next[:1]
    return line + "".join(f"; look next at: {look.character}" for look in asked)
