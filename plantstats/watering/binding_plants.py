"""The few plants that keep a site from a longer visit interval, and a remedy for each."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats.watering.costing import CostModel
from plantstats.watering.costs import QUARTER_DAYS, Costs, best_inspections
from plantstats.watering.distribution import Array
from plantstats.watering.fit import RESERVOIR, WateringModel

DARKER = {"sun": "high", "high": "medium", "medium": "low"}
COLUMNS = ("site_id", "plant_id", "position", "species", "light", "planter", "longer", "extra", "remedy", "extra_then")
ENOUGH_DRY_DOWNS = 30  # of a species in a light, before it is named instead of another
SUB_IRRIGATION = "a sub-irrigated planter"
FREED = 0.5  # a remedy must take away at least this share of the extra cost
FEW = 0.25  # plants that bind an interval are named when they are at most this share of the site


def binding_plants(
    plants: pd.DataFrame,
    sites: pd.DataFrame,
    costs: Costs,
    every: tuple[int, ...],
    model: WateringModel,
    visit_days: tuple[int, ...],
) -> pd.DataFrame:
    """Plants without which the next longer interval would pay.

    Parameters
    ----------
    plants : pandas.DataFrame
        Standing plants.
    sites : pandas.DataFrame
        site_id, advised (days).
    costs : dict of str to numpy.ndarray
        Of plants x `every`.
    every, visit_days : tuple of int
        Inspection and visit intervals.
    model : WateringModel

    Returns
    -------
    pandas.DataFrame
        One row per such plant: site_id, plant_id, position, species, light, planter, longer (the interval it stands in
        the way of, days), extra (what it would cost more there, per quarter), remedy (empty: nothing on record),
        extra_then (with the remedy).
    """
    rows = []
    at_site = plants.groupby("site_id").indices
    for name, now in zip(sites["site_id"], sites["advised"].astype(int), strict=True):
        longer = min((d for d in visit_days if d > now), default=0)
        if not longer:
            continue
        at = at_site[name]
        own = {quantity: values[at] for quantity, values in costs.items()}
        extra, there = _extra(own, every, now, longer, model.assumed.max_too_dry_share)
        saved = QUARTER_DAYS * model.price.visit * (1 / now - 1 / longer)
        excess = (own["too_dry"] - model.assumed.max_too_dry_share * own["waterings"])[there]
        for n in binding(extra, saved, excess):
            remedy, extra_then = _remedy(plants.iloc[[at[n]]], now, longer, extra[n], every, model)
            plant = plants.iloc[at[n]]
            rows.append([*(plant[c] for c in COLUMNS[:6]), longer, extra[n], remedy, extra_then])
    return pd.DataFrame(rows, columns=list(COLUMNS))


def binding(extra: Array, saved: float, excess: Array) -> Array:
    """The few plants that keep a site from the next longer interval.

    Parameters
    ----------
    extra : numpy.ndarray, shape (plants,)
        What each plant of the site would cost more at the longer interval.
    saved : float
        What its fewer visits would save.
    excess : numpy.ndarray, shape (plants,)
        Waterings that find it too dry there, beyond the share that may.

    Returns
    -------
    numpy.ndarray of int
        Numbers of the plants, the strongest first: without them the longer interval would pay and leave few too dry.
        None when it does so anyway, or when they are more than a quarter of the plants.
    """
    weight = extra / max(saved, 1e-9) + np.where(excess.sum() > 0, excess / max(excess.sum(), 1e-9), 0.0)
    order = np.argsort(-weight, kind="stable")

    def left(values: Array) -> Array:
        return values.sum() - np.concatenate([[0.0], np.cumsum(values[order])])

    enough = np.flatnonzero((left(extra) < saved) & (left(excess) <= 1e-12))
    if not len(enough) or enough[0] == 0 or enough[0] > max(1, int(FEW * len(extra))):
        return order[:0]
    return order[: enough[0]]


def _remedy(
    plant: pd.DataFrame, now: int, longer: int, extra: float, every: tuple[int, ...], model: WateringModel
) -> tuple[str, float]:
    """The change that takes most of the extra cost away, in words, and the extra cost that stays."""
    own = plant.iloc[0]
    options = []
    if own["planter"] != RESERVOIR and True in model.drying:
        options.append((SUB_IRRIGATION, plant.assign(planter=RESERVOIR)))
    known = model.distinct[(model.distinct["light"] == own["light"]) & (model.distinct["planter"] != RESERVOIR)]
    number = known.groupby("species")["n"].sum()
    rate = model.loss_rates.set_index(["species", "light"])["rate"]
    allowed = rate.get((own["species"], own["light"]), rate.max())
    for other in number[number >= ENOUGH_DRY_DOWNS].index:
        if other != own["species"] and rate.get((other, own["light"]), np.inf) <= allowed:
            options.append((f"{other} in its place", plant.assign(species=other)))
    if own["light"] in DARKER:
        options.append((f"a place with {DARKER[own['light']]} light", plant.assign(light=DARKER[own["light"]])))
    if not options:
        return "", extra
    changed = pd.concat([each for _, each in options], ignore_index=True)
    costs, most = CostModel(changed, model, every).costs(), model.assumed.max_too_dry_share
    left, there = _extra(costs, every, now, longer, most)
    frees = (left <= (1 - FREED) * max(extra, 0.0)) & (costs["too_dry"][there] <= most * costs["waterings"][there])
    if not frees.any():
        return "", extra
    # A reservoir first, as it changes neither plant nor place; then what leaves least.
    best = 0 if frees[0] and options[0][0] == SUB_IRRIGATION else int(np.argmin(np.where(frees, left, np.inf)))
    return options[best][0], float(left[best])


def _extra(
    costs: Costs, every: tuple[int, ...], now: int, longer: int, max_too_dry_share: float
) -> tuple[Array, tuple[Array, Array]]:
    """What each plant costs more at the longer interval, and where its figures for that stand."""
    plants = np.arange(len(costs["cost"]))
    here, there = ((plants, best_inspections(costs, every, days, max_too_dry_share)) for days in (now, longer))
    return costs["cost"][there] - costs["cost"][here], there
