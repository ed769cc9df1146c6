"""What inspections, waterings, visits and lost plants cost, and how often plants are lost: from the records."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from plantstats.exposure import PlantTime
from plantstats.stats import empirical_bayes, intervals
from plantstats.watering.assumptions import Assumptions
from plantstats.watering.distribution import Array
from plantstats.watering.dry_down_table import DryDowns

if TYPE_CHECKING:
    from plantstats.records import Records

MINUTES = """
    select pot, watered, sum(minutes) / sum(inspections) as minutes, sum(inspections)::bigint as inspections
    from minutes where date '1970-01-01' + "at"::int <= ? group by all order by all"""
MISSED = """
    select coalesce(sum((status in ('missed', 'no_access'))::int), 0) / greatest(count(*), 1) as share from (
        select coalesce(v.site_id, p.site_id) as site_id, v.visited_on, max(coalesce(v.status, 'completed')) as status
        from visits v left join plants p on p.plant_id = v.plant_id
        where v.visited_on <= ? and (v.plant_id is not null or v.status in ('missed', 'no_access'))
        group by all)"""
# Where no line of the log says that a visit was missed, those that left no line: a gap of about twice the site's usual
# one holds one of them. A year is taken, as intervals change; a gap of more than four is a pause.
NOT_MADE = """
    with gaps as (
        select site_id, on_day - lag(on_day) over (partition by site_id order by on_day) as gap
        from (select distinct at_site as site_id, visited_on as on_day from completed_visits
              where plant_id is not null and visited_on > ?::date - 365 and visited_on <= ?::date)
    ), made as (select round(gap / median(gap) over (partition by site_id)) as visits from gaps where gap is not null)
    select coalesce(sum(visits - 1) / sum(visits), 0) as share from made where visits between 1 and 4"""


@dataclass(frozen=True)
class Prices:
    """Money in the company's currency, minutes, and shares.

    Attributes
    ----------
    visit : float
        One visit, whatever is done there.
    wage : float
        Per hour.
    inspection_minutes, watering_minutes : dict of str to float
        By pot class; watering: more than an inspection alone.
    replacement_minutes : float
        Labour of a replacement.
    missed : float
        Share of planned visits that did not take place; by the gaps between visits where the log notes none of them.
    """

    currency: str
    visit: float
    wage: float
    inspection_minutes: dict[str, float]
    watering_minutes: dict[str, float]
    replacement_minutes: float
    missed: float


def prices(records: Records, dry_downs: DryDowns, assumed: Assumptions) -> Prices:
    """Prices from records and settings; what neither holds is assumed (no labour of replacements: none).

    Parameters
    ----------
    records : Records
        The company's records, as `records.load` gives them.
    dry_downs : DryDowns
        As `dry_down_table.build` gives them.
    assumed : Assumptions
        The `[watering]` section of the settings.

    Returns
    -------
    Prices
    """
    day = dry_downs.as_of
    minutes = dry_downs.sql(MINUTES, [day])
    alone, with_water = (minutes[minutes["watered"] == watered] for watered in (0, 1))
    inspection, watering = {}, {}
    for pot in dry_downs.sql("select distinct pot from follow order by all")["pot"]:
        inspection[pot] = _mean(alone, pot, assumed.default_inspection_minutes)
        whole = _mean(with_water, pot, inspection[pot] + assumed.default_watering_minutes)
        watering[pot] = max(whole - inspection[pot], 0.0)
    missed = float(dry_downs.sql(MISSED, [day])["share"].iloc[0])
    missed = missed or float(dry_downs.sql(NOT_MADE, [day, day])["share"].iloc[0])
    labour = float(np.nan_to_num(records.table("replacements")["labour_minutes"].mean()))
    settings = records.settings
    return Prices(
        settings.currency, settings.visit_cost, settings.wage_per_hour, inspection, watering, labour, min(missed, 0.5)
    )


def replacement_cost(plants: pd.DataFrame, records: Records, price: Prices, assumed: Assumptions) -> Array:
    """Cost of replacing each plant: the plant and the labour, whoever pays.

    Parameters
    ----------
    plants : pandas.DataFrame
        plant_id, pot.
    records : Records
        The company's records, as `records.load` gives them.
    price : Prices
        As `prices.prices` gives them.
    assumed : Assumptions
        The `[watering]` section of the settings.

    Returns
    -------
    numpy.ndarray, shape (plants,)
        A plant without a cost counts at the median of its pot class, else of all.
    """
    known = records.table("plants").set_index("plant_id")["cost"].reindex(plants["plant_id"]).to_numpy(dtype=float)
    cost = pd.Series(known, index=plants.index)
    cost = cost.fillna(cost.groupby(plants["pot"]).transform("median")).fillna(cost.median())
    labour = price.replacement_minutes / 60 * price.wage
    return cost.fillna(assumed.default_replacement_cost).to_numpy() + labour


def fee_per_day(plants: pd.DataFrame, records: Records, as_of: date, assumed: Assumptions) -> Array:
    """Fee that clients pay for each plant and day: of running contracts, shared evenly by the plants they cover.

    Parameters
    ----------
    plants : pandas.DataFrame
        site_id, client_id, plants (number).
    records : Records
        The company's records, as `records.load` gives them.
    as_of : datetime.date
    assumed : Assumptions
        The `[watering]` section of the settings.

    Returns
    -------
    numpy.ndarray, shape (plants,)
        A plant under no contract counts at the mean of the others.
    """
    contracts, day = records.table("contracts"), pd.Timestamp(as_of)
    running = contracts[
        (contracts["starts_on"] <= day) & ~(contracts["ends_on"] <= day) & contracts["monthly_fee"].notna()
    ]
    of_site = running["site_id"].notna()
    fee, number = pd.Series(0.0, index=plants.index), plants["plants"].astype("float64")
    for label, part in (("site_id", running[of_site]), ("client_id", running[~of_site])):
        total = part.groupby(label)["monthly_fee"].sum()
        fee += (plants[label].map(total) / number.groupby(plants[label]).transform("sum")).fillna(0.0)
    known = fee > 0
    mean = np.average(fee[known], weights=number[known]) if known.any() else assumed.default_monthly_fee
    return fee.where(known, mean).to_numpy() * 12 / 365.25


def loss_rates(time: PlantTime) -> pd.DataFrame:
    """Losses per plant-day by species and light, small groups shrunk towards the others.

    Parameters
    ----------
    time : PlantTime
        Plant-time of the records.

    Returns
    -------
    pandas.DataFrame
        One row per species and light: losses, plant_days, rate (per plant-day), log_se.

    Notes
    -----
    Gamma-Poisson shrinkage (see `plantstats.stats.empirical_bayes`). Where nothing was ever lost, half a loss spread
    over all plant-days: no loss is not no risk.
    """
    rates = time.exposure_table(["species", "light"])
    rates = rates[rates["plant_days"] > 0].reset_index(drop=True)
    losses, days = rates["losses"].to_numpy(dtype=float), rates["plant_days"].to_numpy(dtype=float)
    if len(rates) < 2 or losses.sum() == 0:
        at_least = max(losses.sum(), 0.5)
        return rates.assign(rate=at_least / max(days.sum(), 1.0), log_se=1 / np.sqrt(at_least))
    shrunk = empirical_bayes.shrink(losses, days)
    log_se = intervals.log_se(np.maximum(shrunk.low, shrunk.estimate / 50), shrunk.high)
    return rates.assign(rate=shrunk.estimate, log_se=log_se)


def _mean(rows: pd.DataFrame, pot: str, default: float) -> float:
    """Mean minutes of a pot class, else of all, else what is assumed."""
    for part in (rows[rows["pot"] == pot], rows):
        if part["inspections"].sum():
            return float(np.average(part["minutes"], weights=part["inspections"]))
    return default
