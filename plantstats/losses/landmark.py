"""What losses after earlier lists teach: how far to trust the loss model, and what scores and signs add to it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from plantstats.losses.design import Array, ModelError
from plantstats.losses.warning_signs import SIGNS

CONDITIONS = ("5", "4", "3", "1 or 2", "not noted")
# Standard deviations of coefficients before any loss is seen (design rules, as of log ratios): the level may differ by
# half; the loss model may say a quarter too much or too little; a score may make a chance some three times what it was.
# Of a sign, some 15% more or less: fifty losses tell a log ratio within 0.14, and five signs believed more readily
# would add noise.
LEVEL_SD, SLOPE_SD, CONDITION_SD, SIGN_SD = 0.5, 0.25, 1.0, 0.15
PRIOR_SD = np.array([LEVEL_SD, SLOPE_SD, *[CONDITION_SD] * len(CONDITIONS), *[SIGN_SD] * len(SIGNS)])
SLOPE, FIRST_CONDITION, FIRST_SIGN = 1, 2, 2 + len(CONDITIONS)
FARTHEST = 3.0  # standard deviations beyond which a sign says no more: no chance grows without bound
STEPS, LONGEST_STEP, SETTLED = 50, 1.0, 1e-12


class Landmark(NamedTuple):
    """Regression of losses within 90 days of earlier lists.

    Attributes
    ----------
    center : float
        Mean log hazard of the plants of earlier lists, weighted with what was expected of them.
    mean, sd : pandas.Series
        Of each sign among them.
    beta : numpy.ndarray, shape (columns,)
        Level, slope (what is added to 1), conditions, signs.
    covariance : numpy.ndarray, shape (columns, columns)
    """

    center: float
    mean: pd.Series
    sd: pd.Series
    beta: Array
    covariance: Array

    @property
    def power(self) -> float:
        """Power of what the loss model says: below 1 where plants differed less than it told."""
        return 1.0 + float(self.beta[SLOPE])

    @property
    def sign_beta(self) -> Array:
        """Log ratio of one standard deviation of each sign."""
        return self.beta[FIRST_SIGN:]

    @property
    def sign_variance(self) -> Array:
        """Variance of each of `sign_beta`."""
        return np.diag(self.covariance)[FIRST_SIGN:]

    def design(self, log_hazard: Array, state: pd.DataFrame) -> Array:
        """Rows of the regression; a sign not known says nothing, and none counts farther than `FARTHEST`.

        Parameters
        ----------
        log_hazard : numpy.ndarray, shape (plants,)
            By the loss model, over the 90 days.
        state : pandas.DataFrame
            condition and the signs, one row per plant.

        Returns
        -------
        numpy.ndarray, shape (plants, columns)
        """
        signs = ((state[list(SIGNS)] - self.mean) / self.sd).fillna(0.0).clip(-FARTHEST, FARTHEST)
        conditions = [state["condition"].eq(condition).to_numpy("float64") for condition in CONDITIONS]
        level = np.ones(len(state))
        return np.column_stack([level, log_hazard - self.center, *conditions, signs.to_numpy("float64")])

    def condition_ratios(self) -> pd.DataFrame:
        """How often plants of each last score were lost, against what their place alone leads to expect.

        Returns
        -------
        pandas.DataFrame
            One row per condition: condition, ratio, variance (of its log).
        """
        rows = np.zeros((len(CONDITIONS), len(self.beta)))
        rows[:, 0] = 1.0
        rows[:, FIRST_CONDITION:FIRST_SIGN] = np.eye(len(CONDITIONS))
        ratio = np.exp(rows @ self.beta)
        return pd.DataFrame({"condition": CONDITIONS, "ratio": ratio, "variance": self.variance_of(rows)})

    def variance_of(self, rows: Array) -> Array:
        """Variance of the log ratio of design rows.

        Parameters
        ----------
        rows : numpy.ndarray, shape (plants, columns)

        Returns
        -------
        numpy.ndarray, shape (plants,)
        """
        return np.asarray(((rows @ self.covariance) * rows).sum(axis=1))


def fit(earlier: pd.DataFrame, prior_sd: Array = PRIOR_SD) -> Landmark:
    """Learn from the losses after earlier lists.

    Parameters
    ----------
    earlier : pandas.DataFrame
        One row per plant and list: plants, lost, hazard (by a loss model that has not seen the losses of the list's 90
        days), condition and the signs.
    prior_sd : numpy.ndarray, shape (columns,), optional
        Standard deviation of each coefficient before any loss is seen.

    Returns
    -------
    Landmark

    Raises
    ------
    ModelError
        For a fit that does not settle; the posterior is concave, so that none should.

    Notes
    -----
    The lost of n plants are binomial with chance 1 - exp(-h exp(x'b)), h the hazard: a complementary log-log link, so
    that each exp(b) is a hazard ratio, and no chance is beyond 1. Coefficients are normal before any loss is seen, with
    mean 0; the mode of the posterior and its curvature are told (ridge regression: Hoerl and Kennard 1970,
    Technometrics 12:55, from memory). A loss model fitted to landmarks of time: van Houwelingen 2007, Scandinavian
    Journal of Statistics 34:70 (from memory). That the hazards come from models which have not seen the losses keeps
    the slope honest: predictions look better on the data that they were learned from (Copas 1983, Journal of the Royal
    Statistical Society B 45:311, from memory).

    Examples
    --------
    No loss, and hardly one expected, teaches nothing:

    >>> earlier = pd.DataFrame({"plants": 1, "lost": 0.0, "hazard": 1e-9, "condition": ["5", "4"]})
    >>> fit(earlier.assign(**dict.fromkeys(SIGNS, 0.0))).beta.round(3).tolist() == [0.0] * len(PRIOR_SD)
    True
    """
    names = list(SIGNS)
    n = earlier["plants"].to_numpy("float64")
    lost = np.minimum(earlier["lost"].to_numpy("float64"), n)
    log_hazard = np.log(earlier["hazard"].to_numpy("float64"))
    weight = earlier["hazard"].to_numpy("float64") * n
    center = float(weight @ log_hazard / weight.sum()) if len(earlier) else 0.0
    mean = earlier[names].mean().fillna(0.0)
    sd = earlier[names].std().where(lambda one: one > 0).fillna(1.0)
    precision = np.diag(prior_sd**-2.0)
    blank = Landmark(center, mean, sd, np.zeros(len(prior_sd)), np.diag(prior_sd**2))
    x = blank.design(log_hazard, earlier)
    beta, information = blank.beta, precision
    for _ in range(STEPS):
        hazard = np.exp(log_hazard + x @ beta)
        chance = -np.expm1(-hazard)
        # Fisher scoring: d chance / d eta = hazard exp(-hazard), variance n chance (1 - chance).
        information = (x * (n * hazard**2 * np.exp(-hazard) / chance)[:, None]).T @ x + precision
        step = np.linalg.solve(information, x.T @ ((lost - n * chance) * hazard / chance) - precision @ beta)
        beta = beta + np.clip(step, -LONGEST_STEP, LONGEST_STEP)
        if float(step @ information @ step) < SETTLED:
            break
    else:
        raise ModelError("what earlier lists told did not settle; the list rests on it")
    return blank._replace(beta=beta, covariance=np.asarray(np.linalg.inv(information), dtype="float64"))
