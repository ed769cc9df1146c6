"""Advice scored by what it is for: days on which plants stand dry for too long, now, as advised, and at best."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from plantstats.settings import Assumptions
from plantstats.validation.rows import alarms, costs
from plantstats.watering.advice import Advice
from plantstats.watering.costs import QUARTER_DAYS
from plantstats.watering.decision import LONGER, SHORTER, handful
from plantstats.watering.ways_out import INSPECT_MORE, TOO_DRY

Array = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


class LeftDry(NamedTuple):
    """What is true of each standing plant when it is looked at every so many days.

    Attributes
    ----------
    every : tuple of int
        Days between looks.
    days_beyond, too_dry : numpy.ndarray, shape (plants, intervals)
        Share of days on which it stands dry for too long; share of its waterings that find it so.
    clearly : numpy.ndarray, shape (plants, intervals), or None
        Share of its waterings that find it dry for two days more than that: a finger takes soil that has just dried
        for moist about as often as not, and with looks as far apart as the days tolerated that alone breaks the limit.
    """

    every: tuple[int, ...]
    days_beyond: Array
    too_dry: Array
    clearly: Array | None = None


def intervals_asked(advice: Advice, assumed: Assumptions) -> tuple[int, ...]:
    """Intervals whose truth is needed to score this advice.

    Parameters
    ----------
    advice : Advice
        As `advise` gives it.
    assumed : Assumptions
        The `[watering]` section of the settings.

    Returns
    -------
    tuple of int
        Days, rising.
    """
    days = {*assumed.visit_days, *advice.sites["now"], *advice.sites["advised"], *advice.plants["inspection_interval"]}
    return tuple(sorted(int(d) for d in days))


def score(advice: Advice, true: LeftDry, assumed: Assumptions) -> list[pd.DataFrame]:
    """Rows of the proof for one company's advice.

    Parameters
    ----------
    advice : Advice
    true : LeftDry
        Of `advice.plants`, row by row.
    assumed : Assumptions

    Returns
    -------
    list of pandas.DataFrame
        dry_days_now, dry_days_advised, dry_days_with_ways_out (plants named get the stop that is named for them, where
        one is surely enough), dry_days_best (the visits that the advice asks for, spent best): share of days of plants;
        visits_advised: visits asked for, over those of now, less 1; stops_with_ways_out: short stops beside them, over
        the visits of now; needed_shorter_told (sites where more than a handful are truly beyond the limit),
        needless_shorter (other sites), longer_too_dry and longer_clearly_too_dry (sites told to lengthen).
    """
    sites, plants = advice.sites.reset_index(drop=True), advice.plants
    site = sites.reset_index().set_index("site_id")["index"].reindex(plants["site_id"]).to_numpy()
    number, rows = plants["plants"].to_numpy(dtype=float), np.arange(len(plants))
    now, advised = (sites[column].to_numpy() for column in ("now", "advised"))

    def days(looks: Array) -> float:
        return float(number @ true.days_beyond[rows, np.searchsorted(true.every, looks)] / number.sum())

    ways = advice.ways_out
    stops = ways[ways["why"].eq(TOO_DRY) & ways["way"].eq(INSPECT_MORE) & ways["keeps"]].set_index("plant_id")[
        "inspection_days"
    ]
    with_ways = plants["plant_id"].map(stops).fillna(plants["inspection_interval"]).to_numpy(dtype=int)
    stop_days = ways[ways["plant_id"].isin(stops.index)].drop_duplicates("site_id")["interval_days"]
    shortest = stops.groupby(ways.drop_duplicates("plant_id").set_index("plant_id")["site_id"]).min()
    stops_made = float((QUARTER_DAYS / shortest).sum() - (QUARTER_DAYS / stop_days).sum())
    visits = {name: QUARTER_DAYS / each for name, each in (("now", now), ("advised", advised))}
    shares = {
        "dry_days_now": days(now[site]),
        "dry_days_advised": days(plants["inspection_interval"].to_numpy()),
        "dry_days_with_ways_out": days(with_ways),
        "dry_days_best": _best(true, site, number, assumed.visit_days, float(visits["advised"].sum())),
        "visits_advised": float(visits["advised"].sum() / visits["now"].sum() - 1),
        "stops_with_ways_out": stops_made / float(visits["now"].sum()),
    }
    at_now = true.too_dry[rows, np.searchsorted(true.every, now[site])] > assumed.max_too_dry_share
    standing = np.bincount(site, number, minlength=len(sites))
    few = handful(np.bincount(site, number * at_now, minlength=len(sites)), standing, assumed.handful_share)
    needs = ~few & (now > min(assumed.visit_days))
    column, unnamed = np.searchsorted(true.every, advised[site]), ~plants["own_way_out"].to_numpy()

    def leaves_too_dry(share: Array) -> Bools:
        """Whether a plant of each site that is not named is beyond the limit at the advised interval."""
        at_advised = share[rows, column] > assumed.max_too_dry_share
        return np.asarray(np.bincount(site, at_advised & unnamed, minlength=len(sites)) > 0)

    longer = sites["decision"].eq(LONGER).to_numpy()
    shorter = sites["decision"].eq(SHORTER).to_numpy()
    return [
        *(costs(kind, value) for kind, value in shares.items()),
        alarms("needed_shorter_told", sites["site_id"][needs], shorter[needs]),
        alarms("needless_shorter", sites["site_id"][~needs], shorter[~needs]),
        alarms("longer_too_dry", sites["site_id"][longer], leaves_too_dry(true.too_dry)[longer]),
        *(
            [alarms("longer_clearly_too_dry", sites["site_id"][longer], leaves_too_dry(true.clearly)[longer])]
            if true.clearly is not None
            else []
        ),
    ]


def _best(true: LeftDry, site: Array, number: Array, offered: tuple[int, ...], visits: float) -> float:
    """The least share of days beyond the limit that so many visits a quarter can leave, each site at one interval.

    Notes
    -----
    A price for each visit, raised until the visits are few enough: every optimum of such a price is the best for the
    visits that it spends (Everett 1963, Operations Research 11:399).
    """
    n_sites = int(site.max()) + 1
    column = np.searchsorted(true.every, offered)
    dry = np.stack([np.bincount(site, number * true.days_beyond[:, c], minlength=n_sites) for c in column], axis=1)
    spent = QUARTER_DAYS / np.array(offered)
    least = float(dry.sum(axis=0).max())
    for price in np.geomspace(1e-6, 1e3, 400):
        chosen = (dry + price * spent).argmin(axis=1)
        if spent[chosen].sum() <= visits:
            least = min(least, float(dry[np.arange(n_sites), chosen].sum()))
    return least / float(number.sum())
