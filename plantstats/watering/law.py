"""Likelihood of a drying time that is known only between two looks, where a look may be misread."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import special

Array = npt.NDArray[Any]
LAWS = ("Weibull", "log-logistic")
TINY = 1e-290


class Known(NamedTuple):
    """What is known of each distinct spell. Days since watering; `high` infinite: not found dry."""

    earlier: Array  # the look before `low`; 0: none
    low: Array  # last look that found the topsoil not dry; 0: none
    high: Array  # first look that found it dry
    wet_looks: Array
    n: Array  # spells


class Derivatives(NamedTuple):
    """Log-likelihood per row with its first and second derivatives by log scale, log shape and misread (logit)."""

    value: Array
    first: Array  # rows x 3
    second: Array  # rows x 3 x 3


def still_moist(law: str, t: npt.ArrayLike, log_scale: npt.ArrayLike, shape: npt.ArrayLike) -> Array:
    """Share of plants whose topsoil is not yet dry t days after watering.

    Takes:  law: "Weibull" or "log-logistic"; log_scale: log of the scale (Weibull: 63.2% are dry by then;
            log-logistic: half); shape: the larger, the more alike the plants.
    Gives:  a share; 1 at t = 0.
    Source: exp(-(t/scale)^shape); 1 / (1 + (t/scale)^shape).
    """
    with np.errstate(divide="ignore", over="ignore"):
        z = np.asarray(shape) * (np.log(np.asarray(t, dtype=float)) - np.asarray(log_scale))
        return np.exp(-np.exp(z)) if law == "Weibull" else special.expit(-z)


def days_until_dry(law: str, share: float, log_scale: npt.ArrayLike, shape: npt.ArrayLike) -> Array:
    """Days after watering by which the topsoil of this share of plants is dry: the inverse of `still_moist`."""
    odds = -np.log1p(-share) if law == "Weibull" else share / (1 - share)
    return np.exp(np.asarray(log_scale) + np.log(odds) / np.asarray(shape))


def log_likelihood(law: str, known: Known, log_scale: Array, log_shape: float, misread_logit: float) -> Derivatives:
    """Log-likelihood of each row, not yet times its number of spells.

    Takes:  log_scale per row; log_shape; misread_logit: logit of the share m of looks that note dry for not dry or
            the reverse (far below 0: none).
    Gives:  Derivatives.
    Source: S(low) - S(high) is the likelihood of an interval-censored time. With misread looks, each period between
            looks counts by the chance of the notes given that the soil dried in it. With w looks that noted "not
            dry" before the first "dry", and over (1 - m)^w: 1 - m for the period between `low` and `high`, m for
            the one before and for all time after `high`, m^2 / (1 - m) for the next before, and m^3 / (1 - m)^2 for
            all time before that, whose end is taken at the same distance as that between `earlier` and `low`.
            Derived here; checked against a simulation of the notes and by finite differences.
    """
    shape = np.exp(log_shape)
    m = float(special.expit(misread_logit))
    before = np.maximum(2 * known.earlier - known.low, 0.0)
    s, s1, s2 = _law(law, np.stack([before, known.earlier, known.low, known.high]), log_scale, shape)
    u = 1 - m
    weight = np.array([m**3 / u**2, m**2 / u, m])
    by_m = np.array([m**2 * (3 - m) / u**3, (2 * m - m**2) / u**2, 1.0])
    by_mm = np.array([6 * m / u**4, 2 / u**3, 0.0])

    def coefficients(w: Array, last: float) -> Array:
        """Factors of the shares still moist at the four times, given the weights of the periods before `low`."""
        return np.array([w[1] - w[0], w[2] - w[1], last - w[2], -last])[:, None]

    # The share after `high` counts m, that between `low` and `high` 1 - m.
    c, c_m, c_mm = coefficients(weight, 1 - m), coefficients(by_m, -1.0), coefficients(by_mm, 0.0)
    c[3] += m
    c_m[3] += 1.0
    p = np.maximum(weight[0] + (c * s).sum(0), TINY)
    dp = np.stack([(c * s1[k]).sum(0) for k in range(2)])
    dm = by_m[0] + (c_m * s).sum(0)
    dmm = by_mm[0] + (c_mm * s).sum(0)
    ddp = np.stack([(c * s2[k]).sum(0) for k in range(3)])  # ee, et, tt
    cross = np.stack([(c_m * s1[k]).sum(0) for k in range(2)])
    slope = m * (1 - m)  # dm / dlogit
    rows = p.size
    first, second = np.empty((rows, 3)), np.empty((rows, 3, 3))
    g = np.stack([dp[0], dp[1], dm * slope]) / p
    first[:] = g.T
    wet = known.wet_looks - np.isinf(known.high)
    value = np.log(p) + wet * np.log1p(-m)
    bend = m * (1 - m) * (1 - 2 * m)
    pairs = {
        (0, 0): ddp[0],
        (0, 1): ddp[1],
        (1, 1): ddp[2],
        (0, 2): cross[0] * slope,
        (1, 2): cross[1] * slope,
        (2, 2): dmm * slope**2 + dm * bend,
    }
    for (i, j), d2 in pairs.items():
        second[:, i, j] = second[:, j, i] = d2 / p - g[i] * g[j]
    first[:, 2] -= wet * m
    second[:, 2, 2] -= wet * m * (1 - m)
    return Derivatives(value, first, second)


def _law(law: str, t: Array, log_scale: Array, shape: float) -> tuple[Array, list[Array], list[Array]]:
    """Share still moist, its first (log scale, log shape) and second derivatives (ee, et, tt)."""
    inside = (t > 0) & np.isfinite(t)
    z = shape * (np.log(np.where(inside, t, 1.0)) - log_scale)
    if law == "Weibull":
        e = np.exp(np.minimum(z, 50.0))
        s = np.exp(-e)
        g1, g2 = -e * s, (e * e - e) * s
    else:
        s = special.expit(-z)
        g1 = -s * (1 - s)
        g2 = -g1 * (1 - 2 * s)
    g1, g2 = np.where(inside, g1, 0.0), np.where(inside, g2, 0.0)
    s = np.where(inside, s, np.where(t > 0, 0.0, 1.0))
    return s, [-shape * g1, z * g1], [shape**2 * g2, -shape * (g1 + z * g2), z * g1 + z * z * g2]
