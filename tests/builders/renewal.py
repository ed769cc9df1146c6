"""Replacements of one position from probabilities by step, or from a distribution of lifetimes that knows age alone."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from plantstats.guarantee import renewal
from plantstats.guarantee.time_grid import Array, TimeGrid


def replacements(
    first: Array,
    later: Array,
    first_other: Array | None = None,
    later_other: Array | None = None,
    cap: int | None = None,
) -> renewal.Replacements:
    """Each step is a part: by_part are expected numbers by step."""
    parts = np.eye(first.shape[-1])
    after = renewal.followers(renewal.next_covered(later, later_other), cap, parts)
    return renewal.replacements(first, first_other, after, parts, cap)


def by_step(cdf: Callable[[Array], Array], edges: Array, starts: Array) -> tuple[Array, Array]:
    """Probabilities by step of a first plant that is new at 0, and of successors that start on the days given."""
    later = np.diff(cdf(edges[None, :] - starts[:, None]), axis=-1)
    # A plant cannot be lost before the one it follows.
    return np.diff(cdf(edges)), np.triu(later)


def of_lifetimes(
    cdf: Callable[[Array], Array], grid: TimeGrid, lead_days: float = 0.0, cap: int | None = None
) -> renewal.Replacements:
    """cdf: probability to be lost by an age in days (0 at ages of 0 and less)."""
    return replacements(*by_step(cdf, grid.edges, grid.midpoints + lead_days), cap=cap)


def bracket(cdf: Callable[[Array], Array], grid: TimeGrid) -> tuple[float, float]:
    """Numbers between which the expected number lies, whatever the step: every successor starts at the end, or at the
    beginning, of the step of the loss, and an earlier start can only bring more losses by a given day."""
    late, early = (
        replacements(*by_step(cdf, grid.edges, starts)).by_part.sum() for starts in (grid.edges[1:], grid.edges[:-1])
    )
    return float(late), float(early)
