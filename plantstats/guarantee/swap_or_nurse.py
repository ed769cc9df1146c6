"""Replace a failing plant now, or nurse it: the cost of either, with the chance of recovery on record."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from plantstats.exposure import LOSSES
from plantstats.guarantee.money import whole
from plantstats.stats.intervals import CONF_LEVEL, binomial_limits

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.records import Records

FAILING, GOOD = 2, 3  # condition scores (common practice, no source)
HORIZON = 90  # days within which a plant recovers or not (common practice, no source)
WARNING = (
    "The plants that this rests on were chosen: somebody left them in place because they looked worth it. For a plant "
    "picked at random the chance of recovery is likely lower."
)


@dataclass(frozen=True)
class Recovery:
    """How many plants that once scored FAILING or less, and were left in place, recovered within HORIZON days."""

    recovered: int
    lost: int
    neither: int
    open: int
    chance: float
    low: float
    high: float


@dataclass(frozen=True)
class Choice:
    """Expected cost of each way in whole cents, ends of the interval for nursing, and what follows."""

    swap: int
    nurse: int
    nurse_low: int
    nurse_high: int
    needed: float
    verdict: str


def recoveries(records: Records, time: PlantTime) -> pd.DataFrame:
    """What became of each plant after it first scored FAILING or less.

    Takes:  records; plant-time (its exits and its last day).
    Gives:  one row per plant: plant_id, species, failed_on, fate: "recovered" (GOOD or better at a later visit within
            HORIZON days, before any loss), "lost", "neither" (followed for HORIZON days), "open" (not yet).
            Plants replaced on the day on which they were seen to fail were not left in place, and do not count.
    """
    visits = records.table("visits")
    scored = visits[
        visits["condition"].notna() & visits["plant_id"].notna() & (visits["visited_on"] <= pd.Timestamp(time.as_of))
    ]
    first = scored[scored["condition"] <= FAILING].groupby("plant_id")["visited_on"].min()
    failed = first.rename("failed_on").reset_index()
    later = scored.merge(failed, on="plant_id")
    gap = (later["visited_on"] - later["failed_on"]).dt.days
    well = later[(gap > 0) & (gap <= HORIZON) & (later["condition"] >= GOOD)].groupby("plant_id")["visited_on"].min()
    # A change from failing to good by a swap that was written down is a loss: it is dated by its exit.
    ended = (
        time.exits[time.exits["outcome"].notna()]
        .groupby("plant_id")
        .agg(ended_on=("found_on", "min"), outcome=("outcome", "first"))
    )
    rows = failed.join(well.rename("well_on"), on="plant_id").join(ended, on="plant_id")
    rows = rows[rows["ended_on"].isna() | (rows["ended_on"] > rows["failed_on"])]
    limit = rows["failed_on"] + pd.Timedelta(days=HORIZON)
    lost = rows["ended_on"].le(limit) & rows["outcome"].isin(LOSSES)
    left = rows["ended_on"].le(limit) & ~rows["outcome"].isin(LOSSES)
    recovered = rows["well_on"].notna() & ~(rows["ended_on"] <= rows["well_on"])
    followed = limit <= pd.Timestamp(time.as_of)
    fate = np.select([recovered, lost, left | ~followed], ["recovered", "lost", "open"], "neither")
    species = records.table("plants").set_index("plant_id")["species"]
    return pd.DataFrame(
        {
            "plant_id": rows["plant_id"],
            "species": rows["plant_id"].map(species),
            "failed_on": rows["failed_on"],
            "fate": fate,
        }
    ).reset_index(drop=True)


def recovery(fates: pd.DataFrame, species: str | None = None) -> Recovery:
    """Chance of recovery, of one species or of all.

    Takes:  rows of `recoveries`; species or None.
    Gives:  Recovery: recovered / (recovered + lost + neither) with exact binomial limits; open ones do not count.
            Without any plant the chance is missing, from 0 to 1.
    """
    rows = fates if species is None else fates[fates["species"].eq(species)]
    count = {name: int(rows["fate"].eq(name).sum()) for name in ("recovered", "lost", "neither", "open")}
    known = count["recovered"] + count["lost"] + count["neither"]
    if not known:
        return Recovery(**count, chance=float("nan"), low=0.0, high=1.0)
    low, high = binomial_limits(count["recovered"], known, CONF_LEVEL)
    return Recovery(**count, chance=count["recovered"] / known, low=low, high=high)


def choose(
    found: Recovery, *, swap: int, minutes_per_visit: float, visits: int, wage_per_hour: int, look: int = 0
) -> Choice:
    """Compare nursing a plant with replacing it now.

    Takes:  recovery; swap: cost of a replacement in cents; extra minutes per visit; visits until it is known; wage
            per hour in cents; look: agreed charge in cents for each visit with a plant in visible decline.
    Gives:  Choice: nurse = visits x (minutes x wage + look) + (1 - chance) x swap; needed: the chance of recovery from
            which nursing pays. The verdict says when the interval leaves it open.
    Source: common practice, no source (the form of the comparison).
    """
    trying = visits * (minutes_per_visit * wage_per_hour / 60 + look)
    needed = trying / swap if swap else float("inf")

    def cost(chance: float) -> int:
        return whole(trying + (1 - chance) * swap)

    if np.isnan(found.chance):
        verdict = "no plant on record was left in place: nothing can be said"
    elif found.low > needed:
        verdict = "nurse it"
    elif found.high < needed:
        verdict = "replace it now"
    else:
        better = "nursing" if found.chance > needed else "replacing now"
        verdict = f"too close to tell from the records; {better} looks a little cheaper"
    nurse = cost(found.chance) if not np.isnan(found.chance) else cost(0.0)
    return Choice(swap, nurse, cost(found.high), cost(found.low), needed, verdict)


def watch_list(records: Records, time: PlantTime, as_of: date, days: int = 60) -> pd.DataFrame:
    """Plants in place whose last score within some days is FAILING or less.

    Gives:  plant_id, site_id, position, species, condition, seen_on, cost (may be missing), most recent first.
    """
    visits = records.table("visits")
    recent = visits[
        visits["condition"].notna()
        & visits["visited_on"].between(pd.Timestamp(as_of) - pd.Timedelta(days=days), pd.Timestamp(as_of))
    ]
    last = recent.sort_values("visited_on").drop_duplicates("plant_id", keep="last")
    last = last[(last["condition"] <= FAILING) & ~last["plant_id"].isin(time.exits["plant_id"])]
    plants = records.table("plants")[["plant_id", "site_id", "position", "species", "cost"]]
    made = last[["plant_id", "condition", "visited_on"]].merge(plants, on="plant_id")
    return made.rename(columns={"visited_on": "seen_on"}).sort_values(
        ["seen_on", "plant_id"], ascending=[False, True], ignore_index=True
    )
