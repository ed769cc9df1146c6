"""Plants that no interval keeps within the limit, the few that keep a site from a longer one, and remedies."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats.watering.costing import CostModel
from plantstats.watering.costs import within_limit
from plantstats.watering.distribution import Array
from plantstats.watering.fit import RESERVOIR, WateringModel

DARKER = {"sun": "high", "high": "medium", "medium": "low"}
COLUMNS = ("site_id", "plant_id", "position", "species", "light", "planter", "longer", "remedy")
ENOUGH_DRY_DOWNS = 30  # of a species in a light, before it is named instead of another
SUB_IRRIGATION = "a sub-irrigated planter"
FEW = 0.25  # plants that bind an interval are named when they are at most this share of the site


def binding_plants(
    plants: pd.DataFrame,
    sites: pd.DataFrame,
    sure: Array,
    every: tuple[int, ...],
    model: WateringModel,
    visit_days: tuple[int, ...],
) -> pd.DataFrame:
    """Plants that no interval keeps within the limit on dryness, and the few that keep a site from a longer one.

    Parameters
    ----------
    plants : pandas.DataFrame
        Standing plants, with change_plant.
    sites : pandas.DataFrame
        site_id, advised (days).
    sure : numpy.ndarray of bool, shape (plants, visit intervals)
        Whether each plant is surely within the limit.
    every, visit_days : tuple of int
        Inspection and visit intervals.
    model : WateringModel

    Returns
    -------
    pandas.DataFrame
        One row per such plant: site_id, plant_id, position, species, light, planter, longer (the interval that it does
        not stand, days), remedy (what would keep it within the limit then; empty: nothing on record).

    Notes
    -----
    Plants that keep a site from the next longer interval are named where they are few: at most a quarter of its plants.
    """
    at_site = plants.groupby("site_id").indices
    offered = model.assumed.visit_days
    rows = []
    for name, advised in zip(sites["site_id"], sites["advised"].astype(int), strict=True):
        at = at_site[name]
        beyond = {int(n): advised for n in at[plants["change_plant"].to_numpy()[at]]}
        longer = min((d for d in offered if d > advised), default=0)
        if longer:
            binding = at[~sure[at, visit_days.index(longer)]]
            if len(binding) <= max(1, int(FEW * len(at))):
                beyond |= {int(n): longer for n in binding if n not in beyond}
        for n, days in sorted(beyond.items()):
            plant = plants.iloc[n]
            remedy = _remedy(plants.iloc[[n]], days, every, model)
            rows.append([*(plant[c] for c in COLUMNS[:6]), days, remedy])
    return pd.DataFrame(rows, columns=list(COLUMNS))


def _remedy(plant: pd.DataFrame, days: int, every: tuple[int, ...], model: WateringModel) -> str:
    """The change that would keep the plant within the limit at this interval, in words; empty: none on record."""
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
        return ""
    changed = pd.concat([each for _, each in options], ignore_index=True)
    costs, column = CostModel(changed, model, every).costs(), every.index(days)
    keeps = within_limit(costs, model.assumed.max_too_dry_share)[:, column]
    if not keeps.any():
        return ""
    # A reservoir first, as it changes neither plant nor place; then what costs least.
    best = (
        0
        if keeps[0] and options[0][0] == SUB_IRRIGATION
        else int(np.argmin(np.where(keeps, costs["cost"][:, column], np.inf)))
    )
    return options[best][0]
