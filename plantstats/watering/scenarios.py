"""What all sites together cost in a quarter: visited as now, as advised, and all at one interval."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from plantstats.watering.costs import MONEY, QUARTER_DAYS, Costs
from plantstats.watering.distribution import Array

TAILS = (0.025, 0.975)
AS_NOW, AS_ADVISED, CHEAPEST = "as now", "as advised", "cheapest, dry or not"


def scenarios(
    now: Array, advised: Array, offered: Sequence[int], visit_days: Sequence[int], costs: Costs
) -> dict[str, Array]:
    """Ways to visit all sites.

    Parameters
    ----------
    now, advised : numpy.ndarray, shape (sites,)
        Days.
    offered : sequence of int
        Intervals at which every site might be visited.
    visit_days : sequence of int
        Intervals of `costs`.
    costs : dict of str to numpy.ndarray
        Of sites x `visit_days`.

    Returns
    -------
    dict of str to numpy.ndarray
        Scenario -> the column of each site's interval: as now; as advised; each at its cheapest, dry or not; all at
        each interval.
    """
    days = np.array(visit_days)
    chosen = {AS_NOW: now, AS_ADVISED: advised, CHEAPEST: days[costs["cost"].argmin(axis=1)]}
    chosen |= {f"all every {d} days": np.full(len(now), d) for d in offered}
    return {name: np.searchsorted(days, each) for name, each in chosen.items()}


def totals(
    costs: Costs, samples: Sequence[Costs], visit_days: Sequence[int], columns: Mapping[str, Array]
) -> pd.DataFrame:
    """Add the sites up, scenario by scenario.

    Parameters
    ----------
    costs : dict of str to numpy.ndarray
        Of sites x `visit_days`, by the estimates.
    samples : sequence of dict of str to numpy.ndarray
        The same by samples.
    visit_days : sequence of int
    columns : mapping of str to numpy.ndarray
        As `scenarios`.

    Returns
    -------
    pandas.DataFrame
        One row per scenario: scenario, visits, minutes (at the plants, with minutes_low, minutes_high), visiting,
        labour, losses, fee, leaves (money: parts of the cost), cost, low, high (per quarter), too_dry (share of
        waterings).
    """
    rows, sites, days = [], np.arange(len(costs["cost"])), np.array(visit_days)
    for name, column in columns.items():
        sums = {quantity: float(values[sites, column].sum()) for quantity, values in costs.items()}
        row = {"scenario": name, "visits": float((QUARTER_DAYS / days[column]).sum())}
        for quantity, low, high in (("minutes", "minutes_low", "minutes_high"), ("cost", "low", "high")):
            limits = np.quantile([one[quantity][sites, column].sum() for one in samples], TAILS)
            row |= {low: min(limits[0], sums[quantity]), high: max(limits[1], sums[quantity])}
        row |= {quantity: sums[quantity] for quantity in ("minutes", "visiting", *MONEY, "cost")}
        rows.append(row | {"too_dry": sums["too_dry"] / sums["waterings"]})
    return pd.DataFrame(rows)
