"""Reading JSON that a page sent: every field checked by hand, every fault told at once.

- `FieldFaults`: what is wrong, by field.
- `Faults`: gathers them.
- `record_of`, `text_of`, `number_of`: one value out of an object, or a fault.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from wingtone.errors import RequestError, WingtoneError

if TYPE_CHECKING:
    from collections.abc import Mapping

__all__ = ["Faults", "FieldFaults", "number_of", "record_of", "text_of"]


class FieldFaults(RequestError):
    """A form has faults; ``fields`` maps the name of each field to a sentence."""

    def __init__(self, fields: Mapping[str, str]) -> None:
        self.fields = dict(fields)
        first = next(iter(self.fields.items()))
        super().__init__(first[1], remedy="", where=first[0])


class Faults:
    """Gathers faults; false while there is none."""

    def __init__(self) -> None:
        self._found: dict[str, str] = {}

    def __bool__(self) -> bool:
        return bool(self._found)

    def add(self, field: str, what: str) -> None:
        """Note a fault; the first one of a field stands."""
        self._found.setdefault(field, what)

    def add_error(self, field: str, error: WingtoneError) -> None:
        """Note one of our errors as the fault of a field."""
        self.add(field, f"{error.what} ({error.remedy})" if error.remedy else error.what)

    def stop(self) -> None:
        """Refuse when there were faults.

        Raises
        ------
        FieldFaults
            With all of them.
        """
        if self._found:
            raise FieldFaults(self._found)


def record_of(value: Any, faults: Faults, *, where: str = "body") -> dict[str, Any]:
    """Take an object; anything else is a fault and gives an empty one."""
    if isinstance(value, dict):
        return value
    faults.add(where, "must be an object")
    return {}


def text_of(
    fields: Mapping[str, Any], name: str, faults: Faults, *, most: int = 200, lines: bool = False
) -> str:
    """Take a text, empty when it is not there; control characters are refused but in ``lines``."""
    value = fields.get(name)
    if value is None:
        return ""
    if not isinstance(value, str):
        faults.add(name, "must be a text")
        return ""
    text = value.strip()
    if len(text) > most:
        faults.add(name, f"must be at most {most} characters long")
    elif any((ord(c) < 32 and not (lines and c in "\n\r\t")) or 0xD800 <= ord(c) <= 0xDFFF for c in text):
        faults.add(name, "holds characters that are no text")
    else:
        return text
    return ""


def number_of(
    fields: Mapping[str, Any], name: str, faults: Faults, *, low: float, high: float, where: str = ""
) -> float | None:
    """Take a number in a range; None when it is missing or wrong, and missing is a fault with ``where``."""
    value = fields.get(name)
    field = f"{where}.{name}" if where else name
    if value is None:
        if where:
            faults.add(field, "must be given")
        return None
    if isinstance(value, bool) or not isinstance(value, int | float):
        faults.add(field, "must be a number")
    elif not low <= value <= high:  # nor is NaN
        faults.add(field, f"must lie between {low:g} and {high:g}")
    else:
        return float(value)
    return None
