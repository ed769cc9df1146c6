"""The last quarters side by side: what each lost, what its own past led to expect, what it cost, its largest event."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import stats

from plantstats import findings
from plantstats.losses import costs, expected
from plantstats.losses.common_cause import CommonCause
from plantstats.losses.design import Array, ModelError
from plantstats.losses.loss_rates import lost_in
from plantstats.losses.past_models import PastModels
from plantstats.periods import Period, previous_quarters
from plantstats.stats import smr
from plantstats.stats.intervals import CONF_LEVEL, Interval

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.records import Records

SHOWN = 8  # quarters before the one in question: two years
YEAR = 4
FEWEST_EXPECTED = 1.0  # no ratio where fewer losses are to be expected, as public infection surveillance withholds it
CHANCE = "negative binomial around the loss model of earlier quarters"


def chance_limits(expected: Array, variance: Array, conf_level: float = CONF_LEVEL) -> Interval:
    """What chance alone would make of an expected number of losses.

    Parameters
    ----------
    expected : numpy.ndarray of float
        Expected losses m.
    variance : numpy.ndarray of float
        Of the log of the expectation, v: how well it is known.
    conf_level : float

    Returns
    -------
    Interval
        The expectation, and central limits of the count; the upper one is never below it.

    Notes
    -----
    Count ~ Poisson(m g), g gamma with mean 1 and variance v: negative binomial with variance m + m^2 v; v = 0 is
    Poisson (Cameron and Trivedi 2013, Regression Analysis of Count Data, section 3.3, from memory).

    Examples
    --------
    >>> _, low, high = chance_limits(np.array([12.0]), np.array([0.0]))
    >>> int(low[0]), int(high[0])
    (6, 19)
    """
    m, v = np.asarray(expected, dtype="float64"), np.maximum(np.asarray(variance, dtype="float64"), 1e-9)
    tail = (1 - conf_level) / 2
    counts = stats.nbinom(1 / v, 1 / (1 + m * v))
    return Interval(m, counts.ppf(tail), np.maximum(counts.ppf(1 - tail), m))


def expected_by_quarter(past: PastModels, period: Period, client: str = "") -> pd.DataFrame:
    """Expected losses of this and earlier quarters, each by the quarters before it; sites and species over a year.

    Parameters
    ----------
    past : PastModels
        Of plant-time without the losses of events.
    period : Period
        The last of the quarters.
    client : str
        One client's plants, or "" for all.

    Returns
    -------
    pandas.DataFrame
        Findings: expected_by_quarter (limits: those of the count under chance); of the last four quarters together by
        site_id and by species: expected_over_year, and observed_over_year where at least `FEWEST_EXPECTED` is expected
        (a flagged group says so in its note). Quarters whose past carries no model are left out.
    """
    rows, year = [], []
    for quarter in [period, *reversed(previous_quarters(period, SHOWN))]:
        try:
            of_all = expected.expect(past.time, quarter, past=past)
        except ModelError:
            continue
        own = of_all.of_client(client) if client else of_all
        if own.plants.empty:
            continue
        whole = expected.groups(own, [])
        limits = chance_limits(whole["expected"].to_numpy(), whole["variance"].to_numpy())
        rows.append(
            findings.rows(
                whole.assign(**limits._asdict()),
                "expected_by_quarter",
                period=quarter.name,
                unit="losses expected",
                method=CHANCE,
                conf_level=CONF_LEVEL,
            )
        )
        if quarter.start >= previous_quarters(period, YEAR - 1)[0].start:
            year.append(own)
    parts = [_over_year(year, by, period) for by in ("site_id", "species")] if len(year) == YEAR else []
    return findings.table(pd.concat([*rows, *parts], ignore_index=True) if rows else [])


def _over_year(quarters: list[expected.Expected], by: str, period: Period) -> pd.DataFrame:
    """Losses and expectation of groups over four quarters; sites against a site of effect 1."""
    parts = [expected.groups(one, [by], own_past=by != "site_id") for one in quarters]
    every = pd.concat(parts, ignore_index=True)
    sums = every.groupby(by, as_index=False).agg(
        n_plants=("n_plants", "max"),
        plant_days=("plant_days", "sum"),
        losses=("losses", "sum"),
        expected=("expected", "sum"),
    )
    should = findings.rows(
        sums.assign(estimate=sums["expected"]),
        "expected_over_year",
        period=period.name,
        unit="losses expected",
        method="loss model of earlier quarters, four quarters together",
        by=[by],
    )
    large = sums[sums["expected"].ge(FEWEST_EXPECTED)]
    if large.empty:
        return should
    compared = smr.compare(large)
    out = compared["flagged"] & (compared["low"].gt(1) | compared["high"].lt(1))
    rows = partial(findings.rows, period=period.name, unit="ratio", method=smr.EXACT, conf_level=CONF_LEVEL, by=[by])
    compared = compared.assign(estimate=compared["ratio"])
    ratio = rows(compared.assign(note=np.where(out, "stands out", "")), "observed_over_year")
    apart = rows(compared[out], "flagged_over_year")
    return pd.concat([should, ratio, apart] if out.any() else [should, ratio], ignore_index=True)


def costs_by_quarter(
    time: PlantTime, records: Records, period: Period, events: CommonCause, client: str = ""
) -> pd.DataFrame:
    """Recorded cost of the losses of this and earlier quarters, and of the largest event in each.

    Parameters
    ----------
    time : PlantTime
        With losses dated "found".
    records : Records
    period : Period
        The last of the quarters.
    events : CommonCause
        The events on record.
    client : str
        One client's plants, or "" for all.

    Returns
    -------
    pandas.DataFrame
        Findings: quarter_cost per quarter (losses, cost of the plants in their place with labour; covered "guaranteed":
        of it what we pay), quarter_event by site_id and cause (losses and cost of the largest event), and
        cost_by_cause, cost_by_species, cost_by_client of the period itself: each adds up to its quarter_cost.
    """
    settings = records.settings
    unit, wage = settings.currency, settings.wage_per_hour
    parts = []
    quarters = [*previous_quarters(period, SHOWN), period]
    where = {"client_id": client} if client else {}
    months = time.exposure_table(["month"], quarters[0].start, period.end, where, count_plants=False)
    followed = months.loc[months["plant_days"].gt(0), "month"]
    for quarter in quarters:
        if not followed.between(pd.Timestamp(quarter.start), pd.Timestamp(quarter.last_day)).any():
            continue
        lost = lost_in(time, quarter, client)
        common: dict[str, Any] = {"period": quarter.name, "unit": unit, "method": "sum of recorded costs"}
        ours = lost[costs.who_pays(lost).eq(costs.PAYERS[0])]
        rows = [costs.amounts(lost, wage), costs.amounts(ours, wage) | {"covered": costs.PAYERS[0]}]
        parts.append(findings.rows(pd.DataFrame(rows), "quarter_cost", by=["covered"], **common))
        event = _largest(events, lost)
        if len(event):
            of_event = events.events.set_index("event").loc[event["event"].iloc[0], ["site_id", "cause"]].to_dict()
            row = {**costs.amounts(event, wage), **of_event}
            parts.append(findings.rows(pd.DataFrame([row]), "quarter_event", by=["site_id", "cause"], **common))
        if quarter.name == period.name:
            parts += [_by(lost, by, wage, common) for by in ("cause", "species", "client_id")]
    return findings.table(pd.concat(parts, ignore_index=True) if parts else [])


def _largest(events: CommonCause, lost: pd.DataFrame) -> pd.DataFrame:
    """Of losses those of the event that took most of them; none without an event."""
    keys = ["plant_id", "source", "line"]
    inside = lost.merge(events.losses[[*keys, "event"]], on=keys)
    if inside.empty:
        return inside
    return inside[inside["event"].eq(inside.groupby("event")["quantity"].sum().idxmax())]


def _by(lost: pd.DataFrame, by: str, wage: float, common: dict[str, Any]) -> pd.DataFrame:
    named = lost[["quantity", "source", *costs.AMOUNTS]].assign(**{by: lost[by].fillna("unknown")})
    rows = [{by: value, **costs.amounts(part, wage)} for value, part in named.groupby(by, sort=True)]
    measure = f"cost_by_{by.removesuffix('_id')}"
    return findings.rows(pd.DataFrame(rows), measure, by=[by], **common) if rows else findings.table([])
