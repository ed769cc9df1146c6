"""The largest single event among losses, and the rate without it."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.losses.rate_findings import NO_DAYS, losses_in, one_row_each
from plantstats.periods import Period
from plantstats.stats.intervals import CONF_LEVEL
from plantstats.stats.rates import EXACT, PER_100_YEARS, RateError, loss_rate

EVENT_DAYS = 7  # losses at one site of one cause, no week apart, are one event (common practice, no source)
NO_CAUSE = ("unknown", "died", "decline")  # words that name no cause, so that nothing ties such losses together


def largest_event(
    losses: pd.DataFrame, exposure_table: pd.DataFrame, period: Period, conf_level: float = CONF_LEVEL
) -> pd.DataFrame:
    """How much of the losses one event made, and the rate without it.

    Parameters
    ----------
    losses : pandas.DataFrame
        One row per loss row: site_id, cause, found_on, lost_on, quantity; those whose lost_on lies in the period count.
    exposure_table : pandas.DataFrame
        The one row of the whole period: n_plants, plant_days, losses.
    period : Period
    conf_level : float

    Returns
    -------
    pandas.DataFrame
        Findings: largest_event_share (percent, with the event's site_id and cause, and its losses), and
        loss_rate_without_largest_event (the plant-days of the plants it took are left in).

    Raises
    ------
    RateError
        When the losses of the list and of the exposure table differ.
    """
    one_row_each(exposure_table, [])
    whole = exposure_table.iloc[0]
    listed = losses_in(losses, period)
    if int(listed["quantity"].sum()) != int(whole["losses"]):
        raise RateError(
            f"{period.name}: the list has {listed['quantity'].sum()} losses, the exposure table "
            f"{whole['losses']}; both must stand on one plant-time"
        )
    event = largest_event_rows(listed)
    removed = int(event["quantity"].sum())
    share = exposure_table[["n_plants", "plant_days"]].assign(losses=removed, estimate=np.nan)
    if event.empty:
        share = share.assign(note="not available: no losses with a named cause")
    else:
        share = share.assign(
            estimate=100 * removed / int(whole["losses"]),
            site_id=str(event["site_id"].iloc[0]),
            cause=str(event["cause"].iloc[0]),
            note=f"found from {event['found_on'].min():%Y-%m-%d} on",
        )
    left = int(whole["losses"]) - removed
    rate = loss_rate(left, whole["plant_days"], conf_level)
    rest = exposure_table[["n_plants", "plant_days"]].assign(
        losses=left, **rate._asdict(), note="" if whole["plant_days"] > 0 else NO_DAYS
    )
    by = ["site_id", "cause"] if len(event) else []
    return findings.table(
        pd.concat(
            [
                findings.rows(
                    share, "largest_event_share", period=period.name, unit="% of losses", method="count", by=by
                ),
                findings.rows(
                    rest, "loss_rate_without_largest_event", period=period.name, unit=PER_100_YEARS, method=EXACT
                ).assign(conf_level=conf_level),
            ],
            ignore_index=True,
        )
    )


def largest_event_rows(losses: pd.DataFrame) -> pd.DataFrame:
    """The losses of the largest single event.

    Parameters
    ----------
    losses : pandas.DataFrame
        One row per loss row: site_id, cause, found_on, quantity and whatever else.

    Returns
    -------
    pandas.DataFrame
        Its rows as they are, of equal events the earliest; none where no loss has a named cause.
    """
    named = losses[~losses["cause"].isin(NO_CAUSE) & losses["cause"].notna()]
    if named.empty:
        return named
    keys = ["site_id", "cause"]
    named = named.sort_values([*keys, "found_on"], kind="stable")
    # A gap of more than EVENT_DAYS begins another event.
    begins = named.groupby(keys)["found_on"].diff().gt(timedelta(days=EVENT_DAYS))
    named = named.assign(event=begins.groupby([named["site_id"], named["cause"]]).cumsum())
    events = named.groupby([*keys, "event"], as_index=False).agg(first=("found_on", "min"), n=("quantity", "sum"))
    top = events.sort_values(["n", "first", *keys], ascending=[False, True, True, True]).iloc[0]
    inside = named["site_id"].eq(top["site_id"]) & named["cause"].eq(top["cause"]) & named["event"].eq(top["event"])
    return named[inside].drop(columns="event")
