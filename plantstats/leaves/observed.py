"""Leaves counted per plant-month, as they were found, with limits that allow sites to differ."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.leaves.build import CountIntervals
from plantstats.leaves.inputs import ENDS
from plantstats.leaves.model import DAYS_PER_MONTH
from plantstats.periods import Period
from plantstats.stats.clusters import ratio_of_sums
from plantstats.stats.intervals import CONF_LEVEL, Array, ratio_limits, zero_event_limit

# With fewer sites than this the sandwich is too short (common practice, no source): the wider is used.
ENOUGH_SITES = 30
PER_PLANT_MONTH = "leaves per plant-month"
METHOD = "leaves / plant-days x 30.44, limits between sites (sandwich)"
MEANING = {"lower": "least", "upper": "most"}  # of a word, in the words of the reader
NO_LEAF = "no leaf counted: exact upper limit as if leaves fell one by one"
ONE_SITE = "one site: limits do not allow for other sites"


def leaves_by(intervals: CountIntervals, outcome: str, by: list[str], period: Period, client: str = "") -> pd.DataFrame:
    """Observed rates of one outcome in a period.

    Parameters
    ----------
    intervals : CountIntervals
    outcome : {"green", "yellow"}
    by : list of str
        Columns of the intervals.
    period : Period
        Intervals that ended in it count.
    client : str
        One client's plants, or "" for all.

    Returns
    -------
    pandas.DataFrame
        Findings green_leaves or yellow_leaves, one per group: leaves per plant-month, words as the least that they may
        mean; where words stand, green_leaves_upper or yellow_leaves_upper with words as the most. The note says how
        many leaves were counted.
    """
    sums = _sums(intervals, outcome, by, period, client)
    if sums.empty:
        return pd.DataFrame()
    groups = _groups(sums, by)
    parts = []
    for end, measure in zip(ENDS, (f"{outcome}_leaves", f"{outcome}_leaves_upper"), strict=True):
        rows = [
            {**dict(zip(by, key, strict=True)), **_rate(group, end)}
            for key, group in groups
            if end == "lower" or group["words"].any()
        ]
        if rows:
            frame = pd.DataFrame(rows)
            common: dict[str, Any] = {
                "period": period.name,
                "unit": PER_PLANT_MONTH,
                "method": METHOD,
                "conf_level": CONF_LEVEL,
            }
            parts.append(findings.rows(frame, measure, by=by, **common))
    return pd.concat(parts, ignore_index=True)


def _sums(intervals: CountIntervals, outcome: str, by: list[str], period: Period, client: str) -> pd.DataFrame:
    """Sums by the groups and site: n (counts), plants, words, days, and at each end leaves and their squares a day.

    Squares a day are broken numbers: added as decimals, their sum is the same in whatever order threads bring them.
    """
    columns = ", ".join(f"{name}::varchar as {name}" for name in dict.fromkeys([*by, "site_id"]))
    ends = ", ".join(
        f"sum({outcome}_{end})::double as leaves_{end}, "
        f"sum(({outcome}_{end} * {outcome}_{end} / plant_days)::decimal(28, 9))::double as squares_{end}"
        for end in ENDS
    )
    return intervals.sql(
        f"""
        select {columns}, count(*)::bigint as n, count(distinct plant_id)::bigint as plants,
               count(*) filter ({outcome} is null)::bigint as words, sum(plant_days)::double as days, {ends}
        from leaf_used
        where {outcome}_lower is not null and to_on > ? and to_on <= ? and (? = '' or client_id = ?)
        group by all order by all""",
        [period.start, period.end, client, client],
    )


def _groups(sums: pd.DataFrame, by: list[str]) -> list[tuple[tuple[object, ...], dict[str, Array]]]:
    """Key and sums of each group; as arrays, since a frame for each costs far more than its sums."""
    columns = {name: sums[name].to_numpy() for name in sums.columns.difference(by)}
    if not by:
        return [((), columns)]
    number = sums.groupby(by, observed=True).ngroup().to_numpy()
    order = np.argsort(number, kind="stable")
    keys = list(zip(*(sums[name] for name in by), strict=True))
    parts = np.split(order, np.flatnonzero(np.diff(number[order])) + 1)
    return [(keys[at[0]], {name: values[at] for name, values in columns.items()}) for at in parts if number[at[0]] >= 0]


def _rate(group: dict[str, Array], end: str) -> dict[str, object]:
    """One finding's columns, from the sums of its sites."""
    leaves, squares, days = (float(group[name].sum()) for name in (f"leaves_{end}", f"squares_{end}", "days"))
    n, words, sites = int(group["n"].sum()), int(group["words"].sum()), len(group["n"])
    worded = f", {words} of them a word, each as the {MEANING[end]} that it may mean" if words else ""
    if leaves == 0:
        estimate, low, high, remark = 0.0, 0.0, zero_event_limit() / days, f"; {NO_LEAF}"
    else:
        rate = leaves / days
        # Between counts: the spread of counts about the common rate, per degree of freedom.
        dispersion = max((squares / rate - 2 * leaves + rate * days) / max(n - 1, 1), 1.0)
        se, df = np.sqrt(dispersion / leaves), None
        if sites > 1:
            between_sites = ratio_of_sums(group[f"leaves_{end}"], group["days"]).log_se
            se, df = between_sites if sites >= ENOUGH_SITES else max(between_sites, se), sites - 1
        estimate, low, high = (float(value) for value in ratio_limits(np.log(rate), se, CONF_LEVEL, df))
        remark = "" if sites > 1 else f"; {ONE_SITE}"
    return {
        "n_plants": int(group["plants"].sum()),
        "plant_days": days,
        "estimate": estimate * DAYS_PER_MONTH,
        "low": low * DAYS_PER_MONTH,
        "high": high * DAYS_PER_MONTH,
        "note": f"{leaves:.0f} leaves at {n} visits{worded}{remark}",
    }
