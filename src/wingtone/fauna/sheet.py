"""A species sheet as plain text: names, sizes, tone, season, looks, look-alikes, and where it all comes from.

Public: `sheet`, `expected_tone_hz`, `season_bar`, `months_on_the_wing`, `BLOCKS`, `PLAIN_BLOCKS`.
"""

from __future__ import annotations

import math
import textwrap
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from wingtone.errors import one_line
from wingtone.fauna.schema import ANY, HOW_KNOWN, TABLES

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from numpy.typing import NDArray

    from wingtone.fauna.model import Entry, Fauna, Taxon

__all__ = [
    "BLOCKS",
    "LEAST_SHARE",
    "PLAIN_BLOCKS",
    "expected_tone_hz",
    "months_on_the_wing",
    "season_bar",
    "sheet",
]

BLOCKS = "·▁▂▃▄▅▆▇█"
"""Heights of a season bar, from none to full."""
PLAIN_BLOCKS = " .:-=+*#@"
"""The same for a terminal that has no block characters."""

_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_PER_MONTH = 3
_WEEK_OF_MONTH = [1.0 + day / 7.0 for day in (0, 31, 59, 90, 120, 151, 181, 212, 243, 273, 304, 334, 365)]
_TWO_SIDED_95 = 1.96
LEAST_SHARE = 0.02
"""A season below this share of its best is shown as none; ours."""
RARE_SHARE = 0.003
"""A season never below this share of its best is said to last all year; ours, well above the floor."""
_MARKS = "read: in the source itself; secondary: reported by another; derived: worked out; memory: to check"


def expected_tone_hz(fauna: Fauna, entry: int) -> tuple[float, float]:
    """Range in which the flight tone of an individual of an entry should lie, 95 times in 100.

    Parameters
    ----------
    fauna
        The fauna.
    entry
        Index into `Fauna.entries`.

    Returns
    -------
    low_hz, high_hz
        From the line of the tone model: 95 % interval of an individual, doubt about the line and spread of
        size included, never narrower than ``sd_total_min_hz`` allows. From the tone table: mean plus or
        minus 1.96 sd, over all parts of the mixture.
    """
    parts = fauna.tone_override[entry]
    if parts:
        return (
            max(min(mean - _TWO_SIDED_95 * sd for mean, sd, _ in parts), 0.0),
            max(mean + _TWO_SIDED_95 * sd for mean, sd, _ in parts),
        )
    value = {name: pair[0] for name, pair in fauna.tone_model.items()}
    itd_mm, itd_sd_mm = float(fauna.itd_mean_mm[entry]), float(fauna.itd_sd_mm[entry])
    f0_hz = value["anchor_f0_hz"] * (itd_mm / value["anchor_itd_mm"]) ** value["exponent"]
    spread = math.hypot(
        *(value[name] for name in ("sd_line", "sd_between", "sd_within", "sd_wear")),
        value["within_caste"] * value["exponent"] * itd_sd_mm / itd_mm,
    )
    spread = max(spread, value["sd_total_min_hz"] / f0_hz)
    return f0_hz * math.exp(-_TWO_SIDED_95 * spread), f0_hz * math.exp(_TWO_SIDED_95 * spread)


def season_bar(fauna: Fauna, entry: int, *, latitude_deg: float | None = None, blocks: str = BLOCKS) -> str:
    """Draw the season of an entry: twelve months, three marks each, relative to the entry's own best time.

    Parameters
    ----------
    fauna, entry
        The fauna and the index into `Fauna.entries`.
    latitude_deg
        As for `Fauna.season`.
    blocks
        Marks from none to full; a height below `LEAST_SHARE` of the best shows as none.
    """
    height = _thirds(fauna, latitude_deg)[:, entry]
    height = height / height.max()
    steps = len(blocks) - 1
    marks = [blocks[0] if h < LEAST_SHARE else blocks[max(round(h * steps), 1)] for h in height]
    return "|".join("".join(marks[at : at + _PER_MONTH]) for at in range(0, len(marks), _PER_MONTH))


