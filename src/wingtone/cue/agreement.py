"""What the tone of a clip says of the name and caste that somebody wrote down.

The measure
-----------
The weight of the tone for the stated bee, in bits (I. J. Good's weight of evidence), under the model of
`wingtone.evidence`:

    weight = log2  P(tone | stated) / P(tone | everything else that flies that day, there)

Both sides are means over candidates, weighted with how many of each are met that day and there; where the
caste was not stated, over the castes in season. The date and place thus only say what the stated bee is
compared with; they do not speak for or against it themselves, since that is not a question for the sound.

The words
---------
``agrees`` from +1 bit, ``disagrees`` from -1.5 bits, else ``says little``. Ours, chosen because:

- Of right records at most 2**-k can come out at -k bits or less, whatever the bees, if the model is right
  (Markov's inequality: the mean of P(tone | else) / P(tone | stated) over tones of the stated bee is 1). On
  made-up records with one name in ten wrong (``tests/benchmarks/cue.py``) it is far fewer: at -1.5 bits about
  one right record in 250 and one wrong one in three, so that nine of ten flags are mistakes; at -1 bit one
  right record in 70, and one flag in five is a false alarm.
- A tone rarely speaks *for* one bee by much: many others sound alike. One bit, twice as likely, is then worth
  telling.

Where the fauna ends
--------------------
Outside its area nobody knows what else flies, so the tone is compared with nothing. The size of a bee can be
told from its tone among bumblebees alone: of a record of anything else no size or caste is given.

- `Stated`, `stated_bee`: whom a record means, as candidates.
- `Verdict`, `judge`: what the tone says.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from wingtone.evidence.answer import percent
from wingtone.evidence.lineup import CASTES, line_up
from wingtone.evidence.prior import in_season, is_outside, log_prior, season_date
from wingtone.evidence.tone_size import itd_interval, tone_terms
from wingtone.fauna.names import says_bumblebee

if TYPE_CHECKING:
    import datetime as dt

    from numpy.typing import NDArray

    from wingtone.evidence import ToneCue
    from wingtone.evidence.lineup import Lineup
    from wingtone.fauna import Fauna
    from wingtone.notebook.places import Place

    Floats = NDArray[np.float64]
    Mask = NDArray[np.bool_]

__all__ = ["AGREES_BITS", "DISAGREES_BITS", "SIZE_LEVEL", "Stated", "Verdict", "judge", "stated_bee"]

AGREES_BITS = 1.0
DISAGREES_BITS = -1.5
"""Ours; the reasons stand at the head of the module."""

EVEN_BITS = 0.4
"""Below this a tone is called about as likely: up to a third more or less. Ours."""

OFF_SEASON = 0.05
"""Share of its best week, and of all that is met then, below which a bee is said to be met hardly ever then.
Ours: that of `wingtone.evidence.words`."""

SIZE_LEVEL = 0.9
"""Level of the size interval, that of `wingtone.evidence`."""

_PLURALS = {
    "queen": "queens",
    "worker": "workers",
    "male": "males",
    "female": "females",
    "cuckoo female": "females",
}
_MEANT = {
    "queen": ("queen",),
    "worker": ("worker",),
    "male": ("male", "drone"),
    "female": ("queen", "worker", "cuckoo female", "female"),
    "cuckoo female": ("cuckoo female",),
}
"""Castes as written down, and the castes of a fauna they may stand for."""

_ANY_BUMBLEBEE = re.compile(r"bombus( sp+\.?| species| indet\.?)?|bumble[ -]?bees?( sp+\.?)?")
"""A bumblebee, whichever (common practice, no source)."""


@dataclass(frozen=True, eq=False)
class Stated:
    """Whom a record means.

    Attributes
    ----------
    taxa
        Candidates with the stated name, shape (n,); all bumblebees when only the genus is stated, or a
        bumblebee that the fauna does not know; none when it does not know the name at all; all where
        neither name nor caste is stated.
    candidates
        Those of them with the stated caste; none when it cannot be told whom the record means.
    words
        Whom, in the plural: ``queens of Bombus terrestris``.
    note
        Why there are no candidates; empty when there are.
    """

    taxa: Mask
    candidates: Mask
    words: str
    note: str = ""


@dataclass(frozen=True)
class Verdict:
    """What a tone says of one record; NaN and empty where it says nothing.

    Attributes
    ----------
    itd_mm, itd_low_mm, itd_high_mm
        Size of the bee by its tone, the date and the place, whichever bumblebee was stated; 90 % interval.
    caste, caste_probability
        The likeliest caste given tone, date and place, and the name if the fauna knows it; it can be no
        bumblebee where nothing was stated. No caste is given, and no size, when something else than a
        bumblebee was stated; no size either when nothing was stated and a bumblebee is less likely than not.
    agreement
        ``agrees``, ``says little``, ``disagrees``, or empty.
    weight_bits
        See the head of this module.
    sentence, note
        In words; and why there is no agreement.
    """

    itd_mm: float
    itd_low_mm: float
    itd_high_mm: float
    caste: str
    caste_probability: float
    agreement: str
    weight_bits: float
    sentence: str
    note: str = ""


def stated_bee(fauna: Fauna, *, taxon: str, vernacular: str = "", caste: str = "", sex: str = "") -> Stated:
    """Find the candidates that a record means.

    Parameters
    ----------
    taxon, vernacular
        As written down; the plain name counts where the scientific one is missing or not known.
    caste, sex
        Of `wingtone.notebook.records`; a sex counts where no caste was given.
    """
    lineup = line_up(fauna)
    names = [name for name in (taxon, vernacular) if name.strip()]
    meant = next((found for name in names if (found := _meant(fauna, name)) is not None), None)
    taxa, called = lineup.is_bumblebee, ""
    if meant is not None:
        called = meant[0]
        taxa = np.array([lineup.taxa[i] in meant[1] for i in lineup.taxon_of])
    elif names:
        return _unknown(fauna, names)
    if not taxa.any():
        note = f"{called} is no longer found in the area of the fauna {fauna.id}"
        return Stated(lineup.is_bumblebee, taxa, "", note)
    wanted = caste or sex
    if wanted == "not a bumblebee":
        if not names:
            return Stated(~lineup.is_bumblebee, ~lineup.is_bumblebee, "other insects")
        wanted = ""
    if not names and not wanted:
        note = "the record states neither a name nor a caste, so there is nothing to compare"
        return Stated(np.ones(len(lineup), bool), np.zeros(len(lineup), bool), "", note)
    candidates = taxa
    if wanted:
        candidates = taxa & np.isin(lineup.castes, _MEANT[wanted])
        if wanted == "queen" and not candidates.any():  # cuckoo females are called queens as well
            candidates = taxa & np.isin(lineup.castes, _MEANT["cuckoo female"])
        if not candidates.any() and wanted in ("female", "male"):  # where the sexes are not told apart
            candidates = taxa & (np.array(lineup.castes) == "adult")
        if not candidates.any():
            return Stated(taxa, candidates, "", _no_such(fauna, called, wanted, taxa & lineup.is_bumblebee))
    who = _PLURALS.get(wanted, "")
    if called:
        words = f"{who} of {called}" if who else called
    else:
        words = f"bumblebee {who}" if who else "bumblebees"
    return Stated(taxa, candidates, words)


def _meant(fauna: Fauna, name: str) -> tuple[str, frozenset[str]] | None:
    """Find the name in the fauna's own words and the taxa it stands for; None when the fauna lacks it."""
    if _ANY_BUMBLEBEE.fullmatch(" ".join(name.casefold().split())):
        return "", frozenset(taxon.taxon for taxon in fauna.taxa if taxon.is_bumblebee)
    found = fauna.names.meant(name)
    return None if found is None else (found.name, found.taxa)


