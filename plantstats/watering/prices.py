"""What looks, waterings, visits and lost plants cost, and how often plants are lost: from the records."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from plantstats.exposure import PlantTime
from plantstats.stats import empirical_bayes
from plantstats.watering.assumptions import Assumptions
from plantstats.watering.collapse import Spells
from plantstats.watering.law import Array

if TYPE_CHECKING:
    from plantstats.records import Records

MINUTES = """
    select p.pot, n.watered, avg(v.minutes) as minutes, count(*) as looks
    from (select plant_id, visited_on, max(minutes) as minutes, max(coalesce(repotted, false)) as repotted
          from visits where plant_id is not null and minutes is not null group by all) v
    join follow p using (plant_id)
    join days n on n.plant_id = v.plant_id and n."at" = v.visited_on - date '1970-01-01'
    where not v.repotted and n.dead = 0 group by all"""
MISSED = """
    select coalesce(sum((status in ('missed', 'no_access'))::int), 0) / greatest(count(*), 1) as share from (
        select coalesce(v.site_id, p.site_id) as site_id, v.visited_on, max(coalesce(v.status, 'completed')) as status
        from visits v left join plants p using (plant_id)
        where v.visited_on <= ? and (v.plant_id is not null or v.status in ('missed', 'no_access'))
        group by all)"""


@dataclass(frozen=True)
class Prices:
    """Money in the company's currency, minutes, and shares; dicts by pot class."""

    currency: str
    visit: float
    wage: float  # per hour
    look_minutes: dict[str, float]
    watering_minutes: dict[str, float]  # more than a look alone
    labour: float  # minutes of a replacement
    missed: float  # share of planned visits that did not take place
    remarks: tuple[str, ...]


def prices(records: Records, spells: Spells, assumed: Assumptions) -> Prices:
    """Prices from records and settings; what neither holds is assumed, and a remark says so."""
    remarks = []
    seen = spells.sql(MINUTES)
    pots = sorted(set(spells.sql("select distinct pot from follow")["pot"]))
    look, more = {}, {}
    for pot in pots:
        look[pot] = _mean(seen[seen["watered"] == 0], pot, assumed.default_inspection_minutes)
        more[pot] = max(
            _mean(seen[seen["watered"] == 1], pot, look[pot] + assumed.default_watering_minutes) - look[pot], 0.0
        )
    if seen.empty:
        remarks.append("no minutes on record: those of the assumptions are used")
    replaced = records.table("replacements")
    labour = replaced["labour_minutes"].mean()
    if np.isnan(labour):
        remarks.append("no labour on record for replacements: counted as none")
    missed = float(spells.engine.execute(MISSED, [spells.as_of]).df()["share"].iloc[0])
    settings = records.settings
    return Prices(
        settings.currency,
        settings.visit_cost,
        settings.wage_per_hour,
        look,
        more,
        float(np.nan_to_num(labour)),
        min(missed, 0.5),
        tuple(remarks),
    )


def replacement_cost(plants: pd.DataFrame, records: Records, price: Prices, assumed: Assumptions) -> Array:
    """What replacing each plant would cost: the plant and the labour, whoever pays.

    Takes:  plants: plant_id, pot. A plant without a cost counts at the median of its pot class, else of all.
    """
    known = records.table("plants").set_index("plant_id")["cost"].reindex(plants["plant_id"]).to_numpy(dtype=float)
    cost = pd.Series(known, index=plants.index)
    cost = cost.fillna(cost.groupby(plants["pot"]).transform("median")).fillna(cost.median())
    return cost.fillna(assumed.default_replacement_cost).to_numpy() + price.labour / 60 * price.wage


def fee_per_day(plants: pd.DataFrame, records: Records, as_of: date, assumed: Assumptions) -> Array:
    """What clients pay for each plant and day: the fees of running contracts, shared evenly by the plants they cover.

    Takes:  plants: site_id, client_id, plants; as_of. A plant under no contract counts at the mean of the others.
    """
    contracts, day = records.table("contracts"), pd.Timestamp(as_of)
    running = contracts[
        (contracts["starts_on"] <= day) & ~(contracts["ends_on"] <= day) & contracts["monthly_fee"].notna()
    ]
    fee, number = pd.Series(0.0, index=plants.index), plants["plants"].astype("float64")
    for label, part in (
        ("site_id", running[running["site_id"].notna()]),
        ("client_id", running[running["site_id"].isna()]),
    ):
        total = part.groupby(label)["monthly_fee"].sum()
        fee += (plants[label].map(total) / number.groupby(plants[label]).transform("sum")).fillna(0.0)
    known = fee > 0
    mean = np.average(fee[known], weights=number[known]) if known.any() else assumed.default_monthly_fee
    return fee.where(known, mean).to_numpy() * 12 / 365.25


def loss_rates(time: PlantTime) -> pd.DataFrame:
    """Losses per plant-day by species and light, small groups drawn towards the others.

    Gives:  one row per species and light: losses, plant_days, rate (per plant-day), log_se.
    Source: gamma-Poisson shrinkage (see `plantstats.stats.empirical_bayes`). Where nothing was ever lost, half a
            loss spread over all plant-days: no loss is not no risk.
    """
    cells = time.cells(["species", "light"])
    cells = cells[cells["plant_days"] > 0].reset_index(drop=True)
    losses, days = cells["losses"].to_numpy(dtype=float), cells["plant_days"].to_numpy(dtype=float)
    if len(cells) < 2 or losses.sum() == 0:
        rate = np.full(len(cells), max(losses.sum(), 0.5) / max(days.sum(), 1.0))
        return cells.assign(rate=rate, log_se=1 / np.sqrt(max(losses.sum(), 0.5)))
    made = empirical_bayes.shrink(losses, days)
    return cells.assign(rate=made.estimate, log_se=np.log(made.high / np.maximum(made.low, made.estimate / 50)) / 3.92)


def _mean(rows: pd.DataFrame, pot: str, otherwise: float) -> float:
    """Mean minutes of a pot class, else of all, else what is assumed."""
    for part in (rows[rows["pot"] == pot], rows):
        if part["looks"].sum():
            return float(np.average(part["minutes"], weights=part["looks"]))
    return otherwise
