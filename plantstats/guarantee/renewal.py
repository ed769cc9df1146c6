"""How often one position is replaced: exact probabilities and expected numbers, by recursion over the steps.

A plant is lost within a step with the probability that its hazard gives; its successor comes a lead time after the
middle of that step, at age 0, and can be lost in its turn. Putting losses in the middle of their step is the only
approximation. It is the midpoint method for renewal equations (Xie 1989, Comm. Stat. Simul. 18:281, from memory),
here with hazards that also change with the calendar; its error falls with the square of the step. With monthly steps
the losses of plants are so rare (a few in 100 a month) that the error of the expected number stays below 5 in 10,000
(test_guarantee_projection.py).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from plantstats.errors import PlantstatsError
from plantstats.guarantee.time_grid import Array

NEGLIGIBLE = 1e-11  # probabilities of one position below this are left away
MAX_REPLACEMENTS = 400  # of one position within one term: beyond this the hazards are no plant's


class RenewalError(PlantstatsError, ValueError):
    """Hazards from which no number of replacements can be computed."""


class Replacements(NamedTuple):
    """Replacements of one position: pmf (..., n + 1) of 0 to n; by_part (..., parts): expected numbers.

    pmf holds no column where it was not asked for.
    """

    pmf: Array
    by_part: Array


class Followers(NamedTuple):
    """What comes after an event of each step, last axis but one.

    at_least: probabilities of at least 0, 1, ... further covered losses; after_covered, after_other: expected further
    ones by part (see `followers`).
    """

    at_least: Array
    after_covered: Array
    after_other: Array


def loss_probabilities(covered: Array, other: Array | float = 0.0, ends: Array | float = 0.0) -> tuple[Array, Array]:
    """From cumulative hazards to probabilities of loss, all exits competing.

    Parameters
    ----------
    covered, other, ends : numpy.ndarray, shape (..., steps)
        Hazard times days of each step: losses under cover, losses not covered, ends of the position.

    Returns
    -------
    tuple of numpy.ndarray, shape (..., steps)
        Probabilities of a covered and of another loss in each step, as seen at planting.

    Raises
    ------
    RenewalError
        For negative or infinite hazards.

    Notes
    -----
    Competing risks whose hazards keep their proportions within a step: of the total ``1 - exp(-H)`` each exit has the
    share of its hazard.

    Examples
    --------
    >>> covered, other = loss_probabilities(np.array([0.2]), np.array([0.1]), np.array([0.3]))
    >>> covered.round(6).tolist(), other.round(6).tolist()
    ([0.150396], [0.075198])
    """
    total = covered + other + ends
    if not np.isfinite(total.sum()) or np.min(covered, initial=0.0) < 0:
        raise RenewalError("hazards must be 0 or more, and finite")
    alive = np.exp(total - np.cumsum(total, axis=-1))
    # Where nothing is at risk, nothing is lost.
    per_hazard = np.divide(-np.expm1(-total) * alive, total, out=alive, where=total > 0)
    return covered * per_hazard, np.broadcast_to(other * per_hazard, covered.shape)


def next_covered(later: Array, later_other: Array | None) -> Array:
    """Probability that the next covered loss after an event of step j falls in step k, whatever others lie between.

    Parameters
    ----------
    later : numpy.ndarray, shape (..., steps, steps)
        A plant that follows a loss of step j is lost in step k under cover.
    later_other : numpy.ndarray or None
        The same for losses that are not covered but after which a new plant comes.

    Returns
    -------
    numpy.ndarray, shape (..., steps, steps)
        The solution x of ``x = later + later_other x``: each uncovered loss puts a new plant under the same count.

    Raises
    ------
    RenewalError
        For uncovered losses without end.
    """
    if later_other is None:
        return later
    try:
        return np.asarray(np.linalg.solve(np.eye(later.shape[-1]) - later_other, later), dtype="float64")
    except np.linalg.LinAlgError:
        raise RenewalError("one position would see losses outside the guarantee without end") from None


def followers(ahead: Array, cap: int | None, parts: Array) -> Followers:
    """Covered losses that follow an event, by backward recursion.

    Parameters
    ----------
    ahead : numpy.ndarray, shape (..., steps, steps)
        As `next_covered` gives it.
    cap : int or None
        Most replacements that are paid for.
    parts : numpy.ndarray, shape (steps, parts)
        Weight with which a loss of each step counts towards each part (years, discounted worth; the unit matrix: each
        step alone).

    Returns
    -------
    Followers

    Raises
    ------
    RenewalError
        When a position would be replaced more than `MAX_REPLACEMENTS` times.
    """
    steps = ahead.shape[-1]
    ones = np.ones((*ahead.shape[:-1], 1))
    reached = np.concatenate([ones, np.broadcast_to(parts, (*ahead.shape[:-1], parts.shape[-1]))], axis=-1)
    at_least, before, summed = [ones[..., 0]], np.zeros(reached[..., 1:].shape), np.zeros(reached[..., 1:].shape)
    limit = MAX_REPLACEMENTS if cap is None else cap
    while steps and len(at_least) <= limit:
        reached = np.matmul(ahead, reached)
        if reached[..., 0].max(initial=0.0) < NEGLIGIBLE:
            before = summed
            break
        at_least.append(reached[..., 0])
        before, summed = summed, summed + reached[..., 1:]
    else:
        if cap is None and steps:
            raise RenewalError(
                f"the records leave it possible that one position is replaced more than {MAX_REPLACEMENTS} times in "
                "one term: too few losses to quote on"
            )
    return Followers(np.stack(at_least, axis=-1), before, summed)


def weighted_rows(weights: Array, table: Array) -> Array:
    """Add rows of a table up by weights: (..., steps) over (..., steps, columns) gives (..., columns).

    Parameters
    ----------
    weights : numpy.ndarray, shape (..., steps)
    table : numpy.ndarray, shape (..., steps, columns)

    Returns
    -------
    numpy.ndarray, shape (..., columns)
    """
    return np.matmul(weights[..., None, :], table)[..., 0, :]


def replacements(
    first: Array,
    first_other: Array | None,
    after: Followers,
    parts: Array,
    cap: int | None = None,
    combine: Callable[[Array, Array], Array] = weighted_rows,
    with_pmf: bool = True,
) -> Replacements:
    """Replacements of a position from its first plant and what follows an event.

    Parameters
    ----------
    first : numpy.ndarray, shape (..., steps)
        The plant in place at the start is lost in this step under cover.
    first_other : numpy.ndarray or None
        The same for losses that are not covered but after which a new plant comes. Whatever else ends a position only
        takes its plants out of risk.
    after, parts, cap
        As in `followers`.
    combine : callable
        How tables by step are added up with the probabilities of the first plant as weights.
    with_pmf : bool
        Whether probabilities are asked for beside expected numbers (most of the work).

    Returns
    -------
    Replacements

    Notes
    -----
    Probabilities add up to 1, and the sum over parts that add up to 1 is the mean of the distribution.
    """
    if not with_pmf:
        by_part = combine(first, after.after_covered) + first @ parts
        by_part = by_part if first_other is None else by_part + combine(first_other, after.after_other)
        return Replacements(np.zeros((*by_part.shape[:-1], 0)), by_part if cap != 0 else np.zeros(by_part.shape))
    table = np.concatenate([after.at_least, after.after_covered], axis=-1)
    combined = combine(first, table)
    if first_other is not None:
        # An uncovered loss counts for nothing itself: at least one from there is one fewer than from a covered one.
        more = np.concatenate([after.at_least[..., 1:], np.zeros((*after.at_least.shape[:-1], 1))], axis=-1)
        combined = combined + combine(first_other, np.concatenate([more, after.after_other], axis=-1))
    most = after.at_least.shape[-1]
    at_least, by_part = combined[..., :most][..., :cap], combined[..., most:] + first @ parts
    seen = int(np.count_nonzero(at_least.max(axis=tuple(range(at_least.ndim - 1)), initial=0.0) >= NEGLIGIBLE))
    one, none = np.ones((*at_least.shape[:-1], 1)), np.zeros((*at_least.shape[:-1], 1))
    survival = np.concatenate([one, at_least[..., :seen], none], axis=-1)
    pmf = np.maximum(survival[..., :-1] - survival[..., 1:], 0.0)
    return Replacements(pmf, by_part if cap != 0 else np.zeros(by_part.shape))
