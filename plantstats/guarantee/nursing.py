"""Replace a failing plant now, or nurse it: the cost of either, with the chance of recovery on record."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from plantstats.exposure import LOSSES
from plantstats.exposure.standing import standing
from plantstats.guarantee.money import whole
from plantstats.stats.intervals import binomial_limits

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.records import Records

FAILING, GOOD = 2, 3  # condition scores (common practice, no source)
HORIZON = 90  # days within which a plant recovers or not (common practice, no source)
RECENT = 60  # days within which a score still says how a plant is (common practice, no source)
WARNING = (
    "The plants that this rests on were chosen: somebody left them in place because they looked worth it. For a plant "
    "picked at random the chance of recovery is likely lower."
)


@dataclass(frozen=True)
class Recovery:
    """Plants that once scored FAILING or less, and were left in place: how many recovered within HORIZON days.

    chance, low, high: their share with exact 95% limits (NaN, 0, 1 without any plant).
    """

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

    Parameters
    ----------
    records : Records
    time : PlantTime
        Its exits and its last day.

    Returns
    -------
    pandas.DataFrame
        One row per plant: plant_id, species, failed_on, fate: "recovered" (GOOD or better at a later visit within
        HORIZON days, before any loss), "lost", "neither" (followed for HORIZON days), "open" (not yet).

    Notes
    -----
    Plants replaced on the day on which they were seen to fail were not left in place, and do not count. A change from
    failing to good by a swap that was written down is a loss: it is dated by its exit.
    """
    visits, last_day = records.table("visits"), pd.Timestamp(time.as_of)
    scored = visits[visits["condition"].notna() & visits["plant_id"].notna() & (visits["visited_on"] <= last_day)]
    first = scored[scored["condition"] <= FAILING].groupby("plant_id")["visited_on"].min()
    failed = first.rename("failed_on").reset_index()
    later = scored.merge(failed, on="plant_id")
    gap = (later["visited_on"] - later["failed_on"]).dt.days
    well = later[(gap > 0) & (gap <= HORIZON) & (later["condition"] >= GOOD)].groupby("plant_id")["visited_on"].min()
    exits = time.exits[time.exits["outcome"].notna()].groupby("plant_id")
    ended = exits.agg(ended_on=("found_on", "min"), outcome=("outcome", "first"))
    rows = failed.join(well.rename("well_on"), on="plant_id").join(ended, on="plant_id")
    rows = rows[rows["ended_on"].isna() | (rows["ended_on"] > rows["failed_on"])].reset_index(drop=True)
    limit = rows["failed_on"] + pd.Timedelta(days=HORIZON)
    in_time, is_loss = rows["ended_on"].le(limit), rows["outcome"].isin(LOSSES)
    recovered = rows["well_on"].notna() & ~(rows["ended_on"] <= rows["well_on"])
    is_open = (in_time & ~is_loss) | (limit > last_day)
    fate = np.select([recovered, in_time & is_loss, is_open], ["recovered", "lost", "open"], "neither")
    species = records.table("plants").set_index("plant_id")["species"]
    return rows[["plant_id", "failed_on"]].assign(species=rows["plant_id"].map(species), fate=fate)


def recovery(fates: pd.DataFrame) -> Recovery:
    """Chance of recovery: recovered / (recovered + lost + neither); open ones do not count.

    Parameters
    ----------
    fates : pandas.DataFrame
        Rows of `recoveries`.

    Returns
    -------
    Recovery

    Examples
    --------
    >>> recovery(pd.DataFrame({"fate": ["recovered", "lost", "neither", "open"]})).open
    1
    """
    count = {name: int(fates["fate"].eq(name).sum()) for name in ("recovered", "lost", "neither", "open")}
    known = count["recovered"] + count["lost"] + count["neither"]
    low, high = binomial_limits(count["recovered"], known)
    return Recovery(**count, chance=count["recovered"] / known if known else float("nan"), low=low, high=high)


def choose(recovery: Recovery, *, swap: int, minutes_per_visit: float, visits: int, wage_per_hour: int) -> Choice:
    """Compare nursing a plant with replacing it now.

    Parameters
    ----------
    recovery : Recovery
    swap : int
        Cost of a replacement in cents.
    minutes_per_visit : float
        Extra minutes per visit.
    visits : int
        Until it is known.
    wage_per_hour : int
        In cents.

    Returns
    -------
    Choice
        The verdict says when the interval leaves it open.

    Notes
    -----
    nurse = visits x minutes x wage + (1 - chance) x swap; needed: the chance of recovery from which nursing pays. The
    form of the comparison is common practice, no source.
    """
    trying = visits * minutes_per_visit * wage_per_hour / 60
    needed = trying / swap if swap else float("inf")

    def cost(chance: float) -> int:
        return whole(trying + (1 - chance) * swap)

    if np.isnan(recovery.chance):
        verdict = "no plant on record was left in place: nothing can be said"
    elif recovery.low > needed:
        verdict = "nurse it"
    elif recovery.high < needed:
        verdict = "replace it now"
    else:
        better = "nursing" if recovery.chance > needed else "replacing now"
        verdict = f"too close to tell from the records; {better} looks a little cheaper"
    chance = 0.0 if np.isnan(recovery.chance) else recovery.chance
    return Choice(swap, cost(chance), cost(recovery.high), cost(recovery.low), needed, verdict)


def failing_plants(time: PlantTime) -> pd.DataFrame:
    """Plants in place whose last score, at most RECENT days old, is FAILING or less.

    Parameters
    ----------
    time : PlantTime
        Plant-time of the records.

    Returns
    -------
    pandas.DataFrame
        plant_id, site_id, position, species, condition, seen_on, cost (may be missing), most recent first.
    """
    here = standing(time)
    since = pd.Timestamp(time.as_of) - pd.Timedelta(days=RECENT)
    failing = here[(here["condition"] <= FAILING) & (here["scored_on"] >= since)].assign(seen_on=here["scored_on"])
    columns = ["plant_id", "site_id", "position", "species", "condition", "seen_on", "cost"]
    return failing[columns].sort_values(["seen_on", "plant_id"], ascending=[False, True], ignore_index=True)
