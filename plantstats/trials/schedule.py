"""The visits that a protocol asks for, a row each, for the technicians' sheet."""

from __future__ import annotations

from datetime import date, timedelta

import pandas as pd

from plantstats.trials.outcomes import SiteDays
from plantstats.trials.protocol import Protocol

RECENT = 183  # days over which the usual weekday is taken
FRIDAY = 4


def usual_weekday(days: SiteDays, as_of: date) -> pd.Series:
    """Weekday on which each site is mostly visited, 0 for Monday, by site_id.

    Parameters
    ----------
    days : SiteDays
        The records by day.
    as_of : datetime.date
        The last day that counts.

    Returns
    -------
    pandas.Series
        Of the last half year; the earlier weekday where two are as common.
    """
    recent = days.work[days.work["visited_on"] > pd.Timestamp(as_of) - pd.Timedelta(days=RECENT)]
    counts = recent.groupby(["site_id", recent["visited_on"].dt.day_of_week])["looks"].size()
    return counts.groupby("site_id").idxmax().map(lambda key: key[1]).astype("int64")


def schedule(protocol: Protocol, weekdays: pd.Series, technicians: pd.Series) -> pd.DataFrame:
    """Every visit of the trial.

    Parameters
    ----------
    protocol : Protocol
        Its sites, periods and allocation.
    weekdays : pandas.Series
        Usual weekday by site_id; Monday where it is not known.
    technicians : pandas.Series
        Who mostly comes, by site_id.

    Returns
    -------
    pandas.DataFrame
        One row per visit, by day: visit_on, site_id, technician, interval_days, period, counted (yes, no: settling in),
        visited_on and note (to be written in).

    Notes
    -----
    Visits keep a site's weekday. Sites of one interval begin in different weeks, in turn, so that rounds stay even; a
    day that falls on a weekend is moved to the Monday after.
    """
    rows = []
    turns: dict[tuple[int, int], int] = {}
    for window in protocol.windows().sort_values(["period", "site_id"], kind="stable").to_dict("records"):
        site, interval = window["site_id"], int(window["interval"])
        turn = turns.setdefault((window["period"], interval), 0)
        turns[window["period"], interval] += 1
        begins = window["begins"]
        wait = (int(weekdays.get(site, 0)) - begins.weekday()) % 7
        day = begins + timedelta(days=wait + 7 * (turn % max(1, interval // 7)))
        while day < window["end"]:
            on = day + timedelta(days=7 - day.weekday()) if day.weekday() > FRIDAY else day
            if on < window["end"]:
                rows.append(
                    {
                        "visit_on": on.isoformat(),
                        "site_id": site,
                        "technician": technicians.get(site, ""),
                        "interval_days": interval,
                        "period": window["period"],
                        "counted": "yes" if on >= window["start"] else "no: settling in",
                        "visited_on": "",
                        "note": "",
                    }
                )
            day += timedelta(days=interval)
    return pd.DataFrame(rows).sort_values(["visit_on", "technician", "site_id"], ignore_index=True)