def months_on_the_wing(fauna: Fauna, taxon: Taxon) -> str:
    """Name the first and last month in which a taxon flies at all castes together, such as ``Mar-Oct``.

    Months in which it never comes to `LEAST_SHARE` of its best are left out; a season that runs over New
    Year starts after the longest gap; ``, a few all year`` is added where it never falls to nothing. Empty
    for a taxon that is not a candidate.
    """
    mine = [index for index, entry in enumerate(fauna.entries) if entry.taxon == taxon.taxon]
    if not mine:
        return ""
    height = _thirds(fauna, None)[:, mine].sum(axis=1).reshape(len(_MONTHS), _PER_MONTH).max(axis=1)
    flies = height >= LEAST_SHARE * height.max()
    winter = (height >= RARE_SHARE * height.max()).all()
    if flies.all():
        return "all year"
    gaps = [next(n for n in range(13) if flies[(month - 1 - n) % 12]) for month in range(12)]
    first = max((month for month in range(12) if flies[month]), key=lambda month: gaps[month])
    last = max(month for month in range(first, first + 12) if flies[month % 12]) % 12
    return f"{_MONTHS[first]}-{_MONTHS[last]}{', a few all year' if winter else ''}"


def _thirds(fauna: Fauna, latitude_deg: float | None) -> NDArray[np.float64]:
    """Season in the middle of each third of a month, shape (36, n_entries)."""
    weeks = [
        start + (end - start) * (part + 0.5) / _PER_MONTH
        for start, end in pairwise(_WEEK_OF_MONTH)
        for part in range(_PER_MONTH)
    ]
    return np.array([fauna.season(week, latitude_deg) for week in weeks])


def sheet(fauna: Fauna, taxon: Taxon, *, width: int = 88, blocks: str = BLOCKS) -> str:
    """Write the sheet of one taxon.

    Parameters
    ----------
    fauna, taxon
        The fauna and one of its taxa.
    width
        Columns to fill, at least 60.
    blocks
        Marks of the season bars.

    Returns
    -------
    str
        Lines of plain text without a final line break.
    """
    width = max(width, 60)
    mine = [
        index for index, entry in enumerate(fauna.entries) if entry.taxon == taxon.taxon and not entry.form
    ]
    sections = (
        _head(fauna, taxon, width),
        _sizes(fauna, mine),
        _seasons(fauna, mine, blocks),
        _where(fauna, mine),
        _looks(fauna, taxon, width),
        _lookalikes(fauna, taxon, width),
        _habits(fauna, taxon, width),
        _sources(fauna, taxon, width),
    )
    return "\n\n".join("\n".join(lines) for lines in sections if lines)


def _wrap(text: str, width: int, label: str = "", indent: int = 2) -> list[str]:
    return textwrap.wrap(
        one_line(text),
        width,
        initial_indent=" " * indent + label,
        subsequent_indent=" " * (indent + len(label)),
        break_on_hyphens=False,
    )


def _hanging(text: str, width: int) -> list[str]:
    """Wrap with every line after the first set in a little further."""
    return textwrap.wrap(
        one_line(text), width, initial_indent="  ", subsequent_indent="      ", break_on_hyphens=False
    )


def _head(fauna: Fauna, taxon: Taxon, width: int) -> list[str]:
    group = {"social": "social bumblebee", "cuckoo": "cuckoo bumblebee"}.get(taxon.group, taxon.group)
    lines = [
        taxon.vernacular,
        f"{taxon.taxon} ({group}; {taxon.rank})",
        *_wrap(taxon.status, width, "Status: ", 0),
    ]
    if taxon.advice:
        lines += _wrap(taxon.advice, width, "Advice: ", 0)
    for aggregate in fauna.aggregates:
        if taxon.taxon in aggregate.members:
            castes = (
                "all castes" if set(taxon.castes) <= set(aggregate.castes) else ", ".join(aggregate.castes)
            )
            lines += _wrap(f"{aggregate.aggregate} ({castes}): {aggregate.reason}", width, "Record as: ", 0)
    return lines


