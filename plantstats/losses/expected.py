"""Losses that a quarter like this should bring: a model of earlier quarters applied to this quarter's plant-days."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd
from scipy import sparse

from plantstats.losses import rate_table
from plantstats.losses.design import Array, ModelError
from plantstats.losses.model import LossModel
from plantstats.losses.past_models import PastModels
from plantstats.periods import Period
from plantstats.stats.intervals import CONF_LEVEL, Interval

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime

KEYS = ["plant_id", "client_id", "site_id", "species"]


class Expected(NamedTuple):
    """Expected losses of one quarter, plant by plant, and the model of earlier quarters that gave them.

    Attributes
    ----------
    model : LossModel
    plants : pandas.DataFrame
        One row per plant and place in the quarter: plant_id, client_id, site_id, species, n_plants, plant_days, losses,
        alone (expected at a site of effect 1), effect (of the site, by its earlier losses), expected (alone x effect),
        effect_variance (relative).
    gradient : numpy.ndarray, shape (plants, columns)
        Derivative of `alone` by the coefficients.
    excluded : pandas.DataFrame
        Cells whose conditions the earlier quarters never saw.
    period : Period
    """

    model: LossModel
    plants: pd.DataFrame
    gradient: Array
    excluded: pd.DataFrame
    period: Period

    def of_client(self, client: str) -> Expected:
        """The plants of one client, under the model of all.

        Parameters
        ----------
        client : str
            Its id.

        Returns
        -------
        Expected
        """
        own = self.plants["client_id"].eq(client).to_numpy()
        return self._replace(plants=self.plants[own].reset_index(drop=True), gradient=self.gradient[own])


def expect(
    time: PlantTime, period: Period, species: pd.DataFrame | None = None, *, past: PastModels | None = None
) -> Expected:
    """Apply a model of all earlier quarters to one quarter's plant-days.

    Parameters
    ----------
    time : PlantTime
        Dated "found", so that losses and expectation stand on the same days; without common-cause losses (see
        `common_cause.ordinary`): a boiler that failed once is no reason to expect as much every winter.
    period : Period
        The quarter.
    species : pandas.DataFrame
        As in `fit`.
    past : PastModels
        Of that plant-time; keeps models for other questions.

    Returns
    -------
    Expected

    Raises
    ------
    ModelError
        When the earlier quarters do not carry a model.

    Examples
    --------
    >>> from datetime import date
    >>> from plantstats import exposure, periods, records
    >>> time = exposure.build(records.load("data_demo"), date(2026, 9, 30), "found")  # doctest: +SKIP
    >>> expect(time, periods.quarter("2026-Q3")).plants["expected"].sum()  # doctest: +SKIP
    """
    if time.dated != "found":
        raise ModelError(f"expected losses need plant-time dated 'found', as the losses are, not '{time.dated}'")
    past = past or PastModels(time, species)
    model, now = past.before(period.start), past.by_plant(period)
    now = now[now["plant_days"] > 0].reset_index(drop=True)
    model.coding.check_season(now["month"].dt.month, f"before {period.name}")
    seen = model.knows(now)
    used = now[seen].reset_index(drop=True)
    x = model.matrix(rate_table.conditions(used))
    alone = np.exp(x @ model.beta) * used["plant_days"].to_numpy("float64")
    grouped = used.assign(alone=alone).groupby(KEYS, sort=True)
    plants = grouped.agg(
        n_plants=("n_plants", "max"), plant_days=("plant_days", "sum"), losses=("losses", "sum"), alone=("alone", "sum")
    ).reset_index()
    effect, variance = model.effects_of(plants["site_id"])
    plants = plants.assign(effect=effect, expected=plants["alone"] * effect, effect_variance=variance)
    gradient = _sums(x * alone[:, None], grouped.ngroup().to_numpy(), len(plants))
    return Expected(model, plants, gradient, now[~seen], period)


def _sums(values: Array, group: np.ndarray, n_groups: int) -> Array:
    """Sums of rows by group."""
    rows = np.arange(len(group))
    return np.asarray(sparse.csr_array((np.ones(len(group)), (group, rows)), shape=(n_groups, len(group))) @ values)


def groups(expected: Expected, by: list[str], own_past: bool = True) -> pd.DataFrame:
    """Observed and expected losses of groups.

    Parameters
    ----------
    expected : Expected
    by : list of str
        Columns of its plants (none: the whole company).
    own_past : bool
        Expect what each site's own earlier losses say, or what a site of effect 1 would lose, scaled to the same total
        (for comparing sites).

    Returns
    -------
    pandas.DataFrame
        One row per group: by, n_plants, plant_days, losses, expected, variance (of the expected, relative).

    Notes
    -----
    Losses, and the total expected, are those of the plants.
    """
    plants = expected.plants if by else expected.plants.assign(every="all")
    keys = by or ["every"]
    value = plants["alone"] * (plants["effect"] if own_past else 1.0)
    if not own_past:
        value *= plants["expected"].sum() / value.sum()
    grouped = plants.assign(expected=value).groupby(keys, sort=True)
    rows = grouped.agg({column: "sum" for column in ("n_plants", "plant_days", "losses", "expected")}).reset_index()
    weighted = expected.gradient * (value / plants["alone"]).to_numpy()[:, None]
    slope = _sums(weighted, grouped.ngroup().to_numpy(), len(rows))
    variance = expected.model.variance_of(slope)
    if own_past:
        # The effect of a site is shared by all its plants of a group.
        by_site = plants.assign(value=value).groupby(list(dict.fromkeys([*keys, "site_id"])), sort=True)
        part = by_site.agg(value=("value", "sum"), effect_variance=("effect_variance", "first"))
        add = (part["value"] ** 2 * part["effect_variance"]).groupby(level=list(range(len(keys)))).sum()
        variance = variance + add.to_numpy()
    rows = rows.assign(variance=variance / np.maximum(rows["expected"], 1e-12) ** 2)
    return rows.drop(columns="every") if not by else rows


def widen(interval: Interval, variance: Array, model: LossModel, conf_level: float = CONF_LEVEL) -> Interval:
    """Widen limits of observed / expected by the uncertainty of the expected losses.

    Parameters
    ----------
    interval : Interval
    variance : numpy.ndarray
        Of the log of what was expected of each.
    model : LossModel
        For its t quantile.
    conf_level : float

    Returns
    -------
    Interval

    Notes
    -----
    Distances on the log scale joined as root of the sum of squares; a limit of 0 stays.
    """
    half_width = model.quantile(conf_level) * np.sqrt(variance)
    estimate = np.maximum(interval.estimate, 1e-300)
    down = np.hypot(np.log(estimate / np.maximum(interval.low, 1e-300)), half_width)
    nothing = interval.estimate <= 0
    up = np.hypot(np.log(np.maximum(interval.high, 1e-300) / estimate), half_width)
    return Interval(
        interval.estimate,
        np.where(nothing | (interval.low <= 0), 0.0, interval.estimate * np.exp(-down)),
        np.where(nothing, interval.high * np.exp(half_width), interval.estimate * np.exp(up)),
    )
