"""Quarters, fiscal years, weeks and the heating season, all as half-open dates [start, end).

A fiscal year is named for the calendar year in which it ends: with a start in July, FY2026 runs from 1 July
2025 to 30 June 2026, and FY2026-Q1 is July to September 2025 (common practice, no source). With a start in
January fiscal and calendar years are the same, and the FY is left away.
"""

from __future__ import annotations

import calendar
import re
from dataclasses import dataclass
from datetime import date, timedelta

import pandas as pd

from plantstats.errors import PlantstatsError

YEARS = (1900, 2199)
QUARTER = re.compile(r"(FY)?(\d{4})-?Q([1-4])", re.IGNORECASE)
MonthDay = tuple[int, int]
HeatingSeason = tuple[MonthDay, MonthDay]


class PeriodError(PlantstatsError, ValueError):
    """A period that cannot be read; the message says what was given and what is accepted."""


@dataclass(frozen=True, order=True)
class Period:
    """A named stretch of days: `start` is the first of them, `end` the day after the last."""

    start: date
    end: date
    name: str

    @property
    def days(self) -> int:
        """Whole days in the period."""
        return (self.end - self.start).days

    @property
    def last_day(self) -> date:
        """The last day that belongs to the period."""
        return self.end - timedelta(days=1)


def add_months(day: date, months: int) -> date:
    """The same day some months later or earlier, or the last day of a month that is too short for it.

    Parameters
    ----------
    day : date
    months : int
        Negative: earlier.

    Returns
    -------
    date

    Examples
    --------
    >>> str(add_months(date(2026, 1, 31), 1)), str(add_months(date(2024, 2, 29), 12))
    ('2026-02-28', '2025-02-28')
    """
    month = day.year * 12 + day.month - 1 + months
    year, month = month // 12, month % 12 + 1
    return date(year, month, min(day.day, calendar.monthrange(year, month)[1]))


def quarter(name: str, fiscal_year_starts: int = 1) -> Period:
    """Read the name of a quarter.

    Parameters
    ----------
    name : str
        "2026-Q3", "2026Q3" or "FY2026-Q3".
    fiscal_year_starts : int, default 1
        Month in which the fiscal year starts, 1 to 12.

    Returns
    -------
    Period
        Three whole months; its name is "2026-Q3", or "FY2026-Q3" where the fiscal year does not start in January.

    Raises
    ------
    PeriodError
        For any other text or month, and for a name without FY where the fiscal year does not start in January: it
        could mean the calendar's quarter or the fiscal year's. The message gives both by date.

    Examples
    --------
    >>> quarter("FY2026-Q1", fiscal_year_starts=7).start
    datetime.date(2025, 7, 1)
    """
    match = QUARTER.fullmatch(str(name).strip())
    if not match:
        like = "2026-Q3 or 2026Q3" if fiscal_year_starts == 1 else "FY2026-Q3"
        raise PeriodError(f"quarter {name!r} cannot be read; write it as {like} (Q1 to Q4)")
    if not YEARS[0] <= int(match[2]) <= YEARS[1]:
        raise PeriodError(f"quarter {name!r} lies outside the years {YEARS[0]} to {YEARS[1]}")
    result = _fiscal_quarter(int(match[2]), int(match[3]), fiscal_year_starts)
    if fiscal_year_starts > 1 and not match[1]:
        raise PeriodError(_two_readings(name, result, _fiscal_quarter(int(match[2]), int(match[3]), 1)))
    return result


