"""Interval-censored survival with delayed entry: the Turnbull estimate."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from plantstats.stats.intervals import Array

Codes = npt.NDArray[np.intp]

STILL = 1e-9  # gain of the mean log likelihood per round below which the fit has come to rest
MAX_ROUNDS = 20_000
# A mass that is so small a part of the largest, and falls, is in no sum any more; from time to time they are left out.
VANISHED, TIDIED_EVERY = 1e-30, 100


class TurnbullFit(NamedTuple):
    """Where events lie: mass[j] in the days (left[j], right[j]]; log_likelihood of the fit."""

    left: Array
    right: Array
    mass: Array
    log_likelihood: float


class IntervalError(ValueError):
    """Intervals that cannot be."""


class NoAnswerError(IntervalError):
    """Intervals that leave the fit nowhere to rest: too few plants watched while others were lost."""


def fit_turnbull(left: npt.ArrayLike, right: npt.ArrayLike, entry: npt.ArrayLike | None = None) -> TurnbullFit:
    """Spread the events over the intervals in which they happened.

    Parameters
    ----------
    left, right : array_like
        Each event lies in (left, right]; right = inf for a lifetime without event by `left`.
    entry : array_like, optional
        Age at which the subject came under observation (it was alive then); 0 without.

    Returns
    -------
    TurnbullFit
        Masses over the smallest intervals that the data can tell apart; inside one, nothing says when. With late entry
        the masses are those of subjects alive at the earliest entry.

    Raises
    ------
    IntervalError
        For left >= right or left < entry.
    NoAnswerError
        For a fit that does not come to rest.

    References
    ----------
    Turnbull 1976, JRSS B 38:290: self-consistency by expectation and maximisation, with as many unseen subjects as the
    late entries imply; the intervals as corrected by Frydman 1994, JRSS B 56:71 (entries too close an interval).

    Examples
    --------
    >>> fit = fit_turnbull([0, 2, 4], [2, 6, 6])
    >>> fit.left.tolist(), fit.right.tolist(), fit.mass.round(3).tolist()
    ([0.0, 4.0], [2.0, 6.0], [0.333, 0.667])
    """
    lo, hi = np.asarray(left, dtype="float64"), np.asarray(right, dtype="float64")
    since = np.zeros_like(lo) if entry is None else np.asarray(entry, dtype="float64")
    if not (np.all(lo < hi) and np.all(lo >= since) and np.all(since >= 0)):
        raise IntervalError("each loss needs last seen alive < found, and last seen alive no earlier than entry")
    begin, end = _innermost(lo, hi, since)
    n = len(begin)
    # Of the masses, numbers first to last - 1 lie in a plant's interval, and those from its entry on where it could be
    # seen at all.
    first = np.concatenate([np.searchsorted(begin, lo, side="left"), np.searchsorted(end, since, side="right")])
    last = np.concatenate([np.searchsorted(end, hi, side="right"), np.full(len(lo), n)])
    entered = np.repeat([0.0, 1.0], len(lo))
    ends, edges, weights = _weighed_together(first, last, 1 - 2 * entered, entered)
    mass, total, kept, before = np.full(n, 1 / n), np.zeros(n + 1), np.arange(n), -np.inf
    settled, factor = STILL * len(lo), mass
    with np.errstate(divide="ignore", invalid="ignore"):  # of what nothing is left of
        for number in range(1, MAX_ROUNDS + 1):
            if not number % TIDIED_EVERY:
                left_over = (mass > VANISHED * mass.max()) | (factor >= factor.mean())
                if not left_over.all():
                    mass, kept, total = mass[left_over], kept[left_over], np.zeros(left_over.sum() + 1)
                    first, last = np.append(0, left_over.cumsum()).take(ends)
                    ends, edges, weights = _weighed_together(first, last, weights[0], weights[2])
            mass.cumsum(out=total[1:])
            low, high = total.take(ends)
            seen = high - low
            log_likelihood = float(weights[0] @ np.log(seen))
            if not math.isfinite(log_likelihood):
                raise NoAnswerError(
                    "too few plants watched at the first losses; follow from a later start_age "
                    "(survival.safe_start offers one)"
                )
            if log_likelihood - before < settled:
                whole = np.zeros(n)
                whole[kept] = mass / total[-1]
                return TurnbullFit(begin, end, whole, log_likelihood)
            before = log_likelihood
            # Each plant spreads a loss over its interval, and 1 / seen - 1 unseen ones over the days before its entry.
            factor = np.bincount(edges, (weights / seen).ravel(), len(total)).cumsum()[:-1]
            # The likelihood knows no scale, so that the masses need none until the end.
            mass *= factor
    raise NoAnswerError(f"the estimate did not settle in {MAX_ROUNDS} rounds; follow from a later start_age")


def _weighed_together(first: Codes, last: Codes, times: Array, entered: Array) -> tuple[Codes, Codes, Array]:
    """Ends of the sums of masses first to last - 1, each once; where what they weigh begins and ends, and how much."""
    n = int(last.max()) + 1
    pairs, number = np.unique(first * n + last, return_inverse=True)
    ends = np.array(np.divmod(pairs, n))
    seen, unseen = np.bincount(number, times), np.bincount(number, entered)
    # What could have been seen weighs on all masses, less those from the entry on.
    return ends, np.append(ends, np.zeros_like(pairs)), np.array([seen, -seen, unseen])


def curve(fit: TurnbullFit, ages: npt.ArrayLike, start_age: float = 0) -> pd.DataFrame:
    """Survival at given ages between the bounds that the data leave.

    Parameters
    ----------
    fit : TurnbullFit
    ages : array_like
        In days.
    start_age : float
        Of those alive at it.

    Returns
    -------
    pandas.DataFrame
        One row per age: age_days, estimate (mass spread evenly over its interval), low, high (all mass of the interval
        at its beginning, or at its end: not a confidence interval).

    Examples
    --------
    A third of the losses lie within 2 days, the rest between day 4 and 6:

    >>> fit = fit_turnbull([0, 2, 4], [2, 6, 6])
    >>> curve(fit, [2, 5]).round(3).values.tolist()
    [[2.0, 0.667, 0.667, 0.667], [5.0, 0.333, 0.0, 0.667]]
    """
    at = np.asarray(ages, dtype="float64")
    finite = np.isfinite(fit.right)
    width = np.where(finite, fit.right - fit.left, np.inf)

    def alive(when: Array) -> tuple[Array, ...]:
        done = np.clip((when[:, None] - fit.left) / width, 0, 1)
        shares = (done, when[:, None] > fit.left, when[:, None] >= fit.right)
        return tuple(1 - share @ fit.mass for share in shares)

    base = alive(np.array([start_age]))[0][0]
    estimate, low, high = (np.clip(value / base, 0, 1) for value in alive(at))
    return pd.DataFrame({"age_days": at, "estimate": estimate, "low": low, "high": high})


def _innermost(lo: Array, hi: Array, since: Array) -> tuple[Array, Array]:
    """Intervals that begin at a left end and stop at the next end that closes one, with no left end between."""
    begins = np.unique(lo)
    closes = np.unique(np.concatenate([hi, since[since > 0]]))
    stops = closes[np.minimum(np.searchsorted(closes, begins, side="right"), len(closes) - 1)]
    # Of several begins before one stop, the last is innermost.
    keep = np.append(stops[1:] != stops[:-1], True) & (stops > begins)
    return begins[keep], stops[keep]
