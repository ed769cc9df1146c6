"""Ways out for the few plants that break the limit on dryness or bar a longer interval, each with its price."""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from typing import NamedTuple

import numpy as np
import pandas as pd

from plantstats.watering import costing, sampling
from plantstats.watering.costs import QUARTER_DAYS, Costs, within_limit
from plantstats.watering.distribution import Array
from plantstats.watering.fit import RESERVOIR, WateringModel
from plantstats.watering.price_ranges import applied
from plantstats.watering.scenarios import TAILS

INSPECT_MORE, SUB_IRRIGATION, OTHER_SPECIES, ACCEPT = WAYS = (
    "look more often",
    "sub-irrigation",
    "other species",
    "accept",
)
TOO_DRY, BARS_LONGER = "too dry", "bars a longer interval"
ENOUGH_DRY_DOWNS = 30  # of a species in a light, before it is named instead of another
COLUMNS = ("site_id", "plant_id", "position", "species", "light", "planter", "plants", "why", "interval_days")


class SiteCosts(NamedTuple):
    """Costs of sites x visit intervals, by the estimates and by samples."""

    estimate: Costs
    samples: list[Costs]


def concerned(
    plants: pd.DataFrame, sites: pd.DataFrame, sure: Array, visit_days: tuple[int, ...], offered: tuple[int, ...]
) -> pd.DataFrame:
    """Plants for which a way out is wanted, and the visit interval that it must stand.

    Parameters
    ----------
    plants : pandas.DataFrame
        Standing plants, with own_way_out.
    sites : pandas.DataFrame
        site_id, advised (days), plants.
    sure : numpy.ndarray of bool, shape (plants, visit intervals)
        Whether each plant is surely within the limit.
    visit_days, offered : tuple of int
        Intervals of `sure`, and those that routes can keep.

    Returns
    -------
    pandas.DataFrame
        One row per plant: row (its place in `plants`), interval_days, why. "too dry": beyond the limit at the advised
        interval. "bars a longer interval": one of a handful that keep their site from the next longer one; named only
        where no plant of the site is too dry already.
    """
    at_site, rows = plants.groupby("site_id").indices, []
    own_way_out, number = plants["own_way_out"].to_numpy(), plants["plants"].to_numpy()
    for name, advised, share in zip(sites["site_id"], sites["advised"], sites["handful"], strict=True):
        at = at_site[name]
        own = at[own_way_out[at]]
        days, why = int(advised), TOO_DRY
        if not len(own) and (longer := min((d for d in offered if d > advised), default=0)):
            own, days, why = at[~sure[at, visit_days.index(longer)]], longer, BARS_LONGER
            if number[own].sum() > share:
                own = own[:0]
        rows += [(int(n), days, why) for n in own]
    return pd.DataFrame(rows, columns=["row", "interval_days", "why"])


