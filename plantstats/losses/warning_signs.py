"""What visits noted of a plant beside its last score: signs of a loss to come, and how much each has told so far."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from plantstats.losses.design import Array
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
# Log ratio that one standard deviation of a sign is thought to have, before any loss is seen: some 15% more or less
# (design rule). Fifty losses tell a log ratio within 0.14: five signs believed more readily would add noise.
PRIOR_SD = 0.15
FARTHEST = 3.0  # standard deviations beyond which a sign says no more: no chance grows without bound
PSEUDO_LEAVES, PSEUDO_PLANTS = 1.0, 5.0  # beside the real ones, so that single leaves and rare species decide nothing
STEPS, SETTLED = 50, 1e-12

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


class SignRatios(NamedTuple):
    """How the chance of a loss goes with the signs, by what earlier lists came to.

    Attributes
    ----------
    mean, sd : pandas.Series
        Of each sign among the plants of earlier lists.
    log_ratio : numpy.ndarray, shape (signs,)
        For one standard deviation of each sign.
    covariance : numpy.ndarray, shape (signs, signs)
    """

    mean: pd.Series
    sd: pd.Series
    log_ratio: Array
    covariance: Array

    def standardized(self, signs: pd.DataFrame) -> Array:
        """Signs in standard deviations from their mean, none farther than `FARTHEST`; one not known says nothing.

        Parameters
        ----------
        signs : pandas.DataFrame
            As `signs_on`.

        Returns
        -------
        numpy.ndarray, shape (plants, signs)
        """
        z = (signs[list(SIGNS)] - self.mean) / self.sd
        return z.fillna(0.0).clip(-FARTHEST, FARTHEST).to_numpy("float64")


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


def sign_ratios(signs: pd.DataFrame, lost: Array, expected: Array) -> SignRatios:
    """Learn from earlier lists what signs add to what else was expected.

    Parameters
    ----------
    signs : pandas.DataFrame
        Of the plants of earlier lists, as `signs_on`.
    lost, expected : numpy.ndarray, shape (plants,)
        Losses that came, and those expected without the signs.

    Returns
    -------
    SignRatios

    Notes
    -----
    Losses are Poisson with mean expected x exp(a + z'g), z the signs in standard deviations; g is normal before any
    loss is seen, with mean 0 and standard deviation `PRIOR_SD`, and so is a. The mode of the posterior and its
    curvature: ridge regression (Hoerl and Kennard 1970, Technometrics 12:55, from memory). A loss model fitted to
    landmarks of time: van Houwelingen 2007, Scandinavian Journal of Statistics 34:70 (from memory).

    Examples
    --------
    >>> signs = pd.DataFrame({name: [0.0, 0.0, 1.0, 1.0] for name in SIGNS})
    >>> sign_ratios(signs, np.array([0, 0, 0, 0]), np.full(4, 1e-9)).log_ratio.round(3).tolist()
    [0.0, 0.0, 0.0, 0.0, 0.0]
    """
    names = list(SIGNS)
    mean = signs[names].mean().fillna(0.0)
    sd = signs[names].std().where(lambda one: one > 0).fillna(1.0)
    none = SignRatios(mean, sd, np.zeros(len(names)), np.zeros((len(names), len(names))))
    x = np.column_stack([np.ones(len(signs)), none.standardized(signs)])
    precision = np.eye(x.shape[1]) / PRIOR_SD**2
    beta = np.zeros(x.shape[1])
    for _ in range(STEPS):
        mu = expected * np.exp(x @ beta)
        information = (x * mu[:, None]).T @ x + precision
        step = np.linalg.solve(information, x.T @ (lost - mu) - precision @ beta)
        beta = beta + np.clip(step, -1.0, 1.0)
        if float(step @ information @ step) < SETTLED:
            break
    covariance = np.linalg.inv(information)
    return none._replace(log_ratio=beta[1:], covariance=covariance[1:, 1:])
