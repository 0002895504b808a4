"""Answers for the page: the identify JSON, and the numbers that its pictures are drawn from.

- `answers_of`: the answers of a measured recording.
- `answer_without`: an answer without a recording.
- `Word`: what a trained model said of one bee, asked in a worker and kept.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import zip_longest
from typing import TYPE_CHECKING, Any

import numpy as np

from wingtone.api import given_tone
from wingtone.evidence import Likelihood, identify
from wingtone.evidence.answer import Advice
from wingtone.evidence.case import posterior
from wingtone.evidence.engine import make_case
from wingtone.evidence.lineup import line_up
from wingtone.evidence.prior import at_home
from wingtone.evidence.weigh import weigh
from wingtone.evidence.words import evidence_sentence, plural_name
from wingtone.fauna import week_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from wingtone.clip import Measurement
    from wingtone.evidence import Answer, ToneCue
    from wingtone.fauna import Fauna
    from wingtone.web.seen import Seen

__all__ = ["Word", "answer_without", "answers_of", "laid_out", "laid_out_without"]

ABOUT_BEES = ("several bees", "maybe several bees", "place not understood")
"""Warnings that `wingtone.clip` adds to those of the model of evidence."""
SPECIES_BESIDE, SEASONS_SHOWN, NAMES_EXPLAINED = 3, 5, 6
WEEKS = 53
INTERVAL_90 = 1.645
"""Half-width of a 90 % interval in standard deviations: the level of an answer's size."""


@dataclass(frozen=True)
class Word:
    """What a trained model said of one bee of a recording."""

    likelihood: Likelihood | None
    warnings: tuple[tuple[str, str], ...]


def answers_of(
    measurement: Measurement, seen: Seen, *, fauna: Fauna, words: Sequence[Word] = ()
) -> list[Answer]:
    """Answer for each bee of a recording.

    Parameters
    ----------
    words
        A trained model's on each bee, in place of the built-in tone cue; empty without one.
    """
    from wingtone.clip import cues_by_individual, identify_measurement

    given: dict[str, Any] = {
        "fauna": fauna,
        "date": seen.date,
        "place": seen.place,
        "temperature_c": seen.temperature_c,
        "hints": seen.hints,
    }
    # What the recording says of day and place stands in the form already; emptied there, it does not count.
    silent = dataclasses.replace(
        measurement.recording,
        recorded_at=None,
        recorded_at_source=None,
        latitude_deg=None,
        longitude_deg=None,
    )
    answers = identify_measurement(dataclasses.replace(measurement, recording=silent), **given)
    cues = cues_by_individual(measurement)
    out = []
    for answer, cue, word in zip_longest(answers, cues, words[: len(answers)]):
        told = answer
        if word is not None and word.likelihood is not None and cue is not None:
            told = identify(tone=cue, model=word.likelihood, **given)
            kept = [warning for warning in answer.warnings if warning.code in ABOUT_BEES]
            told = _warned(told, kept)
        out.append(told if word is None else _warned(told, [Advice(*pair) for pair in word.warnings]))
    return out


def _warned(answer: Answer, more: list[Advice]) -> Answer:
    return dataclasses.replace(answer, warnings=(*answer.warnings, *more))


def answer_without(seen: Seen, *, f0_hz: float | None, fauna: Fauna) -> Answer:
    """Answer without a recording, from a tone in Hz if there is one."""
    tone = None if f0_hz is None else given_tone(f0_hz)
    return identify(
        fauna=fauna,
        tone=tone,
        date=seen.date,
        place=seen.place,
        temperature_c=seen.temperature_c,
        hints=seen.hints,
    )


def laid_out(
    measurement: Measurement,
    answer: Answer,
    *,
    individual: int,
    seen: Seen,
    fauna: Fauna,
    word: Word | None = None,
) -> dict[str, Any]:
    """Lay an answer out as ``wingtone/identify/1`` with the numbers of its pictures.

    ``word`` is the model's that stands behind the answer, None when the built-in cue does.
    """
    from wingtone.clip import cues_by_individual, identify_json

    body = identify_json(measurement, answer, individual=individual)
    body["recording"]["path"] = measurement.recording.path.name  # where the desk lies is nobody's business
    tone = cues_by_individual(measurement)[individual - 1]
    likelihood = word.likelihood if word is not None and tone is not None else None
    return {**body, "pictures": _pictures(answer, seen, fauna, tone=tone, likelihood=likelihood)}


