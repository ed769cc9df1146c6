"""How likely a trial of these sites is to see a difference, and what would suffice where it is not."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from plantstats.stats.alpha_spending import boundaries
from plantstats.stats.intervals import CONF_LEVEL
from plantstats.stats.sample_size import POWER, clusters_per_arm, stepped_wedge_power, t_test_power
from plantstats.trials.outcomes import DRY, LOSSES
from plantstats.trials.variation import Variation

CROSSOVER, PARALLEL = "crossover", "parallel"
DESIGNS = (CROSSOVER, PARALLEL)
# Counted weeks of a period among which a plan takes the shortest that suffices.
WEEKS = {CROSSOVER: (4, 6, 8, 12, 16, 26), PARALLEL: (13, 26, 52, 104)}
LEAST_PER_ARM, MOST_SITES = 2, 20_000
STOPPING_ALPHA = (1 - CONF_LEVEL) / 2  # one-sided error of the rule for stopping, over all looks
# Standard deviation of the effect between sites, as a share of the difference planned for: records made at unchanging
# intervals cannot tell it (no source).
EFFECT_SD = 0.5
STEPS = 4  # of a rollout in steps
WEEKS_OF_YEAR = 52


def standard_error(
    variation: Variation, design: str, intervals: tuple[int, int], sites: int, effect_sd: float = 0.0
) -> float:
    """Standard error with which a trial estimates longer less shorter interval.

    Parameters
    ----------
    variation : Variation
        Of the outcome in periods of the trial's length.
    design : str
        One of `DESIGNS`.
    intervals : tuple of int
        Shorter and longer, in days.
    sites : int
        All that take part; half of them (one more, where odd) in one arm or order.
    effect_sd : float
        Standard deviation of the effect itself between sites.

    Returns
    -------
    float

    Notes
    -----
    Crossover: half the difference of two means of paired differences. Parallel: a difference of two means.
    """
    shares = 1 / math.ceil(sites / 2) + 1 / (sites // 2)
    if design == CROSSOVER:
        of_difference = sum(variation.of_period(days) for days in intervals) + effect_sd**2
        return math.sqrt(of_difference * shares / 4)
    of_site = variation.between_sites + (sum(variation.of_period(days) for days in intervals) + effect_sd**2) / 2
    return math.sqrt(of_site * shares)


def power(variation: Variation, design: str, intervals: tuple[int, int], sites: int, difference: float) -> float:
    """Chance that a trial sees a difference.

    Parameters
    ----------
    variation : Variation
        Of the outcome in periods of the trial's length.
    design : str
        One of `DESIGNS`.
    intervals : tuple of int
        Shorter and longer, in days.
    sites : int
        All that take part.
    difference : float
        In the unit of the outcome.

    Returns
    -------
    float
        0 with fewer than two sites an arm.
    """
    if sites < 2 * LEAST_PER_ARM:
        return 0.0
    effect_sd = EFFECT_SD * difference
    if variation.outcome == LOSSES:
        # What sites vary in their rate grows with the rate: their effects' own variation is in it.
        variation, effect_sd = _with_more_losses(variation, difference), 0.0
    return t_test_power(difference, standard_error(variation, design, intervals, sites, effect_sd), sites - 2)


def _with_more_losses(variation: Variation, difference: float) -> Variation:
    """Variance grows with the rate: chance in proportion, what lies between sites by the square; the arms' mean."""
    times = 1 + difference / variation.mean
    chance = {days: value * (1 + times) / 2 for days, value in variation.chance.items()}
    between_sites = variation.between_sites * (1 + times**2) / 2
    return Variation(**{**vars(variation), "chance": chance, "between_sites": between_sites})


def sites_needed(variation: Variation, design: str, intervals: tuple[int, int], difference: float) -> int | None:
    """Fewest sites, as these are, with which a trial is likely enough to see a difference.

    Parameters
    ----------
    variation : Variation
        Of the outcome in periods of the trial's length.
    design : str
        One of `DESIGNS`.
    intervals : tuple of int
        Shorter and longer, in days.
    difference : float
        In the unit of the outcome.

    Returns
    -------
    int or None
        An even number; None where 20,000 would not do.

    Notes
    -----
    Losses in arms of their own: the formula of Hayes and Bennett; else the first number with the wanted power.
    """
    if variation.outcome == LOSSES:
        rate, more = variation.mean, variation.mean + difference
        # Chance is rate / time, so that this is the time of a site, in hundreds of plant-years as the rates are.
        time = rate / next(iter(variation.chance.values()))
        return 2 * math.ceil(clusters_per_arm(rate, more, time, math.sqrt(variation.between_sites) / rate))
    low, high = LEAST_PER_ARM, MOST_SITES // 2
    if power(variation, design, intervals, 2 * high, difference) < POWER:
        return None
    while low < high:
        middle = (low + high) // 2
        enough = power(variation, design, intervals, 2 * middle, difference) >= POWER
        low, high = (low, middle) if enough else (middle + 1, high)
    return 2 * low


