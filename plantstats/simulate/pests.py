"""Pests of the invented company: they come from outside, pass from plant to plant of a site, and go again.

They are laid over lives that are lived without them, from random numbers of their own: no loss and no leaf hangs on
them, but plants whose loss was put down to a pest had it in their last weeks.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from plantstats.simulate.layout import Layout
from plantstats.simulate.log import Log
from plantstats.simulate.params import CompanyParams

NAMES = ("mites", "mealybug", "scale")
DEGREES = ("trace", "moderate", "severe")
DEGREE_WEEKS = (3, 8)  # since when it is moderate, and severe
DRY_BELOW = 40.0  # percent of humidity below which mites come more often
BEFORE_LOSS = 6  # weeks for which a plant lost to a pest had it
NEVER = -1


class Infested(NamedTuple):
    """What each plant had in each week.

    Attributes
    ----------
    pest : numpy.ndarray of int8, shape (plants, weeks)
        Number of the pest in `NAMES`, or -1.
    since : numpy.ndarray of int16, shape (plants, weeks)
        Weeks for which it had had it.
    """

    pest: npt.NDArray[np.int8]
    since: npt.NDArray[np.int16]


def infest(layout: Layout, params: CompanyParams, log: Log, rng: np.random.Generator) -> Infested:
    """Let pests come and go, week by week.

    Parameters
    ----------
    layout : Layout
        What stands where on the first day.
    params : CompanyParams
        Parameters of the simulation.
    log : Log
        What happened, day by day.
    rng : numpy.random.Generator
        Source of chance, of its own.

    Returns
    -------
    Infested

    Notes
    -----
    A plant free of pests gets pest k within a week with chance 1 - exp(-(b_k + s I_k / N)): b_k from outside
    (`pest_outside`, of mites times exp(`pest_dry_air`) in dry air), s `pest_transmission`, I_k of the N plants of its
    site with k at the beginning of the week. It is rid of it with chance 1 / `pest_weeks` a week.
    """
    n, weeks = len(log.plants), (layout.days + 6) // 7
    come = np.array([p["known"] for p in log.plants]) // 7
    ended_on = np.array([min(p.get("lost", layout.days), p.get("removed", layout.days)) for p in log.plants]) // 7
    site = np.array([p["site"] for p in log.plants])
    lost = np.array(["MITES" in str(p.get("code", "")) for p in log.plants])
    n_sites = len(layout.sites)
    pest, since = np.full((n, weeks), NEVER, np.int8), np.zeros((n, weeks), np.int16)
    now, age = np.full(n, NEVER, np.int8), np.zeros(n, np.int16)
    for week in range(weeks):
        here = (come <= week) & (ended_on >= week)
        now[~here] = NEVER
        there = np.bincount(site[here], minlength=n_sites)
        dry = layout.humidity[:, 7 * week : 7 * week + 7].mean(axis=1) < DRY_BELOW
        draw, kind, leaves = rng.random(n), rng.random(n), rng.random(n)
        pressure = np.empty((len(NAMES), n_sites))
        for k in range(len(NAMES)):
            with_it = np.bincount(site[here & (now == k)], minlength=n_sites)
            outside = params.pest_outside * np.exp(params.pest_dry_air * dry * (k == 0))
            pressure[k] = outside + params.pest_transmission * with_it / np.maximum(there, 1)
        whole = pressure.sum(axis=0)
        free = here & (now == NEVER)
        new = free & (draw < -np.expm1(-whole[site]))
        which = (kind[:, None] > (pressure.cumsum(axis=0) / whole)[:, site].T).sum(axis=1)
        clears = (now != NEVER) & (leaves < 1 / params.pest_weeks)
        age = np.where(now != NEVER, age + 1, 0).astype(np.int16)
        now[clears] = NEVER
        now[new] = which[new]
        ill = here & lost & (ended_on - week <= BEFORE_LOSS) & (now == NEVER)
        now[ill] = 0
        age[now == NEVER] = 0
        pest[:, week], since[:, week] = now, age
    return Infested(pest, since)


def noted(infested: Infested, plant: np.ndarray, day: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """What a look at a plant on a day finds.

    Parameters
    ----------
    infested : Infested
    plant, day : numpy.ndarray of int
        Numbers of plants, and days.

    Returns
    -------
    pest, degree : numpy.ndarray of int
        0 for none, else 1 and the number of the pest; number of the degree.
    """
    kind, weeks = infested.pest[plant, day // 7], infested.since[plant, day // 7]
    return kind + 1, np.searchsorted(DEGREE_WEEKS, weeks, side="right")
