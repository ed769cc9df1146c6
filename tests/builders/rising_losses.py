"""An invented company whose losses rise before its records end."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from plantstats import simulate
from plantstats.simulate import CompanyParams

PARAMS = CompanyParams(
    base_rate=30.0, over_dry=0.0, building_failure=False, found_late=False, visit_days={7: 1.0}, humidity_missing=0.0
)


def quiet_company(folder: Path, plants: int = 200, years: float = 2, seed: int = 5) -> Path:
    """Records of a company with weekly visits and many losses, all alike from the first day to the last; no leaves."""
    simulate.make(folder, plants, years, seed, PARAMS)
    visits = pd.read_csv(folder / "visits.csv", dtype="str")
    visits.drop(columns=["leaves_dropped", "yellow_leaves"]).to_csv(folder / "visits.csv", index=False)
    return folder


def with_more_losses(folder: Path, n: int, weeks: int, seed: int = 1) -> None:
    """Let n more plants, spread over the sites, be found dead at visits of the last weeks, and not be seen again."""
    plants, visits, lost = (
        pd.read_csv(folder / f"{name}.csv", dtype="str") for name in ("plants", "visits", "replacements")
    )
    visited = pd.to_datetime(visits["visited_on"])
    late = visits[
        visited.gt(visited.max() - pd.Timedelta(weeks=weeks)) & visits["status"].fillna("completed").eq("completed")
    ]
    standing = plants.loc[plants["removed_on"].isna(), "plant_id"]
    late = late[late["plant_id"].isin(standing) & ~late["plant_id"].isin(lost["plant_id"])]
    rng = np.random.Generator(np.random.PCG64(seed))
    order = late.iloc[rng.permutation(len(late))].drop_duplicates("plant_id").head(n)
    day = order.set_index("plant_id")["visited_on"]
    more = pd.DataFrame(
        {"plant_id": day.index, "replaced_on": day.to_numpy(), "found_on": day.to_numpy(), "cause": "DEAD DRY"}
    )
    pd.concat([lost, more]).to_csv(folder / "replacements.csv", index=False)
    visits[~(visits["plant_id"].map(day) < visits["visited_on"])].to_csv(folder / "visits.csv", index=False)