def _no_such(fauna: Fauna, called: str, caste: str, bumblebees: Mask) -> str:
    """Say that there are none of a caste; of other insects only that the fauna has none."""
    who = "cuckoo females" if caste == "cuckoo female" else _PLURALS[caste]
    if bumblebees.any():
        return f"there are no {who} of {called}"
    return f"the fauna {fauna.id} has no {who} of {called}, so the sound was not compared with them"


def _unknown(fauna: Fauna, names: list[str]) -> Stated:
    """Say that the fauna lacks a name; size and caste are told only of what the name says is a bumblebee."""
    lineup = line_up(fauna)
    name = names[0].strip()
    several = bool(fauna.names.ending(name))  # "hornet", "cuckoo bumblebee"
    what = "may be more than one of" if several else "is not in"
    note = f"{name} {what} the fauna {fauna.id}, so the sound was not compared with it"
    nobody = np.zeros(len(lineup), bool)
    if any(says_bumblebee(name) for name in names):
        return Stated(lineup.is_bumblebee, nobody, "", note)
    return Stated(nobody, nobody, "", f"{note}; nor is it known to be a bumblebee, so no size is given")


def judge(
    fauna: Fauna,
    stated: Stated,
    cue: ToneCue,
    *,
    date: dt.date | None,
    place: Place | None,
    temperature_c: float | None = None,
) -> Verdict:
    """Weigh the tone for the stated bee against all others possible then and there.

    Parameters
    ----------
    stated
        From `stated_bee`, with the same fauna.
    cue
        The tone of one individual.
    date, place, temperature_c
        When, where, and the air in degrees Celsius; None when not known.
    """
    lineup = line_up(fauna)
    date = season_date(lineup, date, place)
    prior = np.exp(log_prior(lineup, date, place))
    terms = tone_terms(lineup.tone, cue, temperature_c=temperature_c)
    likelihood = np.exp(terms.log_likelihood)
    posterior = prior * likelihood
    bees = np.where(lineup.is_bumblebee, posterior, 0.0)
    of_name = np.where(stated.taxa, posterior, 0.0)
    caste, share = _caste(lineup, of_name if of_name.any() else posterior)
    # Of a bumblebee with this tone, whichever was stated.
    low, middle, high = itd_interval(terms, bees, level=SIZE_LEVEL)
    told = (middle, low, high, caste, share)
    if not (stated.taxa & lineup.is_bumblebee).any():
        told = (math.nan, math.nan, math.nan, "", math.nan)
    elif stated.taxa.all() and bees.sum() < 0.5 * posterior.sum():
        told = (math.nan, math.nan, math.nan, caste, share)
    if not stated.candidates.any():
        return Verdict(*told, "", math.nan, "", stated.note)
    if is_outside(lineup, place):
        note = f"the place lies outside the area of the fauna {fauna.id}, so the sound was not compared"
        return Verdict(*told, "", math.nan, "", note)
    met = prior[stated.candidates]
    note = ""
    if not met.sum() > 0.0:  # not known from there; the castes and forms then count alike
        met = np.ones_like(met)
        note = f"{stated.words} are not known from there"
    elif date is not None and _is_off_season(lineup, stated.candidates, date, place, met=float(met.sum())):
        note = f"{stated.words} are hardly ever met at that time of the year, which the sound does not tell"
    for_stated = float(met @ likelihood[stated.candidates] / met.sum())
    others = ~stated.candidates
    for_others = float(prior[others] @ likelihood[others] / prior[others].sum())
    bits = math.log2(for_stated / for_others)
    agreement = "agrees" if bits >= AGREES_BITS else "disagrees" if bits <= DISAGREES_BITS else "says little"
    verdict = Verdict(*told, agreement, bits, "", note)
    return replace(verdict, sentence=_sentence(stated, cue, verdict, dated=date is not None))


