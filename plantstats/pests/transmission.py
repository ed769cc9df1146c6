"""Whether pests go round: findings at sites that had one in the weeks before, and where one is going round now."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from plantstats.pests.inspections import Inspections
from plantstats.schema.pests import PESTS
from plantstats.stats.contagion import Cases

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime

WEEKS = 8  # that a finding's neighbours are followed (rule of thumb: two to three generations, common practice)
SEED = 20  # of the exchange of dates
FEWEST_NOW = 2  # plants found in the last weeks with which a pest is going round


def cases(of: Inspections, pests: tuple[str, ...] = PESTS) -> Cases:
    """First findings by pest, site and week, with the plants that might have been found.

    Parameters
    ----------
    of : Inspections
    pests : tuple of str
        Which ones.

    Returns
    -------
    Cases
        Kinds are the pests in their order, groups the sites in the order of their names.
    """
    start = of.days["visited_on"].min()
    week = (of.days["visited_on"] - start).dt.days // 7
    seen = of.days.assign(week=week).groupby(["plant_id", "site_id"])["week"].agg(["min", "max"]).reset_index()
    sites = {name: number for number, name in enumerate(sorted(seen["site_id"].unique()))}
    n_weeks = int(week.max()) + 1
    risk = np.zeros((len(pests), len(sites), n_weeks + 1))
    group = seen["site_id"].map(sites).to_numpy()
    first = of.first[of.first["pest"].isin(pests)].copy()
    first["week"] = (first["visited_on"] - start).dt.days // 7
    for number, pest in enumerate(pests):
        until = seen["plant_id"].map(first[first["pest"].eq(pest)].set_index("plant_id")["week"])
        last = np.fmin(seen["max"], until.fillna(n_weeks)).to_numpy("int64")
        counted = last >= seen["min"].to_numpy()
        np.add.at(risk[number], (group[counted], seen["min"].to_numpy()[counted]), 1)
        np.add.at(risk[number], (group[counted], last[counted] + 1), -1)
    new = first[first["new"]].merge(seen, on=["plant_id", "site_id"])
    return Cases(
        new["pest"].map({pest: number for number, pest in enumerate(pests)}).to_numpy(dtype=np.intp),
        new["site_id"].map(sites).to_numpy(dtype=np.intp),
        new["week"].to_numpy(dtype=np.intp),
        new["min"].to_numpy(dtype=np.intp),
        new["max"].to_numpy(dtype=np.intp),
        risk.cumsum(axis=2)[:, :, :n_weeks],
    )


def going_round(of: Inspections, standing: pd.DataFrame, as_of: date) -> pd.DataFrame:
    """Sites where a pest was found on several plants lately, and the plants to look at first.

    Parameters
    ----------
    of : Inspections
    standing : pandas.DataFrame
        Plants in place: plant_id, site_id, species.
    as_of : datetime.date
        The last day that counts.

    Returns
    -------
    pandas.DataFrame
        One row per plant to look at, at sites where at least `FEWEST_NOW` plants were found with a pest for the first
        time in the last `WEEKS` weeks: site_id, pest, n_found (plants of the site found with it in these weeks, for the
        first time or again), first_on (the first of these days), found (whether this plant is one of them), degree (as
        noted at the last finding, missing without one), plant_id, species, looked_on (its last look, missing without).
        Plants found first, then those of the same species, the longest not looked at first.
    """
    after = pd.Timestamp(as_of) - pd.Timedelta(weeks=WEEKS)
    # A pest goes round where it reached plants that did not have it; who had it before may have it still.
    lately, new = (rows[rows["visited_on"] > after] for rows in (of.looks, of.first))
    lately = lately[lately["pest"].isin(PESTS) & lately["plant_id"].isin(standing["plant_id"])]
    new = new[new["plant_id"].isin(standing["plant_id"])]
    keys = ["site_id", "pest"]
    sites = lately.groupby(keys).agg(n_found=("plant_id", "nunique"), first_on=("visited_on", "min"))
    sites = sites[new.groupby(keys)["plant_id"].nunique().reindex(sites.index).ge(FEWEST_NOW)].reset_index()
    lately = lately.sort_values("visited_on", kind="stable").drop_duplicates(["plant_id", "pest"], keep="last")
    rows = standing[["plant_id", "site_id", "species"]].merge(sites, on="site_id")
    if rows.empty:
        empty = {"found": "bool", "degree": "str", "looked_on": "datetime64[us]"}
        return rows.assign(**{name: pd.Series(dtype=kind) for name, kind in empty.items()})
    # What is known of a plant and pest, of a species at a site with it, and whether the plant ever had it.
    for mark, known, by in (
        ("found", lately[["plant_id", "pest"]], ["plant_id", "pest"]),
        ("like", lately[[*keys, "species"]].drop_duplicates(), [*keys, "species"]),
        ("ever", of.first[["plant_id", "pest"]], ["plant_id", "pest"]),
    ):
        rows = rows.merge(known.assign(**{mark: 1.0}), on=by, how="left")
        rows[mark] = rows[mark].notna()
    rows = rows.merge(lately[["plant_id", "pest", "degree"]], on=["plant_id", "pest"], how="left")
    last = of.days.drop_duplicates("plant", keep="last").set_index("plant_id")["visited_on"]
    rows["looked_on"] = rows["plant_id"].map(last)
    rows = rows[rows["found"] | ~rows["ever"]]
    order = ["n_found", "site_id", "pest", "found", "like", "looked_on", "plant_id"]
    rows = rows.sort_values(order, ascending=[False, True, True, False, False, True, True], na_position="first")
    return rows.drop(columns=["like", "ever"]).reset_index(drop=True)


def losses_after(time: PlantTime, of: Inspections, days: int) -> pd.DataFrame:
    """Losses and plant-days within some days after a first finding, and beyond, by site.

    Parameters
    ----------
    time : PlantTime
        With losses dated "found".
    of : Inspections
    days : int
        How long a finding counts.

    Returns
    -------
    pandas.DataFrame
        One row per site: stratum and cluster (the site), events, time, events_0, time_0 (see `rate_ratio_within`).
        Plants are followed from their first look for pests on.
    """
    looks = of.looks.groupby(["plant_id", "site_id"], as_index=False)["visited_on"].min()
    # A pest may have been found at the visit that found the plant lost: that foretells nothing.
    positive_on = of.first.groupby("plant_id")["visited_on"].min()
    ends = time.query("select plant_id, max(to_on) as gone_on from episodes group by plant_id")
    lost = time.losses.drop_duplicates("plant_id").set_index("plant_id")["lost_on"]
    rows = looks.drop_duplicates("plant_id").merge(ends, on="plant_id")
    begin, end = rows["visited_on"], rows["gone_on"]
    since = rows["plant_id"].map(positive_on)
    exposed_from, exposed_to = since.clip(upper=end), (since + pd.Timedelta(days=days)).clip(upper=end)
    exposed = (exposed_to - exposed_from).dt.days.fillna(0).clip(lower=0)
    lost_on = lost.reindex(rows["plant_id"]).set_axis(rows.index)
    after = (lost_on > since) & (lost_on <= since + pd.Timedelta(days=days))
    rows = rows.assign(
        events=after.astype("float64"),
        time=exposed,
        events_0=(lost_on.notna() & (lost_on > begin) & ~after & ~lost_on.eq(since)).astype("float64"),
        time_0=((end - begin).dt.days - exposed).clip(lower=0),
    )
    return _by_site(rows)


def leaves_after(time: PlantTime, of: Inspections, days: int) -> pd.DataFrame:
    """Leaves dropped and plant-days within some days after a first finding, and beyond, by site.

    Parameters
    ----------
    time : PlantTime
    of : Inspections
    days : int
        How long a finding counts.

    Returns
    -------
    pandas.DataFrame
        As `losses_after`; events are leaves counted at a visit, fallen since the plant's visit before.
    """
    positive = (of.first.groupby("plant")["visited_on"].min() - pd.Timestamp(0)).dt.days.rename("positive")
    inspected = of.days[["plant_id", "plant"]].drop_duplicates("plant").merge(positive, on="plant", how="left")
    time.engine.add("inspected_for_pests", inspected)
    rows = time.query(
        """with days as (
            select p.plant::int as plant, v.at_site as site_id, v."at"::int as "at",
                   sum(v.leaves_dropped)::int as leaves
            from completed_visits v join inspected_for_pests p on p.plant_id = v.plant_id
            where v.leaves_dropped is not null group by 1, 2, 3
        ), counted as (
            select *, lag("at") over (partition by plant order by "at") as since from days
        ), marked as (
            select c.site_id, c.leaves, c."at" - c.since as days, coalesce(c.since - p.positive between 0 and $days - 1,
                   false)::int as exposed
            from counted c left join (select plant, positive::int as positive from inspected_for_pests) p
              on p.plant = c.plant
            where c."at" - c.since <= 92 and c.site_id is not null
        )
        select site_id, sum(leaves * exposed)::double as events, sum(days * exposed)::double as time,
               sum(leaves * (1 - exposed))::double as events_0, sum(days * (1 - exposed))::double as time_0
        from marked group by site_id order by site_id""",
        {"days": days},
    )
    return rows.assign(stratum=rows["site_id"], cluster=rows["site_id"])


def _by_site(rows: pd.DataFrame) -> pd.DataFrame:
    sums = rows.groupby("site_id")[["events", "time", "events_0", "time_0"]].sum().reset_index()
    return sums.assign(stratum=sums["site_id"], cluster=sums["site_id"])
