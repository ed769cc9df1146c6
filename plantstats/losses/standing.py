"""Plants that stand on a day: their conditions, last scores, hazard ahead, and who was lost."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from plantstats.exposure.inputs import AGE_CUTS, age_bands
from plantstats.losses import terms
from plantstats.losses.design import Codes, numbered
from plantstats.losses.model import LossModel

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime

HORIZON = 90  # days ahead
PARTS = 3  # the horizon is looked at in this many parts, each with its own month and age


def standing(time: PlantTime, day: date) -> pd.DataFrame:
    """Plants alive on a day: the conditions of the episode that ends with it, plants, installed (day number), alike.

    Parameters
    ----------
    time : PlantTime
        Plant-time that tells of the day.
    day : datetime.date
        Its end.

    Returns
    -------
    pandas.DataFrame
        One row per plant; those of the same conditions have the same number `alike`.
    """
    conditions = ", ".join(f"s.{name}" for name in ("species", *terms.FACTORS))
    return time.query(
        f"""
        select s.plant_id, s.client_id, s.site_id, {conditions},
               s.plants - s.losses - s.client_exits - s.withdrawn as plants, p.installed,
               dense_rank() over (order by {conditions}) - 1 as alike
        from episodes s join spans p on p.plant_id = s.plant_id
        where s.to_on = $after and s.plants > s.losses + s.client_exits + s.withdrawn
        order by s.plant_id
        """,
        {"after": day + timedelta(days=1)},
    )


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
    first, number = numbered(state["alike"].to_numpy())
    known = state[model.knows(state.iloc[first]).to_numpy()[number]].reset_index(drop=True)
    start = (day - date(1970, 1, 1)).days
    ahead = [HORIZON * (part + 0.5) / PARTS for part in range(PARTS)]
    installed = known["installed"].to_numpy("float64", na_value=np.nan)
    ages = [np.searchsorted(AGE_CUTS, np.nan_to_num(start + days - installed)) for days in ahead]
    # What is asked of the model is the same for plants of the same conditions and ages.
    alike = known["alike"].to_numpy()
    dimensions = [int(alike.max(initial=0)) + 1, 2, *[len(AGE_CUTS) + 1] * PARTS]
    first, number = numbered(np.ravel_multi_index((alike, np.isnan(installed), *ages), dimensions))
    months = np.repeat([(day + timedelta(days=days)).month for days in ahead], len(first))
    profiles = _profiles(known.loc[np.tile(first, PARTS)], model, np.concatenate([age[first] for age in ages]), months)
    x = model.matrix(profiles).reshape(PARTS, len(first), len(model.names))
    hazard = np.exp(x @ model.beta) * HORIZON / PARTS
    alone, slope = hazard.sum(axis=0)[number], (x * hazard[:, :, None]).sum(axis=0)[number]
    effect, variance = model.effects_of(known["site_id"])
    return known.assign(alone=alone, slope=list(slope), effect=effect, effect_variance=variance, hazard=alone * effect)


def _profiles(state: pd.DataFrame, model: LossModel, age: Codes, month: Codes) -> pd.DataFrame:
    """The plants' conditions some time ahead: the month and its usual air, the age; the rest as it is."""
    now = state["age_band"].to_numpy("object")
    older = np.array(age_bands()[:-1], dtype="object")[age]
    # An age that the model has not met keeps the band it knows.
    keeps = state["installed"].isna().to_numpy() | ~np.isin(older, model.coding.levels["age_band"])
    profiles = state[["species", *terms.FACTORS]].reset_index(drop=True)
    return profiles.assign(age_band=np.where(keeps, now, older), **model.coding.usual_air(month))


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
    return lost.loc[inside, ["plant_id", "quantity"]].groupby("plant_id")["quantity"].sum()
