"""Likelihood of a drying time that is known only between two inspections, where an inspection may be misclassified."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import special

Array = npt.NDArray[Any]
FAMILIES = ("Weibull", "log-logistic")
TINY = 1e-290


class Observations(NamedTuple):
    """What is known of each distinct dry-down: arrays of one length, in days since watering."""

    previous: Array  # the inspection before `lower`; 0: none
    lower: Array  # last inspection that found the topsoil not dry; 0: none
    upper: Array  # first inspection that found it dry; infinite: never
    n_moist: Array  # inspections that found it not dry
    n: Array  # dry-downs


def observations_of(rows: pd.DataFrame) -> Observations:
    """What is known of dry-downs, as arrays.

    Parameters
    ----------
    rows : pandas.DataFrame
        previous, lower, upper (missing: never found dry), n_moist, n.

    Returns
    -------
    Observations
    """
    upper = rows["upper"].astype("float64").fillna(np.inf).to_numpy()
    previous, lower, moist, n = (rows[c].to_numpy(dtype=float) for c in ("previous", "lower", "n_moist", "n"))
    return Observations(previous, lower, upper, moist, n)


class Times(NamedTuple):
    """Distinct times at which rows of one log scale ask for the share still moist: many times fewer than rows."""

    t: Array
    row: Array  # one with the log scale of each
    place: Array  # of the inspection before `previous`, of `previous`, `lower` and `upper`: 4 x rows


def times_of(observed: Observations, kind: Array) -> Times:
    """Distinct times of rows.

    Parameters
    ----------
    observed : Observations
    kind : numpy.ndarray of int, shape (rows,)
        Rows of one kind have one log scale.

    Returns
    -------
    Times
    """
    each, n = _four_times(observed), len(kind)
    codes, values = pd.factorize(each.ravel())
    place, distinct = pd.factorize(np.tile(kind, 4) * len(values) + codes)
    row = np.empty(len(distinct), dtype=int)
    row[place] = np.tile(np.arange(n), 4)
    return Times(values[distinct % len(values)], row, place.reshape(4, n))


def _four_times(observed: Observations) -> Array:
    """The inspection before `previous`, as far from it as that from the next; `previous`, `lower` and `upper`."""
    before = np.maximum(2 * observed.previous - observed.lower, 0.0)
    return np.stack([before, observed.previous, observed.lower, observed.upper])


class Derivatives(NamedTuple):
    """Log-likelihood per row with its first and second derivatives.

    By log scale, log shape and logit of the misclassified share, in that order: `value` (rows,), `first` (rows, 3),
    `second` (rows, 3, 3).
    """

    value: Array
    first: Array
    second: Array


def still_moist(family: str, t: npt.ArrayLike, log_scale: npt.ArrayLike, shape: npt.ArrayLike) -> Array:
    """Share of plants whose topsoil is not yet dry t days after watering.

    Parameters
    ----------
    family : {"Weibull", "log-logistic"}
    t : array_like
        Days after watering.
    log_scale : array_like
        Log of the scale (Weibull: 63.2% are dry by then; log-logistic: half).
    shape : array_like
        The larger, the more alike the plants.

    Returns
    -------
    numpy.ndarray
        The survival function: exp(-(t / scale)^shape), or 1 / (1 + (t / scale)^shape).

    Examples
    --------
    >>> round(float(still_moist("Weibull", 10, np.log(10), 3.0)), 4)
    0.3679
    """
    with np.errstate(divide="ignore", over="ignore"):
        z = np.asarray(shape) * (np.log(np.asarray(t, dtype=float)) - np.asarray(log_scale))
        return np.exp(-np.exp(z)) if family == "Weibull" else special.expit(-z)


def days_until_dry(family: str, share: float, log_scale: npt.ArrayLike, shape: npt.ArrayLike) -> Array:
    """Days after watering by which the topsoil of this share of plants is dry: the inverse of `still_moist`.

    Parameters
    ----------
    family : str
        "Weibull" or "lognormal".
    share : float
        Between 0 and 1.
    log_scale : array_like
        Log of the scale, in days.
    shape : array_like
        Of the distribution.

    Returns
    -------
    numpy.ndarray

    Examples
    --------
    >>> round(float(days_until_dry("log-logistic", 0.5, np.log(12), 3.0)), 6)
    12.0
    """
    odds = -np.log1p(-share) if family == "Weibull" else share / (1 - share)
    return np.exp(np.asarray(log_scale) + np.log(odds) / np.asarray(shape))


def log_likelihood(
    family: str,
    observed: Observations,
    log_scale: Array,
    log_shape: float,
    misclassified_logit: float,
    times: Times | None = None,
) -> Derivatives:
    """Log-likelihood of each row, not yet times its number of dry-downs.

    Parameters
    ----------
    family : {"Weibull", "log-logistic"}
    observed : Observations
    log_scale : numpy.ndarray, shape (rows,)
    log_shape : float
    misclassified_logit : float
        Logit of the share m of inspections that note dry for not dry or the reverse (far below 0: none).
    times : Times, optional
        Of these rows, where asked many times.

    Returns
    -------
    Derivatives

    Notes
    -----
    S(lower) - S(upper) is the likelihood of an interval-censored time. With misclassified inspections, each period
    between them counts by the chance of the notes given that the soil dried in it. With w inspections that noted "not
    dry" before the first "dry", and over (1 - m)^w: 1 - m for the period between `lower` and `upper`, m for the one
    before and for all time after `upper`, m^2 / (1 - m) for the next before, and m^3 / (1 - m)^2 for all time before
    that, whose end is taken at the same distance as that between `previous` and `lower`. Derived here; checked against
    a simulation of the notes and by finite differences.
    """
    shape = np.exp(log_shape)
    m = float(special.expit(misclassified_logit))
    t, row, place = times or times_of(observed, np.arange(len(log_scale)))
    s, *slopes = (each[place] for each in _survival(family, t, log_scale[row], shape))
    u = 1 - m
    weight = np.array([m**3 / u**2, m**2 / u, m])
    by_m = np.array([m**2 * (3 - m) / u**3, (2 * m - m**2) / u**2, 1.0])
    by_mm = np.array([6 * m / u**4, 2 / u**3, 0.0])

    def coefficients(w: Array, last: float) -> Array:
        """Factors of the shares still moist at the four times, given the weights of the periods before `lower`."""
        return np.array([w[1] - w[0], w[2] - w[1], last - w[2], -last])

    def total(c: Array, of_times: Array) -> Array:
        return np.asarray(c[0] * of_times[0] + c[1] * of_times[1] + c[2] * of_times[2] + c[3] * of_times[3])

    # The share after `upper` counts m, that between `lower` and `upper` 1 - m.
    c, c_m, c_mm = coefficients(weight, 1 - m), coefficients(by_m, -1.0), coefficients(by_mm, 0.0)
    c[3] += m
    c_m[3] += 1.0
    p = np.maximum(weight[0] + total(c, s), TINY)
    dp = [total(c, each) for each in slopes[:2]]
    dm = by_m[0] + total(c_m, s)
    dmm = by_mm[0] + total(c_mm, s)
    ddp = [total(c, each) for each in slopes[2:]]  # scale-scale, scale-shape, shape-shape
    cross = [total(c_m, each) for each in slopes[:2]]
    slope = m * (1 - m)  # dm / dlogit
    curvature = slope * (1 - 2 * m)
    n_moist = observed.n_moist - np.isinf(observed.upper)
    gradient = np.stack([dp[0], dp[1], dm * slope]) / p
    first, second = gradient.copy(), np.empty((3, 3, p.size))
    pairs = {
        (0, 0): ddp[0],
        (0, 1): ddp[1],
        (1, 1): ddp[2],
        (0, 2): cross[0] * slope,
        (1, 2): cross[1] * slope,
        (2, 2): dmm * slope**2 + dm * curvature,
    }
    for (i, j), d2 in pairs.items():
        second[i, j] = second[j, i] = d2 / p - gradient[i] * gradient[j]
    first[2] -= n_moist * m
    second[2, 2] -= n_moist * slope
    return Derivatives(np.log(p) + n_moist * np.log1p(-m), first.T, second.transpose(2, 0, 1))


def log_density(
    family: str,
    observed: Observations,
    log_scale: Array,
    log_shape: float,
    misclassified_logit: float,
    times: Times | None = None,
) -> Array:
    """Value of `log_likelihood` of each row, without its derivatives.

    Parameters
    ----------
    family : {"Weibull", "log-logistic"}
    observed : Observations
    log_scale : numpy.ndarray, shape (rows,)
    log_shape, misclassified_logit : float
    times : Times, optional
        As in `log_likelihood`.

    Returns
    -------
    numpy.ndarray, shape (rows,)
    """
    m, shape = float(special.expit(misclassified_logit)), np.exp(log_shape)
    t, row, place = times or times_of(observed, np.arange(len(log_scale)))
    s = still_moist(family, t, log_scale[row], shape)[place]
    u = 1 - m
    # Shares that dried before each time, with the weight of the period that begins there less that of the one before.
    p = m**3 / u**2 * (1 - s[0]) + m**2 / u * (s[0] - s[1]) + m * (s[1] - s[2]) + u * (s[2] - s[3]) + m * s[3]
    n_moist = observed.n_moist - np.isinf(observed.upper)
    return np.asarray(np.log(np.maximum(p, TINY)) + n_moist * np.log1p(-m))


def _survival(family: str, t: Array, log_scale: Array, shape: float) -> tuple[Array, ...]:
    """Share still moist, its first (log scale, log shape) and second derivatives (both scale, mixed, both shape)."""
    inside = (t > 0) & np.isfinite(t)
    z = shape * (np.log(np.where(inside, t, 1.0)) - log_scale)
    if family == "Weibull":
        e = np.exp(np.minimum(z, 50.0))
        s = np.exp(-e)
        g1, g2 = -e * s, (e * e - e) * s
    else:
        s = special.expit(-z)
        g1 = -s * (1 - s)
        g2 = -g1 * (1 - 2 * s)
    g1, g2 = np.where(inside, g1, 0.0), np.where(inside, g2, 0.0)
    s = np.where(inside, s, np.where(t > 0, 0.0, 1.0))
    return s, -shape * g1, z * g1, shape**2 * g2, -shape * (g1 + z * g2), z * g1 + z * z * g2