def ways_out(
    plants: pd.DataFrame,
    wanted: pd.DataFrame,
    site: Array,
    of_sites: SiteCosts,
    sure: Array,
    visit_days: tuple[int, ...],
    model: WateringModel,
    samples: list[sampling.Sample],
) -> pd.DataFrame:
    """Each way out of each plant, with what it costs a quarter and how sure it is.

    Parameters
    ----------
    plants : pandas.DataFrame
        Standing plants, as `CostModel` wants them.
    wanted : pandas.DataFrame
        As `concerned`.
    site : numpy.ndarray, shape (plants,)
        Number of each plant's site.
    of_sites : SiteCosts
    sure : numpy.ndarray of bool, shape (plants, visit intervals)
    visit_days : tuple of int
        Visit intervals.
    model : WateringModel
    samples : list of Sample

    Returns
    -------
    pandas.DataFrame
        One row per plant and way: site_id, plant_id, position, species, light, planter, plants, why, interval_days
        (between visits), way (of `WAYS`), what (in words), inspection_days (between looks),
        price, price_low, price_high (a quarter, more than accepting
        it; below 0: it saves), probability (that the plant is then within the limit), keeps (it is surely enough),
        too_dry (share of waterings). A way that the records cannot judge is not listed; "accept" always is.

    Notes
    -----
    Looking more often is the cheaper of two: more visits to the whole site, or a stop at the plants concerned between
    full visits; its price is shared evenly by the plants of the site that need it. Other species are those with
    `ENOUGH_DRY_DOWNS` in this light of which these records lost no more there.
    """
    columns = [
        *COLUMNS,
        "way",
        "what",
        "inspection_days",
        "price",
        "price_low",
        "price_high",
        "probability",
        "keeps",
        "too_dry",
    ]
    if wanted.empty:
        return pd.DataFrame(columns=columns)
    options = _options(plants, wanted, model, _more_often(wanted, sure, visit_days, model.assumed.visit_days))
    changed = plants.iloc[options["row"]].reset_index(drop=True)
    changed = changed.assign(
        **{name: options[name].fillna(changed[name]) for name in ("species", "planter")},
        own_replacement=changed["replacement"],
        # Of a plant that is not there yet nothing is known but its kind.
        plant_id=changed["plant_id"].where(options["species"].isna(), changed["plant_id"] + " " + options["what"]),
    )
    every = tuple(int(days) for days in np.unique(options["inspection_days"]))  # no other interval is priced
    cost_model = costing.CostModel(changed, model, every, np.searchsorted(every, options["inspection_days"]))
    whole_site = options["whole_site"].to_numpy(dtype=bool)
    prices, within = [], np.zeros(len(options))
    accept = options.groupby("row")["n"].transform("first").to_numpy()
    price = _price(options, changed, model, site[options["row"]], visit_days)
    for sample, sites in [(None, of_sites.estimate), *zip(samples, of_sites.samples, strict=True)]:
        of_plants = {name: values[:, 0] for name, values in cost_model.costs(sample).items()}
        cost = of_plants["cost"]
        more = price(sample or sampling.estimates(model), sites)
        own = np.where(whole_site, 0.0, cost - cost[accept])
        prices.append(own + more)
        if sample is None:
            too_dry = of_plants["too_dry"] / of_plants["waterings"]
        else:
            within += within_limit(of_plants, model.assumed.max_too_dry_share) / len(samples)
    low, high = np.quantile(prices[1:], TAILS, axis=0)
    options = options.assign(
        price=prices[0],
        price_low=np.minimum(low, prices[0]),
        price_high=np.maximum(high, prices[0]),
        probability=within,
        too_dry=too_dry,
    )
    options = options.assign(
        keeps=options["probability"] >= model.assumed.confidence, order=pd.Categorical(options["way"], list(WAYS))
    )
    # Of each way the cheapest that is surely enough; where none is, the likeliest.
    likely = -options["probability"].where(~options["keeps"], 0.0)
    options = options.assign(fails=~options["keeps"], likely=likely).sort_values(
        ["row", "order", "fails", "likely", "price", "what"], kind="stable"
    )
    options = options.drop_duplicates(["row", "order"]).reset_index(drop=True)
    of = plants.iloc[options["row"]].reset_index(drop=True)
    return pd.concat([of[[*COLUMNS[:7]]], options[["why", "interval_days", *columns[len(COLUMNS) :]]]], axis=1)


def _more_often(wanted: pd.DataFrame, sure: Array, visit_days: tuple[int, ...], offered: tuple[int, ...]) -> Array:
    """The longest shorter interval that surely keeps each plant within the limit; 0: none."""
    days = np.array(visit_days)
    shorter = np.isin(days, offered) & (days < wanted["interval_days"].to_numpy()[:, None])
    return np.where(shorter & sure[wanted["row"]], days, 0).max(axis=1)


