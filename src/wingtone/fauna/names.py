"""Names of bees as people write them.

A name may be scientific or plain, with or without its author, with a subgenus in brackets, an old one, the
epithet alone or after the first letter of the genus; a plain name may lack its "bee", and "bumble bee" be
written in three ways; alone it is the genus, as ``Bombus sp.`` is. Case, hyphens and dots do not matter.
``agg.``, ``s.l.`` and the like mean a name widely, ``s.s.`` narrowly; ``cf.`` and a question mark leave it
open.

- `Meant`: what a name stands for.
- `NameBook`: the names of a fauna.
- `folded`: a name without what writers differ in.
- `says_bumblebee`: whether a name is that of some bumblebee, known or not.
"""

from __future__ import annotations

import difflib
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["Meant", "NameBook", "folded", "says_bumblebee"]

LONGEST = 500
"""Characters that a name has at most. Ours: with authors, subgenus and doubts none has half of that, and it
would take minutes to look through a page of text for an author."""

_DOUBT = re.compile(r"\?|\b(?:cf|aff)\b\.?", re.IGNORECASE)
_WIDE = re.compile(
    r"[ ,]+(?:agg\.?|aggregate|s\. ?l\.?|sl|sens(?:u|\.)? lat(?:o|\.)?|complex|group)$", re.IGNORECASE
)
_NARROW = re.compile(
    r"[ ,]+(?:s\. ?s\.?|ss|s\. ?str\.?|sens(?:u|\.)? str(?:icto|\.)?|seg\.?)$", re.IGNORECASE
)
"""How recorders write that a name is open, or meant widely or narrowly (common practice, no source)."""

_AUTHOR_AND_YEAR = re.compile(r"\s+\(?[A-Z][^()\d]*, ?\d{4}\)?\s*$")
_AUTHOR = re.compile(r"(?<=[a-z]) +(?:\([A-Z][^()\d]*\)|[A-Z][^()\d]*)$")
_SUBGENUS = re.compile(r"^(\w+\.?) *\([A-Za-z.]+\)(?= +\S)")
_FOLDED = (
    (re.compile(r"\b(?:\w+bombus|\w*psithyrus|bombias) (?=\w)"), "bombus "),
    (re.compile(r"\b(?:bumble|humble) ?bee(s?)\b"), r"bumblebee\1"),
    (re.compile(r"\bhoney ?bee"), "honey bee"),
    (re.compile(r"\bcarder bumblebee"), "carder bee"),
    (re.compile(r"\b(bee|drone) ?(fly|flies)\b"), r"\1 \2"),
    (re.compile(r"\bhover (fly|flies)\b"), r"hover\1"),
    (re.compile(r"^bumblebees?$"), "bombus"),
    (re.compile(r"^(\w+) spp?$"), r"\1"),
)
"""The cuckoos were a genus of their own, *Psithyrus*, and other subgenera are written as genera now and then;
all their names but *Bombias* end so. Carder bees go by both words (memory)."""


@dataclass(frozen=True)
class Meant:
    """What a name stands for.

    Attributes
    ----------
    name
        The taxon, aggregate or genus in the words of the fauna.
    taxa
        The taxa it stands for: one, or the members of an aggregate or genus.
    exact
        Whether it may take the place of what was written. It may not where something of that would be lost:
        a doubt, a subspecies, or that a species was meant narrowly.
    """

    name: str
    taxa: frozenset[str]
    exact: bool = True


