"""Losses still to come to light, estimated at the end of each quarter of one invented company, against its truth."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pandas as pd

from plantstats.exposure import PlantTime
from plantstats.losses.to_come import to_come, with_record_day
from plantstats.periods import Period
from plantstats.schema.causes import LOSSES
from plantstats.validation.rows import intervals

KIND = "losses_to_come"
DAYS_AFTER = 5  # by which the records outlive each quarter, as they do the last


def validate(
    true_plants: pd.DataFrame, quarters: list[Period], time: PlantTime, after: int = DAYS_AFTER
) -> list[pd.DataFrame]:
    """Rows of each quarter, by the records of a few days after its end.

    Parameters
    ----------
    true_plants : pandas.DataFrame
        plant_id, ended_on (the true day), outcome.
    quarters : list of Period
    time : PlantTime
        Dated "found", up to the last of their ends or later.
    after : int
        Days between the end of a quarter and the records by which it is estimated.

    Returns
    -------
    list of pandas.DataFrame
        One row per quarter with an estimate; the truth is the plants that had died or declined by its last day
        without a line, in the records of that day, that says so.
    """
    rows, lost = with_record_day(time), true_plants[true_plants["outcome"].isin(LOSSES)]
    printed, true = [], []
    for period in quarters:
        last, until = pd.Timestamp(period.last_day), period.last_day + timedelta(days=after)
        estimate = to_come(time, period, until)
        if estimate.why_not:
            continue
        on_record = rows[rows["recorded_on"].le(pd.Timestamp(until)) & rows["found_on"].le(last)]["plant_id"]
        true.append(int((lost["ended_on"].le(last) & ~lost["plant_id"].isin(on_record)).sum()))
        printed.append({"of": period.name, **estimate.values, "chance": estimate.hidden.chance})
    if not printed:
        return []
    table = pd.DataFrame(printed)
    return [intervals(KIND, table, table["of"], np.array(true, dtype="float64"), table["chance"])]
