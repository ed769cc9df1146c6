"""The steps of a guarantee's term, and the days at risk in each by age band and calendar month."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import cached_property
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from plantstats.errors import PlantstatsError
from plantstats.periods import add_months

Array = npt.NDArray[np.float64]
MONTHS = 12
DAYS_PER_YEAR = 365.25


class TimeGridError(PlantstatsError, ValueError):
    """A term that cannot be laid out in steps."""


@dataclass(frozen=True)
class TimeGrid:
    """A term cut into steps; times are days since `starts_on`.

    Parameters
    ----------
    starts_on, ends_on : datetime.date
        Half-open: `ends_on` is the day after the last one.
    edges : numpy.ndarray, shape (steps + 1,)
        Ends of the steps.
    """

    starts_on: date
    ends_on: date
    edges: Array

    @property
    def steps(self) -> int:
        """How many steps the term has (0 for a term of no days)."""
        return len(self.edges) - 1

    @property
    def midpoints(self) -> Array:
        """The middle of each step: where a loss of that step is put."""
        return (self.edges[1:] + self.edges[:-1]) / 2

    @cached_property
    def month_starts(self) -> tuple[Array, npt.NDArray[np.int64]]:
        """First days of the calendar months from before the term to after it, and their numbers from 0."""
        firsts = [self.starts_on.replace(day=1)]
        while firsts[-1] < self.ends_on:
            firsts.append(add_months(firsts[-1], 1))
        days = np.array([(day - self.starts_on).days for day in firsts], dtype="float64")
        return days, np.array([day.month - 1 for day in firsts])

    def contract_years(self) -> npt.NDArray[np.int64]:
        """Contract year, from 0, in which each step begins.

        Returns
        -------
        numpy.ndarray of int, shape (steps,)
        """
        turns = [0.0]
        while turns[-1] < self.edges[-1]:
            turns.append(float((add_months(self.starts_on, MONTHS * len(turns)) - self.starts_on).days))
        return np.searchsorted(turns, self.edges[:-1] + 1e-9, side="right") - 1

    def discount_factors(self, yearly_percent: tuple[float, ...]) -> Array:
        """Present value at the start of one unit paid in the middle of each step (see `discount_factors`).

        Parameters
        ----------
        yearly_percent : tuple of float
            One rate for each contract year; the last holds on.

        Returns
        -------
        numpy.ndarray, shape (steps,)
        """
        return discount_factors(self.midpoints, yearly_percent)


def monthly_grid(starts_on: date, ends_on: date, per_month: int = 1) -> TimeGrid:
    """Cut a term into months counted from its first day, each into equal parts.

    Parameters
    ----------
    starts_on, ends_on : datetime.date
        Half-open.
    per_month : int
        Parts of a month (1 is enough: see `renewal`).

    Returns
    -------
    TimeGrid
        A last month that the term does not fill is a shorter step. A term of no days has no steps.

    Raises
    ------
    TimeGridError
        When the term ends before it begins.

    Examples
    --------
    >>> monthly_grid(date(2026, 1, 14), date(2026, 3, 20)).edges.tolist()
    [0.0, 31.0, 59.0, 65.0]
    """
    if ends_on < starts_on:
        raise TimeGridError(f"the term ends ({ends_on}) before it begins ({starts_on})")
    length = (ends_on - starts_on).days
    turns, month = [0.0], 1
    while turns[-1] < length:
        turns.append(float(min((add_months(starts_on, month) - starts_on).days, length)))
        month += 1
    parts = [np.linspace(low, high, per_month, endpoint=False) for low, high in pairwise(turns)]
    return TimeGrid(starts_on, ends_on, np.concatenate([*parts, [float(length)]]))


def discount_factors(days: Array, yearly_percent: tuple[float, ...]) -> Array:
    """Worth today of one unit paid on later days.

    Parameters
    ----------
    days : numpy.ndarray
        Days from today to each payment.
    yearly_percent : tuple of float
        Yearly rate in percent for payments within year 1, 2, ..., each for the whole time from today; the last one
        holds on.

    Returns
    -------
    numpy.ndarray
        ``(1 + rate) ** -years`` of each day.

    References
    ----------
    IAS 37, as in the worked example that the test names.

    Examples
    --------
    >>> discount_factors(365.25 * np.array([1.0, 2.0]), (6.0, 7.0)).round(4).tolist()
    [0.9434, 0.8734]
    """
    years = days / DAYS_PER_YEAR
    year = np.clip(np.ceil(years).astype("int64") - 1, 0, len(yearly_percent) - 1)
    return (1 + np.array(yearly_percent)[year] / 100) ** -years


def days_at_risk(
    grid: TimeGrid, planted: Array, age_cuts: tuple[int, ...], enter: Array | None = None, leave: Array | None = None
) -> Array:
    """Days at risk of plants that live through the whole term.

    Parameters
    ----------
    grid : TimeGrid
    planted : numpy.ndarray, shape (plants,)
        Day of planting, in days since the term's start (before it: negative; NaN: unknown).
    age_cuts : tuple of int
        Days since planting, each closing its band.
    enter, leave : numpy.ndarray, shape (plants,)
        When the plant's own cover begins and ends (default: with the term).

    Returns
    -------
    numpy.ndarray, shape (plants, steps, age bands + 1, 12)
        Days; the last band is "age unknown".

    Notes
    -----
    The sum over bands and months is the days of the step that lie between planting (and enter) and leave.
    """
    n, n_bands = len(planted), len(age_cuts) + 2
    begin = np.zeros(n) if enter is None else np.maximum(enter, 0.0)
    end = np.full(n, grid.edges[-1]) if leave is None else np.minimum(leave, grid.edges[-1])
    firsts, numbers = grid.month_starts
    known = ~np.isnan(planted)
    begin = np.where(known, np.maximum(begin, planted), begin)[:, None]
    turns = np.where(known, planted, np.inf)[:, None] + np.array(age_cuts, dtype="float64")
    edges = np.broadcast_to(np.concatenate([grid.edges, firsts]), (n, len(grid.edges) + len(firsts)))
    # Cut at every edge, month and age between begin and end; cuts beyond them leave lengths of 0.
    points = np.sort(np.clip(np.hstack([edges, turns, begin, end[:, None]]), begin, end[:, None]), axis=1)
    plant, at = np.nonzero(np.diff(points) > 0)
    lengths, middle = points[plant, at + 1] - points[plant, at], (points[plant, at + 1] + points[plant, at]) / 2
    step = np.searchsorted(grid.edges, middle) - 1
    month = numbers[np.searchsorted(firsts, middle) - 1]
    band = np.where(known[plant], (turns[plant] < middle[:, None]).sum(axis=1), n_bands - 1)
    days = np.zeros((n, grid.steps, n_bands, MONTHS))
    np.add.at(days, (plant, step, band, month), lengths)
    return days