def _sizes(fauna: Fauna, mine: list[int]) -> list[str]:
    if not mine:
        return []
    lines = [f"{'SIZE AND TONE':<17}{'between the wings (ITD)':<28}{'body length':<14}flight tone (95 %)"]
    for index in mine:
        n = fauna.itd_n[index]
        measured = "not measured" if math.isnan(n) else f"n = {n:.0f}"
        itd = f"{fauna.itd_mean_mm[index]:.1f} ± {fauna.itd_sd_mm[index]:.1f} mm, {measured}"
        length = f"{fauna.length_min_mm[index]:g}-{fauna.length_max_mm[index]:g} mm"
        low, high = expected_tone_hz(fauna, index)
        lines.append(f"  {fauna.entries[index].caste:<15}{itd:<28}{length:<14}{low:.0f}-{high:.0f} Hz")
    for row in fauna.rows["tone"]:
        if row.text("taxon") == fauna.entries[mine[0]].taxon:
            what = f"{row.text('caste')}, {row.text('situation')}"
            lines.append(f"  {what}: {row.number('f0_hz_mean'):.0f} ± {row.number('f0_hz_sd'):.0f} Hz")
    return lines


def _seasons(fauna: Fauna, mine: list[int], blocks: str) -> list[str]:
    if not mine:
        return []
    bars = [f"  {fauna.entries[index].caste:<15}{season_bar(fauna, index, blocks=blocks)}" for index in mine]
    return [f"{'SEASON':<17}{' '.join(_MONTHS)}  at {fauna.latitude_deg:g}° north", *bars]


def _where(fauna: Fauna, mine: list[int]) -> list[str]:
    if not mine:
        return []
    shares = {
        region: fauna.abundance(region)[mine[0]] / fauna.entries[mine[0]].share for region in fauna.regions
    }
    rows = [
        f"  {fauna.regions[region]:<24}{f'{share:g}' if share else 'absent'}"
        for region, share in shares.items()
    ]
    return ["WHERE, and how many of about 100 bees met at its best time", *rows]


def _words(frequencies: dict[str, float]) -> str:
    """Say frequencies in words: ``white, sometimes buff``. States below 5 % are left out."""
    ranked = sorted(frequencies.items(), key=lambda item: -item[1])
    (first, share), rest = ranked[0], ranked[1:]
    often = [state for state, f in rest if f >= 0.25]
    sometimes = [state for state, f in rest if 0.05 <= f < 0.25]
    text = " or ".join([first, *often])
    if sometimes:
        text = f"{'mostly ' if share >= 0.5 and not often else ''}{text}, sometimes {' or '.join(sometimes)}"
    return text


def _looks(fauna: Fauna, taxon: Taxon, width: int) -> list[str]:
    entries = [(index, entry) for index, entry in enumerate(fauna.entries) if entry.taxon == taxon.taxon]
    if not entries:
        return []
    lines = ["LOOKS AND HABITS, as a beginner would report them"]
    typical = [(index, entry) for index, entry in entries if not entry.form]
    for name in fauna.appearance_by_character:
        said: dict[str, list[str]] = {}
        for index, entry in typical:
            said.setdefault(_described(fauna, name, index), []).append(entry.caste)
        indices = [index for index, _ in typical]
        if name == "shade" and not _has_yellow(fauna, indices):
            continue
        if name == "belt" and not _has_front_band(fauna, indices):
            continue
        for text, castes in said.items():
            who = "" if len(said) == 1 else f"{', '.join(castes)}: "
            lines += _wrap(f"{who}{text}", width, f"{name + ':':<12} ")
    told: set[str] = set()
    for _, entry in entries:
        if entry.form and entry.form not in told:
            told.add(entry.form)
            lines += _form(fauna, entry, width)
    return lines