@dataclass(frozen=True)
class Looks:
    """When harm is looked for: weeks of the counted time, shares of the information, limits in standard errors."""

    weeks: tuple[float, ...]
    fractions: tuple[float, ...]
    limits: tuple[float, ...]


def looks(dry: Variation, design: str, intervals: tuple[int, int], sites: int, weeks: int) -> Looks:
    """The looks at which a trial may be stopped for harm, and how much is known by each.

    Parameters
    ----------
    dry : Variation
        Of the share found dry, in periods of the trial's length or the longest that the records allow.
    design : str
        One of `DESIGNS`.
    intervals : tuple of int
        Shorter and longer, in days.
    sites : int
        All that take part.
    weeks : int
        Counted weeks of a period.

    Returns
    -------
    Looks
        Weeks count from the first counted day of the first period, without the washout between periods. Crossover: the
        middle and the end of the first period, and the end. Parallel: the thirds.

    Notes
    -----
    In a crossover the sites are compared with each other, given the share found dry in the year before, until the
    second period; then each with itself. Where a site's mean is one and the same in all periods, the estimate at the
    end is the least squares one even with the year before in hand, and its covariance with any earlier unbiased
    estimate is its own variance; so the shares of information (final variance / variance at the look) give the joint
    distribution that `alpha_spending.boundaries` supposes.
    """
    shares = 1 / math.ceil(sites / 2) + 1 / (sites // 2)

    def error(share: float) -> float:
        times = dry.weeks / (share * weeks)  # chance goes down with the length, what sites are does not
        chance = sum(dry.chance.values()) / 2
        before = dry.within + chance * dry.weeks / WEEKS_OF_YEAR
        unknown = dry.between_sites * before / (dry.between_sites + before) if dry.between_sites else 0.0
        return math.sqrt((unknown + dry.within + chance * times) * shares)

    if design == CROSSOVER:
        at = (weeks / 2, float(weeks), 2.0 * weeks)
        own = Variation(**{**vars(dry), "chance": {days: v * dry.weeks / weeks for days, v in dry.chance.items()}})
        errors = (error(0.5), error(1.0), standard_error(own, design, intervals, sites))
    else:
        at, errors = (weeks / 3, 2 * weeks / 3, float(weeks)), (error(1 / 3), error(2 / 3), error(1.0))
    fractions = np.minimum((errors[-1] / np.array(errors)) ** 2, 1.0)
    return Looks(at, tuple(fractions.tolist()), tuple(boundaries(fractions.tolist(), STOPPING_ALPHA)))


def rollout_power(variation: Variation, intervals: tuple[int, int], sites: int, difference: float) -> float:
    """Chance that a rollout in four steps, drawn by lot, sees the difference: where the change is decided anyway.

    Parameters
    ----------
    variation : Variation
        Of the outcome in periods of the length of a step.
    intervals : tuple of int
        Shorter and longer, in days.
    sites : int
        All that take part.
    difference : float
        In the unit of the outcome.

    Returns
    -------
    float
    """
    step = np.arange(sites) * STEPS // sites
    treated = np.arange(STEPS + 1)[None, :] > step[:, None]
    of_period = sum(variation.of_period(days) for days in intervals) / 2
    return stepped_wedge_power(treated, difference, math.sqrt(of_period), math.sqrt(variation.between_sites))


def of_percent(variation: Variation, percent: float) -> float:
    """A difference in the outcome's unit, from the way it is asked for.

    Parameters
    ----------
    variation : Variation
        Of the outcome.
    percent : float
        Points of dryness; of other outcomes, percent of their mean.

    Returns
    -------
    float
    """
    return percent if variation.outcome == DRY else variation.mean * percent / 100
