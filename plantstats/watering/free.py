"""The few plants that keep a site from a longer visit interval, and what would free them."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats.watering import routes, worth
from plantstats.watering.law import Array
from plantstats.watering.learn import RESERVOIR, Learned

DARKER = {"sun": "high", "high": "medium", "medium": "low"}
COLUMNS = ("site_id", "plant_id", "position", "species", "light", "planter", "longer", "extra", "frees", "extra_then")
ENOUGH_SPELLS = 30  # of a species in a light, before it is named instead of another
SUB = "a sub-irrigated planter"
FREED = 0.5  # a way out must take away at least this share of the extra cost


def forced_plants(
    plants: pd.DataFrame, sites: pd.DataFrame, costs: routes.PlantCosts, learned: Learned, visit_days: tuple[int, ...]
) -> pd.DataFrame:
    """Plants without which the next longer interval would pay.

    Takes:  plants and their costs, in step; sites: site_id, advised; visit_days.
    Gives:  one row per such plant: site_id, plant_id, position, species, light, planter, longer (the interval it
            stands in the way of, days), extra (what it would cost more there, per quarter), frees (what would free
            it; empty: nothing on record), extra_then.
    """
    rows = []
    at_site = plants.groupby("site_id").indices
    for name, now in zip(sites["site_id"], sites["advised"].astype(int), strict=True):
        longer = min((d for d in visit_days if d > now), default=0)
        if not longer:
            continue
        at = at_site[name]
        own = costs.take(at)
        more, there = _extra(own, now, longer, learned.assumed.max_too_dry_share)
        saved = routes.QUARTER_DAYS * learned.price.visit * (1 / now - 1 / longer)
        pairs = np.stack([own.waterings[there], own.waterings[there] * own.too_dry[there]], axis=1)
        for n in routes.forcing(more, saved, pairs, learned.assumed.max_too_dry_share):
            rows.append((at[n], longer, now, more[n]))
    if not rows:
        return pd.DataFrame(columns=list(COLUMNS))
    which = np.array([row[0] for row in rows])
    made = plants.iloc[which][["site_id", "plant_id", "position", "species", "light", "planter"]].reset_index(drop=True)
    made["longer"], made["extra"] = [row[1] for row in rows], [row[3] for row in rows]
    ways = [_way_out(plants.iloc[[at]], now, longer, extra, costs.every, learned) for at, longer, now, extra in rows]
    made["frees"], made["extra_then"] = [w[0] for w in ways], [w[1] for w in ways]
    return made[list(COLUMNS)]


def _way_out(
    plant: pd.DataFrame, now: int, longer: int, extra: float, every: tuple[int, ...], learned: Learned
) -> tuple[str, float]:
    """The change that takes most of the extra cost away, in words, and the extra cost that stays."""
    own = plant.iloc[0]
    tries = []
    if own["planter"] != RESERVOIR and True in learned.dryings:
        tries.append((SUB, plant.assign(planter=RESERVOIR)))
    known = learned.cells[(learned.cells["light"] == own["light"]) & (learned.cells["planter"] != RESERVOIR)]
    spells = known.groupby("species")["n"].sum()
    rate = learned.rates.set_index(["species", "light"])["rate"]
    allowed = rate.get((own["species"], own["light"]), rate.max())
    for other in spells[spells >= ENOUGH_SPELLS].index:
        if other != own["species"] and rate.get((other, own["light"]), np.inf) <= allowed:
            tries.append((f"{other} in its place", plant.assign(species=other)))
    if own["light"] in DARKER:
        tries.append((f"a place with {DARKER[own['light']]} light", plant.assign(light=DARKER[own["light"]])))
    if not tries:
        return "", extra
    changed = pd.concat([each for _, each in tries], ignore_index=True)
    made = worth.Worth(changed, learned, every).costs()
    most = learned.assumed.max_too_dry_share
    left, there = _extra(made, now, longer, most)
    frees = (left <= (1 - FREED) * max(extra, 0.0)) & (made.too_dry[there] <= most)
    if not frees.any():
        return "", extra
    # A reservoir first, as it changes neither plant nor place; then what leaves least.
    best = 0 if frees[0] and tries[0][0] == SUB else int(np.argmin(np.where(frees, left, np.inf)))
    return tries[best][0], float(left[best])


def _extra(costs: routes.PlantCosts, now: int, longer: int, most: float) -> tuple[Array, tuple[Array, Array]]:
    """What each plant costs more at the longer interval, and where its figures for that stand."""
    plants = np.arange(len(costs.money))
    there = (plants, routes.best_looks(costs, longer, most))
    return costs.money[there] - costs.money[plants, routes.best_looks(costs, now, most)], there