class NameBook:
    """The names of a fauna.

    Parameters
    ----------
    taxa
        Plain name by scientific name.
    aggregates
        Plain name and members by the name of each aggregate.
    synonyms
        Other names, old or plain, and the taxon that each stands for.
    """

    def __init__(
        self,
        taxa: Mapping[str, str],
        aggregates: Mapping[str, tuple[str, tuple[str, ...]]],
        synonyms: Mapping[str, str],
    ) -> None:
        self._taxa = dict(taxa)
        self._aggregates = {name: members for name, (_, members) in aggregates.items()}
        plain = {name: vernacular for name, (vernacular, _) in aggregates.items()}
        self._names = {name: [name, vernacular] for name, vernacular in (self._taxa | plain).items()}
        for taxon in self._taxa:
            self._names[taxon] += _short(taxon)
        self._genera = {taxon.split()[0] for taxon in self._taxa}
        self._by_fold: dict[str, set[str]] = {}
        for known, texts in self._names.items():
            for text in (*texts, *map(_without_bee, texts)):
                self._by_fold.setdefault(folded(text), set()).add(known)
        for name, taxon in synonyms.items():
            short = _short(name) if name.split()[0] in self._genera else []
            for text in (name, _without_bee(name), *short):
                self._by_fold.setdefault(folded(text), set()).add(taxon)

    def meant(self, written: str) -> Meant | None:
        """Tell what a name stands for; None when nothing or several could be meant.

        A mere beginning is not enough, as a record may rest on it.
        """
        if len(written.strip()) > LONGEST:
            return None
        doubted = _DOUBT.search(written) is not None
        text = " ".join(re.sub(r"\(\s*\)", " ", _DOUBT.sub(" ", written)).split())
        text = _AUTHOR_AND_YEAR.sub("", _SUBGENUS.sub(r"\1", text))
        wide = _WIDE.search(text) is not None
        bare = _NARROW.sub("", _WIDE.sub("", text))
        whole = bare == text
        bare = _AUTHOR_AND_YEAR.sub("", bare)  # it may also stand before these words
        known = self._look_up(bare)
        if not known and self._is_scientific(bare):
            known = self._look_up(_AUTHOR.sub("", bare))
        group = self._aggregate(bare, known, wide=wide)
        if group:
            return Meant(group, frozenset(self._aggregates[group]), exact=not doubted)
        if not known and self._is_scientific(bare):
            known, whole = self._look_up(" ".join(bare.split()[:2])), False  # a subspecies
        if not known:
            return None
        members = self._aggregates.get(known, (known,))
        if known in self._genera and known not in self._taxa:
            members = tuple(taxon for taxon in self._taxa if taxon.split()[0] == known)
        return Meant(known, frozenset(members), exact=whole and not doubted)

    def beginning(self, written: str) -> tuple[str, ...]:
        """Give the taxa and aggregates of which a name begins so; a synonym counts only in full.

        A plain name may be in the plural or not, as "drone flies".
        """
        asked, one = folded(written), _singular(written)
        return tuple(
            known
            for known, texts in self._names.items()
            if one
            and (
                known in self._by_fold.get(asked, ())
                or any(folded(text).startswith(asked) for text in texts)
                or _singular(texts[1]).startswith(one)
            )
        )

    def ending(self, written: str) -> tuple[str, ...]:
        """Give the taxa and aggregates of which the plain name ends in these words, as "hornet" or "wasps".

        Its "bee" may be left out, as in "cuckoos".
        """
        asked = _singular(written)
        return tuple(
            known
            for known, texts in self._names.items()
            if asked and any(_ends_in(_singular(text), asked) for text in (texts[1], _without_bee(texts[1])))
        )

    def nearest(self, written: str) -> list[str]:
        """Give up to three names that end or begin like this one, or else the one spelt most like it."""
        asked = folded(written)
        texts = list(dict.fromkeys(text for names in self._names.values() for text in names[:2]))
        texts += [text for names in self._names.values() for text in names[2:] if text not in texts]
        begin = [self._names[known][1] for known in self.ending(written)]
        begin += [text for text in texts if asked and folded(text).startswith(asked) and text not in begin]
        near = difflib.get_close_matches(asked, {folded(text): text for text in texts}, n=1, cutoff=0.8)
        return begin[:3] or [text for text in texts if folded(text) in near][:1]

    def _look_up(self, text: str) -> str:
        asked = folded(text)
        fits = self._by_fold.get(asked, set())
        fits = fits or {genus for genus in self._genera if genus.casefold() == asked}
        return next(iter(fits)) if asked and len(fits) == 1 else ""

    def _is_scientific(self, text: str) -> bool:
        """Tell whether it is three words or more that begin with a genus of the fauna."""
        words = folded(text).split()
        return len(words) > 2 and words[0] in {genus.casefold() for genus in self._genera}

    def _aggregate(self, bare: str, known: str, *, wide: bool) -> str:
        """Find the aggregate that is meant: spelt out, or the smallest one around a name meant widely."""
        if known in self._aggregates:
            return known
        spelt = [name for name in self._aggregates if "/" in name and _parts(name) == _parts(bare)]
        if spelt or not wide:
            return next(iter(spelt), "")
        named = [name for name in self._aggregates if _parts(_WIDE.sub("", name)) == _parts(known or bare)]
        around = [name for name, members in self._aggregates.items() if known in members]
        return next(iter(named), "") or min(around, key=lambda name: len(self._aggregates[name]), default="")


def says_bumblebee(written: str) -> bool:
    """Tell whether a name says by itself that it is of a bumblebee, whichever."""
    return re.search(r"\b(?:\w*bombus|\w*psithyrus|bombias|bumblebees?)\b", folded(written)) is not None


def folded(name: str) -> str:
    """Give a name without what writers differ in."""
    text = " ".join(re.sub(r"[-.]", " ", name.casefold()).split())
    for pattern, instead in _FOLDED:
        text = pattern.sub(instead, text)
    return text


def _singular(plain: str) -> str:
    """Give a plain name folded, its last word in the singular."""
    text = folded(plain)
    if text.endswith("flies"):
        return f"{text.removesuffix('ies')}y"
    return text if text.endswith(("us", "is", "ss")) or len(text) < 3 else text.removesuffix("s")


def _parts(name: str) -> frozenset[str]:
    """Give the words of a name in any order, the genus left out, so that a pair may be named either way."""
    words = re.split(r"[\s/]+", folded(name))
    return frozenset(word for word in words if len(word) > 1 and word not in ("bombus", "or"))


def _short(scientific: str) -> list[str]:
    """Give the epithet, and the epithet after the first letter of the genus."""
    genus, _, epithet = scientific.partition(" ")
    return [epithet, f"{genus[:1]}. {epithet}"] if epithet else []


def _ends_in(plain: str, words: str) -> bool:
    """Whether a plain name says of which kind it is in these words: "European hornet" is a hornet."""
    return f" {plain}".endswith(f" {words}")


def _without_bee(plain: str) -> str:
    """Give a plain name of several words without its last, where that is bee; else the name."""
    head, _, last = folded(plain).rpartition(" ")
    return head if last in ("bumblebee", "bee") and len(head.split()) > 1 else plain
