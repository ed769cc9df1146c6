"""From lines of plants and their hazards to chances of replacement, for each draw of site effect and model."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from math import factorial

import numpy as np
import numpy.typing as npt

from plantstats.guarantee import renewal
from plantstats.guarantee.grid import Array, Grid, days_at_risk

ROWS = 6_000_000  # numbers held at a time
# Hazards of one draw differ between lines by a factor alone. What follows a loss is then a smooth function of that
# factor; beyond so many lines it is worked out at Chebyshev points of the factor and interpolated to this error.
FEWEST_POINTS, MOST_POINTS, INTERPOLATION = 8, 64, 1e-13


@dataclass(frozen=True)
class Plants:
    """Lines of like plants under one guarantee. All arrays have one entry per line.

    planted: day of planting, in days since the grid's start (NaN: unknown); enter, leave: days between which
    the line is covered; site: number of its site.
    """

    planted: Array
    enter: Array
    leave: Array
    site: npt.NDArray[np.int64]


@dataclass(frozen=True)
class Promise:
    """How replacements go on: lead time in days, most paid per position, what follows an uncovered loss."""

    lead_days: float = 0.0
    cap: int | None = None
    after_uncovered: str = "replaced"

    @property
    def once(self) -> bool:
        """Whether only the plant in place counts, and none that follows it."""
        return self.cap == 1 and self.after_uncovered == "ends"


@dataclass(frozen=True)
class Drawn:
    """What is not known for sure, one entry per draw.

    level: draws x lines, and shape: draws x (age bands, the last: unknown) x 12 months: their product is the number
    of losses per plant-day at a mean site; effect: draws x sites, times the hazard; covered: draws, share of losses
    that the guarantee pays; client, withdrawn: other exits per plant-day. After an exit through the client a plant
    comes or not, as after an uncovered loss; a plant taken out alive ends the position.
    """

    age_cuts: tuple[int, ...]
    level: Array
    shape: Array
    effect: Array
    covered: Array
    client: float = 0.0
    withdrawn: float = 0.0


@dataclass(frozen=True)
class Outlook:
    """chance: draws x lines x (n + 1): 0 to n replacements of one position; by_part: draws x lines x parts: expected
    numbers."""

    chance: Array
    by_part: Array


def look_ahead(cut: Grid, plants: Plants, promise: Promise, drawn: Drawn, parts: Array | None = None) -> Outlook:
    """Replacements of one position of each line, given each draw.

    Takes:  cut; plants; promise; drawn; parts: steps x parts: weight with which a replacement in each step counts
            towards each part, such as years (None: each step is a part).
    Gives:  Outlook.
    """
    draws, lines = drawn.level.shape
    parts = np.eye(cut.steps) if parts is None else parts
    if not cut.steps:
        return Outlook(np.ones((draws, lines, 1)), np.zeros((draws, lines, parts.shape[-1])))
    leaves = np.minimum(plants.leave, cut.edges[-1])
    made: list[tuple[npt.NDArray[np.int64], Outlook]] = []
    # Lines whose cover ends on the same day share the days at risk of their successors.
    for leave in np.unique(leaves):
        at = np.flatnonzero(leaves == leave)
        firsts, of_line = np.unique(np.stack([plants.planted[at], plants.enter[at]]), axis=1, return_inverse=True)
        first = days_at_risk(cut, firsts[0], drawn.age_cuts, firsts[1], np.full(firsts.shape[1], leave))
        starts = _middles(cut, leave) + promise.lead_days
        alone = starts[:0] if promise.once else starts
        later = days_at_risk(cut, alone, drawn.age_cuts, None, np.full(len(alone), leave))
        factor = drawn.level[:, at] * drawn.effect[:, plants.site[at]]
        points = None if promise.once else _points(factor, drawn.shape, leave)
        at_once = len(at) + (0 if promise.once else cut.steps * (len(at) if points is None else points.shape[1]))
        block = max(1, ROWS // (5 * at_once * cut.steps))
        pieces = [
            _of_one_end(
                first, of_line.ravel(), later, promise, drawn, parts, slice(begin, begin + block), factor, points
            )
            for begin in range(0, draws, block)
        ]
        longest = max(piece.chance.shape[-1] for piece in pieces)
        made.append(
            (
                at,
                Outlook(
                    np.concatenate([_padded(piece.chance, longest) for piece in pieces]),
                    np.concatenate([piece.by_part for piece in pieces]),
                ),
            )
        )
    if len(made) == 1:
        return made[0][1]
    longest = max((each.chance.shape[-1] for _, each in made), default=1)
    chance, by_part = np.zeros((draws, lines, longest)), np.zeros((draws, lines, parts.shape[-1]))
    for at, each in made:
        chance[:, at], by_part[:, at] = _padded(each.chance, longest), each.by_part
    return Outlook(chance, by_part)


def _padded(chance: Array, longest: int) -> Array:
    return np.pad(chance, ((0, 0), (0, 0), (0, longest - chance.shape[-1])))


def _middles(cut: Grid, leave: float) -> Array:
    """Middles of the steps, those beyond `leave` cut off there."""
    return (np.minimum(cut.edges[1:], leave) + np.minimum(cut.edges[:-1], leave)) / 2


def _points(factor: Array, shape: Array, leave: float) -> Array | None:
    """Factors at which what follows a loss is worked out: draws x points, None where each line is worked out itself.

    Takes:  factor: draws x lines; shape; leave: days of cover at most.
    Source: chances are sums of exponentials of the factor times hazards of at most `most` in all: on Chebyshev points
            the error falls as (most / 4) ** n / n! (Trefethen 2013, Approximation Theory and Practice, chapter 8).
    """
    top = factor.max(axis=1)
    most = float((top * shape.max(axis=(1, 2))).max(initial=0.0)) * leave
    n = FEWEST_POINTS
    while n < MOST_POINTS and (most / 4) ** n / factorial(n) > INTERPOLATION:
        n += 1
    if factor.shape[1] <= 2 * n or n == MOST_POINTS:
        return None
    return top[:, None] * (1 + np.cos(np.pi * np.arange(n) / (n - 1))) / 2


def _weights(factor: Array, points: Array) -> Array:
    """Weights of values at Chebyshev points for values at factors: lines x points.

    Source: barycentric formula, Berrut and Trefethen 2004, SIAM Review 46:501.
    """
    k = np.arange(len(points))
    sign = np.where(k % 2, -1.0, 1.0) * np.where((k == 0) | (k == len(k) - 1), 0.5, 1.0)
    gap = factor[:, None] - points
    on = np.abs(gap) <= 1e-14 * points[0]
    weights = np.divide(sign, gap, out=np.zeros_like(gap), where=~on)
    hit = on.any(axis=1)
    weights[hit] = on[hit]
    return weights / weights.sum(axis=1, keepdims=True)


def _of_one_end(
    first: Array,
    of_line: npt.NDArray[np.int64],
    later: Array,
    promise: Promise,
    drawn: Drawn,
    parts: Array,
    draws: slice,
    factor: Array,
    points: Array | None,
) -> Outlook:
    """Outlook, for some draws, of lines that end on one day.

    Takes:  first: plantings x steps x bands x 12 days, of_line: which of them is each line's; later: steps x the same.
    """
    shape, steps = drawn.shape[draws].reshape(len(drawn.shape[draws]), -1), first.shape[1]
    covered, by_share = drawn.covered[draws], drawn.covered[draws][:, None, None]
    days = first.reshape(-1, shape.shape[-1])
    lost = (shape @ days.T).reshape(len(shape), -1, steps)[:, of_line] * factor[draws][..., None]
    begun = _chances(promise, drawn, lost, by_share, first.sum(axis=(2, 3))[of_line])
    if promise.once:
        # At most one replacement, and nothing after it: one minus survival, without successors.
        paid = begun[0].sum(axis=-1)
        return Outlook(np.stack([1 - paid, paid], axis=-1), begun[0] @ parts)
    again = (shape @ later.reshape(-1, shape.shape[-1]).T).reshape(len(shape), 1, steps, steps)
    later_days = later.sum(axis=(2, 3))
    again = (factor if points is None else points)[draws][..., None, None] * again
    follow = _chances(promise, drawn, again, covered[:, None, None, None], later_days)
    other = begun[1].any() or follow[1].any()
    ahead = renewal.next_covered(follow[0], follow[1] if other else None)
    over = renewal.over if points is None else partial(_interpolated, factor[draws], points[draws])
    made = renewal.begin(
        begun[0], begun[1] if other else None, renewal.follow(ahead, promise.cap, parts), parts, promise.cap, over
    )
    return Outlook(made.chance, made.by_step)


def _interpolated(factor: Array, points: Array, first: Array, table: Array) -> Array:
    """Chances of first plants over tables at the points, then between the points.

    Takes:  draws x lines; draws x points; draws x lines x steps; draws x points x steps x columns.
    Gives:  draws x lines x columns.
    """
    n, steps, columns = table.shape[1:]
    out = np.empty((*first.shape[:2], columns))
    for draw in range(len(first)):
        at_points = first[draw] @ table[draw].transpose(1, 0, 2).reshape(steps, n * columns)
        weights = _weights(factor[draw], points[draw])
        out[draw] = np.matmul(weights[:, None, :], at_points.reshape(-1, n, columns))[:, 0]
    return out


def _chances(promise: Promise, drawn: Drawn, lost: Array, share: Array, days: Array) -> tuple[Array, Array]:
    """Chances of a covered loss, and of one that is not covered and followed by another plant."""
    covered, other, gone = lost * share, lost * (1 - share) + drawn.client * days, drawn.withdrawn * days
    if promise.after_uncovered == "ends":
        return renewal.chances(covered, 0.0, other + gone)
    return renewal.chances(covered, other, gone)
