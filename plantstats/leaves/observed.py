"""Leaves counted per plant-month, as they were found, with limits that allow sites to differ."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.leaves.build import LeafTime
from plantstats.leaves.inputs import ENDS
from plantstats.leaves.model import DAYS_PER_MONTH
from plantstats.periods import Period
from plantstats.stats.clusters import ratio_of_sums
from plantstats.stats.intervals import CONF_LEVEL, quantile, zero_event_limit

# With fewer sites than this the sandwich is too short (common practice, no source): the wider is used.
ENOUGH_SITES = 30
PER_PLANT_MONTH = "leaves per plant-month"
METHOD = "leaves / plant-days x 30.44, limits between sites (sandwich)"
MEANING = {"lower": "least", "upper": "most"}  # of a word, in the words of the reader
NO_LEAF = "no leaf counted: exact upper limit as if leaves fell one by one"

findings.define(
    green_leaves="Green leaves dropped per plant and month of 30.44 days, as counted (cleaners take some: a minimum); "
    "a word such as few is the least that the settings let it mean.",
    yellow_leaves="Oldest leaves yellowed per plant and month of 30.44 days, as counted; a word such as few is the "
    "least that the settings let it mean.",
    green_leaves_upper="The same with each word as the most that the settings let it mean.",
    yellow_leaves_upper="The same with each word as the most that the settings let it mean.",
)


def leaves_by(
    time: LeafTime, outcome: str, by: list[str], period: Period, client: str = "", level: float = CONF_LEVEL
) -> pd.DataFrame:
    """Observed rates of one outcome in a period.

    Takes:  leaf plant-time; outcome "green" or "yellow"; by: columns of the stretches; period: stretches that
            ended in it; client: one client's plants, or "" for all.
    Gives:  findings of green_leaves or yellow_leaves, one per group: leaves per plant-month, words as the least that
            they may mean; where words stand, green_leaves_upper or yellow_leaves_upper with words as the most. The note
            tells how many leaves were counted.
    """
    rows = _sums(time, outcome, by, period, client)
    if rows.empty:
        return findings.table([])
    groups = list(rows.groupby(by, observed=True)) if by else [((), rows)]
    made = []
    for end, measure in zip(ENDS, (f"{outcome}_leaves", f"{outcome}_leaves_upper"), strict=True):
        for key, group in groups:
            words = int(group["words"].sum())
            if end == "upper" and not words:
                continue
            values = dict(zip(by, key if isinstance(key, tuple) else (key,), strict=True))
            estimate, low, high, how = _rate(group["leaves_" + end], group["squares_" + end], group, level)
            worded = f", {words} of them a word, each as the {MEANING[end]} that it may mean" if words else ""
            made.append(
                findings.finding(
                    measure,
                    period.name,
                    estimate,
                    low,
                    high,
                    unit=PER_PLANT_MONTH,
                    method=METHOD,
                    n_plants=int(group["plants"].sum()),
                    plant_days=float(group["days"].sum()),
                    level=level,
                    note=f"{int(group['leaves_' + end].sum())} leaves at {int(group['n'].sum())} visits{worded}{how}",
                    **values,
                )
            )
    return findings.table(made)


def _sums(time: LeafTime, outcome: str, by: list[str], period: Period, client: str) -> pd.DataFrame:
    columns = ", ".join(f"{name}::varchar as {name}" for name in dict.fromkeys([*by, "site_id"]))
    ends = ", ".join(
        f"sum({outcome}_{end})::double as leaves_{end}, "
        f"sum({outcome}_{end} * {outcome}_{end} / plant_days)::double as squares_{end}"
        for end in ENDS
    )
    return time.ask(
        f"""
        select {columns}, count(*)::bigint as n, count(distinct plant_id)::bigint as plants,
               count(*) filter ({outcome} is null)::bigint as words, sum(plant_days)::double as days, {ends}
        from leaf_used
        where {outcome}_lower is not null and to_on > ? and to_on <= ? and (? = '' or client_id = ?)
        group by all order by all""",
        [period.start, period.end, client, client],
    )


def _rate(counted: pd.Series, squares: pd.Series, group: pd.DataFrame, level: float) -> tuple[float, float, float, str]:
    leaves, days = float(counted.sum()), float(group["days"].sum())
    if leaves == 0:
        upper = zero_event_limit(level) / days * DAYS_PER_MONTH
        return 0.0, 0.0, upper, f"; {NO_LEAF}"
    rate = leaves / days
    n, sites = float(group["n"].sum()), group["site_id"].nunique()
    # Between counts: the spread of counts about the common rate, per degree of freedom.
    spread = (squares.sum() / rate - 2 * leaves + rate * days) / max(n - 1, 1)
    variance = max(spread, 1.0) / leaves
    df = None
    if sites > 1:
        by_site = group.assign(leaves=counted).groupby("site_id")[["leaves", "days"]].sum()
        between = ratio_of_sums(by_site["leaves"], by_site["days"]).log_se ** 2
        variance = between if sites >= ENOUGH_SITES else max(between, variance)
        df = sites - 1
    factor = float(np.exp(quantile(level, df) * np.sqrt(variance)))
    rate *= DAYS_PER_MONTH
    return rate, rate / factor, rate * factor, "" if sites > 1 else "; one site: limits do not allow for other sites"
