"""Green leaves dropped, by the week in which they were counted, against a leaf model of earlier weeks."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from plantstats import leaves
from plantstats.leaves.design import columns
from plantstats.leaves.inputs import CONDITIONS, KEY
from plantstats.leaves.intervals import conditions
from plantstats.leaves.model import LeafFit, fit_leaves
from plantstats.stats.counts import CountModelError
from plantstats.surveillance.losses_by_week import BASELINE_WEEKS, FEWEST_BASELINE, ROWS
from plantstats.surveillance.weeks import WEEK, Weekly

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.losses.common_cause import CommonCause

OUTCOME = "green"
FACTORS = ("species", *CONDITIONS)


def leaves_by_week(
    time: PlantTime, earlier: PlantTime, judged: pd.DatetimeIndex, region: pd.Series, events: CommonCause
) -> Weekly:
    """Leaves counted in each week, and expected by a model of the counts before the first week judged.

    Parameters
    ----------
    time : PlantTime
        Up to the last day of the records.
    earlier : PlantTime
        Up to the day before the first week judged.
    judged : pandas.DatetimeIndex
        The weeks.
    region : pandas.Series
        Of each site.
    events : CommonCause
        On record: the model does not learn from what they may have shaken.

    Returns
    -------
    Weekly
        Counts that are a word are left out. One group: the company.

    Raises
    ------
    CountModelError
        When the earlier counts carry no model, or too few weeks hold any.
    """
    model = fit_leaves(leaves.build(earlier).outside(events.shaken), OUTCOME)
    now = leaves.build(time)
    combinations = conditions(pd.Index(now.site_sums["combination"].unique()).sort_values(), now.species)
    predicted = _predicted(model, combinations)
    rows = now.sql(
        f"""
        select site_id::varchar as site_id, species::varchar as species, combination, count(*)::bigint as n,
               date_trunc('week', to_on - interval 1 day) as week, sum({OUTCOME})::double as counts,
               count(distinct plant_id)::bigint as plants
        from leaf_used where {OUTCOME} is not null and to_on > ? and to_on <= ? group by all order by all""",
        [(judged[0] - BASELINE_WEEKS * WEEK).date(), (judged[-1] + WEEK).date()],
    )
    rows["expected"] = rows["n"] * rows["combination"].map(predicted)
    known = rows.dropna(subset=["expected"])
    weeks = pd.date_range(known["week"].min(), judged[-1], freq="W-MON", unit="us")
    if len(weeks) - len(judged) < FEWEST_BASELINE:
        raise CountModelError(f"leaves were counted in fewer than {FEWEST_BASELINE} weeks before those judged")
    wide = {
        name: known.pivot_table(index=ROWS, columns="week", values=name, aggfunc="sum").reindex(columns=weeks).fillna(0)
        for name in ("counts", "expected")
    }
    last = known[known["week"].eq(known["week"].max())]
    group = pd.DataFrame(
        {"n_plants": [int(last["plants"].sum())], "variance": [_variance(model, combinations, known)]}, index=[""]
    )
    left_out = float(rows.loc[rows["expected"].isna() & rows["week"].isin(judged), "counts"].sum())
    return Weekly(wide["counts"], wide["expected"], judged, {"": group}, region, left_out)


def _conditions(model: LeafFit, combinations: pd.DataFrame) -> pd.DataFrame:
    """Rows of conditions as the formula names them; without those on a level that the fit has not seen."""
    used = combinations
    for factor in FACTORS:
        used = used[used[factor].astype("str").isin(model.table[factor].astype("str").unique())]
    table = columns(
        used[["combination", "species_group", *KEY]].reset_index(drop=True).assign(n=1, sum=0), model.humidity_limit
    )
    group = model.table.drop_duplicates("species").set_index(model.table["species"].drop_duplicates().astype("str"))
    strings = {factor: table[factor].astype("str") for factor in FACTORS}
    return table.assign(**strings, air_group=strings["species"].map(group["air_group"].astype("str")))


def _predicted(model: LeafFit, combinations: pd.DataFrame) -> pd.Series:
    """Leaves to expect of one interval of each combination."""
    table = _conditions(model, combinations)
    log_rate, _ = model.fit.log_mean(table)
    return pd.Series(np.exp(log_rate) * table["exposure"].to_numpy(), table["combination"])


def _variance(model: LeafFit, combinations: pd.DataFrame, rows: pd.DataFrame) -> float:
    """Of the log of all that is expected: weights of the mean of its terms, by what each combination brings."""
    import patsy  # noqa: PLC0415  # slow to import

    table = _conditions(model, combinations)
    share = rows.groupby("combination")["expected"].sum().reindex(table["combination"]).fillna(0.0).to_numpy()
    x = np.asarray(patsy.dmatrix(model.fit.design_info, table), dtype="float64")
    return float(model.fit.combine(share @ x / share.sum())[1][0] ** 2)
