"""Does leaf drop foretell replacement? A mark of trouble to come, not its cause."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.leaves.build import LeafTime
from plantstats.leaves.counts import POISSON, CountFit, LeafModelError, fit_counts
from plantstats.leaves.model import LeafFit
from plantstats.stats.intervals import CONF_LEVEL

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime

WINDOW = 60  # days over which leaf drop is looked at ...
LAG = 14  # ... ending so many days before the stretch: a plant already given up says nothing about the future
BANDS = ("no more than expected", "one to two times", "twice or more", "not counted")
# One leaf counted and expected beside the real ones keeps single leaves from deciding.
STEADY = 1.0
FEWEST_LOSSES = 10  # rule of thumb of ten events, Peduzzi et al. 1995
FORMULA = "shed + species + light + age_band + heating"
METHOD = f"Poisson regression of losses on leaf drop in {WINDOW} days that ended {LAG} days before, errors by site"
WARNING = "a mark, not a cause: what makes leaves fall may be what kills the plant"

findings.define(
    loss_ratio_after_shedding=(
        "Loss rate of plants that had dropped more leaves than their situation explains, as a multiple of that of "
        "plants that had not, with species, light, age and heating season alike."
    )
)


def foretold(
    plant_time: PlantTime, time: LeafTime, model: LeafFit, period: str, level: float = CONF_LEVEL
) -> pd.DataFrame:
    """Loss rates after leaf drop.

    Takes:  plant-time and leaf plant-time of the same records; the model of green leaves; period: the name of the
            time that they cover.
    Gives:  findings loss_ratio_after_shedding by term (band of leaf drop), compared with plants that dropped no
            more than expected.
    """
    cells, sites = _cells(plant_time, time, model)
    lost = int(cells["losses"].sum())
    method = METHOD
    try:
        if lost < FEWEST_LOSSES:
            raise LeafModelError(f"{lost} losses: too few to tell")
        made = _fitted(cells, sites)
    except LeafModelError as error:
        return findings.table(
            [
                findings.finding(
                    "loss_ratio_after_shedding",
                    period,
                    np.nan,
                    unit="times",
                    method=method,
                    losses=lost,
                    note=str(error),
                )
            ]
        )
    fit, table = made
    rows, names = [], list(fit.params.index)
    for band in BANDS[1:3]:
        column = f"shed[{band}]"
        part = cells[cells["shed"] == band]
        common: dict[str, Any] = {
            "unit": "times",
            "method": method,
            "losses": int(part["losses"].sum()),
            "plant_days": float(part["plant_days"].sum()),
            "term": f"leaves dropped: {band}",
        }
        if column not in names or table.loc[table["shed"] == band, "sum"].sum() == 0:
            rows.append(
                findings.finding(
                    "loss_ratio_after_shedding", period, np.nan, note="no loss after such leaf drop", **common
                )
            )
            continue
        value, width = fit.combine((fit.params.index == column).astype("float64"))
        reach = fit.quantile(level) * width[0]
        rows.append(
            findings.finding(
                "loss_ratio_after_shedding",
                period,
                float(np.exp(value[0])),
                float(np.exp(value[0] - reach)),
                float(np.exp(value[0] + reach)),
                level=level,
                note=WARNING,
                **common,
            )
        )
    return findings.table(rows)


def _cells(plant_time: PlantTime, time: LeafTime, model: LeafFit) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Stretches of plant-time with the leaf drop before them, added up.

    Gives:  one row per shed (of BANDS), species, light, age_band, heating: plant_days, losses; and the same by site.
    """
    expected = model.expected.dropna().rename("mean").rename_axis("cell").reset_index()
    time.engine.register("leaf_means", expected)
    try:
        both = time.ask(f"""
            with drops as (
                select u.plant_id, u.to_on - 1 as seen_on, u.{model.outcome}_lower as leaves, m.mean
                from leaf_used u join leaf_means m using (cell) where u.{model.outcome}_lower is not null
            ), before as (
                select s.plant_id, s.from_on, sum(d.leaves) as leaves, sum(d.mean) as mean
                from episodes s join drops d
                  on s.plant_id = d.plant_id
                 and d.seen_on >= s.from_on::date - {WINDOW + LAG} and d.seen_on < s.from_on::date - {LAG}
                group by 1, 2
            )
            select case when b.mean is null then '{BANDS[3]}'
                        when b.leaves + {STEADY} <= b.mean + {STEADY} then '{BANDS[0]}'
                        when b.leaves + {STEADY} < 2 * (b.mean + {STEADY}) then '{BANDS[1]}'
                        else '{BANDS[2]}' end as shed,
                   s.species::varchar as species, s.light::varchar as light, s.age_band::varchar as age_band,
                   s.heating::int::double as heating, s.site_id,
                   sum(s.plant_days)::double as plant_days, sum(s.losses)::double as losses
            from episodes s left join before b using (plant_id, from_on)
            group by all having sum(s.plant_days) > 0 order by all""")
    finally:
        time.engine.unregister("leaf_means")
    key = ["shed", "species", "light", "age_band", "heating"]
    cells = both.groupby(key, as_index=False)[["plant_days", "losses"]].sum()
    return cells, both


def _fitted(cells: pd.DataFrame, sites: pd.DataFrame) -> tuple[CountFit, pd.DataFrame]:
    table = cells.rename(columns={"losses": "sum", "plant_days": "exposure"})
    # Levels that lost nothing have a log rate of minus infinity; they are left out, and nothing is compared with them.
    for factor in ("species", "light", "age_band"):
        lost = table.groupby(factor)["sum"].transform("sum")
        table = table[lost > 0]
    bands = [band for band in BANDS if table.loc[table["shed"] == band, "sum"].sum() > 0]
    if BANDS[0] not in bands:
        raise LeafModelError("no loss among plants that dropped no more leaves than expected: nothing to compare with")
    table = table[table["shed"].isin(bands)].reset_index(drop=True)
    table = table.assign(n=1.0, squares=table["sum"] ** 2, shed=pd.Categorical(table["shed"], bands))
    formula = " + ".join(term for term in FORMULA.split(" + ") if table[term].nunique() > 1) or "1"
    counts = table.groupby("sum").size().rename("n").rename_axis("count").reset_index()
    key = ["shed", "species", "light", "age_band", "heating"]
    whole = table[[*key, "exposure"]].astype({"shed": "str"}).assign(row=np.arange(len(table)))
    by_site = sites.merge(whole, on=key)
    # A site's share of a cell's plant-days is its share of the cell's expected losses.
    by_site = by_site.assign(
        n=by_site["plant_days"] / by_site["exposure"], site=by_site["site_id"], sum=by_site["losses"]
    )
    return fit_counts(table, counts, formula, by_site[["site", "row", "n", "sum"]], family=POISSON), table
