"""What visits noted of a plant beside its last score: signs of a loss to come."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from plantstats.schema.pests import NONE, pest_of

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime

RECENT, WINDOW = 60, 120  # days before the list in which leaves and pests count, and scores and topsoil
# What each sign is called in a reason; records may bear it out either way.
SIGNS = {
    "trend": "the trend of its scores",
    "dry": "how often its topsoil was dry",
    "shedding": "leaves dropped",
    "pest": "pests noted",
    "unseen": "days since the last look",
}
PSEUDO_LEAVES, PSEUDO_PLANTS = 1.0, 5.0  # beside the real ones, so that single leaves and rare species decide nothing

LOOKS = """
    with looks as (
        select plant_id, "at", min(condition)::double as score, max(leaves_dropped)::double as leaves,
               max(case when topsoil = 'dry' then 1.0 when topsoil is not null then 0.0 end)::double as dry,
               max(case when {pest} then 1.0 else 0.0 end)::double as pest
        from completed_visits where plant_id is not null and "at" > $first and "at" <= $last group by plant_id, "at"
    ), lists as (
        select unnest([{days}]) as number
    ), summed as (
        select number, plant_id, max("at")::double as seen, max("at") filter (score is not null)::double as scored,
               arg_max(score, "at") filter (score is not null)::double as score, sum(score) as scores,
               count(score) as n, avg(dry)::double as dry,
               sum(case when "at" > number - {recent} then leaves end)::double as leaves,
               max(case when "at" > number - {recent} then pest else 0.0 end)::double as pest
        from looks join lists on "at" > number - {window} and "at" <= number group by number, plant_id
    )
    select number, plant_id, seen, scored, score, case when n > 1 then (scores - score) / (n - 1) end as before, dry,
           leaves, pest
    from summed order by number, plant_id
"""
PESTS = "select distinct pest from completed_visits where pest is not null order by pest"


def pests_on_record(time: PlantTime) -> list[str]:
    """What visits call the pests that they saw.

    Parameters
    ----------
    time : PlantTime

    Returns
    -------
    list of str
    """
    return [text for text in time.query(PESTS)["pest"] if pest_of(text) != NONE]


def looks_on(time: PlantTime, days: Sequence[date], pests: list[str]) -> dict[date, pd.DataFrame]:
    """What looks at plants in the `WINDOW` days before each of some days told, from nothing that was recorded later.

    Parameters
    ----------
    time : PlantTime
        That tells of the days; its visits are read.
    days : sequence of datetime.date
        Their ends.
    pests : list of str
        As `pests_on_record` gives them.

    Returns
    -------
    dict of date to pandas.DataFrame
        One row per plant that was looked at: plant_id, seen (day of the last look, since 1970), scored (of the last
        score), score (the lower of two of one day), before (mean of those before it), dry (share of looks that found
        the topsoil dry), leaves (dropped), pest (1 where one was seen).
    """
    numbers = [(day - date(1970, 1, 1)).days for day in days]
    named = {f"pest_{n}": text for n, text in enumerate(pests)}
    pest = f"pest in ({', '.join(f'${name}' for name in named)})" if named else "false"
    query = LOOKS.format(pest=pest, days=", ".join(map(str, numbers)), recent=RECENT, window=WINDOW)
    rows = time.query(query, {**named, "first": min(numbers) - WINDOW, "last": max(numbers)})
    of_days = [rows[rows["number"].eq(number)].drop(columns="number") for number in numbers]
    return {day: own.reset_index(drop=True) for day, own in zip(days, of_days, strict=True)}


def last_scores(looks: pd.DataFrame, day: date) -> pd.Series:
    """Last condition score of each plant within RECENT days before a day, the lower of two of one day.

    Parameters
    ----------
    looks : pandas.DataFrame
        As `looks_on` gives them.
    day : datetime.date
        The day.

    Returns
    -------
    pandas.Series
        "5", "4", "3" or "1 or 2" per plant that has a score, by plant_id.
    """
    words = {5.0: "5", 4.0: "4", 3.0: "3", 2.0: "1 or 2", 1.0: "1 or 2"}
    recent = looks[looks["scored"] > (day - date(1970, 1, 1)).days - RECENT]
    return recent.set_index("plant_id")["score"].map(words).dropna().astype("str")


def signs_on(looks: pd.DataFrame, day: date, plants: pd.DataFrame) -> pd.DataFrame:
    """Signs of plants on a day.

    Parameters
    ----------
    looks : pandas.DataFrame
        As `looks_on` gives them.
    day : datetime.date
        Its end.
    plants : pandas.DataFrame
        plant_id and species of those that stand.

    Returns
    -------
    pandas.DataFrame
        One row per plant, aligned: trend (last score less the mean of those before it), dry (share of looks that found
        the topsoil dry), shedding (log of green leaves dropped over those of the mean plant of its species), pest (1
        where one was seen), unseen (log of 1 + days since the last look). Missing where nothing was noted.
    """
    rows = plants[["plant_id", "species"]].merge(looks, on="plant_id", how="left")
    by_species = rows.groupby("species")["leaves"]
    whole = rows["leaves"].mean()
    usual = (by_species.transform("sum") + PSEUDO_PLANTS * whole) / (by_species.transform("count") + PSEUDO_PLANTS)
    return pd.DataFrame(
        {
            "trend": rows["score"] - rows["before"],
            "dry": rows["dry"],
            "shedding": np.log((rows["leaves"] + PSEUDO_LEAVES) / (usual + PSEUDO_LEAVES)),
            "pest": rows["pest"],
            "unseen": np.log1p((day - date(1970, 1, 1)).days - rows["seen"]),
        }
    ).set_index(plants.index)
