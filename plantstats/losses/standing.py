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
        One row per plant, its conditions categorical; those of the same and of the same ages ahead have the same number
        `profile`.
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
    rows = rows.astype(dict.fromkeys(conditions, "category") | {"age_band": pd.CategoricalDtype(age_bands())})
    alike = rows.groupby(conditions, sort=False, observed=True).ngroup().to_numpy()
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
        The plants whose conditions the model knows, with alone (hazard at a site of effect 1), effect and
        effect_variance of the site, hazard (alone x effect).
    """
    known = model.knows(state).to_numpy()
    state = state if known.all() else state[known].reset_index(drop=True)
    ahead, number = _ahead(state, model, day)
    alone = np.sum([np.exp(model.log_rates(part)) * HORIZON / PARTS for part in ahead], axis=0)[number]
    effect, variance = model.effects_of(state["site_id"])
    return state.assign(alone=alone, effect=effect, effect_variance=variance, hazard=alone * effect)


def slopes(state: pd.DataFrame, model: LossModel, day: date) -> tuple[Array, Codes]:
    """Derivatives of the log hazard by the coefficients, the same for plants of the same conditions and ages.

    Parameters
    ----------
    state : pandas.DataFrame
        As `with_hazard` gives it.
    model : LossModel
        The fitted loss model.
    day : date
        The day on which the list is made.

    Returns
    -------
    slopes : numpy.ndarray, shape (profiles, columns)
    profile : numpy.ndarray, shape (plants,)
    """
    ahead, number = _ahead(state, model, day)
    x = np.stack([model.matrix(part) for part in ahead])
    hazard = np.exp(x @ model.beta)
    return (x * hazard[:, :, None]).sum(axis=0) / hazard.sum(axis=0)[:, None], number


def _ahead(state: pd.DataFrame, model: LossModel, day: date) -> tuple[list[pd.DataFrame], Codes]:
    """Conditions of each profile in each part of the time ahead, and the profile of each plant.

    The month and its usual air, the age; the rest as it is.
    """
    first, number = numbered(state["profile"].to_numpy())
    now = state[["species", *terms.FACTORS, "installed"]].iloc[first].reset_index(drop=True)
    band, unknown = now["age_band"].cat, now["installed"].isna().to_numpy()
    met = np.isin(band.categories, model.coding.levels["age_band"])
    parts = []
    for days, age in zip(AHEAD, _ages_ahead(now, day), strict=True):
        # An age that the model has not met keeps the band it knows.
        codes = np.where(unknown | ~met[age], band.codes, age)
        older = pd.Categorical.from_codes(codes, dtype=now["age_band"].dtype)
        month = np.full(len(now), (day + timedelta(days=days)).month)
        parts.append(now.assign(age_band=older, **model.coding.usual_air(month)))
    return parts, number


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
