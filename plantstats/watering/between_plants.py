"""How plants of one kind differ in drying: a normal variation of log drying time between them, and each plant's own."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import interpolate, optimize, sparse, special

from plantstats.watering.distribution import TINY, Array, Observations, Times, log_density, still_moist, times_of

# Log drying times of a plant beside those of its kind: the likelihood is worked out at NODES (a factor of 3.3 either
# way), whose logarithm is smooth, and interpolated to GRID, fine enough for a plant with hundreds of dry-downs.
NODES = np.arange(-12, 13) * 0.1
GRID = np.linspace(NODES[0], NODES[-1], 193)
TO_GRID = interpolate.CubicSpline(NODES, np.eye(len(NODES)), axis=1)(GRID)  # a cubic spline is linear in its values
BLOCK = 500  # plants whose grids are worked out together
SPEAKING = 1000  # plants at most from which the variation is learned; all get an offset of their own
LEAST_SD, MOST_SD = 0.01, 0.8
LOG_DAYS, BISECTIONS = (-3.0, 9.0), 45
MOST_SHAPE = 4.0  # times the shape of all plants together that one plant's may be


@dataclass(frozen=True)
class PlantVariation:
    """Variation between plants of one kind, and what is known of each plant.

    Attributes
    ----------
    sd : float
        Standard deviation of log drying time between plants of one kind.
    shift : float
        Of log scale, from that of all plants together to that of the middle plant.
    log_shape : float
        Of the drying times of one plant; larger than that of all plants together, which holds their differences.
    offsets : pandas.DataFrame
        By plant_id: offset (mean of its log scale beside the middle plant of its kind) and variance (of the offset),
        given its own dry-downs.
    """

    sd: float
    shift: float
    log_shape: float
    offsets: pd.DataFrame

    def of(self, plant_ids: pd.Series) -> Offsets:
        """Offsets of plants; one without dry-downs may be any plant of its kind.

        Parameters
        ----------
        plant_ids : pandas.Series

        Returns
        -------
        Offsets
        """
        own = self.offsets.reindex(plant_ids)
        return Offsets(own["offset"].fillna(0.0).to_numpy(), own["variance"].fillna(self.sd**2).to_numpy())

    def of_kinds(self, members: Members, n_kinds: int) -> Offsets:
        """Offsets of a plant taken at random among those of each kind.

        Parameters
        ----------
        members : Members
        n_kinds : int
            One without members may hold any plant.

        Returns
        -------
        Offsets
        """
        own = self.of(members.plant_id)
        number = np.bincount(members.kind, minlength=n_kinds)
        n = np.maximum(number, 1)
        mean = np.bincount(members.kind, own.mean, minlength=n_kinds) / n
        square = np.bincount(members.kind, own.variance + own.mean**2, minlength=n_kinds) / n
        return Offsets(mean, np.where(number > 0, square - mean**2, self.sd**2))


class Offsets(NamedTuple):
    """Log drying time of plants or kinds beside the middle plant of their kind: mean and variance of each."""

    mean: Array
    variance: Array


class Members(NamedTuple):
    """The plants of each kind: number of the kind, and plant_id."""

    kind: Array
    plant_id: pd.Series


class _Fit(NamedTuple):
    """Mean and standard deviation of offsets at one shape, and the log-likelihood there."""

    mean: float
    sd: float
    log_likelihood: float


def plant_variation(
    family: str,
    observed: Observations,
    log_scale: Array,
    plant: pd.Series,
    log_shape: float,
    misclassified_logit: float,
) -> PlantVariation:
    """Learn the variation between plants beside a fit of all plants together.

    Parameters
    ----------
    family : {"Weibull", "log-logistic"}
    observed : Observations
        Of n distinct dry-downs, plants apart.
    log_scale : numpy.ndarray, shape (n,)
        As fitted to all plants together.
    plant : pandas.Series, shape (n,)
        plant_id of each row.
    log_shape, misclassified_logit : float
        As fitted to all plants together.

    Returns
    -------
    PlantVariation

    Notes
    -----
    Log scale of a plant = log scale of its kind + shift + offset, offset ~ normal(0, sd^2); shift, sd and shape by
    maximum likelihood, the offsets integrated out on a grid; effects of kinds and the share of misclassified
    inspections stay as fitted to all plants (a quasi-likelihood: their errors are by site). Each plant's offset is its
    posterior mean.

    References
    ----------
    Pinheiro and Bates 1995, Journal of Computational and Graphical Statistics 4:12 (random effects integrated out
    numerically; from memory). Morris 1983, JASA 78:47 (empirical Bayes; from memory).
    """
    codes, names = pd.factorize(plant, sort=True)
    number = sparse.csr_array((observed.n, (codes, np.arange(len(codes)))), shape=(len(names), len(codes)))
    columns = pd.DataFrame({"log_scale": log_scale, **observed._asdict()}).drop(columns="n")
    row_of = columns.groupby(list(columns)).ngroup().to_numpy()
    patterns = columns.iloc[np.unique(row_of, return_index=True)[1]].to_numpy()
    pattern_of = sparse.csr_array((np.ones(len(codes)), (np.arange(len(codes)), row_of)))
    counts = number @ pattern_of
    speaking = counts[np.unique(np.linspace(0, len(names) - 1, SPEAKING).astype(int))]
    used = np.flatnonzero(np.asarray(speaking.sum(axis=0)).ravel() > 0)
    speaking, of_speaking = speaking[:, used], _Patterns.of(patterns[used])
    best: dict[float, _Fit] = {}

    def log_likelihood(shape: float) -> float:
        start = best[min(best, key=lambda each: abs(each - shape))] if best else _Fit(0.0, 0.15, np.nan)
        best[shape] = _mean_and_sd(_by_offset(family, of_speaking, speaking, shape, misclassified_logit), start)
        return best[shape].log_likelihood

    low, high = log_shape - 0.1, log_shape + np.log(MOST_SHAPE)
    shape = float(
        optimize.minimize_scalar(
            lambda s: -log_likelihood(s), bounds=(low, high), method="bounded", options={"xatol": 3e-3}
        ).x
    )
    mean, sd, _ = best[shape]
    by_offset = _by_offset(family, _Patterns.of(patterns), counts, shape, misclassified_logit)
    # Some plants after others: their grids stay in the processor's cache.
    weights = (_posterior(by_offset[at : at + BLOCK], mean, sd)[0] for at in range(0, len(by_offset), BLOCK))
    offset, square = np.hstack([(weight @ GRID, weight @ GRID**2) for weight in weights])
    offsets = pd.DataFrame(
        {"offset": offset - mean, "variance": square - offset**2}, index=pd.Index(names, name="plant_id")
    )
    return PlantVariation(sd, mean, shape, offsets)


class Mixture:
    """Drying times of all plants of each kind: the mixture of their own distributions.

    Parameters
    ----------
    family : {"Weibull", "log-logistic"}
    log_scale : numpy.ndarray, shape (kinds,)
        As fitted to all plants together.
    plants : PlantVariation
    members : Members
        A kind without any is taken as one plant of which nothing is known.

    Notes
    -----
    Each offset has its own normal uncertainty, by the three-point Gauss-Hermite rule.
    """

    def __init__(self, family: str, log_scale: Array, plants: PlantVariation, members: Members) -> None:
        self._n = len(log_scale)
        empty = np.setdiff1d(np.arange(self._n), members.kind)
        self._kind = np.concatenate([members.kind, empty]).astype(int)
        of = plants.of(members.plant_id)
        mean = np.concatenate([of.mean, np.zeros(len(empty))])
        self._variance = np.concatenate([of.variance, np.full(len(empty), plants.sd**2)])
        self._from_kind = self._variance / plants.sd**2
        self._number = np.bincount(self._kind, minlength=self._n)
        self._family, self._shape = family, float(np.exp(plants.log_shape))
        nodes = np.sqrt(self._variance)[:, None] * np.array([-1.0, 0.0, 1.0]) * np.sqrt(3.0)
        self._weights = np.array([1.0, 4.0, 1.0]) / 6
        self._scale = (log_scale[self._kind] + plants.shift + mean)[:, None] + nodes

    def moist(self, days: Array) -> Array:
        """Share of the plants of each kind that are still moist so many days after watering.

        Parameters
        ----------
        days : numpy.ndarray, shape (kinds,)

        Returns
        -------
        numpy.ndarray, shape (kinds,)
        """
        each = still_moist(self._family, np.asarray(days)[self._kind, None], self._scale, self._shape) @ self._weights
        return np.bincount(self._kind, each, minlength=self._n) / self._number

    def log_days_until_dry(self, share: float, x: Array, covariance: Array) -> tuple[Array, Array]:
        """Log of the days until a share of the plants of each kind is dry, with its standard error.

        Parameters
        ----------
        share : float
            0.5 is half of them.
        x : numpy.ndarray, shape (kinds, effects)
            Design of the kinds.
        covariance : numpy.ndarray, shape (effects + 2, effects + 2)
            Of effects, log shape and misclassification logit.

        Returns
        -------
        log_days, se : numpy.ndarray, shape (kinds,)

        Notes
        -----
        Delta method: a plant moves the quantile by its share w of the density there. Of its log scale v / sd^2 comes
        from the kind (v: variance of the offset), so the variance is sum(w^2 v) + g' covariance g, where g holds
        x sum(w v / sd^2) for the effects and the slope by log shape.
        """
        low, high = (np.full(self._n, each) for each in LOG_DAYS)
        for _ in range(BISECTIONS):
            middle = (low + high) / 2
            dry = 1 - self.moist(np.exp(middle)) >= share
            low, high = np.where(dry, low, middle), np.where(dry, middle, high)
        log_days = (low + high) / 2
        z = self._shape * (log_days[self._kind, None] - self._scale)
        by_weibull = np.exp(z - np.exp(np.minimum(z, 50.0)))
        by_time = by_weibull if self._family == "Weibull" else special.expit(z) * special.expit(-z)
        by_time = by_time * self._weights
        of_kind = np.bincount(self._kind, by_time.sum(axis=1), minlength=self._n)
        w = by_time.sum(axis=1) / of_kind[self._kind]
        from_kind = np.bincount(self._kind, w * self._from_kind, minlength=self._n)
        by_shape = -np.bincount(self._kind, (z * by_time).sum(axis=1), minlength=self._n) / of_kind / self._shape
        slopes = np.hstack([x * from_kind[:, None], by_shape[:, None], np.zeros((self._n, 1))])
        of_fit = np.einsum("ij,jk,ik->i", slopes, covariance, slopes)
        return log_days, np.sqrt(of_fit + np.bincount(self._kind, w**2 * self._variance, minlength=self._n))


class _Patterns(NamedTuple):
    """Dry-downs that differ in what is known of them or in log scale."""

    log_scale: Array
    observed: Observations
    times: Times

    @classmethod
    def of(cls, columns: Array) -> _Patterns:
        """Of rows with log scale, previous, lower, upper and moist inspections."""
        log_scale, previous, lower, upper, n_moist = columns.T
        observed = Observations(previous, lower, upper, n_moist, np.ones(len(columns)))
        return cls(log_scale, observed, times_of(observed, pd.factorize(log_scale)[0]))


def _by_offset(family: str, patterns: _Patterns, counts: sparse.csr_array, log_shape: float, logit: float) -> Array:
    """Log-likelihood of each plant at each offset of `GRID`."""
    log_scale, observed, times = patterns
    at_nodes = np.stack([log_density(family, observed, log_scale + b, log_shape, logit, times) for b in NODES], axis=1)
    return np.asarray((counts @ at_nodes) @ TO_GRID)


def _posterior(by_offset: Array, mean: float, sd: float) -> tuple[Array, Array]:
    """Weights of each plant's offsets on `GRID`, and its log marginal likelihood."""
    log_prior = -0.5 * ((GRID - mean) / sd) ** 2
    joint = by_offset + log_prior - special.logsumexp(log_prior)
    top = joint.max(axis=1, keepdims=True)
    weight = np.exp(joint - top)
    total = weight.sum(axis=1, keepdims=True)
    return weight / total, (np.log(total) + top)[:, 0]


