"""How often one position is replaced: exact chances and expected numbers, by recursion over the steps.

A plant is lost within a step with the chance that its hazard gives; its successor comes a lead time after the
middle of that step, at age 0, and can be lost in its turn. Putting losses in the middle of their step is the
only approximation. It is the midpoint method for renewal equations (Xie 1989, Comm. Stat. Simul. 18:281, from
memory), here with hazards that also change with the calendar; its error falls with the square of the step.
For a law of age alone `bracket` encloses the true value. With monthly steps the losses of plants are so rare
(a few in 100 a month) that the error of the expected number stays below 5 in 10,000 (test_guarantee_outlook.py).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import numpy as np

from plantstats.guarantee.grid import Array, Grid

NEGLIGIBLE = 1e-11  # chances of one position below this are left away
MOST = 400  # replacements of one position within one term: beyond this the hazards are no plant's


class RenewalError(ValueError):
    """Hazards from which no number of replacements can be computed."""


class Chances(NamedTuple):
    """Chances of exits per step, first plant and successors.

    first: (..., steps): the plant in place at the start is lost in this step under cover;
    later: (..., steps, steps): a plant that follows a loss of step j is lost in step k under cover;
    first_other, later_other: the same for losses that are not covered but after which a new plant comes, None
    where there are none. Whatever else ends a position only takes its plants out of risk.
    """

    first: Array
    later: Array
    first_other: Array | None = None
    later_other: Array | None = None


class Numbers(NamedTuple):
    """Replacements of one position: at_most: (..., n + 1) chances of 0, 1, ... n; by_step: expected
    numbers."""

    chance: Array
    by_step: Array


def chances(covered: Array, other: Array | float = 0.0, ends: Array | float = 0.0) -> tuple[Array, Array]:
    """From hazards to chances of exit, all kinds competing.

    Takes:  covered, other, ends: hazard x days of each step, last axis steps: losses under cover, losses not
            covered, ends of the position.
    Gives:  chances of a covered and of another loss in each step, as seen at planting.
    Raises: RenewalError for negative or infinite hazards.
    Source: competing risks with hazards that keep their proportions within a step.
    """
    total = covered + other + ends
    if not np.all(np.isfinite(total)) or np.any(np.asarray(covered) < 0):
        raise RenewalError("hazards must be 0 or more, and finite")
    before = np.cumsum(total, axis=-1) - total
    # exp(-before) (1 - exp(-total)), shared out by kind; where nothing is at risk, nothing is lost.
    with np.errstate(invalid="ignore", divide="ignore"):
        per_hazard = np.where(total > 0, -np.expm1(-total) / total, 1.0) * np.exp(-before)
    return covered * per_hazard, np.broadcast_to(other * per_hazard, covered.shape)


def count(given: Chances, cap: int | None = None) -> Numbers:
    """Distribution and expected number of replacements of a position.

    Takes:  chances; cap: most replacements that are paid for, None for no limit.
    Gives:  Numbers; chances add up to 1.
    Keeps:  sum of by_step = sum of n x chance.
    Raises: RenewalError when a position would be replaced more than MOST times.
    """
    steps = given.first.shape[-1]
    shape = given.first.shape[:-1]
    by_step = np.zeros(given.first.shape)
    at_least = [np.ones(shape)]
    lost = _with_restarts(given.first, given.first_other, given)
    limit = MOST if cap is None else cap
    while steps and len(at_least) <= limit:
        reached = lost.sum(axis=-1)
        if reached.max(initial=0.0) < NEGLIGIBLE:
            break
        by_step += lost
        at_least.append(reached)
        lost = _next(_restart(lost, given), given)
    else:
        if cap is None and steps:
            raise RenewalError(f"one position would be replaced more than {MOST} times in one term")
    tail = np.stack([*at_least, np.zeros(shape)], axis=-1)
    return Numbers(tail[..., :-1] - tail[..., 1:], by_step)


def _next(starts: Array, given: Chances) -> Array:
    """Covered losses of the plants that began after the events of `starts`."""
    return np.matmul(starts[..., None, :], given.later)[..., 0, :]


def _restart(lost: Array, given: Chances) -> Array:
    """Events after which a plant under the same count begins: the losses, and uncovered losses after them."""
    if given.later_other is None:
        return lost
    # v = lost + v G, by repeated substitution: G is small, so that few rounds leave nothing.
    starts = term = lost
    for _ in range(MOST):
        term = np.matmul(term[..., None, :], given.later_other)[..., 0, :]
        if term.max(initial=0.0) < NEGLIGIBLE:
            return starts
        starts = starts + term
    raise RenewalError(f"one position would see more than {MOST} losses outside the guarantee in one term")


def _with_restarts(first: Array, first_other: Array | None, given: Chances) -> Array:
    if first_other is None or given.later_other is None:
        return first
    return first + _next(_restart(first_other, given), given)


def from_law(lost_by: Callable[[Array], Array], cut: Grid, lead_days: float = 0.0, age: float = 0.0) -> Chances:
    """Chances under a law of age alone.

    Takes:  lost_by: chance to be lost by an age in days (0 at ages of 0 and less); cut; lead_days; age of the
            first plant at the start.
    Gives:  Chances.
    """
    return _from_law(lost_by, cut.edges, cut.middles + lead_days, age)


def bracket(lost_by: Callable[[Array], Array], cut: Grid) -> tuple[float, float]:
    """Numbers between which the expected number of replacements lies, whatever the step, for a law of age.

    Takes:  as `from_law`, without lead time.
    Gives:  lower, upper: every successor starts at the end, or at the beginning, of the step of the loss.
    Source: an earlier start can only bring more losses by a given day when the hazard depends on age alone.
    """
    late = count(_from_law(lost_by, cut.edges, cut.edges[1:], 0.0)).by_step.sum()
    early = count(_from_law(lost_by, cut.edges, cut.edges[:-1], 0.0)).by_step.sum()
    return float(late), float(early)


def _from_law(lost_by: Callable[[Array], Array], edges: Array, starts: Array, age: float) -> Chances:
    alive = 1 - float(lost_by(np.array([age]))[0])
    first = np.diff(lost_by(edges + age)) / alive
    later = np.diff(lost_by(edges[None, :] - starts[:, None]), axis=-1)
    # A plant cannot be lost before the one it follows.
    return Chances(first, np.triu(later))