def quarter_of(day: date, fiscal_year_starts: int = 1) -> Period:
    """Quarter in which a day lies.

    Parameters
    ----------
    day : date
    fiscal_year_starts : int, default 1
        Month in which the fiscal year starts, 1 to 12.

    Returns
    -------
    Period

    Raises
    ------
    PeriodError
        For a month that does not exist.

    Examples
    --------
    >>> quarter_of(date(2026, 9, 30)).name
    '2026-Q3'
    """
    _check_month(fiscal_year_starts)
    months = day.year * 12 + day.month - fiscal_year_starts
    year = months // 12 + (fiscal_year_starts > 1)
    return _fiscal_quarter(year, months % 12 // 3 + 1, fiscal_year_starts)


def latest_complete_quarter(as_of: date, fiscal_year_starts: int = 1) -> Period:
    """Last quarter whose every day has passed.

    Parameters
    ----------
    as_of : date
        The last day that counts.
    fiscal_year_starts : int, default 1
        Month in which the fiscal year starts, 1 to 12.

    Returns
    -------
    Period
        It ends on `as_of` or before it.

    Examples
    --------
    >>> latest_complete_quarter(date(2026, 9, 30)).name, latest_complete_quarter(date(2026, 9, 29)).name
    ('2026-Q3', '2026-Q2')
    """
    return previous_quarters(quarter_of(as_of + timedelta(days=1), fiscal_year_starts), 1)[0]


def previous_quarters(period: Period, n: int) -> list[Period]:
    """Quarters before a quarter, oldest first.

    Parameters
    ----------
    period : Period
        The quarter, half-open.
    n : int
        How many.

    Returns
    -------
    list of Period
        Named by the same fiscal year.

    Examples
    --------
    >>> [earlier.name for earlier in previous_quarters(quarter("2026-Q1"), 2)]
    ['2025-Q3', '2025-Q4']
    """
    starts = _fiscal_start(period)
    return [quarter_of(add_months(period.start, -3 * back), starts) for back in range(n, 0, -1)]


def next_quarter(period: Period) -> Period:
    """Quarter after one.

    Parameters
    ----------
    period : Period
        The quarter, half-open.

    Returns
    -------
    Period

    Examples
    --------
    >>> next_quarter(quarter("2026-Q4")).name
    '2027-Q1'
    """
    return quarter_of(period.end, _fiscal_start(period))


def same_quarter_last_year(period: Period) -> Period:
    """Quarter a year before a quarter, under the same fiscal year.

    Parameters
    ----------
    period : Period
        The quarter, half-open.

    Returns
    -------
    Period

    Examples
    --------
    >>> same_quarter_last_year(quarter("2026-Q3")).name
    '2025-Q3'
    """
    return previous_quarters(period, 4)[0]


def in_heating_season(days: pd.Series, season: HeatingSeason) -> pd.Series:
    """Whether each day lies in the heating season.

    Parameters
    ----------
    days : pandas.Series
        Dates.
    season : HeatingSeason
        (month, day) of its first day and of the day after its last; it may run over the turn of the year.

    Returns
    -------
    pandas.Series of boolean
        A missing day gives missing.

    Raises
    ------
    PeriodError
        For a month or day that does not exist.

    Examples
    --------
    >>> in_heating_season(pd.Series(["2026-09-30", "2026-10-01"]), ((10, 1), (5, 1))).tolist()
    [False, True]
    """
    first, after = (_month_day(given) for given in season)
    days = pd.to_datetime(days)
    at = days.dt.month * 100 + days.dt.day
    inside = (at >= first) & (at < after) if first <= after else (at >= first) | (at < after)
    return inside.astype("boolean").mask(days.isna())


def heating_months(season: HeatingSeason) -> tuple[int, ...]:
    """Months that count as heated in tables by month: those whose 15th lies in the heating season.

    Parameters
    ----------
    season : HeatingSeason
        As in `in_heating_season`.

    Returns
    -------
    tuple of int
        Month numbers, rising.

    Examples
    --------
    >>> heating_months(((10, 1), (5, 1)))
    (1, 2, 3, 4, 10, 11, 12)
    """
    middles = pd.Series([date(2001, month, 15) for month in range(1, 13)])
    heated = in_heating_season(middles, season)
    return tuple(month for month, inside in zip(range(1, 13), heated, strict=True) if inside)


def _fiscal_quarter(year: int, number: int, starts: int) -> Period:
    _check_month(starts)
    first = add_months(date(year - (starts > 1), starts, 1), 3 * (number - 1))
    return Period(first, add_months(first, 3), f"{'FY' if starts > 1 else ''}{year:04d}-Q{number}")


def _two_readings(name: str, fiscal: Period, calendar_quarter: Period) -> str:
    """What a name without FY could mean under a fiscal year that does not start in January."""
    text = (
        f"quarter {name!r} can be read two ways, as the fiscal year does not start in January: write {fiscal.name} for "
        f"{fiscal.start} to {fiscal.last_day}"
    )
    same = quarter_of(calendar_quarter.start, _fiscal_start(fiscal))
    dates = f"{calendar_quarter.start} to {calendar_quarter.last_day}"
    if same.start == calendar_quarter.start:
        return f"{text}, or {same.name} for the calendar's quarter, {dates}"
    return f"{text}; the calendar's quarter, {dates}, is no quarter of this fiscal year"


def _fiscal_start(period: Period) -> int:
    match = QUARTER.fullmatch(period.name)
    if not match or period.end != add_months(period.start, 3):
        raise PeriodError(f"{period.name!r} ({period.start} to {period.last_day}) is not a quarter")
    return (period.start.month - 1 - 3 * (int(match[3]) - 1)) % 12 + 1


def _check_month(month: int) -> None:
    if month not in range(1, 13):
        raise PeriodError(f"fiscal_year_starts is {month!r}; give a month number from 1 to 12")


def _month_day(given: MonthDay) -> int:
    month, day = given
    # A leap year, so that 29 February can be said.
    if month not in range(1, 13) or not 1 <= day <= calendar.monthrange(2000, month)[1]:
        raise PeriodError(f"heating season: month {month}, day {day} does not exist")
    return month * 100 + day
