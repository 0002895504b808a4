"""Bouts, from wherever they come, to what a population sounds like: `sizes`."""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING, Any, Literal

from wingtone.api.given import are_paths, date_given, fauna_given, listed, paths_given, place_given
from wingtone.api.measurements import measured_before
from wingtone.errors import RequestError, shown_value

if TYPE_CHECKING:
    import datetime
    from collections.abc import Mapping

    from wingtone.clip import Measurement
    from wingtone.fauna import Fauna
    from wingtone.notebook.places import Place
    from wingtone.population import Quality, Sizes

    PathLike = str | os.PathLike[str]

__all__ = ["sizes"]


def sizes(
    measurements: PathLike | Iterable[PathLike] | Iterable[Measurement] | Iterable[Mapping[str, Any]] | Any,
    *,
    recordings: Any = None,
    date: str | datetime.date | None = None,
    place: str | tuple[float, float] | Place | None = None,
    taxa: str | Sequence[str] = (),
    group_by: Literal["site", "month", "folder"] | None = None,
    sites: PathLike | Mapping[str, str] | None = None,
    quality: Quality | None = None,
    gap_s: float | None = None,
    seed: int = 1,
    fauna: PathLike | Fauna | None = None,
) -> Sizes:
    """Say what a population sounds like: sizes, shares of castes, the season, and whether groups differ.

    Parameters
    ----------
    measurements
        Bouts: what `measure` gave, or some of it; files and folders as ``wingtone sizes`` takes them (tables
        of bouts, the output of a survey, a notebook); rows as mappings; or a data frame with the columns of
        `wingtone.bout_table`.
    recordings
        Listening effort as rows or a data frame, for bees an hour, see `wingtone.population.activity`. None
        for what the files say.
    date
        Day of the bouts that state none, as in `identify`.
    place
        Where, as in `identify`, for who is expected there.
    taxa
        Names of the species that the sample can hold, where that is known.
    group_by
        Compare groups: ``site``, ``month`` or ``folder``.
    sites
        Which recording or folder belongs to which site or period: a mapping, or a table with the columns
        ``path`` and ``site``.
    quality
        Which bouts take part, see `wingtone.population.Quality`; None for the usual.
    gap_s
        Silence in seconds after which whoever is heard counts as another bee; None for wingtone's own.
    seed
        Of all chance in it: the same bouts give the same answer.
    fauna
        As in `identify`.

    Returns
    -------
    wingtone.population.Sizes
        With ``summary`` in sentences, ``rows()`` and ``table()`` for data frames, and ``to_json()``.

    Raises
    ------
    TableError
        Rows that cannot be right, every fault with its place.
    InputError
        A file that cannot be used, or something that is no table.
    RequestError
        An option that is none.

    Examples
    --------
    Sixty made-up bees, a third of them large:

    >>> tones = [110 + i for i in range(20)] + [165 + i for i in range(40)]
    >>> rows = [
    ...     {"path": f"{i}.wav", "kind": "flight", "start_s": 0.0, "end_s": 1.0, "f0_hz": hz,
    ...      "f0_low_hz": hz - 1, "f0_high_hz": hz + 1, "recorded_at": "2026-05-20"}
    ...     for i, hz in enumerate(tones)
    ... ]
    >>> found = sizes(rows)
    >>> len(found.individuals), found.selection.n_used
    (60, 60)
    >>> found.table()["name"][:2]
    ['bouts', 'bouts']
    """
    from wingtone.population.bouts import Located, plain_rows
    from wingtone.population.individuals import GAP_S
    from wingtone.population.sources import read_sources
    from wingtone.population.work import sizes_of

    if sites is not None and group_by not in (None, "site"):
        raise RequestError("sites are for group_by='site'", remedy="leave one of the two out")
    names = _names(taxa)
    _check_quality(quality)

    def located(table: Any, name: str) -> list[Located]:
        return [Located(name, i, row) for i, row in enumerate(plain_rows(table), 1)]

    known = fauna_given(fauna)
    effort: Sequence[Located] | None = None
    given = listed(measurements)
    if are_paths(given):
        source = read_sources(paths_given(given), fauna=known)
        rows, effort = list(source.bouts), source.effort
    elif (before := measured_before(given)) is not None:
        rows = located(before.rows(), "measurements")
    else:
        rows = located(given, "rows")
    return sizes_of(
        rows,
        effort if recordings is None else located(recordings, "recordings"),
        fauna=known,
        date=date_given(date),
        place=place_given(place),
        taxa=names,
        group_by=group_by,
        sites=_sites(sites),
        quality=quality,
        gap_s=GAP_S if gap_s is None else gap_s,
        seed=seed,
    )


def _names(taxa: object) -> tuple[str, ...]:
    names = (taxa,) if isinstance(taxa, str) or not isinstance(taxa, Iterable) else tuple(taxa)
    if not all(isinstance(name, str) for name in names):
        raise RequestError(f"taxa is {shown_value(taxa)}", remedy="give names of species")
    return names


def _check_quality(quality: object) -> None:
    from wingtone.population import Quality

    if not isinstance(quality, (Quality, type(None))):
        remedy = "give a wingtone.population.Quality, or None"
        raise RequestError(f"quality is {shown_value(quality)}", remedy=remedy)


def _sites(given: PathLike | Mapping[str, str] | None) -> dict[str, str] | None:
    from wingtone.population.bouts import text_of
    from wingtone.population.sources import read_sites

    if given is None:
        return None
    if isinstance(given, (str, os.PathLike)):
        return read_sites(given)
    if not hasattr(given, "items"):  # as rows of data frames have it, which are no mappings by their class
        remedy = 'give {"folder": "site"}, or a table of sites'
        raise RequestError(f"sites is {shown_value(given)}", remedy=remedy)
    return {text_of(path): text_of(site) for path, site in given.items()}