def _mean_and_sd(by_offset: Array, start: _Fit) -> _Fit:
    """Maximum likelihood of mean and standard deviation of normal offsets."""
    top = by_offset.max(axis=1)
    likelihood = np.exp(by_offset - top[:, None])

    def negative(theta: Array) -> tuple[float, Array]:
        mean, sd = float(theta[0]), float(np.exp(theta[1]))
        z = (GRID - mean) / sd
        prior = np.exp(-0.5 * z**2)
        prior /= prior.sum()
        total = likelihood @ prior
        if total.min() > TINY:
            marginal, weight = np.log(total) + top, (1 / total) @ likelihood * prior
        else:  # a plant so far from this mean that only logarithms hold it
            each, marginal = _posterior(by_offset, mean, sd)
            weight = each.sum(axis=0)
        excess = weight - len(top) * prior
        gradient = np.array([excess @ z / sd, excess @ z**2])
        return -marginal.sum() / len(marginal), -gradient / len(marginal)

    done = optimize.minimize(
        negative,
        [start.mean, np.log(start.sd)],
        jac=True,
        method="L-BFGS-B",
        bounds=[(-0.5, 0.5), (np.log(LEAST_SD), np.log(MOST_SD))],
    )
    return _Fit(float(done.x[0]), float(np.exp(done.x[1])), -float(done.fun) * len(by_offset))
