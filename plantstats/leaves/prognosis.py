"""Whether leaf drop predicts loss: a mark of trouble to come, not its cause."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.leaves.build import CountIntervals
from plantstats.leaves.model import LeafFit
from plantstats.stats.counts import POISSON, CountFit, CountModelError, fit_counts
from plantstats.stats.intervals import CONF_LEVEL, ratio_limits

WINDOW = 60  # days over which leaf drop counts ...
LAG = 14  # ... ending so many days before the episode: a plant already given up says nothing about the future
BANDS = ("no more than expected", "one to two times", "twice or more", "not counted")
# One leaf counted and expected beside the real ones keeps single leaves from deciding.
PSEUDO_LEAVES = 1.0
FEWEST_LOSSES = 10  # rule of thumb of ten events, Peduzzi et al. 1995
MEASURE = "loss_ratio_after_shedding"
METHOD = f"Poisson regression of losses on leaf drop in {WINDOW} days that ended {LAG} days before, errors by site"
WARNING = "a mark, not a cause: what makes leaves fall may be what kills the plant"
# Terms of the model; those of which one level alone is left fall out.
TERMS = ("shed", "species", "light", "age_band", "heating")


def loss_after_leaf_drop(intervals: CountIntervals, model: LeafFit, period: str) -> pd.DataFrame:
    """Loss rates after leaf drop, compared with plants that dropped no more than expected.

    Parameters
    ----------
    intervals : CountIntervals
        On the engine of the plant-time of the same records.
    model : LeafFit
        Of green leaves.
    period : str
        The name of the time that they cover.

    Returns
    -------
    pandas.DataFrame
        Findings loss_ratio_after_shedding by term (band of leaf drop); one row without an estimate, and the reason,
        where the records cannot tell.
    """
    table = _rate_table(intervals, model)
    n_losses = int(table["losses"].sum())
    common: dict[str, Any] = {"period": period, "unit": "times", "method": METHOD}
    try:
        fit = _fit(table)
    except CountModelError as error:
        none = pd.DataFrame({"estimate": [np.nan], "losses": n_losses, "note": str(error)})
        return findings.rows(none, MEASURE, **common)
    rows: list[dict[str, object]] = []
    for band in BANDS[1:3]:
        part = table[table["shed"] == band]
        weights = (fit.params.index == f"shed[{band}]").astype("float64")
        row: dict[str, object] = {"term": f"leaves dropped: {band}", "losses": int(part["losses"].sum())}
        row |= {"plant_days": float(part["plant_days"].sum()), "note": "no loss after such leaf drop"}
        if weights.any():
            log_ratio, se = fit.combine(weights)
            interval = zip(("estimate", "low", "high"), ratio_limits(log_ratio[0], se[0], df=fit.df), strict=True)
            row |= {**{name: float(value) for name, value in interval}, "note": WARNING}
        rows.append(row)
    frame = pd.DataFrame(rows, columns=["term", "losses", "plant_days", "note", "estimate", "low", "high"])
    return findings.rows(frame, MEASURE, by=["term"], conf_level=CONF_LEVEL, **common)


def _rate_table(intervals: CountIntervals, model: LeafFit) -> pd.DataFrame:
    """Episodes of plant-time with the leaf drop before them, added up.

    One row per shed (of BANDS), species, light, age_band, heating and site: plant_days, losses.
    """
    expected = model.expected.dropna().rename("mean").rename_axis("combination").reset_index()
    intervals.engine.add("leaf_means", expected)
    lower = f"{model.outcome}_lower"
    return intervals.sql(f"""
        with drops as (
            select u.plant_id, u.to_on - 1 as seen_on, u.{lower} as leaves, m.mean
            from leaf_used u join leaf_means m on m.combination = u.combination where u.{lower} is not null
        ), before as (
            select e.plant_id, e.from_on, sum(d.leaves) + {PSEUDO_LEAVES} as leaves,
                   sum(d.mean) + {PSEUDO_LEAVES} as mean
            from episodes e join drops d
              on e.plant_id = d.plant_id
             and d.seen_on >= e.from_on::date - {WINDOW + LAG} and d.seen_on < e.from_on::date - {LAG}
            group by 1, 2
        )
        select case when b.mean is null then '{BANDS[3]}' when b.leaves <= b.mean then '{BANDS[0]}'
                    when b.leaves < 2 * b.mean then '{BANDS[1]}' else '{BANDS[2]}' end as shed,
               e.species::varchar as species, e.light::varchar as light, e.age_band::varchar as age_band,
               e.heating::int::double as heating, e.site_id::varchar as site_id,
               sum(e.plant_days)::double as plant_days, sum(e.losses)::double as losses
        from episodes e left join before b on b.plant_id = e.plant_id and b.from_on = e.from_on
        group by all having sum(e.plant_days) > 0 order by all""")


def _fit(rates: pd.DataFrame) -> CountFit:
    n_losses = int(rates["losses"].sum())
    if n_losses < FEWEST_LOSSES:
        raise CountModelError(f"{n_losses} losses: too few to tell")
    # Levels that lost nothing have a log rate of minus infinity; they are left out, and nothing is compared with them.
    for factor in ("species", "light", "age_band", "shed"):
        rates = rates[rates.groupby(factor)["losses"].transform("sum") > 0]
    bands = [band for band in BANDS if rates["shed"].eq(band).any()]
    if BANDS[0] not in bands:
        raise CountModelError("no loss among plants that dropped no more leaves than expected: nothing to compare with")
    table = rates.groupby(list(TERMS), as_index=False)[["plant_days", "losses"]].sum()
    numbered = table[list(TERMS)].assign(row=table.index, exposure=table["plant_days"])
    clusters = rates.merge(numbered, on=list(TERMS)).rename(columns={"site_id": "cluster", "losses": "sum"})
    # A site's share of a row's plant-days is its share of the row's expected losses.
    clusters["n"] = clusters["plant_days"] / clusters["exposure"]
    table = table.rename(columns={"losses": "sum", "plant_days": "exposure"})
    table = table.assign(n=1.0, squares=table["sum"] ** 2, shed=pd.Categorical(table["shed"], bands))
    counts = table.groupby("sum").size().rename("n").rename_axis("count").reset_index()
    formula = " + ".join(term for term in TERMS if table[term].nunique() > 1) or "1"
    return fit_counts(table, counts, formula, clusters, family=POISSON)
