"""What an identification gives back: plain frozen values and their JSON.

The parts are those of the identify JSON. Unknown numbers are NaN in Python and ``null`` in JSON;
probabilities are between 0 and 1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, Literal

__all__ = [
    "SCHEMA",
    "Advice",
    "Answer",
    "Candidate",
    "CasteShare",
    "CredibleSet",
    "Evidence",
    "LookNext",
    "RecordAs",
    "Size",
    "TaxonShare",
    "percent",
]

SCHEMA = "wingtone/identify/1"

Rank = Literal["species", "aggregate", "genus", "none"]
EvidenceKind = Literal["date", "place", "tone", "hint", "model"]


def percent(probability: float) -> str:
    """Write a probability in whole percent for people, never as 0 or 100: nothing here is that sure."""
    whole = f"{100.0 * probability:.0f} %"
    return {"0 %": "under 1 %", "100 %": "over 99 %"}.get(whole, whole)


@dataclass(frozen=True)
class CasteShare:
    """Probability of a caste: queen, worker, male, cuckoo female or not a bumblebee."""

    caste: str
    probability: float


@dataclass(frozen=True)
class Size:
    """Size of the bee from its tone.

    Attributes
    ----------
    itd_mm, itd_low_mm, itd_high_mm
        Median and equal-tailed interval of the intertegular distance; all NaN when the tone says
        nothing about size (no tone, or probably not a bumblebee).
    level
        Probability inside the interval.
    words
        Size class of the median, "very small" ... "very large"; empty when unknown.
    summary
        One plain sentence.
    """

    itd_mm: float
    itd_low_mm: float
    itd_high_mm: float
    level: float
    words: str
    summary: str


@dataclass(frozen=True)
class Candidate:
    """One taxon in one caste."""

    taxon: str
    vernacular: str
    caste: str
    probability: float


@dataclass(frozen=True)
class TaxonShare:
    """One taxon, summed over its castes."""

    taxon: str
    vernacular: str
    probability: float


@dataclass(frozen=True)
class CredibleSet:
    """The fewest taxa that hold the truth with at least this probability, likeliest first."""

    level: float
    taxa: tuple[str, ...]


@dataclass(frozen=True)
class RecordAs:
    """The name a careful recorder would write down; ``taxon`` is empty when the rank is none."""

    taxon: str
    rank: Rank
    reason: str


@dataclass(frozen=True)
class Evidence:
    """What one piece of evidence did.

    ``weight_bits`` is the base-2 logarithm of the factor by which this piece, added to all the
    others, changes the odds of the leading name (`wingtone.evidence.weigh.weigh`).
    """

    kind: EvidenceKind
    name: str
    weight_bits: float
    summary: str


@dataclass(frozen=True)
class LookNext:
    """A character worth looking at, what it would tell on the average, and how to ask for it."""

    character: str
    expected_bits: float
    question: str


@dataclass(frozen=True)
class Advice:
    """A warning: a short code for programs and a sentence for people."""

    code: str
    text: str


@dataclass(frozen=True)
class Answer:
    """The whole answer. ``candidates``, ``taxa`` and ``castes`` each sum to 1, likeliest first."""

    castes: tuple[CasteShare, ...]
    size: Size
    candidates: tuple[Candidate, ...]
    taxa: tuple[TaxonShare, ...]
    credible_set: CredibleSet
    record_as: RecordAs
    evidence: tuple[Evidence, ...]
    look_next: tuple[LookNext, ...]
    warnings: tuple[Advice, ...]

    def to_json(self) -> dict[str, Any]:
        """Return the answer as the identify JSON object: plain types, ``null`` for unknown, never NaN."""

        def number(value: float) -> float | None:
            return float(value) if math.isfinite(value) else None

        record = self.record_as
        return {
            "schema": SCHEMA,
            "castes": [{"caste": c.caste, "probability": number(c.probability)} for c in self.castes],
            "size": {
                "itd_mm": number(self.size.itd_mm),
                "itd_low_mm": number(self.size.itd_low_mm),
                "itd_high_mm": number(self.size.itd_high_mm),
                "level": self.size.level,
                "words": self.size.words or None,
                "summary": self.size.summary,
            },
            "candidates": [
                {
                    "taxon": c.taxon,
                    "vernacular": c.vernacular,
                    "caste": c.caste,
                    "probability": number(c.probability),
                }
                for c in self.candidates
            ],
            "taxa": [
                {"taxon": t.taxon, "vernacular": t.vernacular, "probability": number(t.probability)}
                for t in self.taxa
            ],
            "credible_set": {"level": self.credible_set.level, "taxa": list(self.credible_set.taxa)},
            "record_as": {"taxon": record.taxon or None, "rank": record.rank, "reason": record.reason},
            "evidence": [
                {"kind": e.kind, "name": e.name, "weight_bits": number(e.weight_bits), "summary": e.summary}
                for e in self.evidence
            ],
            "look_next": [
                {
                    "character": look.character,
                    "expected_bits": number(look.expected_bits),
                    "question": look.question,
                }
                for look in self.look_next
            ],
            "warnings": [{"code": w.code, "text": w.text} for w in self.warnings],
        }
