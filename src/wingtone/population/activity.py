"""How many bees are heard in an hour of listening.

Counts need effort: an empty hour in which nobody listened is not an hour without bees. Effort comes from a
table of recordings (``path``, ``heard_s``, ``wind_lost_s``, ``recorded_at``), or of stretches of them
(``starts_at`` in place of ``recorded_at``), as ``wingtone survey`` writes both. Seconds lost to wind do not
count as listening. Without such a table nothing is said of activity.

A rate is bees over hours listened. Days differ by more than chance, so counts of days are taken for
negative binomial with mean ``rate * hours`` and a size k that is estimated with it (Bliss & Fisher 1953,
Biometrics 9:176); the interval is that of the profile likelihood, with the F distribution for few days. Where
counts do not vary by more than chance, or there is but one day, it is the exact Poisson interval (Garwood
1936).

- `Effort`, `effort_of`: hours listened, by day and hour of the day.
- `Rate`, `rate`, `activity`
"""

from __future__ import annotations

import datetime as dt
import math
from collections import defaultdict
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from wingtone.errors import Fault, TableError
from wingtone.population.bouts import MOST_FAULTS, moment_of, number_of, text_of
from wingtone.population.resampling import LEVEL

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray

    from wingtone.population.bouts import Located
    from wingtone.population.individuals import Individual

    Floats = NDArray[np.float64]

__all__ = ["Activity", "Effort", "Rate", "activity", "effort_of", "garwood", "negative_binomial", "rate"]

LONGEST_S = 366 * 86400.0
"""No row of effort is longer than a year. Ours: a recorder is looked after once in a season at least, so more
is a slip, as of the unit."""

POISSON_SIZE = 1e4
"""A size k above this is no different from chance. Ours."""


@dataclass(frozen=True)
class Effort:
    """A stretch of listening within one hour of one day. ``hour`` is -1 where only the day is known."""

    path: str
    day: dt.date
    hour: int
    heard_h: float
    wind_lost_h: float

    @property
    def listened_h(self) -> float:
        """Hours heard and not lost to wind."""
        return max(self.heard_h - self.wind_lost_h, 0.0)


@dataclass(frozen=True)
class Rate:
    """Bees an hour.

    Attributes
    ----------
    by, name
        What it is about, such as ``hour`` and ``14``.
    bees, hours, days
        Counted, listened, and on how many days.
    rate, low, high
        Bees an hour with the 95 % interval.
    size
        Negative binomial k; infinite where the counts vary no more than by chance.
    """

    by: str
    name: str
    bees: int
    hours: float
    days: int
    rate: float
    low: float
    high: float
    size: float


@dataclass(frozen=True)
class Activity:
    """Rates in all, by hour of the day, by month and by group, and what could not be counted.

    ``heard_h`` and ``wind_lost_h`` sum the effort. ``without_time`` are bees whose time is not known, or in
    whose recording nothing was listened to on that day; ``without_hour`` those of the others whose hour is
    not known, or was not listened to by what the effort says, and which are in no hour of the day therefore.
    """

    rates: tuple[Rate, ...]
    heard_h: float
    wind_lost_h: float
    without_time: int
    without_hour: int


