"""Whether cases follow one another within groups: the rate beside a recent case, and what chance makes of it."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from plantstats.stats.clusters import RateBetween
from plantstats.stats.intervals import CONF_LEVEL, Array
from plantstats.stats.mantel_haenszel import rate_ratio_within

Ints = npt.NDArray[np.intp]
ROUNDS_BETWEEN = 10  # rounds of exchange between two arrangements that are looked at
ROUNDS_BEFORE = 100  # before the first


class Cases(NamedTuple):
    """First cases, and the members of groups that might have been cases.

    Attributes
    ----------
    kind, group, step : numpy.ndarray of int, shape (cases,)
        Kind of case (each is followed apart), group, and step of time (whole numbers from 0).
    first, last : numpy.ndarray of int, shape (cases,)
        Steps between which each case's member was under observation, whether or not it was a case.
    at_risk : numpy.ndarray, shape (kinds, groups, steps)
        Members of each group that were observed and had not been a case of the kind before.
    """

    kind: Ints
    group: Ints
    step: Ints
    first: Ints
    last: Ints
    at_risk: Array

    def of_kind(self, kind: int) -> Cases:
        """Those of one kind alone.

        Parameters
        ----------
        kind : int
            Its number.

        Returns
        -------
        Cases
        """
        at = self.kind == kind
        zero = np.zeros(int(at.sum()), dtype=np.intp)
        return Cases(zero, self.group[at], self.step[at], self.first[at], self.last[at], self.at_risk[[kind]])


class ByChance(NamedTuple):
    """The ratio where dates are exchanged among cases: median, limits, and the share of arrangements at or above."""

    median: float
    low: float
    high: float
    p_value: float


def neighbour_ratio(cases: Cases, window: int, conf_level: float = CONF_LEVEL) -> RateBetween:
    """Rate of cases in groups that had one lately, over that of the other groups in the same steps.

    Parameters
    ----------
    cases : Cases
    window : int
        A group counts as having had one lately in the steps 1 to `window` after it.
    conf_level : float
        Confidence level.

    Returns
    -------
    RateBetween
        Compared within each kind and step alone; limits from leaving out each group in turn.

    Notes
    -----
    Cases of one step have no order: none counts as following another. Groups that fare worse than others for good raise
    the ratio too: hold it against `by_chance`.

    Examples
    --------
    Two groups of two, followed for two steps; in one a case follows a case:

    >>> zero, at = np.zeros(2, dtype=int), np.array([0, 1])
    >>> free = np.array([[[2.0, 1.0], [2.0, 2.0]]])
    >>> neighbour_ratio(Cases(zero, zero, at, zero, at, free), 1).clusters
    2
    """
    counts, exposed = _counts(cases, cases.step, window)
    kind, group, step = np.nonzero(cases.at_risk > 0)
    number, risk, recent = counts[kind, group, step], cases.at_risk[kind, group, step], exposed[kind, group, step]
    rows = pd.DataFrame(
        {
            "stratum": kind * cases.at_risk.shape[2] + step,
            "cluster": group,
            "events": np.where(recent, number, 0),
            "time": np.where(recent, risk, 0),
            "events_0": np.where(recent, 0, number),
            "time_0": np.where(recent, 0, risk),
        }
    )
    return rate_ratio_within(rows, conf_level)


def by_chance(
    cases: Cases, window: int, seed: int, arrangements: int = 199, conf_level: float = CONF_LEVEL
) -> ByChance:
    """What the ratio is when cases come independently, each group and each step with as many as it has.

    Parameters
    ----------
    cases : Cases
    window : int
        As in `neighbour_ratio`.
    seed : int
        Of the exchange.
    arrangements : int
        How many are looked at.
    conf_level : float
        Share of the arrangements between the limits.

    Returns
    -------
    ByChance

    Notes
    -----
    Dates are exchanged between cases of one kind, in pairs drawn by lot, where both members were under observation on
    the other's date. So groups keep their numbers and steps keep theirs, and only which group had its cases close
    together is left to chance. The arrangements are a Markov chain that begins with the one seen, under which all are
    alike likely.

    References
    ----------
    Mantel 1967, Cancer Research 27:209 (exchange of dates); Besag and Clifford 1989, Biometrika 76:633 (the chain),
    both from memory.

    Examples
    --------
    >>> zero, at = np.zeros(2, dtype=int), np.array([0, 1])
    >>> both = Cases(zero, at, at, zero, np.ones(2, dtype=int), np.array([[[2.0, 1.0], [2.0, 2.0]]]))
    >>> by_chance(both, 1, seed=1, arrangements=9).p_value
    1.0
    """
    rng = np.random.Generator(np.random.PCG64(seed))
    # Steps beyond the last, at which nobody is at risk, spare a question at every arrangement.
    cases = cases._replace(at_risk=np.pad(cases.at_risk, ((0, 0), (0, 0), (0, window))))
    given = cases.at_risk.sum(axis=1).ravel(), np.full(cases.at_risk.size, -1)
    seen = _ratio(cases, cases.step, window, *given)
    step = cases.step.copy()
    values = np.empty(arrangements)
    for number in range(arrangements):
        for order in _orders(cases, rng, ROUNDS_BEFORE if number == 0 else ROUNDS_BETWEEN):
            _exchange(cases, step, order)
        values[number] = _ratio(cases, step, window, *given)
    known = values[np.isfinite(values)]
    if not len(known) or not np.isfinite(seen):
        return ByChance(np.nan, np.nan, np.nan, 1.0)
    tail = (1 - conf_level) / 2
    low, middle, high = np.quantile(known, [tail, 0.5, 1 - tail])
    return ByChance(float(middle), float(low), float(high), float((1 + (known >= seen).sum()) / (1 + len(known))))


def _orders(cases: Cases, rng: np.random.Generator, rounds: int) -> Ints:
    """Cases in an order drawn by lot within their kind, for each round."""
    return (cases.kind + rng.random((rounds, len(cases.kind)))).argsort(axis=1)


def _exchange(cases: Cases, step: Ints, order: Ints) -> None:
    """One round: cases in pairs of one kind, each pair changing dates where both could have had the other's."""
    one, two = order[:-1:2], order[1::2]
    of_one, of_two = step[one], step[two]
    free = (
        (cases.kind[one] == cases.kind[two])
        & (of_two >= cases.first[one])
        & (of_two <= cases.last[one])
        & (of_one >= cases.first[two])
        & (of_one <= cases.last[two])
    )
    step[one], step[two] = np.where(free, of_two, of_one), np.where(free, of_one, of_two)


