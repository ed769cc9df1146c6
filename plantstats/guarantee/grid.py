"""The steps of a guarantee's term, and the days at risk in each by age band and calendar month."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from plantstats.errors import PlantstatsError
from plantstats.periods import add_months

Array = npt.NDArray[np.float64]
MONTHS = 12


class GridError(PlantstatsError, ValueError):
    """A term that cannot be laid out in steps."""


@dataclass(frozen=True)
class Grid:
    """A term cut into steps. Times are days since `starts_on`; `ends_on` is the day after the last one."""

    starts_on: date
    ends_on: date
    edges: Array

    @property
    def steps(self) -> int:
        """How many steps the term has (0 for a term of no days)."""
        return len(self.edges) - 1

    @property
    def middles(self) -> Array:
        """The middle of each step: where a loss of that step is put."""
        return (self.edges[1:] + self.edges[:-1]) / 2

    @cached_property
    def month_starts(self) -> tuple[Array, npt.NDArray[np.int64]]:
        """First days of the calendar months from before the term to after it, and their numbers from 0."""
        first = self.starts_on.replace(day=1)
        firsts = [first]
        while firsts[-1] < self.ends_on:
            firsts.append(add_months(firsts[-1], 1))
        at = np.array([(day - self.starts_on).days for day in firsts], dtype="float64")
        return at, np.array([day.month - 1 for day in firsts])

    def years(self) -> npt.NDArray[np.int64]:
        """The contract year, from 0, in which each step begins."""
        turns = [0.0]
        while turns[-1] < self.edges[-1]:
            turns.append(float((add_months(self.starts_on, MONTHS * len(turns)) - self.starts_on).days))
        return np.searchsorted(turns, self.edges[:-1] + 1e-9, side="right") - 1


def grid(starts_on: date, ends_on: date, per_month: int = 1) -> Grid:
    """Cut a term into months counted from its first day, each into equal parts.

    Takes:  starts_on, ends_on: half-open; per_month: parts of a month (1 is enough: see `renewal`).
    Gives:  Grid; a last month that the term does not fill is a shorter step. A term of no days has no steps.
    Raises: GridError when the term ends before it begins.
    """
    if ends_on < starts_on:
        raise GridError(f"the term ends ({ends_on}) before it begins ({starts_on})")
    length = (ends_on - starts_on).days
    turns, month = [0.0], 1
    while turns[-1] < length:
        turns.append(float(min((add_months(starts_on, month) - starts_on).days, length)))
        month += 1
    parts = [np.linspace(low, high, per_month, endpoint=False) for low, high in pairwise(turns)]
    return Grid(starts_on, ends_on, np.concatenate([*parts, [float(length)]]))


def days_at_risk(
    cut: Grid, planted: Array, age_cuts: tuple[int, ...], enter: Array | None = None, leave: Array | None = None
) -> Array:
    """Days at risk of plants that live through the whole term.

    Takes:  cut; planted: day of planting of each plant, in days since the term's start (before it: negative;
            NaN: unknown); age_cuts: days since planting, each closing its band; enter, leave: when the
            plant's own cover begins and ends (default: with the term).
    Gives:  plants x steps x (age bands + 1) x 12: days; the last band is "age unknown".
    Keeps:  the sum over bands and months is the days of the step that lie between planting (and enter) and
            leave.
    """
    n, bands = len(planted), len(age_cuts) + 2
    begin = np.zeros(n) if enter is None else np.maximum(enter, 0.0)
    end = np.full(n, cut.edges[-1]) if leave is None else np.minimum(leave, cut.edges[-1])
    out = np.zeros((n, cut.steps, bands, MONTHS))
    firsts, numbers = cut.month_starts
    for plant in range(n):
        at = planted[plant]
        known = not np.isnan(at)
        low = max(begin[plant], at) if known else begin[plant]
        high = end[plant]
        if high <= low:
            continue
        turns = at + np.array(age_cuts, dtype="float64") if known else np.zeros(0)
        points = np.concatenate([cut.edges, firsts, turns, [low, high]])
        points = np.unique(points[(points >= low) & (points <= high)])
        lengths, middle = np.diff(points), (points[1:] + points[:-1]) / 2
        step = np.searchsorted(cut.edges, middle) - 1
        month = numbers[np.searchsorted(firsts, middle) - 1]
        band = np.searchsorted(turns, middle) if known else np.full(len(middle), bands - 1)
        np.add.at(out[plant], (step, band, month), lengths)
    return out


def day_number(day: date, cut: Grid) -> float:
    """A date as days since the term's start."""
    return float((day - cut.starts_on) / timedelta(days=1))
