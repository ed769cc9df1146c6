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
    """Replacements of one position: chance: (..., n + 1) of 0, 1, ... n; by_step: expected numbers."""

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
    if not np.isfinite(total.sum()) or np.min(covered, initial=0.0) < 0:
        raise RenewalError("hazards must be 0 or more, and finite")
    alive = np.exp(total - np.cumsum(total, axis=-1))
    # alive (1 - exp(-total)), shared out by kind; where nothing is at risk, nothing is lost.
    per_hazard = np.divide(-np.expm1(-total) * alive, total, out=alive, where=total > 0)
    return covered * per_hazard, np.broadcast_to(other * per_hazard, covered.shape)


class Followers(NamedTuple):
    """What comes after an event of each step, last axis but one: at_least: chances of at least 0, 1, ... further
    covered losses; after_covered, after_other: expected further ones by part (see `follow`)."""

    at_least: Array
    after_covered: Array
    after_other: Array


def count(given: Chances, cap: int | None = None) -> Numbers:
    """Distribution and expected number of replacements of a position.

    Takes:  chances; cap: most replacements that are paid for, None for no limit.
    Gives:  Numbers; chances add up to 1.
    Keeps:  sum of by_step = sum of n x chance.
    Raises: RenewalError when a position would be replaced more than MOST times.
    """
    ahead = next_covered(given.later, given.later_other)
    none = np.zeros((given.first.shape[-1], 0))
    chance = begin(given.first, given.first_other, follow(ahead, cap, none), none, cap).chance
    lost = given.first if given.first_other is None else given.first + over(given.first_other, ahead)
    by_step = np.zeros(given.first.shape)
    for _ in range(chance.shape[-1] - 1):
        by_step = by_step + lost
        lost = over(lost, ahead)
    return Numbers(chance, by_step)


def follow(ahead: Array, cap: int | None, parts: Array) -> Followers:
    """Covered losses that follow an event, by backward recursion.

    Takes:  ahead: as `next_covered` gives it; cap; parts: steps x parts: weight with which a loss of each step counts
            towards each part (years, discounted worth; the unit matrix: each step alone).
    Gives:  Followers.
    Raises: RenewalError as `count`.
    """
    steps = ahead.shape[-1]
    ones = np.ones((*ahead.shape[:-1], 1))
    reached = np.concatenate([ones, np.broadcast_to(parts, (*ahead.shape[:-1], parts.shape[-1]))], axis=-1)
    at_least, before, summed = [ones[..., 0]], np.zeros(reached[..., 1:].shape), np.zeros(reached[..., 1:].shape)
    limit = MOST if cap is None else cap
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
                f"the records leave it possible that one position is replaced more than {MOST} times in one term: too "
                "few losses to quote on"
            )
    return Followers(np.stack(at_least, axis=-1), before, summed)


def over(weights: Array, table: Array) -> Array:
    """Add rows of a table up by weights: (..., steps) over (..., steps, columns) gives (..., columns)."""
    return np.matmul(weights[..., None, :], table)[..., 0, :]


def begin(
    first: Array,
    first_other: Array | None,
    after: Followers,
    parts: Array,
    cap: int | None = None,
    add: Callable[[Array, Array], Array] = over,
) -> Numbers:
    """Numbers of a position from its first plant and what follows an event.

    Takes:  first, first_other: as in Chances; after, parts, cap: as in `follow`; add: how tables by step are added
            up with the chances of the first plant as weights.
    Gives:  Numbers, by_step by part.
    """
    table = np.concatenate([after.at_least, after.after_covered], axis=-1)
    made = add(first, table)
    if first_other is not None:
        # An uncovered loss counts for nothing itself: at least one from there is one fewer than from a covered one.
        more = np.concatenate([after.at_least[..., 1:], np.zeros((*after.at_least.shape[:-1], 1))], axis=-1)
        made = made + add(first_other, np.concatenate([more, after.after_other], axis=-1))
    most = after.at_least.shape[-1]
    reach, by_part = made[..., :most][..., :cap], made[..., most:] + first @ parts
    seen = int(np.count_nonzero(reach.max(axis=tuple(range(reach.ndim - 1)), initial=0.0) >= NEGLIGIBLE))
    reach = reach[..., :seen]
    tail = np.concatenate([np.ones((*reach.shape[:-1], 1)), reach, np.zeros((*reach.shape[:-1], 1))], axis=-1)
    return Numbers(np.maximum(tail[..., :-1] - tail[..., 1:], 0.0), by_part if cap != 0 else np.zeros(by_part.shape))


def next_covered(later: Array, later_other: Array | None) -> Array:
    """Chance that the next covered loss after an event of step j falls in step k, whatever uncovered ones lie between.

    Takes:  later, later_other: as in Chances.
    Raises: RenewalError for uncovered losses without end.
    """
    if later_other is None:
        return later
    try:
        # x = later + later_other x: each uncovered loss puts a new plant under the same count.
        return np.asarray(np.linalg.solve(np.eye(later.shape[-1]) - later_other, later), dtype="float64")
    except np.linalg.LinAlgError:
        raise RenewalError("one position would see losses outside the guarantee without end") from None


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
