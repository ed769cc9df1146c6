"""How far misclassified inspections, and the choice of the distribution, move the answer."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats.stats import turnbull
from plantstats.watering.design import CONDITIONS
from plantstats.watering.distribution import Array, days_until_dry
from plantstats.watering.drying import DryingModel
from plantstats.watering.drying_fit import fit_taking
from plantstats.watering.fit import RESERVOIR, WateringModel

SHARES = (0.0, 0.02, 0.04, 0.06)
ENOUGH = 400  # dry-downs of a species from which its curve is drawn; fewer make a ragged one
N_SPECIES = 3
DAYS = 60


def misclassification_sensitivity(model: WateringModel) -> pd.DataFrame:
    """Drying of soil with the share of misclassified inspections taken as known, and as learned.

    Parameters
    ----------
    model : WateringModel
        All fitted components, as `fit_watering` gives them.

    Returns
    -------
    pandas.DataFrame
        One row per share: misclassified (share), learned (true for the fitted one), shape, dry_half, dry_80 (days; the
        mix of plants of the dry-downs).
    """
    of_soil = False in model.drying
    fitted = model.drying[not of_soil]
    rows = model.distinct[(model.distinct["planter"] == RESERVOIR) != of_soil]
    of_kinds = rows.groupby(CONDITIONS, observed=True, dropna=False)["n"].sum().reset_index()
    fits = [*zip(SHARES, fit_taking(rows, fitted.family, SHARES), strict=True), (fitted.misclassified, fitted)]
    table = []
    for share, one in fits:
        scale = np.average(one.log_scale(of_kinds), weights=of_kinds["n"])
        half, most = (float(days_until_dry(one.family, s, scale, one.shape)) for s in (0.5, 0.8))
        table.append((share, one is fitted, one.shape, half, most))
    columns = ["misclassified", "learned", "shape", "dry_half", "dry_80"]
    return pd.DataFrame(table, columns=columns).sort_values(["misclassified", "learned"], ignore_index=True)


def against_turnbull(model: WateringModel) -> pd.DataFrame:
    """Share dry by day after watering: as fitted, and without any distribution, for the species with most dry-downs.

    Parameters
    ----------
    model : WateringModel
        All fitted components, as `fit_watering` gives them.

    Returns
    -------
    pandas.DataFrame
        One row per species and day 1 to 60: species, dry_downs, day, turnbull_low, turnbull_high (bounds of the
        Turnbull estimate: inside an interval nothing says when), taken_true (the distribution fitted as if each reading
        were right, which is what the Turnbull estimate also takes for granted), fitted (allowing for misclassified
        inspections).

    References
    ----------
    Turnbull 1976, JRSS B 38:290 (see `plantstats.stats.turnbull`).
    """
    soil = model.distinct[model.distinct["planter"] != RESERVOIR]
    if False not in model.drying or soil.empty:
        return pd.DataFrame(
            columns=["species", "dry_downs", "day", "turnbull_low", "turnbull_high", "taken_true", "fitted"]
        )
    fitted = model.drying[False]
    plain = next(fit_taking(soil, fitted.family, [0.0]))
    day, parts = np.arange(1, DAYS + 1.0), []
    for species, number in soil.groupby("species")["n"].sum().nlargest(N_SPECIES).items():
        own = soil[soil["species"] == species]
        bounds = own.groupby(["lower", "upper"], dropna=False)["n"].sum().reset_index()
        # Every dry-down is one row to the estimate; beyond 10 x ENOUGH a fixed share of each row stands for all.
        times = np.maximum(np.round(bounds["n"] * min(1.0, 10 * ENOUGH / bounds["n"].sum())), 1).astype(int)
        rows = bounds.loc[bounds.index.repeat(times)]
        lower, upper = (rows[c].astype("float64").fillna(np.inf).to_numpy() for c in ("lower", "upper"))
        estimate = turnbull.fit_turnbull(lower, upper)
        curves = {
            "species": species,
            "dry_downs": int(number),
            "day": day,
            "turnbull_low": [float(estimate.mass[estimate.right <= d].sum()) for d in day],
            "turnbull_high": [float(estimate.mass[estimate.left < d].sum()) for d in day],
            "taken_true": _mean_dry(plain, own, day),
            "fitted": _mean_dry(fitted, own, day),
        }
        parts.append(pd.DataFrame(curves))
    return pd.concat(parts, ignore_index=True)


def _mean_dry(fitted: DryingModel, rows: pd.DataFrame, day: Array) -> Array:
    """Share dry on each day, over the mix of plants of the dry-downs."""
    moist = np.stack([fitted.still_moist(rows, d) for d in day], axis=1)
    return 1 - np.average(moist, axis=0, weights=rows["n"].to_numpy(dtype=float))
