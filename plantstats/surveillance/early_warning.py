"""Early warning of a company: charts of losses and of leaf drop, as findings."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from plantstats import exposure, findings
from plantstats.errors import PlantstatsError
from plantstats.findings import pick
from plantstats.losses.common_cause import CommonCause
from plantstats.surveillance import chart_findings, charts
from plantstats.surveillance.chart_findings import LEAVES, LOSSES, METHOD, RECENT_WEEKS
from plantstats.surveillance.charts import Charted
from plantstats.surveillance.leaves_by_week import leaves_by_week
from plantstats.surveillance.losses_by_week import FEWEST_UNSETTLED, YEAR_WEEKS, losses_by_week, unsettled_weeks
from plantstats.surveillance.weeks import Weekly, mondays

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.losses.past_models import PastModels
    from plantstats.records import Records


def early_warning(
    records: Records, time: PlantTime, past: PastModels, events: CommonCause, no_leaves: str = ""
) -> pd.DataFrame:
    """All findings of the early warning.

    Parameters
    ----------
    records : Records
    time : PlantTime
        Dated "found".
    past : PastModels
        Of the same without the losses of events.
    events : CommonCause
    no_leaves : str
        Why the visit log cannot carry leaf drop; "" where it can.

    Returns
    -------
    pandas.DataFrame
        Findings, those of leaf drop with the prefix leaf_: weekly_counts, weekly_expected (limit: a single week's),
        alarm_level, alarm, by week, of the company and of each region and site with a chart; weeks_until_seen and
        years_between_false_alarms of each chart; weekly_dispersion; weeks_not_judged; weekly_event; of recent alarms
        excess by site, species and cause. A company too small for a weekly alarm has no alarm_level of losses.

    Raises
    ------
    ModelError
        When the records do not carry an expectation of the last year's losses.
    """
    wanted = records.settings.early_warning
    years = wanted.false_alarm_years
    region = records.table("sites").set_index("site_id")["region"].fillna("")
    unsettled = unsettled_weeks(past.time) if wanted.entry_weeks is None else wanted.entry_weeks
    starts = records.settings.fiscal_year_starts
    lost = losses_by_week(past, events, region, starts, unsettled)
    dropped, reason = _leaves(records, time, region, events, no_leaves)
    parts = ["", "leaves", "groups"] if dropped is not None else ["", "groups"]
    of_groups = charts.group_charts(lost, years, parts)
    if not of_groups:
        parts.remove("groups")
    whole = _company_chart(lost, "", years, parts)
    if whole.too_small:
        # Groups are smaller still, and leaf drop has the false alarms to itself.
        of_groups, parts = [], ["leaves"]
    tables = [
        *(table for one in [whole, *of_groups] for table in chart_findings.of_chart(lost, LOSSES, one)),
        *(chart_findings.causes(past.time, lost, one) for one in [whole, *of_groups]),
        chart_findings.events_of_weeks(events, lost),
        _unsettled(unsettled, time),
    ]
    if dropped is None:
        tables.append(_without_leaves(reason, time))
    else:
        tables += chart_findings.of_chart(dropped, LEAVES, _company_chart(dropped, "leaves", years, parts))
    return findings.table(pd.concat([one for one in tables if len(one)], ignore_index=True))


def recent_alarms(results: pd.DataFrame) -> pd.DataFrame:
    """Alarms of the last four weeks that were judged, of losses and of leaf drop.

    Parameters
    ----------
    results : pandas.DataFrame
        Findings of `early_warning`.

    Returns
    -------
    pandas.DataFrame
        Rows of alarm and leaf_alarm, newest first.
    """
    recent = []
    for subject in (LOSSES, LEAVES):
        judged = sorted(pick(results, f"{subject.prefix}alarm_level")["period"])[-RECENT_WEEKS:]
        rows = results[results["measure"].eq(f"{subject.prefix}alarm")]
        recent.append(rows[rows["period"].isin(judged)])
    return pd.concat(recent).sort_values("period", ascending=False, kind="stable", ignore_index=True)


def _leaves(
    records: Records, time: PlantTime, region: pd.Series, events: CommonCause, no_leaves: str
) -> tuple[Weekly | None, str]:
    """Leaf drop by week, or why there is none."""
    if no_leaves:
        return None, no_leaves
    # A count of leaves stands in the log of its visit: of the newest weeks only the last is left to come in.
    weeks = mondays(
        time.as_of - timedelta(weeks=YEAR_WEEKS + FEWEST_UNSETTLED), time.as_of - timedelta(weeks=FEWEST_UNSETTLED)
    )
    try:
        earlier = exposure.build(records, (weeks[0] - pd.Timedelta(days=1)).date())
        return leaves_by_week(time, earlier, weeks, region, events), ""
    except PlantstatsError as fault:
        return None, str(fault)


def _company_chart(weekly: Weekly, part: str, years: float, parts: list[str]) -> Charted:
    """The chart of the whole company."""
    rows = weekly.series("", "")
    chosen = charts.design(
        charts.year_pattern(rows.loc[weekly.judged, "expected"].to_numpy()),
        charts.dispersion(rows.loc[weekly.before]),
        float(weekly.groups[""]["variance"].iloc[0]),
        charts.weeks_of_share(years, part, parts),
        only_doubled=False,
    )
    return charts.chart(weekly, "", "", chosen)


def _unsettled(unsettled: int, time: PlantTime) -> pd.DataFrame:
    row = pd.DataFrame([{"estimate": float(unsettled)}])
    method = "95 in 100 losses are entered, or the settings"
    return findings.rows(row, "weeks_not_judged", period=f"records to {time.as_of}", unit="weeks", method=method)


def _without_leaves(reason: str, time: PlantTime) -> pd.DataFrame:
    row = pd.DataFrame([{"estimate": np.nan, "term": f"{charts.DOUBLED:g} times", "note": f"not available: {reason}"}])
    period = f"records to {time.as_of}"
    return findings.rows(row, "leaf_weeks_until_seen", period=period, unit="weeks", method=METHOD, by=["term"])
