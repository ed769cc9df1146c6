"""What visits noted of a plant beside its last score: signs of a loss to come."""

from __future__ import annotations

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
        from completed_visits where plant_id is not null and "at" > ? and "at" <= ? group by plant_id, "at"
    ), marked as (
        select *, max(case when score is not null then "at" end) over (partition by plant_id) as scored from looks
    )
    select plant_id, max("at")::double as seen, max(case when "at" = scored then score end)::double as score,
           avg(case when "at" < scored then score end)::double as before, avg(dry)::double as dry,
           sum(case when "at" > ? then leaves end)::double as leaves,
           max(case when "at" > ? then pest else 0.0 end)::double as pest
    from marked group by plant_id order by plant_id
"""


def signs_on(time: PlantTime, day: date, plants: pd.DataFrame) -> pd.DataFrame:
    """Signs of plants on a day, from nothing that was recorded later.

    Parameters
    ----------
    time : PlantTime
        That tells of the day; its visits are read.
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
    number = (day - date(1970, 1, 1)).days
    noted = time.engine.sql("select distinct pest from completed_visits where pest is not null order by pest")["pest"]
    seen = [text for text in noted if pest_of(text) != NONE]
    pest = f"pest in ({', '.join('?' * len(seen))})" if seen else "false"
    asked = [*seen, number - WINDOW, number, number - RECENT, number - RECENT]
    rows = time.engine.sql(LOOKS.format(pest=pest), asked)
    looks = plants[["plant_id", "species"]].merge(rows, on="plant_id", how="left")
    by_species = looks.groupby("species")["leaves"]
    whole = looks["leaves"].mean()
    usual = (by_species.transform("sum") + PSEUDO_PLANTS * whole) / (by_species.transform("count") + PSEUDO_PLANTS)
    return pd.DataFrame(
        {
            "trend": looks["score"] - looks["before"],
            "dry": looks["dry"],
            "shedding": np.log((looks["leaves"] + PSEUDO_LEAVES) / (usual + PSEUDO_LEAVES)),
            "pest": looks["pest"],
            "unseen": np.log1p(number - looks["seen"]),
        }
    ).set_index(plants.index)
