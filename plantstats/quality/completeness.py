"""The quality of the records as findings: how complete, how rounded, how much doubt, and how far it moves the rate."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.periods import Period
from plantstats.stats import intervals, rates

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.exposure.engines import Engine
    from plantstats.records import Records

EXACT_SHARE = "exact binomial limits (Clopper and Pearson 1934)"
HEAPED = ("rh_percent", "temp_c")
# Months of visits shown, the newest last.
MONTHS = 12


def quality(records: Records, time: PlantTime, faults: pd.DataFrame, period: Period) -> pd.DataFrame:
    """All findings of the data-quality page.

    Parameters
    ----------
    records : Records
    time : PlantTime
        With losses dated "found".
    faults : pandas.DataFrame
        As `check` gives them.
    period : Period

    Returns
    -------
    pandas.DataFrame
        Findings: visits_completed_share, visits_completed, visits_planned and humidity_read_share by month (the
        last MONTHS before the end of the period) and by site (in the period); air_known_share; round_readings_share by
        reading; loss_rate_as_recorded, loss_rate_without_doubtful and loss_rate_with_swaps of the period.
    """
    engine = time.engine
    parts = [
        *_visits(engine, period),
        _air(time, period),
        *[row for column in HEAPED for row in _rounded(engine, column, period)],
        *_doubt(engine, time, faults, period),
    ]
    return findings.table(parts)


def _share(measure: str, part: int, whole: int, period: str, unit: str, **groups: Any) -> dict[str, object]:
    if whole == 0:
        note = "not available: nothing to count"
        return findings.finding(measure, period, np.nan, unit=unit, method=EXACT_SHARE, note=note, **groups)
    low, high = intervals.binomial_limits(part, whole)
    return findings.finding(
        measure,
        period,
        100 * part / whole,
        100 * low,
        100 * high,
        unit=unit,
        method=EXACT_SHARE,
        conf_level=intervals.CONF_LEVEL,
        note=f"{part:,} of {whole:,}",
        **groups,
    )


def _visits(engine: Engine, period: Period) -> list[dict[str, object]]:
    start = (pd.Timestamp(period.end) - pd.DateOffset(months=MONTHS)).date()
    # A site is visited on a day when anything there was completed. It asks for one visit per planned interval while
    # plants were under observation there.
    months = pd.date_range(start, pd.Timestamp(period.last_day).replace(day=1), freq="MS")
    listed = ", ".join(f"(date '{m:%Y-%m-%d}', date '{m + pd.DateOffset(months=1):%Y-%m-%d}')" for m in months)
    days = engine.sql(
        f"""
        with done as (
            select distinct at_site as site_id, visited_on from completed_visits
        ), begun as (
            select site_id::varchar as site_id, min(from_on)::date as first, max(to_on)::date as last
            from episodes group by all
        ), months as (
            select month, ends from (values {listed}) as of_year(month, ends)
        )
        select m.month, s.site_id, s.planned_visit_days as planned,
            greatest(0, date_diff('day', greatest(m.month, b.first), least(m.ends, b.last))) as days,
            count(d.visited_on) as visits
        from months m cross join sites s join begun b on b.site_id = s.site_id
        left join done d on d.site_id = s.site_id and d.visited_on >= greatest(m.month, b.first)
            and d.visited_on < least(m.ends, b.last)
        where s.planned_visit_days > 0
        group by all order by m.month, s.site_id"""
    )
    days["asked"] = days["days"] / days["planned"]
    read = engine.sql(
        """
        select date_trunc('month', v.visited_on)::date as month, v.at_site as site_id, count(*) as looks,
            count(v.rh_percent) as read
        from completed_visits v semi join plants p on p.plant_id = v.plant_id
        where v.visited_on >= $start and v.visited_on < $ends
        group by all""",
        {"start": start, "ends": period.end},
    )
    rows = []
    inside = days["month"] >= pd.Timestamp(period.start)
    for groups, of in (("month", days), ("site_id", days[inside])):
        sums = of.groupby(groups)[["asked", "visits"]].sum()
        for name, row in sums[sums["asked"] > 0].iterrows():
            label = f"{name:%Y-%m}" if groups == "month" else name
            rows += _visits_share(row["visits"], row["asked"], period.name, **{groups: label})
    for groups, visits in (("month", read), ("site_id", read[read["month"] >= pd.Timestamp(period.start)])):
        sums = visits.groupby(groups)[["looks", "read"]].sum()
        for name, row in sums.iterrows():
            label = f"{name:%Y-%m}" if groups == "month" else name
            unit = "% of completed visits to a plant"
            rows.append(
                _share("humidity_read_share", int(row["read"]), int(row["looks"]), period.name, unit, **{groups: label})
            )
    return rows


def _visits_share(visits: float, planned: float, period: str, **groups: Any) -> list[dict[str, object]]:
    note = f"{visits:,.0f} of {planned:,.1f}"
    return [
        findings.finding(measure, period, value, unit=unit, method="count against the plan", note=note, **groups)
        for measure, value, unit in (
            ("visits_completed_share", 100 * visits / planned, "% of planned visits"),
            ("visits_completed", visits, "days"),
            ("visits_planned", planned, "days"),
        )
    ]


def _air(time: PlantTime, period: Period) -> dict[str, object]:
    exposure_table = time.exposure_table(["rh_band"], period.start, period.end, count_plants=False)
    known = exposure_table.loc[exposure_table["rh_band"] != "missing", "plant_days"].sum()
    whole = exposure_table["plant_days"].sum()
    known_days = {"plant_days": float(whole), "note": f"{known:,} of {whole:,} plant-days"}
    return findings.finding(
        "air_known_share",
        period.name,
        100 * known / whole if whole else np.nan,
        unit="% of plant-days",
        method="count",
        **(known_days if whole else {"note": "not available: no plant-days"}),
    )


def _rounded(engine: Engine, column: str, period: Period) -> list[dict[str, object]]:
    counts = engine.sql(
        f"""select count(*) filter ({column} % 5 = 0) as part, count(*) as whole from visits
        where {column} = round({column}) and {column} <> 0 and visited_on >= $start and visited_on < $ends""",
        {"start": period.start, "ends": period.end},
    )
    part, whole = map(int, counts.iloc[0])
    return [_share("round_readings_share", part, whole, period.name, "% of readings", term=column)] if whole else []


def _doubt(engine: Engine, time: PlantTime, faults: pd.DataFrame, period: Period) -> list[dict[str, object]]:
    """The rate with and without what is doubtful."""
    each = time.exposure_table(["plant_id"], period.start, period.end)
    named = set(faults.loc[faults["severity"].eq("impossible"), "plant_id"].dropna()) - {""}
    sure = each[~each["plant_id"].isin(named)]
    swaps = int(faults["code"].eq("silent_swap").sum())
    rows = []
    for measure, kept, more, note in (
        ("loss_rate_as_recorded", each, 0, ""),
        ("loss_rate_without_doubtful", sure, 0, f"{_plants(len(each) - len(sure))} of the period left out"),
        (
            "loss_rate_with_swaps",
            each,
            _swaps_in(engine, faults, period),
            f"{swaps} suspected swaps in all the records",
        ),
    ):
        losses, days = int(kept["losses"].sum()) + more, int(kept["plant_days"].sum())
        rate = rates.loss_rate(losses, days)
        rows.append(
            findings.finding(
                measure,
                period.name,
                *(float(value[0]) for value in rate),
                unit=rates.PER_100_YEARS,
                method=rates.EXACT,
                n_plants=int(kept["n_plants"].sum()),
                plant_days=float(days),
                losses=losses,
                conf_level=intervals.CONF_LEVEL,
                note=note if days else "not available: no plant-days",
            )
        )
    return rows


def _swaps_in(engine: Engine, faults: pd.DataFrame, period: Period) -> int:
    """Suspected silent swaps whose second visit, the one that the fault names by its line, lies in the period."""
    lines = faults.loc[faults["code"].eq("silent_swap"), "line"].dropna().astype("int64").tolist()
    if not lines:
        return 0
    counts = engine.sql(
        """select count(*) as n from visits
        where list_contains($lines, line) and visited_on >= $start and visited_on < $ends""",
        {"lines": lines, "start": period.start, "ends": period.end},
    )
    return int(counts["n"].iloc[0])


def _plants(count: int) -> str:
    return f"{count:,} plant" + ("" if count == 1 else "s")