def effort_of(rows: Sequence[Located]) -> list[Effort]:
    """Read rows of effort; rows without a date give none, as nothing can be counted against them.

    Time heard is spread evenly over the row's stretch, which runs for ``duration_s``, or, without it, for as
    long as was heard. Listening counts once: a stretch that is given again, as by two tables that both hold
    it, is left out, and so is a whole recording of which there are stretches.

    Raises
    ------
    TableError
        Every fault by line and column.
    """
    faults: list[Fault] = []
    out: list[Effort] = []
    in_stretches = {text_of(row.values.get("sha256")) for row in rows if "starts_at" in row.values} - {""}
    counted = set()
    for row in rows:
        absent = [name for name in ("path", "heard_s") if name not in row.values]
        if absent:
            faults += [Fault(row.file, 1, name, "this column is missing") for name in absent]
            break
        column = ""
        try:
            column = "heard_s"
            heard_s = number_of(row.values[column])
            column = "wind_lost_s"
            wind_s = number_of(row.values.get(column))
            column = "duration_s"
            duration_s = number_of(row.values.get(column))
            column = "starts_at" if "starts_at" in row.values else "recorded_at"
            weak = text_of(row.values.get("recorded_at_source")) == "file time"
            moment, day = (None, None) if weak else moment_of(row.values.get(column))
        except (TypeError, ValueError, OverflowError):
            what = f"{text_of(row.values[column])[:40]!r} was not understood"
            faults.append(Fault(row.file, row.line, column, what))
            continue
        if heard_s < 0 or wind_s < 0:
            faults.append(Fault(row.file, row.line, "heard_s", "time cannot be negative"))
            continue
        length_s = max(duration_s, heard_s) if math.isfinite(duration_s) else heard_s
        if length_s > LONGEST_S:
            name = "heard_s" if heard_s > LONGEST_S else "duration_s"
            faults.append(Fault(row.file, row.line, name, f"{length_s:g} s are longer than a year"))
            continue
        if not heard_s > 0 or day is None:
            continue
        checksum = text_of(row.values.get("sha256"))
        if column == "recorded_at" and checksum in in_stretches:
            continue
        if moment is not None or checksum:  # of a day alone there may be several
            recording = checksum or text_of(row.values["path"])  # as `Heard` tells them apart
            stretch = (recording, moment or (day, text_of(row.values.get("start_s"))))
            if stretch in counted:
                continue
            counted.add(stretch)
        wind_s = wind_s if math.isfinite(wind_s) else 0.0
        path = text_of(row.values["path"])
        if moment is None:
            out.append(Effort(path, day, -1, heard_s / 3600, wind_s / 3600))
        else:
            try:
                out += _by_hour(path, moment, length_s, heard_s, wind_s)
            except (OverflowError, ValueError):  # the second is that of data frames
                faults.append(Fault(row.file, row.line, column, f"{length_s:g} s later there is no date"))
    if faults:
        raise TableError(faults[:MOST_FAULTS], where=faults[0].file)
    return out


def _by_hour(path: str, began: dt.datetime, length_s: float, heard_s: float, wind_s: float) -> list[Effort]:
    out = []
    at, left = began, length_s
    while left > 0:
        into = at.minute * 60 + at.second + at.microsecond / 1e6
        here = min(left, 3600 - into)
        part = here / length_s / 3600
        out.append(Effort(path, at.date(), at.hour, heard_s * part, wind_s * part))
        at, left = at + dt.timedelta(seconds=max(here, 1e-6)), left - here
    return out


def garwood(count: int, *, level: float = LEVEL) -> tuple[float, float]:
    """Return the exact interval of a Poisson mean (Garwood 1936; quantiles of chi squared)."""
    from scipy.special import gammaincinv

    tail = (1 - level) / 2
    low = float(gammaincinv(count, tail)) if count else 0.0
    return low, float(gammaincinv(count + 1, 1 - tail))


def _log_likelihood(counts: Floats, mean: Floats, size: float) -> float:
    from scipy.special import gammaln, xlogy

    terms = gammaln(counts + size) - gammaln(size) - gammaln(counts + 1)
    terms = terms - size * np.log1p(mean / size) + xlogy(counts, mean) - counts * np.log(size + mean)
    return float(terms.sum())


def _best_size(counts: Floats, mean: Floats) -> tuple[float, float]:
    """The k that fits best for given means, and its log-likelihood."""
    from scipy.optimize import minimize_scalar

    found = minimize_scalar(
        lambda x: -_log_likelihood(counts, mean, math.exp(x)),
        bounds=(-5.0, math.log(10 * POISSON_SIZE)),
        method="bounded",
        options={"xatol": 1e-6},
    )
    return math.exp(float(found.x)), -float(found.fun)


