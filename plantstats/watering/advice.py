"""The visit interval of each site, the inspection interval of each plant, and the evidence for a change."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from plantstats.watering import costing, prices, sampling, ways_out
from plantstats.watering.costs import (
    QUARTER_DAYS,
    Costs,
    best_inspections,
    inspection_intervals,
    site_costs,
    within_limit,
)
from plantstats.watering.decision import LONGER, NO_CHANGE, SHORTER, decide, open_to_money
from plantstats.watering.distribution import Array
from plantstats.watering.fit import WateringModel
from plantstats.watering.scenarios import TAILS, scenarios, totals

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.records import Records

__all__ = ["LONGER", "NO_CHANGE", "SHORTER", "Advice", "advise", "usual_interval"]

RECENT = 183  # days over which the usual visit interval is taken
WITH_LIMITS = ("cost", "minutes")  # quantities of sites that are asked of samples
UNKNOWN_INTERVAL = 14  # days, where neither plan nor visits tell it

STANDING = """
    select plant_id::varchar as plant_id, site_id::varchar as site_id, client_id::varchar as client_id,
           species::varchar as species, light::varchar as light, pot::varchar as pot, planter::varchar as planter,
           (plants - losses - client_exits - withdrawn)::bigint as plants
    from episodes where to_on = cast(? as date) + 1 and plants > losses + client_exits + withdrawn
    order by 2, 1"""
USUAL_INTERVAL = """
    with on_site as (
        select distinct at_site as site_id, visited_on as on_day from completed_visits
        where plant_id is not null and visited_on > cast(? as date) - cast(? as int) and visited_on <= cast(? as date)
    )
    select site_id, median(gap)::double as days from (
        select site_id, date_diff('day', lag(on_day) over (partition by site_id order by on_day), on_day) as gap
        from on_site)
    where gap is not null group by all order by all"""


@dataclass(frozen=True)
class Advice:
    """Advice for one season.

    Attributes
    ----------
    heating : bool
        Whether for the heating season.
    plants : pandas.DataFrame
        One row per standing plant: plant_id, site_id, client_id, position, species, light, pot, planter, heating,
        plants (how many it stands for), replacement (cost of one), fee (per day), visit_every, inspection_interval
        (days), too_dry (share of waterings at that), moist_inspections (share of looks that find it moist: look, do not
        water), change_plant (no interval keeps it within the limit), own_way_out (it is beyond the limit at the advised
        interval; the site is judged without it).
    sites : pandas.DataFrame
        One row per site: site_id, client_id, region, plants, now, cheapest (within the limit), advised (days),
        decision, reason (in words), good_from, good_to (days; intervals within the limit that cost about as little),
        cost_now, cost_advised, saving, saving_low, saving_high (of the interval that would be advised, per quarter;
        below 0: it costs more), probability (that the limit holds, for an interval shortened by it; that it saves,
        else), minutes_now, minutes_advised (at the plants, per quarter), too_dry_now, too_dry_advised (shares of
        waterings), beyond_limit_now, beyond_limit_advised (plants likelier than not found too dry too often),
        own_way_out (plants that need one), dry_downs (of its species), dry_downs_needed (that would show the saving;
        missing: no change would save).
    by_interval : pandas.DataFrame
        One row per site and visit interval: site_id, interval_days, cost, low, high (per quarter), too_dry.
    ways_out : pandas.DataFrame
        As `ways_out.ways_out`.
    totals : pandas.DataFrame
        All sites together, as `scenarios.totals`.
    """

    heating: bool
    plants: pd.DataFrame
    sites: pd.DataFrame
    by_interval: pd.DataFrame
    ways_out: pd.DataFrame
    totals: pd.DataFrame


def _standing_plants(time: PlantTime, records: Records) -> pd.DataFrame:
    """Plants that stand on the last day: plant_id, site_id, client_id, their labels, plants (number), position."""
    plants = time.engine.sql(STANDING, [time.as_of])
    listed = records.table("plants").set_index("plant_id")["position"]
    moves = records.table("moves")
    moves = moves[moves["to_position"].notna() & (moves["moved_on"] <= pd.Timestamp(time.as_of))]
    latest = moves.sort_values("moved_on", kind="stable").groupby("plant_id")["to_position"].last()
    position = latest.reindex(plants["plant_id"]).fillna(listed.reindex(plants["plant_id"]))
    return plants.assign(position=position.fillna("").to_numpy())


def usual_interval(model: WateringModel, days: int = RECENT) -> pd.Series:
    """Median number of days between visits, by site_id.

    Parameters
    ----------
    model : WateringModel
        All fitted components, as `fit_watering` gives them.
    days : int, optional
        Length of the time that is looked back on.

    Returns
    -------
    pandas.Series
    """
    return model.dry_downs.sql(USUAL_INTERVAL, [model.as_of, days, model.as_of]).set_index("site_id")["days"]


def _intervals_now(model: WateringModel, records: Records, sites: pd.Index) -> pd.Series:
    """Present visit interval of each site in whole days: as planned, else as usual, else two weeks."""
    planned = records.table("sites").set_index("site_id")["planned_visit_days"].reindex(sites)
    days = planned.fillna(usual_interval(model).reindex(sites)).fillna(UNKNOWN_INTERVAL)
    return days.round().clip(1).astype("int64")


def advise(
    model: WateringModel,
    records: Records,
    heating: bool,
    client: str = "",
    n_samples: int = sampling.N_SAMPLES,
    with_ways_out: bool = True,
    intervals_alone: bool = False,
) -> Advice | None:
    """Work out the advice for one season.

    Parameters
    ----------
    model : WateringModel
    records : Records
    heating : bool
        Whether for the heating season.
    client : str
        Its sites only, or "" for all.
    n_samples : int
        Of what is not known for sure (one is enough where everything is).
    with_ways_out : bool
        Whether to look for ways out for the plants that break the limit or bar a longer interval.
    intervals_alone : bool
        Whether the present and the advised interval of each site are all that is wanted: limits of money are worked out
        only where they may change these.

    Returns
    -------
    Advice or None
        None when no plant stands on the last day.
    """
    assumed = model.assumed
    plants = _standing_plants(model.time, records).assign(heating=heating)
    plants = plants[plants["client_id"] == client].reset_index(drop=True) if client else plants
    if plants.empty:
        return None
    site, names = pd.factorize(plants["site_id"], sort=True)
    now = _intervals_now(model, records, pd.Index(names)).to_numpy()
    visit_days = tuple(int(d) for d in sorted({*assumed.visit_days, *now}))
    every = inspection_intervals(visit_days, assumed.max_inspection_interval)
    plants["replacement"] = prices.replacement_cost(plants, records, model.price, assumed)
    plants["fee"] = prices.fee_per_day(plants, records, model.as_of, assumed)
    cost_model = costing.CostModel(plants, model, every)

    number = plants["plants"].to_numpy(dtype=float)
    of_plants, most = cost_model.costs(), assumed.max_too_dry_share
    costs = site_costs(of_plants, within_limit(of_plants, most), every, site, visit_days, model.price.visit)
    samples = list(sampling.samples(model, n_samples))
    within = cost_model.shares_within(samples)
    at_visits = within[:, np.searchsorted(every, visit_days)]
    asked = np.ones(len(names), dtype=bool)
    if intervals_alone:
        asked = open_to_money(costs, at_visits, site, number, now, visit_days, assumed)
    rows = asked[site]
    of_asked = cost_model if asked.all() else costing.CostModel(plants[rows], model, every)
    renumbered = (np.cumsum(asked) - 1)[site[rows]]
    sampled = [
        {name: _of_all(values, asked) for name, values in one.items()}
        for one in _by_samples(of_asked, samples, within[rows], model, every, renumbered, visit_days)
    ]
    decided, limits, own_way_out = decide(names, now, visit_days, costs, sampled, at_visits, site, number, assumed)
    sites = _labelled(decided, plants, site, records, model)
    advised = sites["advised"].to_numpy()
    plants = _with_advice(plants, advised[site], of_plants, every, within >= assumed.confidence, model.price.missed)
    plants = plants.assign(change_plant=limits.change_plant, own_way_out=own_way_out)
    few = sites.assign(handful=np.maximum(1, assumed.handful_share * sites["plants"])).head(
        len(sites) if with_ways_out else 0
    )
    wanted = ways_out.concerned(plants, few, limits.sure, visit_days, assumed.visit_days)
    of_all = ways_out.SiteCosts(costs, sampled)
    return Advice(
        heating,
        plants,
        sites,
        _by_interval(names, visit_days, costs, sampled),
        ways_out.ways_out(plants, wanted, site, of_all, limits.sure, visit_days, model, samples),
        totals(costs, sampled, visit_days, scenarios(now, advised, assumed.visit_days, visit_days, costs)),
    )


def _by_samples(
    cost_model: costing.CostModel,
    samples: list[sampling.Sample],
    within: Array,
    model: WateringModel,
    every: tuple[int, ...],
    site: Array,
    visit_days: tuple[int, ...],
) -> list[Costs]:
    """What sites cost by each sample."""
    # Where no plant is within the limit by any sample, none is passed over for so long.
    columns = np.flatnonzero(within.any(axis=0) | np.isin(every, visit_days))
    every, sampled = tuple(np.array(every)[columns].tolist()), []
    for sample in samples:
        of_plants, visit = cost_model.costs(sample, columns), model.price.visit * sample.multiples.visit_cost
        kept = within_limit(of_plants, model.assumed.max_too_dry_share)
        sampled.append(site_costs(of_plants, kept, every, site, visit_days, visit, WITH_LIMITS))
    return sampled


def _of_all(values: Array, asked: Array) -> Array:
    """Rows of the sites that were asked, with nothing at the others."""
    whole = np.zeros((len(asked), values.shape[1]))
    whole[asked] = values
    return whole


def _labelled(
    sites: pd.DataFrame, plants: pd.DataFrame, site: Array, records: Records, model: WateringModel
) -> pd.DataFrame:
    """Add client, region, plants, and the dry-downs of the species that stand there."""
    labels = records.table("sites").set_index("site_id").reindex(sites["site_id"])
    of_species = plants["species"].map(model.distinct.groupby("species")["n"].sum()).fillna(0)
    once = ~plants.duplicated(["site_id", "species"])
    number = np.bincount(site[once], of_species[once], minlength=len(sites)).astype(int)
    return sites.assign(
        client_id=labels["client_id"].to_numpy(),
        region=labels["region"].fillna("").to_numpy(),
        plants=np.bincount(site, plants["plants"], minlength=len(sites)).astype(int),
        dry_downs=number,
        dry_downs_needed=np.ceil(number * sites["times_dry_downs"]),
    ).drop(columns="times_dry_downs")


def _with_advice(
    plants: pd.DataFrame, visit_every: Array, costs: Costs, every: tuple[int, ...], within: Array, missed: float
) -> pd.DataFrame:
    """Add each plant's visit and inspection interval, and what waterings and looks at it find."""
    rows, column = np.arange(len(plants)), np.zeros(len(plants), dtype=int)
    for days in np.unique(visit_every):
        own = visit_every == days
        column[own] = best_inspections(costs["cost"], within, every, int(days))[own]
    share = costs["too_dry"][rows, column] / costs["waterings"][rows, column]
    inspection_interval = np.array(every)[column]
    inspections = plants["plants"].to_numpy(dtype=float) * QUARTER_DAYS / inspection_interval * (1 - missed)
    moist = np.clip(1 - costs["waterings"][rows, column] / inspections, 0.0, 1.0)
    return plants.assign(
        visit_every=visit_every, inspection_interval=inspection_interval, too_dry=share, moist_inspections=moist
    )


def _by_interval(names: Array, visit_days: tuple[int, ...], costs: Costs, sampled: list[Costs]) -> pd.DataFrame:
    cost = costs["cost"]
    low, high = np.quantile([one["cost"] for one in sampled], TAILS, axis=0)
    return pd.DataFrame(
        {
            "site_id": np.repeat(names, len(visit_days)),
            "interval_days": np.tile(visit_days, len(names)),
            "cost": cost.ravel(),
            "low": np.minimum(low, cost).ravel(),
            "high": np.maximum(high, cost).ravel(),
            "too_dry": (costs["too_dry"] / costs["waterings"]).ravel(),
        }
    )
