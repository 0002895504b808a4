"""What a manifest keeps as JSON, checked when it is read: a damaged file must not pass for a result.

- `file_told`: what was told of a file, see `wingtone.survey.jobs.look`.
- `part_told`: what was told of a piece, see `wingtone.survey.jobs.hear`; of one with a fault, the reason.

Both raise ValueError for anything else.
"""

from __future__ import annotations

import json
from typing import Any

from wingtone.bout_table import BOUT_COLUMNS, FLYBY_COLUMNS
from wingtone.notebook.numbers import is_known, is_number

__all__ = ["file_told", "part_told"]

_TEXTS = ("kind",)
_LISTS = ("harmonics_db", "flags")


def file_told(text: str) -> dict[str, Any]:
    """Read what was told of a file."""
    told = _object(text)
    if "fault" in told:
        _need(isinstance(told["fault"], str) and isinstance(told.get("status"), str))
        return told
    facts = told.get("facts")
    if not isinstance(facts, dict):
        raise ValueError("no facts")
    _need(isinstance(facts.get("codec"), str) and isinstance(facts.get("seeks"), bool))
    _need(all(isinstance(facts.get(name), str | None) for name in ("recorded_at", "recorded_at_source")))
    _need(all(_is_whole(facts.get(name)) for name in ("sample_rate_hz", "channels")))
    _need(is_number(facts.get("stated_s")))
    _need(_is_whole(facts.get("size_bytes", 0)))  # earlier versions kept none
    return told


def part_told(text: str, *, done: bool) -> dict[str, Any]:
    """Read what was told of a piece; ``done`` when it was heard."""
    told = _object(text)
    if not done:
        _need(isinstance(told.get("fault"), str))
        return told
    _need(_is_list(told.get("bouts"), dict) and all(map(_is_bout, told["bouts"])))
    _need(_is_list(told.get("effort"), list) and all(map(_is_effort, told["effort"])))
    _need(_is_list(told.get("flags"), str) and isinstance(told.get("silent"), bool))
    _need(is_number(told.get("end_s")) and is_number(told.get("clipped_fraction")))
    _need("damaged_from_s" in told and is_known(told["damaged_from_s"]))
    return told


def _object(text: str) -> dict[str, Any]:
    try:
        told = json.loads(text)
    except RecursionError:
        raise ValueError("nested too deep") from None
    _need(isinstance(told, dict))
    return dict(told)


def _need(holds: bool) -> None:
    if not holds:
        raise ValueError("not what wingtone wrote")


def _is_whole(value: Any) -> bool:
    return isinstance(value, int) and is_number(value)


def _is_list(value: Any, kind: type) -> bool:
    return isinstance(value, list) and all(isinstance(one, kind) for one in value)


def _is_effort(row: list[Any]) -> bool:
    return len(row) == 3 and all(map(is_number, row))


def _is_bout(bout: dict[str, Any]) -> bool:
    flyby, castes = bout.get("flyby"), bout.get("castes")
    return (
        set(BOUT_COLUMNS) <= bout.keys()
        and all(is_known(bout[name]) for name in BOUT_COLUMNS if name not in (*_TEXTS, *_LISTS))
        and all(is_number(bout[name]) for name in ("start_s", "end_s", "f0_hz"))
        and all(isinstance(bout[name], str) for name in _TEXTS)
        and isinstance(bout["harmonics_db"], list)
        and all(map(is_known, bout["harmonics_db"]))
        and _is_list(bout.get("flags"), str)
        and (
            flyby is None
            or (isinstance(flyby, dict) and all(is_known(flyby.get(name)) for name in FLYBY_COLUMNS))
        )
        and (castes is None or (isinstance(castes, list) and all(map(is_known, castes))))
    )