def _options(plants: pd.DataFrame, wanted: pd.DataFrame, model: WateringModel, shorter: Array) -> pd.DataFrame:
    """Every way that might do, "accept" first for each plant; n numbers the rows."""
    rows: list[dict[str, object]] = []
    suited, own = _suited(model), plants.iloc[wanted["row"]]
    of_plants = zip(wanted.itertuples(), shorter, own["planter"], own["species"], own["light"], strict=True)
    for one, days, planter, species, light in of_plants:
        same = {"row": one.row, "interval_days": one.interval_days, "why": one.why, "whole_site": False}
        as_is = {**same, "inspection_days": one.interval_days, "species": None, "planter": None}
        rows.append({**as_is, "way": ACCEPT, "what": "accept it"})
        if days:
            inspecting = {**as_is, "way": INSPECT_MORE, "inspection_days": days}
            rows.append({**inspecting, "what": f"a short stop every {days} days"})
            rows.append({**inspecting, "what": f"visit the whole site every {days} days", "whole_site": True})
        if planter != RESERVOIR and True in model.drying:
            rows.append({**as_is, "way": SUB_IRRIGATION, "what": "a sub-irrigated planter", "planter": RESERVOIR})
        for other in suited(species, light):
            rows.append({**as_is, "way": OTHER_SPECIES, "what": f"{other} in its place", "species": other})
    return pd.DataFrame(rows).assign(n=range(len(rows))).astype({"species": "object", "planter": "object"})


def _suited(model: WateringModel) -> Callable[[str, str], list[str]]:
    """Species that these records know in a light, and of which they lost no more there than of this one."""
    known = model.distinct[model.distinct["planter"] != RESERVOIR]
    number = known.groupby(["light", "species"])["n"].sum()
    number = number[number >= ENOUGH_DRY_DOWNS]
    rate = model.loss_rates.set_index(["species", "light"])["rate"]

    @cache
    def suited(species: str, light: str) -> list[str]:
        if light == "unknown" or light not in number.index:
            return []
        allowed = rate.get((species, light), rate.max())
        others = (str(other) for other in number[light].index if other != species)
        return [other for other in others if rate.get((other, light), np.inf) <= allowed]

    return suited


def _price(
    options: pd.DataFrame, changed: pd.DataFrame, model: WateringModel, site: Array, visit_days: tuple[int, ...]
) -> Callable[[sampling.Sample, Costs], Array]:
    """What each way costs a quarter beside what the plant itself then costs, by a sample and the sites' costs by it."""
    number, replacement = (changed[name].to_numpy(dtype=float) for name in ("plants", "own_replacement"))
    whole_site = options["whole_site"].to_numpy(dtype=bool)
    ways = [options["way"].eq(way).to_numpy() for way in (INSPECT_MORE, SUB_IRRIGATION, OTHER_SPECIES)]
    stops = (QUARTER_DAYS / options["inspection_days"] - QUARTER_DAYS / options["interval_days"]).to_numpy()
    then, now = (np.searchsorted(visit_days, options[name]) for name in ("inspection_days", "interval_days"))
    sharing = (
        options.assign(site=site)[ways[0]].groupby(["site", "inspection_days", "whole_site"])["row"].transform("size")
    )
    sharing = sharing.reindex(options.index).fillna(1).to_numpy(dtype=float)

    def price_by(sample: sampling.Sample, of_sites: Costs) -> Array:
        price, assumed = applied(sample.multiples, model.price, model.assumed)
        of_planter = number * assumed.sub_irrigation_cost / assumed.sub_irrigation_years
        of_species = number * replacement * sample.multiples.replacement_cost / assumed.species_change_years
        short = stops * price.visit * assumed.short_inspection_share
        of_site = of_sites["cost"][site, then] - of_sites["cost"][site, now]
        shared = np.where(whole_site, of_site, short) / sharing
        return np.select(ways, [shared, of_planter / 4, of_species / 4], 0.0)

    return price_by
