"""Common-cause events as findings: those of a quarter, how often they come and what they take."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.stats.intervals import CONF_LEVEL, binomial_limits, poisson_limits
from plantstats.stats.rates import EXACT

if TYPE_CHECKING:
    from plantstats.losses.common_cause import CommonCause
    from plantstats.periods import Period

SHARE_METHOD = "exact binomial limits (Clopper and Pearson 1934)"


def event_findings(events: CommonCause, losses: pd.DataFrame, period: Period) -> pd.DataFrame:
    """The events of a quarter, and the hazard of events on all records.

    Parameters
    ----------
    events : CommonCause
    losses : pandas.DataFrame
        Losses of the quarter (and of one client, where it is about one), rows of `PlantTime.losses`.
    period : Period
        The quarter.

    Returns
    -------
    pandas.DataFrame
        Findings: event_losses in all, and by site_id and cause of each event that `losses` hold plants of;
        event_rate and event_share_lost of all records.
    """
    keys = ["plant_id", "source", "line"]
    inside = events.losses.merge(losses[keys], on=keys)
    counts = inside.groupby("event")["quantity"].sum()
    of_quarter = events.events[events.events["event"].isin(counts.index)]
    each = of_quarter.assign(
        losses=of_quarter["event"].map(counts),
        n_plants=of_quarter["plants"],
        note=[f"found from {day:%Y-%m-%d} on" for day in of_quarter["first_on"]],
    )
    # Two events of one cause at one site in a quarter are told as one.
    each = each.groupby(["site_id", "cause"], as_index=False).agg({"losses": "sum", "n_plants": "max", "note": "min"})
    whole = pd.DataFrame({"losses": [int(counts.sum())], "estimate": [float(counts.sum())]})
    common: dict[str, Any] = {"period": period.name, "unit": "plants", "method": "count"}
    parts = [findings.rows(whole, "event_losses", **common)]
    if len(each):
        each = each.assign(estimate=each["losses"].astype("float64"))
        parts.append(findings.rows(each, "event_losses", by=["site_id", "cause"], **common))
    return findings.table(pd.concat([*parts, _hazard(events, period)], ignore_index=True))


def _hazard(events: CommonCause, period: Period) -> pd.DataFrame:
    """Events per 100 site-years, and plants lost in 100 of those in place at an event."""
    n, plants = len(events.events), int(events.events["plants"].sum())
    years = events.site_years
    nothing = "" if years else "not available: no site of three plants or more was followed"
    rate = {
        name: 100 * float(ends[0]) / years if years else np.nan for name, ends in poisson_limits(n)._asdict().items()
    }
    row = pd.DataFrame([{"losses": events.n_losses, "note": nothing or f"{n} in {years:,.0f} site-years", **rate}])
    common: dict[str, Any] = {"period": f"records to {period.last_day}", "conf_level": CONF_LEVEL}
    parts = [findings.rows(row, "event_rate", unit="per 100 site-years", method=EXACT, **common)]
    if n:
        low, high = binomial_limits(events.n_losses, plants)
        share = {"estimate": 100 * events.n_losses / plants, "low": 100 * float(low), "high": 100 * float(high)}
        row = pd.DataFrame([{"losses": events.n_losses, "n_plants": plants, **share}])
        parts.append(findings.rows(row, "event_share_lost", unit="% of plants", method=SHARE_METHOD, **common))
    return pd.concat(parts, ignore_index=True)