def laid_out_without(answer: Answer, *, f0_hz: float | None, seen: Seen, fauna: Fauna) -> dict[str, Any]:
    """Lay an answer without a recording out the same way."""
    tone = None if f0_hz is None else given_tone(f0_hz)
    return {**answer.to_json(), "pictures": _pictures(answer, seen, fauna, tone=tone, likelihood=None)}


def _pictures(
    answer: Answer, seen: Seen, fauna: Fauna, *, tone: ToneCue | None, likelihood: Likelihood | None
) -> dict[str, Any]:
    known = {taxon.taxon for taxon in fauna.taxa}
    shown = [share for share in answer.taxa if share.taxon in known][:SEASONS_SHOWN]
    home = at_home(line_up(fauna), seen.place)
    latitude_deg = None if home is None else round(home.latitude_deg)
    weeks = _weeks(fauna, latitude_deg)
    return {
        "size": _size(answer, fauna),
        "season": [
            {"taxon": share.taxon, "vernacular": share.vernacular, "weeks": weeks[share.taxon]}
            for share in shown
        ],
        "week": None if seen.date is None else min(WEEKS, int(week_of(seen.date))),
        "why": _why(answer, seen, fauna, tone, likelihood),
    }


def _why(
    answer: Answer, seen: Seen, fauna: Fauna, tone: ToneCue | None, likelihood: Likelihood | None
) -> list[dict[str, Any]]:
    """What speaks for and against each of the likeliest names, as the answer tells it of its leading one."""
    lineup = line_up(fauna)
    case = make_case(
        lineup,
        tone=tone,
        date=seen.date,
        place=seen.place,
        temperature_c=seen.temperature_c,
        hints=seen.hints,
        model=likelihood,
    )
    probability = posterior(lineup, case)
    out = []
    for share in answer.taxa[:NAMES_EXPLAINED]:
        leading = lineup.taxon_of == lineup.taxa.index(share.taxon)
        top = int(np.where(leading, probability, -1.0).argmax())
        label = plural_name(lineup, top)
        pieces = []
        for piece in weigh(lineup, case, leading):
            pieces.append(
                {
                    "kind": piece.kind,
                    "name": piece.name,
                    "weight_bits": piece.weight_bits if math.isfinite(piece.weight_bits) else None,
                    "summary": evidence_sentence(lineup, case, piece, leading, top, label),
                }
            )
        out.append({"taxon": share.taxon, "evidence": pieces})
    return out


def _size(answer: Answer, fauna: Fauna) -> dict[str, Any] | None:
    """Size of the bee, and of queens and workers of the likely species beside it; None without a size.

    In full digits: what is rounded twice, here and where it is shown, may contradict the answer's sentence.
    """
    size = answer.size
    if not math.isfinite(size.itd_mm):
        return None
    bees = {taxon.taxon for taxon in fauna.taxa if taxon.is_bumblebee}
    likely = [share.taxon for share in answer.taxa if share.taxon in bees][:SPECIES_BESIDE]
    beside = []
    for taxon in likely:
        for number, entry in enumerate(fauna.entries):
            if entry.taxon != taxon or entry.form or entry.caste not in ("queen", "worker", "cuckoo female"):
                continue
            mean, sd = float(fauna.itd_mean_mm[number]), float(fauna.itd_sd_mm[number])
            if math.isfinite(mean):
                beside.append(
                    {
                        "taxon": taxon,
                        "vernacular": entry.vernacular,
                        "caste": entry.caste,
                        "itd_mm": mean,
                        "itd_low_mm": mean - INTERVAL_90 * sd,
                        "itd_high_mm": mean + INTERVAL_90 * sd,
                    }
                )
    return {
        "itd_mm": size.itd_mm,
        "itd_low_mm": size.itd_low_mm,
        "itd_high_mm": size.itd_high_mm,
        "beside": beside,
    }


@lru_cache(maxsize=16)
def _weeks(fauna: Fauna, latitude_deg: float | None) -> dict[str, list[float]]:
    """How much of each taxon flies in weeks 1 to 53, all castes together, its best week being 1."""
    if latitude_deg is None:
        year = line_up(fauna).year(None)
        year = np.concatenate([year, year[:1]])
    else:
        year = np.array([fauna.season(week + 0.5, latitude_deg) for week in range(1, WEEKS + 1)])
    out = {}
    for taxon in {entry.taxon for entry in fauna.entries}:
        own = [number for number, entry in enumerate(fauna.entries) if entry.taxon == taxon]
        share = np.array([fauna.entries[number].share for number in own])
        total = year[:, own] @ share
        out[taxon] = [round(float(value), 3) for value in total / total.max()]
    return out