def negative_binomial(counts: Floats, hours: Floats) -> tuple[float, float, float]:
    """Fit by maximum likelihood; return rate, size k, and log-likelihood."""
    from scipy.optimize import minimize_scalar

    middle = math.log(counts.sum() / hours.sum())
    found = minimize_scalar(
        lambda x: -_best_size(counts, math.exp(x) * hours)[1],
        bounds=(middle - 3, middle + 3),
        method="bounded",
        options={"xatol": 1e-6},
    )
    best = math.exp(float(found.x))
    size, height = _best_size(counts, best * hours)
    return best, size, height


def rate(by: str, name: str, counts: Sequence[int], hours: Sequence[float]) -> Rate | None:
    """Return the rate over days; None where nobody listened.

    Parameters
    ----------
    counts, hours
        Bees and hours listened of each day; days without listening are left out.
    """
    from scipy.optimize import brentq
    from scipy.special import fdtri

    use = [(c, h) for c, h in zip(counts, hours, strict=True) if h > 0]
    if not use:
        return None
    c, h = np.array([a for a, _ in use], float), np.array([b for _, b in use])
    total, listened, days = int(c.sum()), float(h.sum()), len(use)
    low, high = (end / listened for end in garwood(total))
    exact = Rate(by, name, total, listened, days, total / listened, low, high, math.inf)
    if days < 3 or total < 2:
        return exact
    best, size, height = negative_binomial(c, h)
    if size > POISSON_SIZE:
        return exact
    limit = height - 0.5 * float(fdtri(1, days - 1, LEVEL))

    def above(x: float) -> float:
        return _best_size(c, math.exp(x) * h)[1] - limit

    middle = math.log(best)
    ends = []
    for step in (-1.0, 1.0):
        far = middle + step
        while above(far) > 0 and abs(far - middle) < 12:
            far += step
        between = min(middle, far), max(middle, far)
        ends.append(math.exp(brentq(above, *between, xtol=1e-4)) if above(far) < 0 else math.nan)
    low = 0.0 if math.isnan(ends[0]) else min(ends[0], low)
    return Rate(by, name, total, listened, days, best, low, max(ends[1], high), size)


def activity(
    individuals: Sequence[Individual],
    effort: Sequence[Effort],
    *,
    group_of: Callable[[Effort], str] = lambda _: "",
) -> Activity:
    """Work out rates in all, by hour of the day, by month, and by group.

    A bee counts where its recording has effort on its day. ``group_of`` gives the group of a stretch of
    listening, as the bees have theirs; empty for none.
    """
    listened = {(one.path, one.day) for one in effort if one.listened_h > 0}
    counted = [one for one in individuals if (one.path, one.day) in listened]
    units: list[tuple[str, Callable[[Effort], str], Callable[[Individual], str]]] = [
        ("all", lambda _: "all", lambda _: "all"),
        (
            "hour",
            lambda e: "" if e.hour < 0 else f"{e.hour:02d}",
            lambda i: "" if i.moment is None else f"{i.moment.hour:02d}",
        ),
        ("month", lambda e: f"{e.day:%Y-%m}", lambda i: f"{i.day:%Y-%m}"),
        ("group", group_of, lambda i: i.group),
    ]
    rates = []
    by_hour = 0
    for by, of_effort, of_bee in units:
        hours: dict[str, dict[dt.date, float]] = defaultdict(lambda: defaultdict(float))
        bees: dict[str, dict[dt.date, int]] = defaultdict(lambda: defaultdict(int))
        for stretch in effort:
            hours[of_effort(stretch)][stretch.day] += stretch.listened_h
        for one in counted:
            assert one.day is not None
            bees[of_bee(one)][one.day] += 1
        for name in sorted(hours):
            days = sorted(hours[name])
            if name:
                found = rate(by, name, [bees[name][d] for d in days], [hours[name][d] for d in days])
                rates += [found] if found is not None else []
                by_hour += found.bees if by == "hour" and found is not None else 0
    return Activity(
        tuple(rates),
        math.fsum(e.heard_h for e in effort),
        math.fsum(e.wind_lost_h for e in effort),
        len(individuals) - len(counted),
        len(counted) - by_hour,
    )