def _counts(cases: Cases, step: Ints, window: int) -> tuple[Array, npt.NDArray[np.bool_]]:
    """Cases by kind, group and step, and whether the group had one in the steps before."""
    counts: Array = np.zeros(cases.at_risk.shape)
    np.add.at(counts, (cases.kind, cases.group, step), 1)
    so_far = np.concatenate([np.zeros((len(counts), counts.shape[1], window + 1)), counts.cumsum(axis=2)], axis=2)
    n = counts.shape[-1]
    return counts, so_far[:, :, window : window + n] - so_far[:, :, :n] > 0


def _ratio(cases: Cases, step: Ints, window: int, of_all: Array, owner: Ints) -> float:
    """The ratio alone, without limits, from the steps after a case alone.

    `of_all`: at risk by kind and step, both with `window` steps more than there are; `owner`: -1 for each of those.
    """
    kinds, groups, n = cases.at_risk.shape
    of = cases.kind * n + step  # cases of one kind and step are compared with each other
    own, later = (cases.kind * groups + cases.group) * n + step, np.arange(1, window + 1)
    place = (own[:, None] + later).ravel()
    owner[place] = number = np.arange(len(place))
    once = owner[place] == number  # one step may follow several cases
    time = np.bincount((of[:, None] + later).ravel()[once], cases.at_risk.ravel()[place[once]], kinds * n)
    events, every = (np.bincount(of, weights, kinds * n) for weights in (owner[own] >= 0, None))
    owner[place] = -1
    events_0, time_0 = every - events, of_all - time
    both_sides = (time > 0) & (time_0 > 0)
    both = np.where(both_sides, time + time_0, 1.0)
    below = np.where(both_sides, events_0 * time / both, 0.0).sum()
    return float(np.where(both_sides, events * time_0 / both, 0.0).sum() / below) if below > 0 else np.nan
