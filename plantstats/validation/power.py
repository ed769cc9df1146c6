"""Chance that the review sees a worsening, by the size of the company: exact, from the laws of the tests it uses."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from plantstats.stats.intervals import CONF_LEVEL
from plantstats.stats.rates import DAYS_PER_100_YEARS

QUARTER_DAYS = 365.25 / 4
SIZES = (200, 1_000, 5_000)
TIMES = 1.5
AGAINST_LAST_YEAR, AGAINST_EXPECTED = "against the same quarter last year", "against expected losses known exactly"


def seen_against_last_year(plants: float, rate: float, times: float = TIMES, conf_level: float = CONF_LEVEL) -> float:
    """Chance that the interval of the ratio to last year's quarter lies above 1.

    Parameters
    ----------
    plants : float
        At risk all quarter, in both years.
    rate : float
        Losses per 100 plant-years, last year.
    times : float, optional
        As many losses now.
    conf_level : float, optional
        Confidence level, between 0 and 1.

    Returns
    -------
    float
        A chance between 0 and 1.

    Notes
    -----
    Both counts are Poisson; given their sum n the lower limit is above 1 where the upper tail of the binomial (n, 1/2)
    at this year's count is below (1 - conf_level) / 2 (`rates.rate_ratio`). Summed over n exactly.
    """
    before = plants * QUARTER_DAYS * rate / DAYS_PER_100_YEARS
    total = before * (1 + times)
    n = np.arange(int(stats.poisson.ppf(1 - 1e-12, total)) + 1)
    # The greatest count of which the tail beyond it is still too heavy.
    k = stats.binom.isf((1 - conf_level) / 2, n, 0.5)
    beyond = stats.binom.sf(k, n, times / (1 + times))
    return float(np.sum(stats.poisson.pmf(n, total) * beyond))


def seen_against_expected(plants: float, rate: float, times: float = TIMES, conf_level: float = CONF_LEVEL) -> float:
    """Chance that losses divided by expected losses lie above 1 with their whole interval.

    The expectation is taken as exact and the sites as alike; what is learned from few quarters, and sites that differ,
    make it less.

    Parameters
    ----------
    plants : float
        At risk all quarter.
    rate : float
        Losses per 100 plant-years that are expected.
    times : float, optional
        As many losses now.
    conf_level : float, optional
        Confidence level, between 0 and 1.

    Returns
    -------
    float
        A chance between 0 and 1.

    Notes
    -----
    The lower exact limit of a count is above the expectation where the Poisson tail from the count on is below (1 -
    conf_level) / 2.

    References
    ----------
    Garwood 1936, Biometrika 28:437.
    """
    expected = plants * QUARTER_DAYS * rate / DAYS_PER_100_YEARS
    beyond = stats.poisson.isf((1 - conf_level) / 2, expected)
    return float(stats.poisson.sf(beyond, times * expected))


def smallest_seen(plants: float, rate: float, chance: float = 0.8) -> float:
    """Multiple of the expected losses that a quarter must bring to be called worse with this chance.

    Parameters
    ----------
    plants : float
        At risk all quarter.
    rate : float
        Losses per 100 plant-years that are expected.
    chance : float, default 0.8
        Between 0 and 1.

    Returns
    -------
    float
        A multiple; the expectation is taken as exact, as in `seen_against_expected`.
    """
    expected = plants * QUARTER_DAYS * rate / DAYS_PER_100_YEARS
    needed = stats.poisson.isf((1 - CONF_LEVEL) / 2, expected) + 1
    # P(Poisson(m) >= needed) = P(Gamma(needed) <= m).
    return float(stats.gamma.ppf(chance, needed) / expected)


def table(rates: tuple[float, ...] = (8.0, 16.0), sizes: tuple[int, ...] = SIZES, times: float = TIMES) -> pd.DataFrame:
    """Chances to see a worsening in one quarter.

    Parameters
    ----------
    rates : tuple of float, optional
        Losses per 100 plant-years.
    sizes : tuple of int, optional
        Plants.
    times : float, optional
        As many losses as expected.

    Returns
    -------
    pandas.DataFrame
        One row per test, rate and size: test, rate (per 100 plant-years), plants, expected (losses of the quarter
        at that rate), chance; and smallest_seen with 80% chance.
    """
    return pd.DataFrame(
        [
            {
                "test": name,
                "rate": rate,
                "plants": plants,
                "expected": plants * QUARTER_DAYS * rate / DAYS_PER_100_YEARS,
                "times": times,
                "chance": chance(plants, rate, times),
                "smallest_seen": smallest_seen(plants, rate),
            }
            for name, chance in ((AGAINST_LAST_YEAR, seen_against_last_year), (AGAINST_EXPECTED, seen_against_expected))
            for rate in rates
            for plants in sizes
        ]
    )
