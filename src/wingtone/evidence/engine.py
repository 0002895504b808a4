"""From a tone, a date, a place and what was seen to an answer.

See `wingtone.evidence` for the model in one page.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from wingtone.evidence.answer import (
    Advice,
    Answer,
    Candidate,
    CasteShare,
    CredibleSet,
    Evidence,
    Size,
    TaxonShare,
    percent,
)
from wingtone.evidence.case import Case, posterior
from wingtone.evidence.hints import check_hints
from wingtone.evidence.lineup import CASTES, SOMETHING_ELSE, line_up
from wingtone.evidence.look_next import look_next
from wingtone.evidence.naming import name_it
from wingtone.evidence.prior import is_outside, season_date
from wingtone.evidence.weigh import misfits, stranger, unseasonal, weigh
from wingtone.evidence.words import LITTLE_BITS, evidence_sentence, plural_name, size_sentence

if TYPE_CHECKING:
    import datetime as dt
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from wingtone.evidence.answer import RecordAs
    from wingtone.evidence.case import Likelihood
    from wingtone.evidence.lineup import Lineup
    from wingtone.evidence.naming import Naming
    from wingtone.evidence.tone_size import ToneCue
    from wingtone.evidence.weigh import Misfit, Stranger, Weighed
    from wingtone.fauna import Fauna
    from wingtone.notebook.places import Place

    Floats = NDArray[np.float64]

__all__ = ["LEVEL", "credible_set", "doubt_words", "identify", "make_case"]

LEVEL = 0.9
"""Level of the credible set and of the size interval."""

TELL_ADVICE = 0.2
TELL_INVASIVE = 0.005
"""Probability from which the advice of a taxon is told; of invasive ones much earlier, as a false alarm
costs a second look and a missed one more. Ours."""

BUZZ_HZ = 230.0
"""From here on a tone may be that of a bee that shakes a flower, 200 to 400 Hz (De Luca et al. 2019, read).
Ours: most workers of the commonest bumblebees fly lower."""

FLOWER_SHAKERS = ("Anthophora", "Andrena", "Colletes", "Xylocopa")
"""Genera that shake flowers as bumblebees do (the first two from the literature, the others from memory).
Honey bees do not (read), nor do flies and wasps (memory)."""

TELL_BUZZ = 0.25
"""Probability of all that shake flowers from which a tone is said to be perhaps a flower buzz. Ours."""

SETTLED_C = (10.0, 29.0)
"""Air in which the tone of bumblebees was found not to change with it, degrees Celsius (Joos, Young & Casey
1991, abstract read)."""

OUTSIDE = "no figure is given, as this fauna does not know which species live there, or whether any do"


def make_case(
    lineup: Lineup,
    *,
    tone: ToneCue | None = None,
    date: dt.date | None = None,
    place: Place | None = None,
    temperature_c: float | None = None,
    hints: Mapping[str, str] | None = None,
    model: Likelihood | None = None,
) -> Case:
    """Put the evidence together, the hints in the order of the fauna.

    A date counts only where the seasons of the fauna hold, `wingtone.evidence.prior.season_date`.

    Raises
    ------
    HintError
        An unknown character or state.
    """
    seen = check_hints(hints or {}, fauna=lineup.fauna)
    ordered = tuple((name, seen[name]) for name in lineup.traits if name in seen)
    return Case(
        date=season_date(lineup, date, place),
        place=place,
        temperature_c=temperature_c,
        tone=tone,
        hints=ordered,
        model=model,
    )


def identify(
    *,
    fauna: Fauna,
    tone: ToneCue | None = None,
    date: dt.date | None = None,
    place: Place | None = None,
    temperature_c: float | None = None,
    hints: Mapping[str, str] | None = None,
    model: Likelihood | None = None,
) -> Answer:
    """Narrow down which bee it was.

    Everything is optional; what is missing widens the answer and never blocks it.

    Parameters
    ----------
    fauna
        What is known of the bees of the area.
    tone
        Wingbeat frequency of one individual.
    date, place
        When and where it was met.
    temperature_c
        Air temperature, degrees Celsius.
    hints
        Character to state; ``?`` means not seen.
    model
        A trained classifier's word on the recording; it replaces what the built-in model makes of the tone
        (never both), while the size still comes from the tone.

    Raises
    ------
    HintError
        A character or state the fauna does not know.
    """
    lineup = line_up(fauna)
    case = make_case(
        lineup,
        tone=tone,
        date=date,
        place=place,
        temperature_c=temperature_c,
        hints=hints,
        model=model,
    )
    probability = posterior(lineup, case)
    odd, absent, late = misfits(lineup, case), stranger(lineup, case), unseasonal(lineup, case)
    outside = is_outside(lineup, place)
    doubt = doubt_words(odd, absent is not None, late is not None)
    naming = name_it(lineup, case, probability, doubt=doubt, outside=OUTSIDE if outside else "")
    weighed = weigh(lineup, case, naming.leading)
    taxa = _taxa(lineup, probability)
    return Answer(
        castes=_castes(lineup, probability),
        size=_size(lineup, case, probability),
        candidates=_candidates(lineup, probability),
        taxa=taxa,
        credible_set=credible_set(taxa, LEVEL),
        record_as=naming.record_as,
        evidence=_evidence(lineup, case, probability, weighed, naming),
        look_next=look_next(lineup, case),
        warnings=(
            *(_misfit_advice(case, misfit, outside=outside) for misfit in odd),
            *_stranger_advice(lineup, absent),
            *_unseasonal_advice(lineup, late),
            *(_outside_advice(lineup, undated=date is not None and case.date is None) if outside else ()),
            *_advice(lineup, probability, outside=outside),
            *_warnings(lineup, case, probability, weighed, naming.record_as, dated=date is not None),
        ),
    )


def doubt_words(odd: Sequence[Misfit], absent: bool, unseasonal: bool) -> str:
    """Say why the evidence cannot name a species; empty when it can.

    An odd date alone does not make a name doubtful: early and late bees are what recorders look for. It does
    where it is the date that gives the name.
    """
    kinds = {misfit.kind for misfit in odd}
    if kinds - {"date"}:
        return f"{'one of the hints' if 'hint' in kinds else 'the tone'} does not fit the rest"
    if absent:
        return "what was seen points to a species hardly known from here"
    return "what was seen points to a species hardly ever met then" if unseasonal else ""


def credible_set(taxa: tuple[TaxonShare, ...], level: float) -> CredibleSet:
    """Return the fewest taxa that hold at least this probability; ``taxa`` sorted, likeliest first."""
    total = np.cumsum([taxon.probability for taxon in taxa])
    enough = int(np.searchsorted(total, level - 1e-12)) + 1
    return CredibleSet(level, tuple(taxon.taxon for taxon in taxa[:enough]))


def _castes(lineup: Lineup, probability: Floats) -> tuple[CasteShare, ...]:
    shares = lineup.by_caste(probability)
    return tuple(CasteShare(CASTES[i], float(shares[i])) for i in np.argsort(-shares, kind="stable"))


def _taxa(lineup: Lineup, probability: Floats) -> tuple[TaxonShare, ...]:
    shares = lineup.by_taxon(probability)
    return tuple(
        TaxonShare(lineup.taxa[i], lineup.vernaculars[i], float(shares[i]))
        for i in np.argsort(-shares, kind="stable")
    )


def _candidates(lineup: Lineup, probability: Floats) -> tuple[Candidate, ...]:
    """Sum the colour forms of each taxon and caste."""
    shares: dict[tuple[int, str], float] = {}
    for taxon, caste, share in zip(lineup.taxon_of, lineup.castes, probability, strict=True):
        shares[int(taxon), caste] = shares.get((int(taxon), caste), 0.0) + float(share)
    return tuple(
        Candidate(lineup.taxa[taxon], lineup.vernaculars[taxon], caste, share)
        for (taxon, caste), share in sorted(shares.items(), key=lambda item: -item[1])
    )


def _size(lineup: Lineup, case: Case, probability: Floats) -> Size:
    middle, low, high, words, summary = size_sentence(lineup, case, probability, LEVEL)
    return Size(middle, low, high, LEVEL, words, summary)


def _evidence(
    lineup: Lineup,
    case: Case,
    probability: Floats,
    weighed: tuple[Weighed, ...],
    naming: Naming,
) -> tuple[Evidence, ...]:
    leading = naming.leading
    top = int(np.where(leading, probability, -1.0).argmax())
    label = "bees of this group" if naming.record_as.rank == "aggregate" else plural_name(lineup, top)
    return tuple(
        Evidence(
            kind=piece.kind,
            name=piece.name,
            weight_bits=piece.weight_bits,
            summary=evidence_sentence(lineup, case, piece, leading, top, label),
        )
        for piece in weighed
    )


def _misfit_advice(case: Case, misfit: Misfit, *, outside: bool) -> Advice:
    seldom = max(1, math.ceil(misfit.probability * 1000))
    if misfit.kind == "date":
        text = (
            f"The date is unusually {misfit.side} for the bee that all else points to: at most {seldom} in "
            "1000 are met at so odd a time. Check it; if it is right, the sighting is well worth a note."
        )
    else:
        rest = "the rest" if case.date is None else "the date and the rest"
        if misfit.kind == "hint":
            what, odd = f"hint {misfit.name}={case.hint(misfit.name)}", "an answer"
            remedy = "Look again, or leave it out."
        else:
            what, odd, remedy = misfit.kind, f"a {misfit.kind}", "Check it."
        if outside:
            remedy = "Look again; a species that this fauna does not know may well be so."
        side = f" (too {misfit.side})" if misfit.side else ""
        text = (
            f"The {what} does not fit {rest}{side}: so odd {odd} comes up in at most {seldom} of 1000 such "
            f"cases. {remedy}"
        )
    return Advice(f"{misfit.kind} does not fit", text)


def _stranger_advice(lineup: Lineup, absent: Stranger | None) -> list[Advice]:
    if absent is None:
        return []
    taxon, known = absent.taxon, "hardly known" if absent.ever else "not known"
    return [
        Advice(
            "not known from here",
            f"But for the place it would be {lineup.vernaculars[taxon]}, {lineup.taxa[taxon]} "
            f"({percent(absent.probability)}), which is {known} from here. Check the place and look "
            "again; if both are right, a photo is well worth sending to the local recorder.",
        )
    ]


def _unseasonal_advice(lineup: Lineup, late: Stranger | None) -> list[Advice]:
    if late is None:
        return []
    name, taxon = lineup.vernaculars[late.taxon], lineup.taxa[late.taxon]
    return [
        Advice(
            "out of season",
            f"But for the date it would be {name}, {taxon} ({percent(late.probability)}), which is "
            "hardly ever met then. Check the date and look again; if both are right, a photo is well worth "
            "sending to the local recorder.",
        )
    ]


def _outside_advice(lineup: Lineup, *, undated: bool) -> list[Advice]:
    """Say what a place outside the fauna means; ``undated`` when a date was given and cannot count there."""
    text = (
        f"The place lies outside the area this fauna covers ({lineup.fauna.title}): other species live there."
    )
    if undated:
        text += " In the tropics and beyond the equator its seasons do not hold, so the date was left out."
    return [Advice("outside", text)]


def _warnings(
    lineup: Lineup,
    case: Case,
    probability: Floats,
    weighed: tuple[Weighed, ...],
    record_as: RecordAs,
    *,
    dated: bool,
) -> tuple[Advice, ...]:
    out = []
    if not dated:
        out.append(Advice("no date", "Without a date the season cannot help; give it if you know it."))
    if case.place is None:
        out.append(Advice("no place", "Without a place all regions count; give it if you know it."))
    if case.tone is not None and not case.seen:
        out.append(
            Advice(
                "sound only", "A tone tells size, not species; say what you saw and the answer will narrow."
            )
        )
    sized = probability[lineup.is_bumblebee].sum() >= 0.5
    if sized:
        out += _temperature_advice(case)
    shakes = lineup.is_bumblebee | np.isin(
        [lineup.taxa[i].split()[0] for i in lineup.taxon_of], FLOWER_SHAKERS
    )
    if case.tone is not None and case.tone.f0_hz >= BUZZ_HZ and probability[shakes].sum() >= TELL_BUZZ:
        out.append(
            Advice(
                "may be a flower buzz",
                "Bees that shake pollen from a flower sound as high as this. If it sat on a flower, leave "
                "the tone out: only a tone of flight tells size.",
            )
        )
    if any(piece.kind == "tone" and abs(piece.weight_bits) < LITTLE_BITS for piece in weighed):
        out.append(Advice("tone says little", "Here the tone hardly changes which species is likeliest."))
    if case.tone is not None and not sized:
        out.append(
            Advice(
                "no size", "In flies, wasps and other bees the pitch is no measure of size, so none is given."
            )
        )
    if case.hint("behaviour") == "at-nest" or case.hint("nest") is not None:
        out.append(
            Advice(
                "nest",
                "Keep away from the entrance: bees defend their nest, and nests are not to be disturbed.",
            )
        )
    if record_as.rank in ("species", "aggregate"):
        out.append(
            Advice(
                "confirm",
                "This is a hint, not a record: have it confirmed by a competent recorder, with a photo.",
            )
        )
    return tuple(out)


def _temperature_advice(case: Case) -> list[Advice]:
    low, high = SETTLED_C
    air = case.temperature_c
    if case.tone is None or air is None or low <= air <= high:
        return []
    return [
        Advice(
            "temperature",
            f"Whether air of {air:g} °C changes the tone is not known: it was tried at {low:g} to {high:g} "
            "°C. Check the temperature; if it is right, trust the size less.",
        )
    ]


def _advice(lineup: Lineup, probability: Floats, *, outside: bool) -> list[Advice]:
    """Tell the advice of the taxa in play, the likeliest first.

    What is rare or invasive in the area of the fauna may be neither outside.
    """
    shares = lineup.by_taxon(probability)
    out = []
    for i in np.argsort(-shares, kind="stable"):
        if lineup.taxa[i] == SOMETHING_ELSE:
            continue
        taxon = next(taxon for taxon in lineup.fauna.taxa if taxon.taxon == lineup.taxa[i])
        invasive = taxon.is_invasive
        if taxon.advice and shares[i] >= (TELL_INVASIVE if invasive else TELL_ADVICE):
            where = ", in the area of this fauna" if outside and (invasive or taxon.is_bumblebee) else ""
            text = f"{taxon.vernacular}{where}: {taxon.advice}"
            out.append(Advice("report it" if invasive else "advice", text))
    return out
