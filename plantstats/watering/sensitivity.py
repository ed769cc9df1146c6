"""How far misread looks, and the choice of the law, move the answer."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats.stats import turnbull
from plantstats.watering import drying
from plantstats.watering.law import Array, days_until_dry, still_moist
from plantstats.watering.learn import RESERVOIR, Learned

SHARES = (0.0, 0.02, 0.04, 0.06)
LIKE = 400  # spells of a species from which its curve is drawn; fewer make a ragged one
SPECIES_DRAWN = 3
DAYS = 60


def misread_sensitivity(learned: Learned) -> pd.DataFrame:
    """The soil's drying with the share of misread looks taken as known, and as learned.

    Gives:  one row per share: misread (share), learned (true for the fitted one), shape, dry_half, dry_80 (days; the
            spells' mix of plants), log_likelihood.
    """
    fitted = learned.dryings.get(False) or learned.dryings[True]
    cells = learned.cells[(learned.cells["planter"] == RESERVOIR) == (False not in learned.dryings)]
    fits = [(share, drying.fit(cells, fitted.law, misread=share)) for share in SHARES]
    rows = []
    for share, one in [*fits, (fitted.misread, fitted)]:
        scale = np.average(one.log_scale(cells), weights=cells["n"])
        half, most = (float(days_until_dry(one.law, s, scale, one.shape)) for s in (0.5, 0.8))
        rows.append((share, one is fitted, one.shape, half, most, one.log_likelihood))
    table = pd.DataFrame(rows, columns=["misread", "learned", "shape", "dry_half", "dry_80", "log_likelihood"])
    return table.sort_values(["misread", "learned"], ignore_index=True)


def against_turnbull(learned: Learned) -> pd.DataFrame:
    """Share dry by day after watering: as fitted, and without any law, for the species with most spells.

    Gives:  one row per species and day 1 to 60: species, spells, day, free_low, free_high (bounds of the estimate
            without a law: inside an interval nothing says when), taken_true (the law fitted as if each reading were
            right, which is what the free estimate also takes for granted), fitted (allowing for misread looks).
    Source: Turnbull 1976 by `found_late.masses`.
    """
    cells = learned.cells[learned.cells["planter"] != RESERVOIR]
    if False not in learned.dryings or cells.empty:
        return pd.DataFrame(columns=["species", "spells", "day", "free_low", "free_high", "taken_true", "fitted"])
    fitted = learned.dryings[False]
    plain = drying.fit(cells, fitted.law, misread=0.0)
    most = cells.groupby("species")["n"].sum().nlargest(SPECIES_DRAWN)
    day, made = np.arange(1, DAYS + 1.0), []
    for species, number in most.items():
        own = cells[cells["species"] == species]
        known = own.groupby(["low", "high"], dropna=False)["n"].sum().reset_index()
        # Every spell is one row to the estimate; beyond LIKE of them a fixed share of each row stands for all.
        times = np.maximum(np.round(known["n"] * min(1.0, 10 * LIKE / known["n"].sum())), 1).astype(int)
        rows = known.loc[known.index.repeat(times)]
        mass = turnbull.masses(rows["low"].to_numpy(), rows["high"].astype("float64").fillna(np.inf).to_numpy())
        weight = own["n"].to_numpy(dtype=float)
        made.append(
            pd.DataFrame(
                {
                    "species": species,
                    "spells": int(number),
                    "day": day,
                    "free_low": [float(mass.mass[mass.right <= d].sum()) for d in day],
                    "free_high": [float(mass.mass[mass.left < d].sum()) for d in day],
                    "taken_true": _mixed(plain, own, weight, day),
                    "fitted": _mixed(fitted, own, weight, day),
                }
            )
        )
    return pd.concat(made, ignore_index=True)


def _mixed(fitted: drying.Drying, own: pd.DataFrame, weight: Array, day: Array) -> Array:
    moist = still_moist(fitted.law, day[None, :], fitted.log_scale(own)[:, None], fitted.shape)
    return 1 - np.average(moist, axis=0, weights=weight)
