"""Weeks from Monday to Sunday, and what of a site's expectation falls due at the visits of each."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import numpy as np
import pandas as pd

from plantstats.stats.intervals import Array

WEEK = pd.Timedelta(days=7)
# A loss is found at a visit; where none is on record for two of the rarest usual rounds of 28 days, otherwise (common
# practice, no source).
LONGEST_UNSEEN = pd.Timedelta(days=56)


@dataclass(frozen=True)
class Weekly:
    """Counts and expected counts of each site and species by week of finding.

    Attributes
    ----------
    counts, expected : pandas.DataFrame
        One row per site and species (index site_id, species), one column per week (its Monday).
    judged : pandas.DatetimeIndex
        The weeks that are judged; the model saw none of them. Those before teach the dispersion, those after are not
        complete.
    groups : dict of str to pandas.DataFrame
        By "" (the company), "region" and "site_id": index its name, columns n_plants and variance (of the log of what
        is expected).
    region : pandas.Series
        Region of each site.
    left_out : float
        Counts in conditions that the models never saw, which stand in neither table.
    """

    counts: pd.DataFrame
    expected: pd.DataFrame
    judged: pd.DatetimeIndex
    groups: dict[str, pd.DataFrame]
    region: pd.Series
    left_out: float = 0.0

    def members(self, by: str, name: str) -> np.ndarray:
        """Rows of `counts` that belong to a group.

        Parameters
        ----------
        by : {"", "region", "site_id"}
        name : str
            Of the group.

        Returns
        -------
        numpy.ndarray of bool
        """
        sites = self.counts.index.get_level_values("site_id")
        if not by:
            return np.ones(len(sites), dtype=bool)
        return np.asarray((sites if by == "site_id" else sites.map(self.region)) == name)

    def series(self, by: str, name: str) -> pd.DataFrame:
        """Weeks of a group.

        Parameters
        ----------
        by, name : str
            As in `members`.

        Returns
        -------
        pandas.DataFrame
            Index the Mondays; counts, expected.
        """
        rows = self.members(by, name)
        return pd.DataFrame({"counts": self.counts[rows].sum(), "expected": self.expected[rows].sum()})

    def with_counts(self, counts: pd.DataFrame) -> Weekly:
        """The same weeks with other counts.

        Parameters
        ----------
        counts : pandas.DataFrame
            In the form of `counts`.

        Returns
        -------
        Weekly
        """
        return replace(self, counts=counts)

    @property
    def before(self) -> pd.DatetimeIndex:
        """The weeks before those that are judged."""
        columns = pd.DatetimeIndex(self.counts.columns)
        return columns[columns < self.judged[0]] if len(self.judged) else columns


def week_name(monday: pd.Timestamp | date) -> str:
    """A week by year and number, as ISO 8601 counts them.

    Parameters
    ----------
    monday : pandas.Timestamp or datetime.date
        A day of the week.

    Returns
    -------
    str

    Examples
    --------
    >>> week_name(date(2026, 9, 21))
    '2026-W39'
    """
    year, number, _ = monday.isocalendar()
    return f"{year}-W{number:02d}"


def monday_of(days: pd.Series) -> pd.Series:
    """Monday of the week of each day.

    Parameters
    ----------
    days : pandas.Series
        Dates.

    Returns
    -------
    pandas.Series
    """
    return days - pd.to_timedelta(days.dt.day_of_week, unit="D")


def mondays(start: date, end: date) -> pd.DatetimeIndex:
    """Mondays of the whole weeks between two days.

    Parameters
    ----------
    start, end : datetime.date
        The first day, and the last.

    Returns
    -------
    pandas.DatetimeIndex
    """
    return pd.date_range(start, pd.Timestamp(end) - pd.Timedelta(days=6), freq="W-MON", unit="us")


def due_by_week(monthly: pd.DataFrame, visits: pd.DataFrame, weeks: pd.DatetimeIndex, as_of: date) -> pd.DataFrame:
    """Expected losses by week of finding: those of the days since the visit before fall due at a visit.

    Parameters
    ----------
    monthly : pandas.DataFrame
        Expected losses: index site_id and species, one column per month (its first day), without gaps.
    visits : pandas.DataFrame
        site_id, visited_on: days with a completed visit.
    weeks : pandas.DatetimeIndex
        Mondays, without gaps.
    as_of : datetime.date
        The last day of the records.

    Returns
    -------
    pandas.DataFrame
        The index of `monthly`, one column per week. Nothing falls due twice; what no visit has reached is left.

    Notes
    -----
    Within a month losses are taken to fall evenly on its days.

    Examples
    --------
    A loss to be expected on each of 30 days; visits on the 7th and the 28th (Sundays): 7 and 21 fall due.

    >>> months = pd.DatetimeIndex(["2025-09-01"])
    >>> index = pd.MultiIndex.from_tuples([("S1", "a")], names=["site_id", "species"])
    >>> days = pd.DataFrame({"site_id": "S1", "visited_on": pd.to_datetime(["2025-09-07", "2025-09-28"])})
    >>> weeks = mondays(date(2025, 9, 1), date(2025, 9, 30))
    >>> due_by_week(pd.DataFrame([[30.0]], index, months), days, weeks, date(2025, 9, 30)).to_numpy().tolist()
    [[7.0, 0.0, 0.0, 21.0]]
    """
    months = pd.DatetimeIndex(monthly.columns)
    sites = monthly.index.get_level_values("site_id")
    reached = _reached(visits, sorted(set(sites)), weeks)
    lasts = np.minimum(months.days_in_month, (pd.Timestamp(as_of) - months).days + 1).to_numpy("float64")
    cumulated = np.c_[np.zeros(len(monthly)), monthly.to_numpy("float64").cumsum(axis=1)]
    due: Array = np.empty((len(monthly), len(weeks) + 1))
    for column in range(len(weeks) + 1):
        day = reached.iloc[:, column]
        # The month that holds the day, and how much of it is over; before the first month nothing is expected.
        at = np.searchsorted(months.to_numpy(), day.to_numpy(), side="right") - 1
        over = np.clip(((day.to_numpy() - months.to_numpy()[at]) / np.timedelta64(1, "D") + 1) / lasts[at], 0.0, 1.0)
        place = pd.Series(np.arange(len(day)), day.index).reindex(sites).to_numpy()
        month, part = at[place], np.where(at < 0, 0.0, over)[place]
        start = np.maximum(month, 0)
        rows = np.arange(len(monthly))
        due[:, column] = cumulated[rows, start] + part * (cumulated[rows, start + 1] - cumulated[rows, start])
    return pd.DataFrame(np.diff(due, axis=1), monthly.index, weeks)


def _reached(visits: pd.DataFrame, sites: list[str], weeks: pd.DatetimeIndex) -> pd.DataFrame:
    """Up to which day the plants of each site had been seen by the end of each week, and of the week before all."""
    sundays = pd.DatetimeIndex([weeks[0] - WEEK, *weeks]) + pd.Timedelta(days=6)
    asked = pd.DataFrame({"site_id": np.repeat(sites, len(sundays)), "end": np.tile(sundays, len(sites))})
    asked["end"] = asked["end"].astype("datetime64[us]")
    days = visits[["site_id", "visited_on"]].astype({"visited_on": "datetime64[us]"}).sort_values("visited_on")
    seen = pd.merge_asof(
        asked.sort_values("end", kind="stable"),
        days.assign(end=days["visited_on"]),
        on="end",
        by="site_id",
        direction="backward",
    )
    latest = seen["visited_on"].fillna(pd.Timestamp(0)).clip(lower=seen["end"] - LONGEST_UNSEEN)
    return seen.assign(day=latest).pivot(index="site_id", columns="end", values="day").loc[sites]
