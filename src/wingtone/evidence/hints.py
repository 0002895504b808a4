"""Hints as people give them: ``tail=white``.

Functions
---------
parse_hints   texts to a mapping, every fault at once
check_hints   the same check for a mapping
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from wingtone.errors import HintError, one_line

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from wingtone.fauna import Fauna

__all__ = ["NOT_SEEN", "check_hints", "parse_hints"]

NOT_SEEN = "?"
"""A state that means: not seen. The same as leaving the character out."""


def parse_hints(texts: Iterable[str], *, fauna: Fauna | None = None) -> dict[str, str]:
    """Read ``CHARACTER=STATE`` texts.

    Case and the spaces around do not matter; a space or underscore inside a name stands for a hyphen. A
    state of ``?`` (or none at all) means not seen. Saying the same thing twice is fine.

    Parameters
    ----------
    texts
        Such as ``["tail=white", "collar=yellow"]``.
    fauna
        Whose characters and states count; None for the fauna that comes with the package.

    Returns
    -------
    hints
        Character to state, in the order given, without those not seen.

    Raises
    ------
    HintError
        No ``=`` or several, an unknown character or state (the message lists what there is), or two different
        states of one character.
    """
    fauna = _or_shipped(fauna)
    hints: dict[str, str] = {}
    faults: list[tuple[str, str]] = []
    for text in texts:
        character, equals, state = text.partition("=")
        if not equals:
            what = f"{one_line(text[:60])!r} is not a hint"
            faults.append((what, "write CHARACTER=STATE, for example tail=white"))
            continue
        if "=" in state:
            what = f"{one_line(text[:60])!r} is more than one hint"
            faults.append((what, "give each by itself, as --hint tail=white --hint collar=yellow"))
            continue
        character, state = _tidy(character), _tidy(state) or NOT_SEEN
        if fault := _fault(character, state, fauna=fauna):
            faults.append(fault)
        elif (first := hints.setdefault(character, state)) != state:
            what = f"{character} is given as both {first} and {state}"
            faults.append((what, "give one, or neither when in doubt"))
    return _seen(hints, faults)


def check_hints(hints: Mapping[str, str], *, fauna: Fauna | None = None) -> dict[str, str]:
    """Return the hints that were seen, or refuse.

    Raises
    ------
    HintError
        An unknown character or state.
    """
    fauna = _or_shipped(fauna)
    return _seen(hints, [fault for hint in hints.items() if (fault := _fault(*hint, fauna=fauna))])


def _or_shipped(fauna: Fauna | None) -> Fauna:
    if fauna is None:
        from wingtone.fauna import load

        fauna = load()
    return fauna


def _seen(hints: Mapping[str, str], faults: Sequence[tuple[str, str]]) -> dict[str, str]:
    """Leave out what was not seen, or refuse with all faults at once, each said once."""
    if faults:
        told, remedies = (dict.fromkeys(texts) for texts in zip(*faults, strict=True))
        raise HintError("; ".join(told), remedy="; ".join(remedies), where="hint")
    return {character: state for character, state in hints.items() if state != NOT_SEEN}


def _fault(character: str, state: str, *, fauna: Fauna) -> tuple[str, str] | None:
    """Say what is wrong with a hint and what to do about it; None where nothing is."""
    known = fauna.characters.get(character)
    if known is None:
        what = f"there is no character {one_line(character[:60])!r}{_meant(character, fauna.characters)}"
        return what, f"the characters are {', '.join(fauna.characters)}"
    if state == NOT_SEEN or state in known.states:
        return None
    what = f"{character} has no state {one_line(state[:60])!r}{_meant(state, known.states)}"
    return what, f"of {character}, its states are {', '.join(known.states)}, or {NOT_SEEN} for not seen"


def _meant(word: str, known: Iterable[str]) -> str:
    from difflib import get_close_matches

    near = get_close_matches(word[:60], tuple(known), n=1)
    return f" (did you mean {near[0]}?)" if near else ""


def _tidy(text: str) -> str:
    return "-".join(text.casefold().replace("_", " ").split())