def _described(fauna: Fauna, character: str, index: int) -> str:
    states = fauna.characters[character].states
    return _words(dict(zip(states, fauna.appearance(character)[index].tolist(), strict=True)))


def _has_yellow(fauna: Fauna, indices: Iterable[int]) -> bool:
    """Whether any band is often yellow, so that its shade can be asked for."""
    names = [name for name in ("collar", "scutellum", "front-band") if name in fauna.appearance_by_character]
    return any(
        fauna.appearance(name)[index][fauna.characters[name].states.index("yellow")] > 0.25
        for name in names
        if "yellow" in fauna.characters[name].states
        for index in indices
    )


def _has_front_band(fauna: Fauna, indices: Iterable[int]) -> bool:
    """Whether the front of the abdomen often has a band, so that one can ask what it is like."""
    if "front-band" not in fauna.appearance_by_character:
        return True
    states = fauna.characters["front-band"].states
    return "none" not in states or any(
        fauna.appearance("front-band")[index][states.index("none")] < 0.75 for index in indices
    )


def _form(fauna: Fauna, entry: Entry, width: int) -> list[str]:
    forms = [form for form in fauna.forms if (form.taxon, form.form) == (entry.taxon, entry.form)]
    alike = len({form.share for form in forms}) == 1
    shares = [
        f"about {100.0 * form.share:g} in 100{'' if alike else f' of the {form.caste}s'}" for form in forms
    ]
    return _hanging(
        f"{entry.form} ({', '.join(shares[:1] if alike else shares)}): {forms[0].description}", width
    )


def _lookalikes(fauna: Fauna, taxon: Taxon, width: int) -> list[str]:
    rows = fauna.lookalikes(taxon.taxon)
    if not rows:
        return []
    names = {each.taxon: each.vernacular for each in fauna.taxa}
    lines = ["LOOK-ALIKES, and how to tell this one from them"]
    for row in rows:
        caste = "" if row.caste == ANY else f" ({row.caste})"
        lines += _hanging(f"{names[row.other]}{caste}: {row.tell}", width)
    return lines


def _habits(fauna: Fauna, taxon: Taxon, width: int) -> list[str]:
    rows = [row for row in fauna.rows["habits"] if row.text("taxon") == taxon.taxon]
    if not rows:
        return []
    lines = ["WAYS OF LIFE"]
    for row in rows:
        lines += _wrap(row.text("text"), width, f"{row.text('topic') + ':':<12} ")
    return lines


def _sources(fauna: Fauna, taxon: Taxon, width: int) -> list[str]:
    """Give every source of the taxon's own rows once, with its mark and what it stands behind."""
    found: dict[tuple[str, str], dict[str, set[str]]] = {}
    for table, caste, source, how_known in _own_rows(fauna, taxon):
        found.setdefault((how_known, source), {}).setdefault(table, set()).add(caste)
    lines = ["SOURCES", *_wrap(f"{_MARKS}.", width)]
    for (how_known, source), tables in sorted(found.items(), key=lambda item: HOW_KNOWN.index(item[0][0])):
        what = ", ".join(
            f"{table} ({', '.join(sorted(castes - {''}))})" if castes - {""} else table
            for table, castes in tables.items()
        )
        lines += _wrap(f"{what}: {source}", width, f"{how_known:<10} ")
    for row in fauna.rows["size"]:
        if row.text("taxon") == taxon.taxon and row.text("note"):
            lines += _wrap(f"size of the {row.text('caste')}: {row.text('note')}", width, "note       ")
    return lines


def _own_rows(fauna: Fauna, taxon: Taxon) -> Iterator[tuple[str, str, str, str]]:
    """Give table, caste, source and mark of every row about a taxon."""
    for name in TABLES:
        for row in fauna.rows[name]:
            about = row.cells.get("taxon") == taxon.taxon or taxon.taxon in row.cells.get(
                "members", ""
            ).split("; ")
            if about:
                caste = row.cells.get("caste", "")
                yield name, "" if caste == ANY else caste, row.text("source"), row.text("how_known")
