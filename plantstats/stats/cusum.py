"""Cumulative sums of likelihood ratios of counts, and how long such a chart runs until it signals.

A chart adds up the evidence, week after week, that counts come from a higher mean than expected; it signals at a
threshold, and begins again at zero. How often it signals without a rise, and how late after one, follows from a Markov
chain over its values.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from scipy import optimize, special

from plantstats.stats.intervals import Array

STATES = 80  # values of the chart in the chain; with 1,000 run lengths of charts as used here move by up to 4%
ROUNDING = 1e-9
LEAK = 1e-12
MOST_SCORES = 200  # counts beyond so many are taken together
NODES = 3  # of the quadrature over how well the expectation is known
POISSON_BELOW = 1e-6  # dispersion nearer to 1 is none
LOW, HIGH = 0.2, 40.0  # thresholds between which one is sought


class Steps(NamedTuple):
    """What one week may add to a chart.

    Attributes
    ----------
    scores : numpy.ndarray
    probabilities : numpy.ndarray
        Of the scores; they add up to 1.
    """

    scores: Array
    probabilities: Array


class Chart(NamedTuple):
    """A chart week by week.

    Attributes
    ----------
    statistic : numpy.ndarray
        Its value at each week's end, before it begins again after a signal.
    signal : numpy.ndarray of bool
        Weeks in which it reached the threshold.
    first : numpy.ndarray of int
        Of each week the number of the first week after the chart last stood at zero.
    """

    statistic: Array
    signal: np.ndarray
    first: np.ndarray


class CountDistribution(NamedTuple):
    """Negative binomial distribution of counts; Poisson at a dispersion of 1.

    Attributes
    ----------
    mean : float
        Above 0.
    dispersion : float
        Variance / mean, 1 or more.

    Notes
    -----
    Size mean / (dispersion - 1), probability 1 / dispersion. A few lines here are ten times as fast as frozen
    distributions of scipy, and a year of charts asks for thousands.

    Examples
    --------
    >>> one, x = CountDistribution(4.0, 2.0), np.arange(200.0)
    >>> chance = np.exp(one.logpmf(x))
    >>> round(float(x @ chance), 6), round(float((x - 4) ** 2 @ chance), 6)
    (4.0, 8.0)
    """

    mean: float
    dispersion: float = 1.0

    @property
    def size(self) -> float:
        """Of the negative binomial; infinite for Poisson."""
        return self.mean / (self.dispersion - 1) if self.dispersion > 1 + POISSON_BELOW else np.inf

    def logpmf(self, counts: Array) -> Array:
        """Log probability of each count.

        Parameters
        ----------
        counts : numpy.ndarray
            Whole numbers, 0 or more.

        Returns
        -------
        numpy.ndarray
        """
        x = np.asarray(counts, dtype="float64")
        if np.isinf(self.size):
            return np.asarray(x * np.log(self.mean) - self.mean - special.gammaln(x + 1))
        way = special.gammaln(x + self.size) - special.gammaln(self.size) - special.gammaln(x + 1)
        return np.asarray(way - self.size * np.log(self.dispersion) + x * np.log1p(-1 / self.dispersion))

    def cdf(self, counts: Array) -> Array:
        """Probability of each count or fewer.

        Parameters
        ----------
        counts : numpy.ndarray
            Whole numbers; below 0 the probability is 0.

        Returns
        -------
        numpy.ndarray
        """
        x = np.maximum(np.asarray(counts, dtype="float64"), 0.0)
        below = (
            special.pdtr(x, self.mean)
            if np.isinf(self.size)
            else special.betainc(self.size, x + 1, 1 / self.dispersion)
        )
        return np.where(np.asarray(counts) < 0, 0.0, below)

    def ends(self) -> tuple[int, int]:
        """Counts outside of which next to nothing lies: eight standard deviations, and the longer tail above.

        Returns
        -------
        low, high : int
        """
        half_width = 8 * np.sqrt(self.mean * self.dispersion)
        return max(int(self.mean - half_width), -1), int(self.mean + half_width + 20 * self.dispersion) + 1

    def sample(self, n: int, rng: np.random.Generator) -> Array:
        """Counts by chance.

        Parameters
        ----------
        n : int
        rng : numpy.random.Generator

        Returns
        -------
        numpy.ndarray, shape (n,)
        """
        if np.isinf(self.size):
            return rng.poisson(self.mean, n).astype("float64")
        return rng.negative_binomial(self.size, 1 / self.dispersion, n).astype("float64")


def log_likelihood_ratio(counts: Array, usual: Any, raised: Any) -> Array:
    """Evidence of each count for the raised against the usual distribution.

    Parameters
    ----------
    counts : numpy.ndarray
    usual, raised : CountDistribution
        Or another with `logpmf`, such as those of scipy.stats.

    Returns
    -------
    numpy.ndarray
        log f(x; raised) - log f(x; usual).

    References
    ----------
    Negative binomial counts: Höhle and Paul 2008, Computational Statistics and Data Analysis 52:4357. Of single
    outcomes (Bernoulli) these are the weights of Steiner, Cook, Farewell and Treasure 2000, Biostatistics 1:441.

    Examples
    --------
    Poisson, twice the mean of 3: x log 2 - 3.

    >>> log_likelihood_ratio(np.array([5.0]), CountDistribution(3.0), CountDistribution(6.0)).round(4).tolist()
    [0.4657]
    """
    x = np.asarray(counts, dtype="float64")
    return np.asarray(raised.logpmf(x) - usual.logpmf(x))


def cusum(scores: Array, threshold: float) -> Chart:
    """Add up scores, never below zero; signal at the threshold and begin again at zero.

    Parameters
    ----------
    scores : numpy.ndarray
        One a week.
    threshold : float

    Returns
    -------
    Chart

    Notes
    -----
    S = max(0, S + score); a signal where S >= threshold, after which S is 0.

    References
    ----------
    Page 1954, Biometrika 41:100 (from memory); Lucas 1985, Technometrics 27:129.

    Examples
    --------
    >>> cusum(np.array([-1.0, 2.0, 1.5, 1.0]), 3.0).statistic.tolist()
    [0.0, 2.0, 3.5, 1.0]
    """
    statistic, first, value, began = np.zeros(len(scores)), np.zeros(len(scores), dtype=np.intp), 0.0, 0
    for week, score in enumerate(scores):
        if value <= 0:
            began = week
        value = max(0.0, value + float(score))
        statistic[week], first[week] = value, began
        if value >= threshold:
            value = 0.0
    return Chart(statistic, statistic >= threshold, first)


def steps(mean: float, dispersion: float, ratio: float, truth: float = 1.0) -> Steps:
    """What a week with this expectation may add to a chart for a rise of this ratio.

    Parameters
    ----------
    mean : float
        Expected count.
    dispersion : float
        Variance / mean.
    ratio : float
        The rise that the chart is made for.
    truth : float
        What the mean truly is, times the expected one.

    Returns
    -------
    Steps

    Examples
    --------
    Without a rise the evidence for one falls on average:

    >>> week = steps(4.0, 1.5, 2.0)
    >>> bool(week.scores @ week.probabilities < 0)
    True
    """
    true = CountDistribution(truth * mean, dispersion)
    low, high = true.ends()
    # Counts by themselves, or in groups (low, high] of like size where there are many.
    ends = np.unique(np.linspace(low, high, min(high - low, MOST_SCORES) + 1).round())
    share = np.diff(true.cdf(ends))
    middle = np.ceil((ends[:-1] + ends[1:]) / 2)
    usual, raised = (CountDistribution(one * mean, dispersion) for one in (1.0, ratio))
    scores = log_likelihood_ratio(middle, usual, raised)
    return Steps(scores, share / share.sum())


def run_lengths(pattern: Sequence[Steps], threshold: float, head_start: float = 0.0, states: int = STATES) -> Array:
    """Mean number of weeks until a chart signals, begun in each week of a pattern that repeats itself.

    Parameters
    ----------
    pattern : sequence of Steps
        One a week, such as those of a year; one alone where all weeks are alike.
    threshold : float
    head_start : float
        Value with which the chart begins.
    states : int
        Values of the chart in the chain, threshold / states apart.

    Returns
    -------
    numpy.ndarray, shape (weeks,)

    Notes
    -----
    L_t(s) = 1 + sum of p L_{t+1}(s') over scores, s' = max(0, s + score), without those of s' >= threshold. A value
    between two states is divided between them so that its mean stays; where all values are states the chain is exact.

    References
    ----------
    Brook and Evans 1972, Biometrika 59:539; counts: Lucas 1985, Technometrics 27:129.

    Examples
    --------
    Poisson counts of mean 0.25, reference value 0.25, threshold 10: 438 (Lucas 1985, Table 2).

    >>> counts = np.arange(12.0)
    >>> week = Steps(counts - 0.25, np.exp(CountDistribution(0.25).logpmf(counts)))
    >>> round(float(run_lengths([week], 10.0, states=40)[0]))
    438
    """
    known = {id(week): _transitions(week, threshold, states) for week in {id(w): w for w in pattern}.values()}
    moves = [known[id(week)] for week in pattern]
    sum_of_ones, product = np.zeros(states), np.eye(states)
    for move in reversed(moves):
        sum_of_ones, product = 1 + move @ sum_of_ones, move @ product
    # A chart that next to never signals: run lengths end at 1e12 years rather than in a singular matrix.
    length = np.linalg.solve((1 + LEAK) * np.eye(states) - product, sum_of_ones)
    position = head_start * states / threshold
    lengths = np.empty(len(moves))
    for week in range(len(moves) - 1, -1, -1):
        length = 1 + moves[week] @ length
        lengths[week] = np.interp(position, np.arange(states), length)
    return lengths


def _transitions(week: Steps, threshold: float, states: int) -> Array:
    """Probability of each state after each; rows lose what signals."""
    at = np.maximum(np.arange(states)[:, None] + week.scores * states / threshold, 0.0)
    # A state on the lattice is met in spite of rounding; what lies between the last one and the threshold stays.
    below = np.minimum(np.floor(at + ROUNDING).astype(np.intp), states - 1)
    part = np.where(below < states - 1, np.clip(at - below, 0.0, 1.0), 0.0)
    stays = np.where(at < states - ROUNDING, week.probabilities, 0.0)
    origin = np.arange(states)[:, None] * states
    moves = np.zeros(states * states)
    for target, mass in ((below, 1 - part), (np.minimum(below + 1, states - 1), part)):
        moves += np.bincount((origin + target).ravel(), (mass * stays).ravel(), len(moves))
    return moves.reshape(states, states)


def year_of_steps(means: Array, dispersion: float, ratio: float, truth: float = 1.0) -> list[Steps]:
    """The steps of each week of a year (see `steps`), made once for weeks of like expectation.

    Parameters
    ----------
    means : numpy.ndarray
        Expected counts of the weeks.
    dispersion, ratio, truth : float
        As in `steps`.

    Returns
    -------
    list of Steps

    Examples
    --------
    >>> first, second = year_of_steps(np.array([2.0, 2.0]), 1.0, 2.0)
    >>> first is second
    True
    """
    alike = {mean: steps(mean, dispersion, ratio, truth) for mean in np.unique(means).tolist()}
    return [alike[mean] for mean in means.tolist()]


def weeks_to_signal(means: Array, dispersion: float, ratio: float, threshold: float, truth: float) -> Array:
    """Mean number of weeks until a chart signals when the true mean is a multiple of the expected one.

    Parameters
    ----------
    means : numpy.ndarray
        Expected counts of the weeks of a year (or one for all).
    dispersion, ratio : float
        As in `steps`.
    threshold : float
    truth : float
        The multiple; 1 for false alarms.

    Returns
    -------
    numpy.ndarray, shape (weeks,)
        Begun in each of the weeks.

    Examples
    --------
    >>> round(float(weeks_to_signal(np.array([5.0]), 1.0, 1.5, 3.5, 1.5)[0]), 1)
    7.0
    """
    return run_lengths(year_of_steps(means, dispersion, ratio, truth), threshold)


class Truths(NamedTuple):
    """Years that may be true, where the expectation is not exactly known.

    Attributes
    ----------
    years : list of list of Steps
    weights : numpy.ndarray
        Of each; they add up to 1.
    """

    years: list[list[Steps]]
    weights: Array


def truths(means: Array, dispersion: float, ratio: float, log_variance: float = 0.0) -> Truths:
    """Years without a rise, over what the expectation may truly be.

    Parameters
    ----------
    means, dispersion, ratio
        As in `weeks_to_signal`.
    log_variance : float
        Of the log of the expectation: how well it is known.

    Returns
    -------
    Truths

    Notes
    -----
    A log-normal multiple of mean 1, by Gauss-Hermite quadrature.

    Examples
    --------
    >>> truths(np.array([2.0]), 1.0, 2.0, 0.04).weights.round(4).tolist()
    [0.1667, 0.6667, 0.1667]
    """
    at, weight = np.polynomial.hermite_e.hermegauss(NODES if log_variance > 0 else 1)
    multiples = np.exp(np.sqrt(log_variance) * at - log_variance / 2)
    return Truths([year_of_steps(means, dispersion, ratio, one) for one in multiples.tolist()], weight / weight.sum())


def false_alarms(of: Truths, threshold: float) -> float:
    """False alarms a week of a chart: the mean of 1 / (mean run length) over what may be true.

    Parameters
    ----------
    of : Truths
    threshold : float

    Returns
    -------
    float

    Examples
    --------
    >>> year = truths(np.array([5.0]), 1.0, 1.5)
    >>> round(1 / false_alarms(year, 3.7))
    257
    """
    rates = [1 / float(np.mean(run_lengths(year, threshold))) for year in of.years]
    return float(np.average(rates, weights=of.weights))


def threshold_for(of: Truths, weeks: float) -> float:
    """The threshold at which a chart gives one false alarm in so many weeks.

    Parameters
    ----------
    of : Truths
    weeks : float
        Between false alarms, on average.

    Returns
    -------
    float
        Between `LOW`, where false alarms are rarer still, and `HIGH`, where none keeps them so rare.

    Examples
    --------
    >>> h = threshold_for(truths(np.array([5.0]), 1.0, 1.5), 260)
    >>> round(float(weeks_to_signal(np.array([5.0]), 1.0, 1.5, h, 1.0)[0]))
    260
    """

    def behind(threshold: float) -> float:
        return np.log(weeks * false_alarms(of, threshold))

    low, high = LOW, 2.0
    while high < HIGH and behind(high) > 0:
        low, high = high, 1.6 * high
    if behind(low) <= 0:
        return low
    return float(optimize.brentq(behind, low, high, xtol=2e-3)) if behind(high) < 0 else high
