"""Plants that stand on a day: their conditions, last scores, hazard ahead, and who was lost."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from plantstats.exposure.inputs import AGE_CUTS, age_bands
from plantstats.losses import terms
from plantstats.losses.design import Array, Codes, numbered
from plantstats.losses.model import LossModel

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime

HORIZON = 90  # days ahead
PARTS = 3  # the horizon is looked at in this many parts, each with its own month and age
AHEAD = [HORIZON * (part + 0.5) / PARTS for part in range(PARTS)]  # days to the middle of each


def standing(time: PlantTime, days: Sequence[date]) -> dict[date, pd.DataFrame]:
    """Plants alive on some days: the conditions of the episode that ends with the day, plants, installed (day number).

    Parameters
    ----------
    time : PlantTime
        Plant-time that tells of the days.
    days : sequence of datetime.date
        Their ends.

    Returns
    -------
    dict of date to pandas.DataFrame
        One row per plant; those of the same conditions and ages ahead have the same number `profile`.
    """
    conditions = ["species", *terms.FACTORS]
    after = {f"after_{n}": day + timedelta(days=1) for n, day in enumerate(days)}
    rows = time.query(
        f"""
        select s.to_on, s.plant_id, s.client_id, s.site_id, {", ".join(f"s.{name}" for name in conditions)},
               s.plants - s.losses - s.client_exits - s.withdrawn as plants, p.installed
        from episodes s join spans p on p.plant_id = s.plant_id
        where s.to_on in ({", ".join(f"${name}" for name in after)})
              and s.plants > s.losses + s.client_exits + s.withdrawn
        order by s.to_on, s.plant_id
        """,
        after,
    )
    alike = rows.groupby(conditions, sort=False).ngroup().to_numpy()
    dimensions = [int(alike.max(initial=0)) + 1, 2, *[len(AGE_CUTS) + 1] * PARTS]
    parts = {}
    for day in days:
        at = np.flatnonzero(rows["to_on"] == pd.Timestamp(day + timedelta(days=1)))
        own = rows.iloc[at].drop(columns="to_on").reset_index(drop=True)
        unknown = own["installed"].isna().to_numpy()
        profile = np.ravel_multi_index((alike[at], unknown, *_ages_ahead(own, day)), dimensions)
        parts[day] = own.assign(profile=profile)
    return parts


def _ages_ahead(state: pd.DataFrame, day: date) -> list[Codes]:
    """Number of the band of ages in which each part of the time ahead finds each plant."""
    installed = state["installed"].to_numpy("float64", na_value=np.nan)
    start = (day - date(1970, 1, 1)).days
    return [np.searchsorted(AGE_CUTS, np.nan_to_num(start + days - installed)) for days in AHEAD]


def with_hazard(state: pd.DataFrame, model: LossModel, day: date) -> tuple[pd.DataFrame, Array]:
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
    plants : pandas.DataFrame
        Those whose conditions the model knows, with alone (hazard at a site of effect 1), effect and effect_variance of
        the site, hazard (alone x effect), and as profile the row of `slopes`.
    slopes : numpy.ndarray, shape (profiles, columns)
        Derivatives of the log hazard by the coefficients: the same for plants of the same conditions and ages.
    """
    first, number = numbered(state["profile"].to_numpy())
    known = model.knows(state.iloc[first]).to_numpy()
    if not known.all():
        state = state[known[number]].reset_index(drop=True)
        first, number = numbered(state["profile"].to_numpy())
    months = np.repeat([(day + timedelta(days=days)).month for days in AHEAD], len(first))
    of_profiles = state.iloc[first]
    ages = np.concatenate(_ages_ahead(of_profiles, day))
    x = model.matrix(_profiles(of_profiles.iloc[np.tile(np.arange(len(first)), PARTS)], model, ages, months))
    x = x.reshape(PARTS, len(first), len(model.names))
    hazard = np.exp(x @ model.beta) * HORIZON / PARTS
    alone = hazard.sum(axis=0)
    slopes = (x * hazard[:, :, None]).sum(axis=0) / alone[:, None]
    effect, variance = model.effects_of(state["site_id"])
    by_plant = {"alone": alone[number], "effect": effect, "effect_variance": variance, "hazard": alone[number] * effect}
    return state.assign(**by_plant, profile=number), slopes


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
