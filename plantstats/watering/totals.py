"""What all sites together cost in a quarter: visited as now, as advised, and all at one interval."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from plantstats.watering.law import Array
from plantstats.watering.routes import PARTS, QUARTER_DAYS, SiteCosts

TAILS = (0.025, 0.975)
AS_NOW, AS_ADVISED, CHEAPEST = "as now", "as advised", "cheapest, dry or not"


def ways(now: Array, advised: Array, offered: Sequence[int], made: SiteCosts) -> dict[str, Array]:
    """Ways to visit: name -> the column of each site's interval.

    Takes:  now, advised: days, one per site; offered: intervals at which every site might be visited; made: costs.
    Gives:  as now; as advised; each at its cheapest, were no plant too many to stand too dry; all at each interval.
    """
    days = np.array(made.visit_days)
    chosen = {AS_NOW: now, AS_ADVISED: advised, CHEAPEST: days[made.money.argmin(axis=1)]}
    chosen |= {f"all every {d} days": np.full(len(now), d) for d in offered}
    return {name: np.searchsorted(days, each) for name, each in chosen.items()}


def totals(made: SiteCosts, drawn: Sequence[SiteCosts], ways: Mapping[str, Array]) -> pd.DataFrame:
    """Add the sites up, way by way.

    Takes:  made: costs by the estimates; drawn: by values as likely as the records leave them; ways: as `ways`.
    Gives:  one row per way: way, visits, minutes (at the plants, with minutes_low, minutes_high), visiting, labour,
            losses, fee, leaves (money: parts of the cost), cost, low, high (per quarter), too_dry (share of
            waterings).
    Keeps:  cost = visiting + labour + losses + fee + leaves.
    """
    rows, sites, days = [], np.arange(len(made.money)), np.array(made.visit_days)
    for name, column in ways.items():
        at = (sites, column)
        low, high = np.quantile([one.money[at].sum() for one in drawn], TAILS)
        least, most = np.quantile([one.minutes[at].sum() for one in drawn], TAILS)
        cost, minutes = float(made.money[at].sum()), float(made.minutes[at].sum())
        rows.append(
            {
                "way": name,
                "visits": float((QUARTER_DAYS / days[column]).sum()),
                "minutes": minutes,
                "minutes_low": min(float(least), minutes),
                "minutes_high": max(float(most), minutes),
                "visiting": float(made.parts["visits"][at].sum()),
                **{part: float(made.parts[part][at].sum()) for part in PARTS},
                "cost": cost,
                "low": min(float(low), cost),
                "high": max(float(high), cost),
                "too_dry": float(np.average(made.too_dry[at], weights=made.waterings[at])),
            }
        )
    return pd.DataFrame(rows)
