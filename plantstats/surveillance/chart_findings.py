"""Findings of a chart: its weeks, how late it sees a rise, its alarms, and the groups that carry an excess."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.losses.common_cause import CommonCause
from plantstats.stats.farrington import ONE_SIDED, upper_threshold
from plantstats.surveillance import charts
from plantstats.surveillance.charts import Charted
from plantstats.surveillance.weeks import WEEK, Weekly, monday_of, week_name

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime

RECENT_WEEKS = 4  # an alarm stands for so many weeks judged, so that a run that was missed misses none
MOST_NAMED = 6
METHOD = "negative binomial likelihood-ratio CUSUM, run lengths by Markov chain"
MODEL = "model of earlier weeks"
COMPANY = "company"


class Subject(NamedTuple):
    """What is counted.

    Attributes
    ----------
    prefix : str
        Of the measures.
    unit : str
    """

    prefix: str
    unit: str


LOSSES, LEAVES = Subject("", "losses"), Subject("leaf_", "leaves")


def of_chart(weekly: Weekly, subject: Subject, one: Charted) -> list[pd.DataFrame]:
    """All findings of one chart but those by cause.

    Parameters
    ----------
    weekly : Weekly
    subject : Subject
    one : Charted

    Returns
    -------
    list of pandas.DataFrame
        Without level and alarms where the company is too small for them.
    """
    tables = [*_weeks(weekly, subject, one), *_performance(weekly, subject, one)]
    return tables if one.too_small else [*tables, _levels(subject, one), *_alarms(weekly, subject, one)]


def by_week(
    frame: pd.DataFrame, measure: str, unit: str, method: str, by: tuple[str, ...] = (), **values: Any
) -> pd.DataFrame:
    """Findings whose period is a week of each row.

    Parameters
    ----------
    frame : pandas.DataFrame
        With week (its Monday), and the columns of `findings.rows`.
    measure, unit, method : str
    by : tuple of str
        Groupings.
    **values
        As in `findings.rows`.

    Returns
    -------
    pandas.DataFrame
    """
    rows = findings.rows(frame, measure, period="", unit=unit, method=method, by=by, **values)
    return rows.assign(period=[week_name(day) for day in frame["week"]])


def _grouping(one: Charted) -> tuple[tuple[str, ...], dict[str, Any]]:
    """Columns by which a chart is named, and their values."""
    return ((one.by,), {one.by: one.name}) if one.by else ((), {})


def _weeks(weekly: Weekly, subject: Subject, one: Charted) -> list[pd.DataFrame]:
    """Counts and expectation of the weeks judged, and of those that are not complete yet."""
    by, named = _grouping(one)
    rows = weekly.series(one.by, one.name)
    rows = rows[rows.index >= weekly.judged[0]]
    mean = rows["expected"].to_numpy()
    frame = rows.reset_index(names="week").assign(n_plants=one.n_plants, **named)
    frame["note"] = np.where(frame["week"] > weekly.judged[-1], "not complete", "")
    observed = frame.assign(estimate=frame["counts"], losses=frame["counts"].astype("int64"))
    should = frame.assign(estimate=mean, high=upper_threshold(mean, one.design.dispersion, one.variance * mean**2))
    limit = f"{MODEL}; limit of a single week: Farrington threshold"
    return [
        by_week(observed, f"{subject.prefix}weekly_counts", subject.unit, "count; an event counts once", by),
        by_week(
            should, f"{subject.prefix}weekly_expected", f"{subject.unit} expected", limit, by, conf_level=1 - ONE_SIDED
        ),
    ]


def _levels(subject: Subject, one: Charted) -> pd.DataFrame:
    """How near to an alarm the chart stood at the end of each week."""
    by, named = _grouping(one)
    frame = one.weeks.reset_index(names="week").assign(n_plants=one.n_plants, **named)
    return by_week(
        frame.assign(estimate=frame["level"]), f"{subject.prefix}alarm_level", "% of the alarm level", METHOD, by
    )


def _performance(weekly: Weekly, subject: Subject, one: Charted) -> list[pd.DataFrame]:
    """How late a rise is seen, how often a false alarm comes, and the dispersion behind both."""
    by, named = _grouping(one)
    common: dict[str, Any] = {"period": f"from {week_name(weekly.judged[-1] + WEEK)} on", "method": METHOD}
    seen = pd.DataFrame(
        {
            "term": [f"{charts.HALF_MORE:g} times", f"{charts.DOUBLED:g} times"],
            "estimate": [one.design.weeks_to_half_more, one.design.weeks_to_doubled],
        }
    ).assign(n_plants=one.n_plants, **named)
    years = one.design.weeks_between / charts.WEEKS_PER_YEAR
    single = pd.DataFrame([{"n_plants": one.n_plants, **named}])
    basis = f"{len(weekly.before)} weeks before those judged"
    return [
        findings.rows(seen, f"{subject.prefix}weeks_until_seen", unit="weeks", by=[*by, "term"], **common),
        findings.rows(
            single, f"{subject.prefix}years_between_false_alarms", unit="years", by=by, estimate=years, **common
        ),
        findings.rows(
            single,
            f"{subject.prefix}weekly_dispersion",
            unit="variance / expected",
            by=by,
            estimate=one.design.dispersion,
            note=basis,
            **common,
        ),
    ]


def _alarms(weekly: Weekly, subject: Subject, one: Charted) -> list[pd.DataFrame]:
    """Alarms of a chart, and the excess of a recent one by site and species."""
    by, named = _grouping(one)
    tables = []
    for week, inside in one.alarms():
        sums = one.weeks.loc[inside, ["counts", "expected"]].sum()
        row = {
            "week": week,
            "n_plants": one.n_plants,
            "losses": int(sums["counts"]),
            "estimate": sums["counts"] - sums["expected"],
            "note": f"in {len(inside)} weeks, {sums['expected']:.1f} expected",
            **named,
        }
        unit = f"{subject.unit} above expected"
        tables.append(by_week(pd.DataFrame([row]), f"{subject.prefix}alarm", unit, METHOD, by))
        if week >= weekly.judged[-RECENT_WEEKS:][0]:
            tables += [_excess(weekly, subject, one, group, inside) for group in ("site_id", "species")]
    return tables


def label(one: Charted) -> str:
    """A chart as the findings of its excess name it.

    Parameters
    ----------
    one : Charted

    Returns
    -------
    str
        "company", or the kind of group and its name.
    """
    return f"{one.by} {one.name}" if one.by else COMPANY


def _excess(weekly: Weekly, subject: Subject, one: Charted, by: str, weeks: pd.DatetimeIndex) -> pd.DataFrame:
    """Sites or species that carry most of the excess of an alarm."""
    member = weekly.members(one.by, one.name)
    sums = pd.DataFrame(
        {
            "counts": weekly.counts.loc[member, weeks].sum(axis=1),
            "expected": weekly.expected.loc[member, weeks].sum(axis=1),
        }
    )
    table = sums.groupby(level=by).sum().reset_index()
    if by in weekly.groups:
        table["n_plants"] = weekly.groups[by]["n_plants"].reindex(table[by]).to_numpy()
    return _named(table, subject, by, one, weeks)


def _named(table: pd.DataFrame, subject: Subject, by: str, one: Charted, weeks: pd.DatetimeIndex) -> pd.DataFrame:
    """The groups with most more than expected, as findings."""
    table = table.assign(estimate=table["counts"] - table["expected"], term=label(one))
    table = table[table["estimate"].gt(0)].nlargest(MOST_NAMED, "estimate")
    return findings.rows(
        table.assign(losses=table["counts"].astype("int64"), note=[f"{m:.1f} expected" for m in table["expected"]]),
        f"{subject.prefix}excess",
        period=f"{week_name(weeks[0])} to {week_name(weeks[-1])}",
        unit=f"{subject.unit} above expected",
        method=MODEL,
        by=[by, "term"],
    )


def causes(time: PlantTime, weekly: Weekly, one: Charted) -> pd.DataFrame:
    """Causes that carry the excess of a recent alarm, against their share of the losses before the weeks judged.

    Parameters
    ----------
    time : PlantTime
        Without the losses of events.
    weekly : Weekly
    one : Charted

    Returns
    -------
    pandas.DataFrame
        Findings excess by cause; none without a recent alarm.
    """
    recent = [inside for week, inside in one.alarms() if week >= weekly.judged[-RECENT_WEEKS:][0]]
    if one.too_small or not recent:
        return findings.table([])
    lost = time.losses
    if one.by:
        sites = weekly.region.index[weekly.region.eq(one.name)] if one.by == "region" else [one.name]
        lost = lost[lost["site_id"].isin(sites)]
    lost = lost.assign(week=monday_of(lost["found_on"]), cause=lost["cause"].fillna("unknown"))
    share = lost[lost["week"].isin(weekly.before)].groupby("cause")["quantity"].sum()
    tables = []
    for inside in recent:
        table = pd.DataFrame(
            {
                "counts": lost[lost["week"].isin(inside)].groupby("cause")["quantity"].sum(),
                "expected": share / max(share.sum(), 1) * float(one.weeks.loc[inside, "expected"].sum()),
            }
        )
        tables.append(_named(table.fillna(0.0).rename_axis("cause").reset_index(), LOSSES, "cause", one, inside))
    return pd.concat(tables, ignore_index=True)


def events_of_weeks(events: CommonCause, weekly: Weekly) -> pd.DataFrame:
    """Events since the first week judged, each of which counts as one loss.

    Parameters
    ----------
    events : CommonCause
    weekly : Weekly

    Returns
    -------
    pandas.DataFrame
        Findings weekly_event by site and cause: the plants that each took.
    """
    rows = events.events.assign(week=monday_of(pd.to_datetime(events.events["first_on"])))
    rows = rows[rows["week"].ge(weekly.judged[0])].rename(columns={"plants": "n_plants"})
    if rows.empty:
        return findings.table([])
    keys = ["week", "site_id", "cause"]
    rows = rows.groupby(keys, as_index=False).agg({"losses": "sum", "n_plants": "max"})
    rows = rows.assign(estimate=rows["losses"].astype("float64"))
    return by_week(rows, "weekly_event", "plants", "count", ("site_id", "cause"))
