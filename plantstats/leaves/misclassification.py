"""What misread topsoil does to the ratios of dry plants: those printed are of the topsoil as it was written down."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.leaves.inputs import FIGS
from plantstats.leaves.model import LeafFit
from plantstats.stats.intervals import CONF_LEVEL

# Of 100 readings, how many are taken to be wrong (dry for not dry, and the reverse): a range to think in, no estimate.
WRONG_SHARES = (0.02, 0.05, 0.10)
FACTORS = ("rewatered", "dry")
METHOD = "ratio of the topsoil as written down, corrected for a stated share of wrong readings (misclassification)"


def share_dry(model: LeafFit, factor: str) -> dict[str, float]:
    """Share of the plant-days with known topsoil that were written down as dry.

    Parameters
    ----------
    model : LeafFit
    factor : {"dry", "rewatered"}
        Topsoil at the end of the interval, or at its beginning.

    Returns
    -------
    dict of str to float
        Level ("dry (figs)", "dry (others)") -> share, among figs or the others.
    """
    t = model.table[model.table[factor] != "unknown"]
    days = t["n"] * t["exposure"]
    figs = t["species_group"].astype("str").eq(FIGS)
    shares = {}
    for level, own in (("dry (figs)", figs), ("dry (others)", ~figs)):
        whole = float(days[own].sum())
        shares[level] = float(days[t[factor].eq(level)].sum()) / whole if whole > 0 else np.nan
    return shares


def true_ratio(ratio: float, share: float, wrong: float, *, watered: bool = False) -> float:
    """Ratio of dry to not dry topsoil as they truly were, from the ratio of what was written down.

    Parameters
    ----------
    ratio : float
        As written down.
    share : float
        Of the readings that say dry.
    wrong : float
        Share of readings that are wrong, both ways alike.
    watered : bool
        Whether the topsoil is that of the visit before, and what follows follows the watering: a dry plant that was
        read as not dry was not watered, so that nothing followed.

    Returns
    -------
    float
        Missing where more readings would be wrong than say dry, or where no true ratio, however high, would have been
        seen as that.

    Notes
    -----
    From the two-way table: of the plants read as dry a share q1 is dry, of the others q0, so that the ratio seen is
    (1 + (R - 1) q1) / (1 + (R - 1) q0); solved for R.

    Examples
    --------
    >>> round(true_ratio(1.65, share=0.26, wrong=0.10), 2)
    2.0
    """
    true_share = (share - wrong) / (1 - 2 * wrong)
    if not 0 < true_share < 1:
        return np.nan
    q1, q0 = _dry_among(true_share, share, wrong, watered)
    margin = q1 - ratio * q0
    return 1 + (ratio - 1) / margin if margin > 0 else np.nan


def written_ratio(ratio: float, true_share: float, wrong: float, *, watered: bool = False) -> float:
    """Ratio of what was written down where a share of plants is dry: the reverse of `true_ratio`.

    Parameters
    ----------
    ratio : float
        Of leaves, truly dry against moist.
    true_share : float
        Share of plants that are dry, 0 to 1.
    wrong : float
        Share of readings that are wrong, 0 to 0.5.
    watered : bool, default False
        The plant was watered when it was read as dry.

    Returns
    -------
    float
    """
    share = true_share * (1 - wrong) + (1 - true_share) * wrong
    q1, q0 = _dry_among(true_share, share, wrong, watered)
    return (1 + (ratio - 1) * q1) / (1 + (ratio - 1) * q0)


def _dry_among(true_share: float, share: float, wrong: float, watered: bool) -> tuple[float, float]:
    """Share of dry plants among those read as dry, and among the others."""
    return true_share * (1 - wrong) / share, 0.0 if watered else true_share * wrong / (1 - share)


def if_wrong(wrong: float) -> str:
    """Ending of a term that is corrected for a share of wrong readings.

    Parameters
    ----------
    wrong : float
        Share, 0 to 0.5.

    Returns
    -------
    str
    """
    return f", if one reading in {1 / wrong:.0f} is wrong"


def corrected_ratios(model: LeafFit, ratios: pd.DataFrame, period: str) -> pd.DataFrame:
    """Each ratio of dry topsoil, corrected for each of `WRONG_SHARES`.

    Parameters
    ----------
    model : LeafFit
    ratios : pandas.DataFrame
        Its findings <outcome>_leaf_ratio about dry topsoil, with factor and level_name.
    period : str

    Returns
    -------
    pandas.DataFrame
        Findings <outcome>_leaf_ratio_if_misclassified by term (that of the ratio and `if_wrong` of the share). The
        limits are those of the ratio, corrected alike; missing where so many wrong readings cannot be.
    """
    shares = {factor: share_dry(model, factor) for factor in FACTORS}
    rows = []
    for ratio in ratios.to_dict("records"):
        share = shares[ratio["factor"]][ratio["level_name"]]
        for wrong in WRONG_SHARES:
            row = {
                name: true_ratio(ratio[name], share, wrong, watered=ratio["factor"] == "rewatered")
                for name in ("estimate", "low", "high")
            }
            note = f"dry at {100 * share:.0f} of 100 plant-days as written down"
            if not np.isfinite(list(row.values())).all():
                row, note = dict.fromkeys(row, np.nan), f"{note}: so many wrong readings cannot be"
            term = f"{ratio['term']}{if_wrong(wrong)}"
            rows.append({"term": term, **row, "plant_days": ratio["plant_days"], "note": note})
    return findings.rows(
        pd.DataFrame(rows, columns=["term", "estimate", "low", "high", "plant_days", "note"]),
        f"{model.outcome}_leaf_ratio_if_misclassified",
        period=period,
        unit="times",
        method=METHOD,
        by=["term"],
        conf_level=CONF_LEVEL,
    )