def _is_off_season(
    lineup: Lineup, candidates: Mask, date: dt.date, place: Place | None, *, met: float
) -> bool:
    """Tell whether these bees hardly fly then; the last that fly in winter, when hardly any do, still do."""
    fly = in_season(lineup, date, place)[candidates[:-1]]
    return met < OFF_SEASON and bool(fly.size) and bool(np.nanmax(fly) < OFF_SEASON)


def _caste(lineup: Lineup, weight: Floats) -> tuple[str, float]:
    shares = lineup.by_caste(weight / weight.sum())
    return CASTES[int(shares.argmax())], float(shares.max())


def _sentence(stated: Stated, cue: ToneCue, verdict: Verdict, *, dated: bool) -> str:
    bits, caste = verdict.weight_bits, verdict.caste
    times = 2.0 ** abs(bits)
    factor = "more than 1000" if times > 1000 else f"{times:.0f}" if times >= 9.95 else f"{times:.1f}"
    rest = "anything else that flies there then" if dated else "anything else"
    if abs(bits) < EVEN_BITS:
        text = f"is about as likely from {stated.words} as from {rest}"
    elif bits > 0:
        text = f"is {factor} times as likely from {stated.words} as from {rest}"
    else:
        text = f"is {factor} times less likely from {stated.words} than from {rest}"
    if verdict.agreement == "says little":
        text += ": the sound says little here"
    told = caste in _PLURALS and _PLURALS[caste] not in stated.words.split()
    if verdict.agreement == "disagrees" and told:
        text += f"; it sounds like a {caste} ({percent(verdict.caste_probability)})"
    return f"{cue.f0_hz:.0f} Hz {text}."
