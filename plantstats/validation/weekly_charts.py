"""The weekly chart of losses on one invented company: false alarms while nothing changes, doublings that it sees."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats.exposure import PlantTime
from plantstats.losses.common_cause import common_cause
from plantstats.losses.past_models import PastModels
from plantstats.records import Records, species_table
from plantstats.surveillance import charts
from plantstats.surveillance.losses_by_week import losses_by_week
from plantstats.validation.rows import PAGE_STOPS, alarms, refusal

YEARS = 5.0  # between false alarms: what the settings say where the owner says nothing
EXTRA = 2  # second number of the seed of what is added, so that it is no other page's


def validate(records: Records, time: PlantTime, seed: int) -> list[pd.DataFrame]:
    """Rows of the company's chart, which alone has all of the false alarms.

    Parameters
    ----------
    records : Records
    time : PlantTime
        Dated "found".
    seed : int
        Of what is added to double the losses of the last quarter judged.

    Returns
    -------
    list of pandas.DataFrame
        warning_false_alarm_year: whether the weeks judged brought an alarm (stated: the chance by the chart's own false
        alarms); warning_doubling_seen: whether as many losses again, at what is expected, brought one within a quarter.
    """
    events = common_cause(time)
    region = records.table("sites").set_index("site_id")["region"].fillna("")
    past = PastModels(time.censored_at(events.losses), species_table())
    try:
        weekly = losses_by_week(past, events, region, records.settings.fiscal_year_starts)
    except PAGE_STOPS as fault:
        return [refusal("warning_false_alarm_year", fault)]
    rows = weekly.series("", "")
    design = charts.design(
        charts.year_pattern(rows.loc[weekly.judged, "expected"].to_numpy()),
        charts.dispersion(rows.loc[weekly.before]),
        float(weekly.groups[""]["variance"].iloc[0]),
        charts.weeks_of_share(YEARS, "", [""]),
        only_doubled=False,
    )
    quiet = charts.chart(weekly, "", "", design).weeks["signal"].to_numpy()
    stated = 1 - np.exp(-len(quiet) / design.weeks_between)
    last = weekly.judged[-charts.QUARTER_WEEKS :]
    rng = np.random.Generator(np.random.PCG64(np.random.SeedSequence([seed, EXTRA])))
    more = weekly.counts.copy()
    more[last] += rng.poisson(np.maximum(weekly.expected[last].to_numpy(), 0.0))
    risen = charts.chart(weekly.with_counts(more), "", "", design).weeks["signal"]
    year, quarter = pd.Series([f"{len(quiet)} weeks"]), pd.Series([f"{len(last)} weeks"])
    return [
        alarms("warning_false_alarm_year", year, [bool(quiet.any())], [stated]),
        alarms("warning_doubling_seen", quarter, [bool(risen.loc[last].any())]),
    ]
