"""What following the interval advice costs, against the best that full knowledge could choose, and the usual rules."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd

from plantstats.proving.rows import alarms, costs
from plantstats.proving.truths import Known
from plantstats.records import Records
from plantstats.watering.advise import KEEP, Advice, advise
from plantstats.watering.drying import Drying
from plantstats.watering.harm import Harm
from plantstats.watering.learn import Learned

WEEK = 7  # days: the most usual interval of all (common practice, no source)


def made(learned: Learned, advice: Advice, records: Records, known: Known) -> list[pd.DataFrame]:
    """Costs by the truth of what was advised, of leaving things as they are, and of weekly visits everywhere.

    Takes:  learned and advice as the watering page has them; records; what is known.
    Gives:  rows: cost_of_advice, cost_as_now, cost_weekly_everywhere: estimate = cost over the best possible, less 1,
            of the company as a whole; needless_change: one row per site that should stay as it is.
    """
    best = advise(with_full_knowledge(learned, known), records, advice.heated)
    if best is None:
        return []
    money = best.money.pivot(index="site_id", columns="interval_days", values="cost")
    sites = best.sites.set_index("site_id")
    at_best = _at(money, sites["cheapest"])
    told = advice.sites.set_index("site_id")
    ways = {
        "cost_of_advice": _at(money, told["advised"]), "cost_as_now": _at(money, told["now"]),
        "cost_weekly_everywhere": float(money[WEEK].sum())}
    # Where the present interval costs about as little as the cheapest, a change is not needed.
    stay = sites.index[(sites["good_from"] <= sites["now"]) & (sites["now"] <= sites["good_to"])]
    changed = told["decision"].ne(KEEP).reindex(stay)
    return [
        *(costs(kind, total / at_best - 1) for kind, total in ways.items()),
        alarms("needless_change", pd.Series(stay), changed)]


def with_full_knowledge(learned: Learned, known: Known) -> Learned:
    """What was learned, with every estimate put right: drying, misread looks, harm of days left dry, loss rates."""
    truth = known.truth
    air = learned.cells.dropna(subset=["vpd"]).groupby("heating")[["vpd", "n"]].apply(
        lambda part: float(np.average(part["vpd"], weights=part["n"])))
    terms = {
        "species": {s.name: math.log(s.dry_days) for s in truth.species},
        "light": truth.dry_light, "pot": truth.dry_pot, "planter": truth.dry_planter,
        "heating": {
            "heating season": truth.dry_heating + truth.dry_per_kpa * (air.get(True, 1.2) - 1.2),
            "rest of the year": truth.dry_per_kpa * (air.get(False, 1.2) - 1.2)},
    }
    names = (("intercept", ""), *((term, level) for term, levels in terms.items() for level in levels))
    effects = [0.0, *(value for levels in terms.values() for value in levels.values())]
    theta = np.array([*effects, math.log(truth.dry_shape), math.log(truth.misread / (1 - truth.misread))])
    law = Drying("Weibull", names, theta, np.zeros((len(theta), len(theta))), 99, 0.0, truth.misread, 0.0, 0)
    ratio = math.exp(truth.over_dry)
    return replace(
        learned, dryings=dict.fromkeys(learned.dryings, law), rates=_true_rates(learned, known), tables={},
        harm=Harm(ratio, ratio, ratio, 0.0, 0, 0.0, 0.0, ratio))


def _true_rates(learned: Learned, known: Known) -> pd.DataFrame:
    """Loss rates and shares of days left dry by species and light as they truly were."""
    counted = ["plant_days", "over_dry_days", "expected_losses"]
    true = known.tables["true_quarters"].groupby(["species", "light"])[counted].sum().astype("float64")
    mine = true.reindex(pd.MultiIndex.from_frame(learned.rates[["species", "light"]]))
    # A combination that the truth does not have (light not written down): that of all plants.
    mine = mine.fillna(true.sum())
    days = mine["plant_days"].to_numpy()
    return learned.rates.assign(
        rate=mine["expected_losses"].to_numpy() / days, log_se=0.0, dry_share=mine["over_dry_days"].to_numpy() / days)


def _at(money: pd.DataFrame, chosen: pd.Series) -> float:
    """Cost of all sites, each at its chosen interval."""
    return float(sum(money.at[site, days] for site, days in chosen.items()))

