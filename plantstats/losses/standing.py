"""Plants that stand on a day: their conditions, last scores, hazard ahead, and who was lost."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from plantstats.exposure.inputs import AGE_CUTS, age_bands
from plantstats.losses import terms
from plantstats.losses.model import LossModel

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime

HORIZON = 90  # days ahead
PARTS = 3  # the horizon is looked at in this many parts, each with its own month and age
RECENT = 60  # a condition score older than this many days says nothing any more (common practice, no source)


def standing(time: PlantTime, day: date) -> pd.DataFrame:
    """Plants alive on a day: the conditions of the episode that ends with it, plants, installed (day number).

    Parameters
    ----------
    time : PlantTime
        Plant-time that tells of the day.
    day : datetime.date
        Its end.

    Returns
    -------
    pandas.DataFrame
        One row per plant.
    """
    conditions = ", ".join(f"s.{name}" for name in terms.FACTORS)
    rows = time.engine.sql(
        f"""
        select s.plant_id, s.client_id, s.site_id, s.species, {conditions},
               s.plants - s.losses - s.client_exits - s.withdrawn as plants, p.installed
        from episodes s join spans p on p.plant_id = s.plant_id
        where s.to_on = ? and s.plants > s.losses + s.client_exits + s.withdrawn
        order by s.plant_id
        """,
        [day + timedelta(days=1)],
    )
    texts = [column for column in rows.columns if column not in ("plants", "installed")]
    return rows.astype(dict.fromkeys(texts, "str"))


def with_hazard(state: pd.DataFrame, model: LossModel, day: date) -> pd.DataFrame:
    """Add the hazard of a loss in the next 90 days that conditions alone lead to expect, per plant.

    Parameters
    ----------
    state : pandas.DataFrame
        Standing plants, one row each.
    model : LossModel
        The fitted loss model.
    day : date
        The day on which the list is made.

    Returns
    -------
    pandas.DataFrame
        The plants whose conditions the model knows, with alone (hazard at a site of effect 1), slope (row of
        derivatives by the coefficients, as an array), effect and effect_variance of the site, hazard (alone x effect).
    """
    known = state[model.knows(state)].reset_index(drop=True)
    start = (day - date(1970, 1, 1)).days
    ahead = [HORIZON * (part + 0.5) / PARTS for part in range(PARTS)]
    profiles = [_profiles(known, model, start + days, day + timedelta(days=days)) for days in ahead]
    rows, _ = model.rows(pd.concat(profiles, ignore_index=True))
    x = rows.to_numpy().reshape(PARTS, len(known), len(model.names))
    hazard = np.exp(x @ model.beta) * HORIZON / PARTS
    alone, slope = hazard.sum(axis=0), (x * hazard[:, :, None]).sum(axis=0)
    effect, variance = model.effects_of(known["site_id"])
    return known.assign(alone=alone, slope=list(slope), effect=effect, effect_variance=variance, hazard=alone * effect)


def _profiles(state: pd.DataFrame, model: LossModel, at: float, on: date) -> pd.DataFrame:
    """The plants' conditions some time ahead: the month, the age; the rest as it is."""
    age = at - state["installed"].astype("float64")
    older = np.array(age_bands()[:-1])[np.searchsorted(AGE_CUTS, age.fillna(0))]
    band = pd.Series(np.where(age.isna(), state["age_band"], older), state.index)
    # An age that the model has not met keeps the band it knows.
    band = band.where(band.isin(model.coding.levels["age_band"]), state["age_band"])
    return state[["species", *terms.FACTORS]].assign(age_band=band, month=on.month)


def last_scores(time: PlantTime, day: date) -> pd.Series:
    """Last condition score of each plant within RECENT days before a day, the lower of two of one day.

    Parameters
    ----------
    time : PlantTime
        Plant-time that tells of the day; its visits are read.
    day : datetime.date
        The day.

    Returns
    -------
    pandas.Series
        One of `CONDITIONS` per plant that has a score, by plant_id.
    """
    number = (day - date(1970, 1, 1)).days
    scores = time.engine.sql(
        """
        select plant_id, min(condition)::double as score
        from (
            select plant_id, condition, "at", max("at") over (partition by plant_id) as newest from completed_visits
            where condition is not null and plant_id is not null and "at" > ? and "at" <= ?
        ) where "at" = newest group by plant_id
        """,
        [number - RECENT, number],
    )
    words = {5.0: "5", 4.0: "4", 3.0: "3", 2.0: "1 or 2", 1.0: "1 or 2"}
    return scores.set_index("plant_id")["score"].map(words).dropna().astype("str")


def lost_within(time: PlantTime, day: date) -> pd.Series:
    """Plants found lost in the HORIZON days after a day, by plant_id.

    Parameters
    ----------
    time : PlantTime
        Plant-time of the records.
    day : date
        The day on which the list is made.

    Returns
    -------
    pandas.Series
        By plant_id.
    """
    lost = time.losses
    inside = (lost["lost_on"] > pd.Timestamp(day)) & (lost["lost_on"] <= pd.Timestamp(day) + pd.Timedelta(days=HORIZON))
    return lost[inside].groupby("plant_id")["quantity"].sum()
