"""What a model of losses must tell a quote, and how covered losses and other exits follow from it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol
from zlib import crc32

import numpy as np
import pandas as pd
from scipy import special

from plantstats.guarantee.time_grid import Array

PROFILE = ("species", "light", "pot", "planter")  # what tells one line's hazard from another's


@dataclass(frozen=True)
class LineHazards:
    """Losses per plant-day of each line, by age band and calendar month, at a mean site.

    Log rates are sums of the terms of the line and those of age and month, so that a hazard is an intercept times a
    shape.

    Parameters
    ----------
    age_cuts : tuple of int
        Days since planting, each closing its age band.
    intercept : numpy.ndarray, shape (lines,)
    shape : numpy.ndarray, shape (age bands + 1, 12)
        The last band: age unknown.
    intercept_samples : numpy.ndarray, shape (samples, lines)
        One sample per possible model.
    shape_samples : numpy.ndarray, shape (samples, age bands + 1, 12)
    frailty_variance : numpy.ndarray, shape (samples,)
        Variance of the effect (gamma, mean 1) that the plants of a site share.
    oldest_days : numpy.ndarray, shape (lines,)
        The greatest age that the records tell about.
    basis : tuple of str
        What each line's rate rests on.
    notes : tuple of str
        What was assumed.
    """

    age_cuts: tuple[int, ...]
    intercept: Array
    shape: Array
    intercept_samples: Array
    shape_samples: Array
    frailty_variance: Array
    oldest_days: Array
    basis: tuple[str, ...]
    notes: tuple[str, ...] = ()

    @property
    def table(self) -> Array:
        """Hazards at the estimate: lines x bands x 12."""
        return self.intercept[:, None, None] * self.shape


class HazardModel(Protocol):
    """A fitted model of losses, as a quote needs it."""

    def for_lines(self, lines: pd.DataFrame, n_samples: int, seed: int, unseen: str) -> LineHazards:
        """Hazards of lines.

        Parameters
        ----------
        lines : pandas.DataFrame
            Columns of `PROFILE`, one row per line.
        n_samples : int
            How many samples of what is not known for sure.
        seed : int
            Seed of the random numbers; the same seed gives the same result.
        unseen : str
            "group" or "refuse" for a species without own records.

        Returns
        -------
        LineHazards
        """

    def site_history(self, sites: list[str], n_samples: int, seed: int) -> tuple[Array, Array]:
        """Losses of sites, and what was to be expected at effect 1; 0 and 0 for a site without records.

        Parameters
        ----------
        sites : list of str
            Ids of sites.
        n_samples : int
            How many samples of what is not known for sure.
        seed : int
            Seed of the random numbers; the same seed gives the same result.

        Returns
        -------
        losses, expected : numpy.ndarray, shapes (sites,) and (samples, sites)
        """

    def site_air(self, sites: list[str]) -> Array:
        """Multiple of the usual losses at sites by their air, by the model; 1 for one without records.

        Parameters
        ----------
        sites : list of str
            Ids of sites.

        Returns
        -------
        numpy.ndarray, shape (sites,)
        """


@dataclass(frozen=True)
class Exits:
    """What else takes plants away, per plant-day, from the company's own records.

    Parameters
    ----------
    uncovered : float
        Losses that the guarantee does not cover.
    client, withdrawn : float
        Exits through the client (theft, client's act), and plants taken out alive.
    """

    uncovered: float = 0.0
    client: float = 0.0
    withdrawn: float = 0.0


def is_covered(causes: pd.Series, covered: tuple[str, ...], excluded: tuple[str, ...]) -> pd.Series:
    """Whether losses of these causes (missing: unknown) are covered; no cause named: all but the excluded ones.

    Parameters
    ----------
    causes : pandas.Series
        Canonical.
    covered : tuple of str
        Causes that are covered; none named: all but the excluded ones.
    excluded : tuple of str
        Causes that are not covered.

    Returns
    -------
    pandas.Series of bool
    """
    named = causes.fillna("unknown")
    return ~named.isin(excluded) & (named.isin(covered) if covered else True)


def stream(seed: int, name: str) -> np.random.Generator:
    """Random numbers for one named thing: the same whatever else is on the list, and in whatever order.

    Parameters
    ----------
    seed : int
        Seed of the random numbers; the same seed gives the same result.
    name : str
        Of what they are for.

    Returns
    -------
    numpy.random.Generator

    Examples
    --------
    >>> float(stream(1, "site S1").random()) == float(stream(1, "site S1").random())
    True
    """
    return np.random.Generator(np.random.PCG64([seed, crc32(name.encode("utf-8"))]))


def effects_of(model: HazardModel, frailty_variance: Array, sites: list[str], seed: int) -> Array:
    """Samples of what sites do to the hazard of their plants, by their own past and their air.

    Parameters
    ----------
    model : HazardModel
        Hazards.
    frailty_variance : numpy.ndarray, shape (samples,)
        Variance between sites.
    sites : list of str
        Ids of sites.
    seed : int
        Seed of the random numbers; the same seed gives the same result.

    Returns
    -------
    numpy.ndarray, shape (samples, sites)
    """
    lost, expected = model.site_history(sites, len(frailty_variance), seed)
    return site_effects(frailty_variance, lost, expected, sites, seed) * model.site_air(sites)


def site_effects(frailty_variance: Array, losses: Array, expected: Array, sites: list[str], seed: int) -> Array:
    """Sample the effects that the plants of each site share, evenly over their distribution.

    Parameters
    ----------
    frailty_variance : numpy.ndarray, shape (samples,)
        Variance of the gamma distribution (mean 1) that sites without records have.
    losses : numpy.ndarray, shape (sites,)
        Losses so far.
    expected : numpy.ndarray, shape (samples, sites)
        Losses that were to be expected at effect 1.
    sites : list of str
        Their names.
    seed : int

    Returns
    -------
    numpy.ndarray, shape (samples, sites)

    Notes
    -----
    Gamma with shape ``1 / variance + losses`` and rate ``1 / variance + expected`` (gamma-Poisson, Clayton and Kaldor
    1987). Each site's effects are one from each of as many equal parts of the distribution as there are samples, in
    random order: the mean over samples then has little noise (Latin hypercube, McKay, Beckman and Conover 1979, from
    memory).

    Examples
    --------
    A site that lost 30 where 10 were expected, with a frailty variance of 0.5: (2 + 30) / (2 + 10) = 2.67 on average.

    >>> import numpy as np
    >>> sampled = site_effects(np.full(1000, 0.5), np.array([30.0]), np.full((1000, 1), 10.0), ["S1"], seed=1)
    >>> round(float(sampled.mean()), 2)
    2.67
    """
    n_samples = len(frailty_variance)
    effects = np.ones((n_samples, len(losses)))
    varies = frailty_variance > 1e-9
    if varies.any() and sites:
        share = [(stream(seed, f"site {name}").permutation(n_samples) + 0.5) / n_samples for name in sites]
        shape = 1 / frailty_variance[varies][:, None]
        # Quantiles of gamma distributions, all at once.
        quantile = special.gammaincinv(shape + losses, np.stack(share, axis=1)[varies])
        effects[varies] = quantile / (shape + expected[varies])
    return effects
