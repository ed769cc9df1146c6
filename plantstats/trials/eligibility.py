"""Which sites can take part in a trial, who comes there, and what they were like in the year before."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

import pandas as pd

from plantstats.trials.outcomes import DRY, LOSSES, SiteDays, in_windows, values
from plantstats.trials.request import Request

if TYPE_CHECKING:
    from plantstats.records import Records

RECENT = 183  # days over which a site's usual technician is taken
YEAR = 364  # days over which balance is sought


def intervals_in_use(records: Records) -> str:
    """Planned visit intervals of the sites, in words.

    Parameters
    ----------
    records : Records
        The company's records.

    Returns
    -------
    str
    """
    counts = records.table("sites")["planned_visit_days"].dropna().value_counts().sort_index()
    return ", ".join(f"{days:.0f} ({n} sites)" for days, n in counts.items()) or "sites.csv names no planned_visit_days"


def eligible(records: Records, days: SiteDays, request: Request, as_of: date) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Sites that can take part, and those of the two intervals that cannot, with the reason.

    Parameters
    ----------
    records : Records
        The company's records.
    days : SiteDays
        The records by day.
    request : Request
        The intervals and the outcome.
    as_of : datetime.date
        The last day that counts.

    Returns
    -------
    tuple of pandas.DataFrame
        site_id, route (who mostly comes; the region where no technician is noted), interval (planned now), plants,
        records_from; and site_id, reason.
    """
    sites = records.table("sites")[["site_id", "region", "planned_visit_days", "observed_from", "records_from"]]
    sites = sites.assign(
        interval=sites["planned_visit_days"].round(), records_from=sites["records_from"].fillna(sites["observed_from"])
    )
    sites = sites[sites["interval"].isin([request.shorter, request.longer])].sort_values("site_id", ignore_index=True)
    stays = days.stays[days.stays["to_on"] > pd.Timestamp(as_of)]
    sites["plants"] = sites["site_id"].map(stays.groupby("site_id")["plants"].sum()).fillna(0).astype("int64")
    window = in_windows(
        days,
        sites[["site_id"]].assign(start=as_of - timedelta(days=2 * request.longer - 1), end=as_of + timedelta(days=1)),
    )
    counted = values(window, DRY if request.outcome == LOSSES else request.outcome).notna()
    least = records.settings.small_group
    reason = pd.Series("", index=sites.index)
    reason[~counted] = "nothing counted there lately"
    reason[sites["plants"] < least] = f"fewer than {least} plants"
    sites["route"] = _routes(records, as_of).reindex(sites["site_id"]).to_numpy()
    sites["route"] = sites["route"].fillna(sites["region"]).fillna("all")
    left_out = sites.loc[reason.ne(""), ["site_id"]].assign(reason=reason[reason.ne("")])
    columns = ["site_id", "route", "interval", "plants", "records_from"]
    kept = sites.loc[reason.eq(""), columns].astype({"interval": "int64"})
    return kept.reset_index(drop=True), left_out.reset_index(drop=True)


def _routes(records: Records, as_of: date) -> pd.Series:
    """Technician who made most lines at each site in the last half year, by site_id."""
    visits = records.table("visits")[["visited_on", "plant_id", "site_id", "technician"]]
    recent = visits["visited_on"].between(pd.Timestamp(as_of) - pd.Timedelta(days=RECENT), pd.Timestamp(as_of))
    visits = visits[recent & visits["technician"].notna()]
    home = records.table("plants").drop_duplicates("plant_id").set_index("plant_id")["site_id"]
    at = visits["site_id"].fillna(visits["plant_id"].map(home))
    counts = visits.groupby([at, "technician"]).size()
    return counts.groupby(level=0).idxmax().map(lambda key: key[1]) if len(counts) else pd.Series(dtype="str")


def before(days: SiteDays, sites: pd.DataFrame, outcome: str, as_of: date) -> pd.Series:
    """The outcome of each site over the year before.

    Parameters
    ----------
    days : SiteDays
        The records by day.
    sites : pandas.DataFrame
        Sites with site_id.
    outcome : str
        One of `outcomes.OUTCOMES`.
    as_of : datetime.date
        The last day that counts.

    Returns
    -------
    pandas.Series
        In the unit of the outcome, missing where nothing was at risk.
    """
    after = as_of + timedelta(days=1)
    return values(in_windows(days, sites[["site_id"]].assign(start=after - timedelta(days=YEAR), end=after)), outcome)
