"""Site-days with known truth, for trials: what `outcomes.site_days` would read of an invented company."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats.trials.outcomes import SiteDays

WORK = ["site_id", "visited_on", "visits", "minutes", "looks", "dry", "plants", "leaves", "leaf_days"]


def site_days(work: list[tuple[object, ...]], stays: list[tuple] = (), losses: list[tuple] = ()) -> SiteDays:  # type: ignore[type-arg,assignment]
    """Rows of site, day, minutes, looks, dry, leaves, leaf_days; site, from, to, plants; site, day, quantity, cost."""
    rows = [(s, on, 1, minutes, looks, dry, looks, leaves, days) for s, on, minutes, looks, dry, leaves, days in work]
    frames = (
        pd.DataFrame(rows, columns=WORK),
        pd.DataFrame(list(stays), columns=["site_id", "from_on", "to_on", "plants"]),
        pd.DataFrame(list(losses), columns=["site_id", "lost_on", "quantity", "cost"]),
    )
    for frame in frames:
        for column in frame.columns[frame.columns.str.endswith("_on")]:
            frame[column] = pd.to_datetime(frame[column])
    return SiteDays(*frames)


def drawn(
    sites: int, plants: int, interval: int, between: float, within: float, seed: int
) -> tuple[SiteDays, pd.DataFrame]:
    """A year of sites whose share found dry is 40 plus a site's own part, and a part of each four weeks, in points."""
    rng = np.random.default_rng(seed)
    names = [f"S{i:03d}" for i in range(sites)]
    on = pd.date_range("2025-01-01", periods=364 // interval, freq=f"{interval}D")
    own = rng.normal(0, between, (sites, 1)) + rng.normal(0, within, (sites, 13)).repeat(28 // interval, axis=1)
    dry = rng.binomial(plants, np.clip(0.4 + own / 100, 0, 1))
    work = [
        (name, day, 0.0, plants, int(n), 0, 0)
        for name, row in zip(names, dry, strict=True)
        for day, n in zip(on, row, strict=True)
    ]
    about = pd.DataFrame({"site_id": names, "interval": interval, "records_from": pd.Timestamp("2024-01-01")})
    return site_days(work, [(name, "2024-01-01", "2027-01-01", plants) for name in names]), about
