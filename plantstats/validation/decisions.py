"""What following the interval advice costs, against the best that full knowledge could choose, and the usual rules."""

from __future__ import annotations

import math
from dataclasses import replace

import pandas as pd

from plantstats.records import Records
from plantstats.validation import days_dry
from plantstats.validation.rows import alarms, costs
from plantstats.validation.true_effects import season_kpa
from plantstats.validation.true_values import KnownCompany
from plantstats.watering import plant_cycles, price_ranges, sampling
from plantstats.watering.advice import LONGER, NO_CHANGE, Advice, advise
from plantstats.watering.design import SEASONS
from plantstats.watering.drought_effect import RateRatio
from plantstats.watering.drying import DryingModel
from plantstats.watering.fit import WateringModel

WEEK = 7  # days: the most usual interval of all (common practice, no source)
WAYS = {"advised": "cost_of_advice", "now": "cost_as_now", "weekly": "cost_weekly_everywhere"}


def validate(model: WateringModel, advice: Advice, records: Records, known: KnownCompany) -> list[pd.DataFrame]:
    """Costs by the truth of what was advised, of leaving things as they are, and of weekly visits everywhere.

    Parameters
    ----------
    model : WateringModel
        All fitted components, as `fit_watering` gives them.
    advice : Advice
        As `advise` gives it.
    records : Records
        The company's records, as `records.load` gives them.
    known : KnownCompany
        The invented company's tables and parameters.

    Returns
    -------
    list of pandas.DataFrame
        Rows: cost_of_advice, cost_as_now, cost_weekly_everywhere: estimate = cost over the best possible, less 1,
        of the company as a whole; needless_change: one row per site that should stay as it is.
    """
    sites = by_site(model, advice, records, known)
    if sites.empty:
        return []
    stay = sites[sites["should_stay"]]
    every = days_dry.intervals_asked(advice, model.assumed)
    true = with_full_knowledge(model, known)
    cycle = plant_cycles.PlantCycles(advice.plants, true, every).at(sampling.estimates(true))
    return [
        *days_dry.score(advice, days_dry.LeftDry(every, cycle.too_dry_days, cycle.too_dry), model.assumed),
        *(costs(kind, excess(sites, way)) for way, kind in WAYS.items()),
        alarms("needless_change", stay["site_id"], stay["changed"]),
    ]


def by_site(model: WateringModel, advice: Advice, records: Records, known: KnownCompany) -> pd.DataFrame:
    """Costs of each site by the truth.

    Parameters
    ----------
    model : WateringModel
        All fitted components, as `fit_watering` gives them.
    advice : Advice
        As `advise` gives it.
    records : Records
        The company's records, as `records.load` gives them.
    known : KnownCompany
        The invented company's tables and parameters.

    Returns
    -------
    pandas.DataFrame
        One row per site: site_id, best (the least cost of an interval that leaves few truly too dry, or is not
        longer than now), advised, now, weekly (costs of these intervals), should_stay (now costs about as little as
        the best), changed, too_dry (a longer interval was advised that truly leaves too many too dry). Empty when
        no plant stands.
    """
    # Nothing is unsure to full knowledge: one draw is as good as many.
    best_advice = advise(with_full_knowledge(model, known), records, advice.heating, n_samples=1, with_ways_out=False)
    if best_advice is None:
        return pd.DataFrame()
    money, dry = (
        best_advice.by_interval.pivot(index="site_id", columns="interval_days", values=v) for v in ("cost", "too_dry")
    )
    best, decisions = best_advice.sites.set_index("site_id"), advice.sites.set_index("site_id")

    def at(table: pd.DataFrame, chosen: pd.Series) -> list[float]:
        return [float(table.at[site, days]) for site, days in chosen.items()]

    change = decisions["decision"] != NO_CHANGE
    return pd.DataFrame(
        {
            "site_id": best.index,
            "best": at(money, best["cheapest"]),
            "advised": at(money, decisions["advised"].reindex(best.index)),
            "now": at(money, best["now"]),
            "weekly": money[WEEK].reindex(best.index).to_numpy(),
            "should_stay": ((best["good_from"] <= best["now"]) & (best["now"] <= best["good_to"])).to_numpy(),
            "changed": change.reindex(best.index).to_numpy(),
            "too_dry": [
                row.decision == LONGER and dry.at[row.Index, row.advised] > model.assumed.max_too_dry_share
                for row in decisions.reindex(best.index).itertuples()
            ],
        }
    )


def excess(sites: pd.DataFrame, way: str) -> float:
    """Cost of a way to visit all sites over the best, as a share of the best.

    Parameters
    ----------
    sites : pandas.DataFrame
        As `by_site`.
    way : str
        "advised", "now" or "weekly".

    Returns
    -------
    float
        The share. An interval that is cheaper than the best allowed one because it lets plants stand dry saves
        nothing here: it counts as equal.
    """
    return float((sites[way] - sites["best"]).clip(lower=0).sum() / sites["best"].sum())


def with_full_knowledge(model: WateringModel, known: KnownCompany) -> WateringModel:
    """Fitted components with every estimate put right: drying, misclassification, drought effect, loss rates.

    Parameters
    ----------
    model : WateringModel
        All fitted components, as `fit_watering` gives them.
    known : KnownCompany
        The invented company's tables and parameters.

    Returns
    -------
    WateringModel
    """
    params = known.params
    air = {heating: params.dry_per_kpa * (season_kpa(known.tables["true_sites"], heating) - 1.2) for heating in SEASONS}
    drying = DryingModel.known(
        {
            "species": {s.name: math.log(s.dry_days) for s in params.species},
            "light": params.dry_light,
            "pot": params.dry_pot,
            "planter": params.dry_planter,
            "heating": {SEASONS[True]: params.dry_heating + air[True], SEASONS[False]: air[False]},
        },
        params.dry_shape,
        params.misclassification,
    )
    ratio = math.exp(params.over_dry)
    return replace(
        model,
        assumed=price_ranges.known(model.assumed),
        drying=dict.fromkeys(model.drying, drying),
        loss_rates=_true_rates(model, known),
        cycle_tables={},
        drought_effect=RateRatio(ratio, ratio, ratio, 0.0),
    )


def _true_rates(model: WateringModel, known: KnownCompany) -> pd.DataFrame:
    """Loss rates and shares of days left dry by species and light as they truly were."""
    counted = ["plant_days", "over_dry_days", "expected_losses"]
    true = known.tables["true_quarters"].groupby(["species", "light"])[counted].sum().astype("float64")
    mine = true.reindex(pd.MultiIndex.from_frame(model.loss_rates[["species", "light"]]))
    # A combination that the truth does not have (light not written down): that of all plants.
    mine = mine.fillna(true.sum())
    days = mine["plant_days"].to_numpy()
    return model.loss_rates.assign(
        rate=mine["expected_losses"].to_numpy() / days, log_se=0.0, dry_share=mine["over_dry_days"].to_numpy() / days
    )
