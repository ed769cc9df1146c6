"""From lines of plants and their hazards to probabilities of replacement, for each sample of site effect and model."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial
from math import factorial
from typing import Any

import numpy as np
import numpy.typing as npt

from plantstats.guarantee import renewal
from plantstats.guarantee.hazards import Exits, LineHazards
from plantstats.guarantee.time_grid import Array, TimeGrid, days_at_risk

BLOCK = 6_000_000  # numbers held at a time
LINES = 500  # without successors that are worked out together
CACHED = 1000  # lines whose probabilities at the nodes stay in the processor's cache
# Hazards of one sample differ between lines by a factor alone. What follows a loss is then a smooth function of that
# factor; beyond so many lines it is worked out at Chebyshev points of the factor and interpolated to this error (200
# lines: 0.6 s instead of 3.9 s).
MIN_NODES, MAX_NODES, INTERPOLATION_ERROR = 8, 64, 1e-13
NO_EXITS = Exits()


@dataclass(frozen=True)
class Cohorts:
    """Lines of like plants under one guarantee; all arrays have shape (lines,).

    Parameters
    ----------
    planted : numpy.ndarray
        Day of planting, in days since the grid's start (NaN: unknown).
    enter, leave : numpy.ndarray
        Days between which the line is covered.
    site : numpy.ndarray of int
        Number of its site.
    """

    planted: Array
    enter: Array
    leave: Array
    site: npt.NDArray[np.int64]

    @classmethod
    def over_term(cls, grid: TimeGrid, planted: Array, site: npt.NDArray[np.int64]) -> Cohorts:
        """Lines that are covered for the whole term.

        Parameters
        ----------
        grid : TimeGrid
            Steps of the term.
        planted : numpy.ndarray, shape (lines,)
            Day of planting, in days since the grid's start (NaN: unknown).
        site : numpy.ndarray of int
            Number of each line's site.

        Returns
        -------
        Cohorts
        """
        return cls(planted, np.zeros(len(planted)), np.full(len(planted), grid.edges[-1]), site)


@dataclass(frozen=True)
class Cover:
    """How replacements go on: lead time in days, most paid per position, what follows an uncovered loss."""

    lead_days: float = 0.0
    cap: int | None = None
    after_uncovered: str = "replaced"

    @property
    def once(self) -> bool:
        """Whether only the plant in place counts, and none that follows it."""
        return self.cap == 1 and self.after_uncovered == "ends"


@dataclass(frozen=True)
class HazardSamples:
    """What is not known for sure, one entry per sample.

    Parameters
    ----------
    age_cuts : tuple of int
        Days since planting, each closing its age band.
    intercept : numpy.ndarray, shape (samples, lines)
    shape : numpy.ndarray, shape (samples, age bands + 1, 12)
        Times the intercept: covered losses per plant-day at a mean site, by age band (the last: unknown) and calendar
        month.
    effect : numpy.ndarray, shape (samples, sites)
        Times the hazard.
    exits : Exits
        After an exit through the client a plant comes or not, as after an uncovered loss; a plant taken out alive ends
        the position.
    common : numpy.ndarray, shape (samples, sites), optional
        Covered losses per plant-day to events that take the plants of a site together. What follows a loss takes
        their mean over samples and sites.
    """

    age_cuts: tuple[int, ...]
    intercept: Array
    shape: Array
    effect: Array
    exits: Exits = NO_EXITS
    common: Array | None = None

    @classmethod
    def of(
        cls,
        hazards: LineHazards,
        effect: Array,
        exits: Exits,
        lines: npt.NDArray[np.integer[Any]] | None = None,
        common: Array | None = None,
    ) -> HazardSamples:
        """Samples of lines (None: all of them) with the effects of their sites and the other exits.

        Parameters
        ----------
        hazards : LineHazards
            Of all lines.
        effect : numpy.ndarray, shape (samples, sites)
            Of each line's site.
        exits : Exits
            Rates of what else takes plants away.
        lines : numpy.ndarray of int, optional
            Their numbers; all lines unless given.
        common : numpy.ndarray, shape (samples, sites), optional
            Hazard of events that take the plants of a site together.

        Returns
        -------
        HazardSamples
        """
        intercept = hazards.intercept_samples if lines is None else hazards.intercept_samples[:, lines]
        return cls(hazards.age_cuts, intercept, hazards.shape_samples, effect, exits, common)


@dataclass(frozen=True)
class Projection:
    """Replacements of each line.

    Parameters
    ----------
    pmf : numpy.ndarray, shape (samples, lines, n + 1)
        Probabilities of 0 to n replacements of one position; shape (samples, lines, 0) where they were not asked for.
    by_part : numpy.ndarray, shape (samples, lines, parts)
        Expected numbers.
    """

    pmf: Array
    by_part: Array


def project(
    grid: TimeGrid,
    cohorts: Cohorts,
    cover: Cover,
    samples: HazardSamples,
    parts: Array | None = None,
    *,
    with_pmf: bool = True,
) -> Projection:
    """Replacements of one position of each line, given each sample.

    Parameters
    ----------
    grid : TimeGrid
    cohorts : Cohorts
    cover : Cover
    samples : HazardSamples
    parts : numpy.ndarray, shape (steps, parts)
        Weight with which a replacement in each step counts towards each part, such as years (None: each step is a
        part).
    with_pmf : bool
        Whether probabilities are asked for beside expected numbers (most of the work).

    Returns
    -------
    Projection

    Examples
    --------
    One plant with a constant hazard of one loss a year, over two years: the number is nearly Poisson with mean 2.

    >>> from datetime import date
    >>> from plantstats.guarantee.time_grid import monthly_grid
    >>> grid = monthly_grid(date(2026, 1, 1), date(2028, 1, 1))
    >>> one = Cohorts.over_term(grid, np.zeros(1), np.zeros(1, dtype="int64"))
    >>> hazard = HazardSamples((90,), np.full((1, 1), 1 / 365), np.ones((1, 3, 12)), np.ones((1, 1)))
    >>> round(float(project(grid, one, Cover(), hazard).by_part.sum()), 2)
    2.0
    """
    n_samples, n_lines = samples.intercept.shape
    parts = np.eye(grid.steps) if parts is None else parts
    if not grid.steps or not n_lines:
        none = np.ones((n_samples, n_lines, int(with_pmf)))
        return Projection(none, np.zeros((n_samples, n_lines, parts.shape[-1])))
    leave = np.minimum(cohorts.leave, grid.edges[-1])
    cohorts = replace(cohorts, leave=leave)
    order = np.argsort(leave, kind="stable")
    # Lines whose cover ends on the same day share the days at risk of their successors, where they have any.
    turns = np.arange(LINES, n_lines, LINES) if cover.once else np.flatnonzero(np.diff(leave[order])) + 1
    groups = np.split(order, turns)
    pieces = [_of_group(grid, cohorts, cover, samples, parts, lines, with_pmf) for lines in groups]
    longest = max(piece.pmf.shape[-1] for piece in pieces)
    pmf, by_part = np.zeros((n_samples, n_lines, longest)), np.zeros((n_samples, n_lines, parts.shape[-1]))
    for lines, piece in zip(groups, pieces, strict=True):
        pmf[:, lines, : piece.pmf.shape[-1]], by_part[:, lines] = piece.pmf, piece.by_part
    return Projection(pmf, by_part)


def _of_group(
    grid: TimeGrid,
    cohorts: Cohorts,
    cover: Cover,
    samples: HazardSamples,
    parts: Array,
    lines: npt.NDArray[np.int64],
    with_pmf: bool,
) -> Projection:
    """Lines without successors, or whose cover ends on one day, in blocks of samples."""
    # Steps after the last end hold no days at risk.
    steps = max(1, int(np.searchsorted(grid.edges, cohorts.leave[lines].max())))
    grid, parts = replace(grid, edges=grid.edges[: steps + 1]), parts[:steps]
    dates = np.stack([cohorts.planted[lines], cohorts.enter[lines], cohorts.leave[lines]])
    (planted, enter, ends), of_line = np.unique(dates, axis=1, return_inverse=True)
    first, leave = days_at_risk(grid, planted, samples.age_cuts, enter, ends), float(ends.max())
    # Successors start a lead time after the middles of the steps, those beyond `leave` cut off there.
    starts = (np.minimum(grid.edges[1:], leave) + np.minimum(grid.edges[:-1], leave)) / 2 + cover.lead_days
    starts = starts[:0] if cover.once else starts
    later = days_at_risk(grid, starts, samples.age_cuts, None, np.full(len(starts), leave))
    factor = samples.intercept[:, lines] * samples.effect[:, cohorts.site[lines]]
    common = None if samples.common is None else (samples.common[:, cohorts.site[lines]], float(samples.common.mean()))
    nodes = None if cover.once else _nodes(factor, samples.shape, np.concatenate([first, later]).sum(axis=1))
    n_nodes = len(lines) if nodes is None else nodes.shape[1]
    size = max(1, BLOCK // (5 * (len(lines) + (0 if cover.once else grid.steps * n_nodes)) * grid.steps))
    blocks = [slice(begin, begin + size) for begin in range(0, len(factor), size)]
    given = first, of_line.ravel(), later, cover, samples, parts
    pieces = [_block(*given, at, factor, nodes, common, with_pmf) for at in blocks]
    longest = max(piece.pmf.shape[-1] for piece in pieces)
    padded = [np.pad(piece.pmf, ((0, 0), (0, 0), (0, longest - piece.pmf.shape[-1]))) for piece in pieces]
    return Projection(np.concatenate(padded), np.concatenate([piece.by_part for piece in pieces]))


def _block(
    first: Array,
    of_line: npt.NDArray[np.int64],
    later: Array,
    cover: Cover,
    samples: HazardSamples,
    parts: Array,
    at: slice,
    factor: Array,
    nodes: Array | None,
    common: tuple[Array, float] | None,
    with_pmf: bool,
) -> Projection:
    """Projection for some samples.

    first: plantings x steps x bands x 12 days, of_line: which of them is each line's; later: steps x the same; common:
    hazard of events, samples x lines, and their mean.
    """
    shape, steps = samples.shape[at].reshape(len(samples.shape[at]), -1), first.shape[1]
    hazard = (shape @ first.reshape(-1, shape.shape[-1]).T).reshape(len(shape), -1, steps)[:, of_line]
    days = first.sum(axis=(2, 3))[of_line]
    hazard = hazard * factor[at][..., None]
    if common is not None:
        hazard = hazard + common[0][at][..., None] * days
    begun = _probabilities(cover, samples.exits, hazard, days)
    if cover.once:
        # At most one replacement, and nothing after it: one minus survival, without successors.
        paid = begun[0].sum(axis=-1)
        pmf = np.stack([1 - paid, paid], axis=-1) if with_pmf else np.zeros((*paid.shape, 0))
        return Projection(pmf, begun[0] @ parts)
    again = (shape @ later.reshape(-1, shape.shape[-1]).T).reshape(len(shape), 1, steps, steps)
    again = (factor if nodes is None else nodes)[at][..., None, None] * again
    if common is not None:
        # An event that took a plant does not take the one that follows it as well: another one might.
        again = again + common[1] * later.sum(axis=(2, 3))
    follow = _probabilities(cover, samples.exits, again, later.sum(axis=(2, 3)))
    other = begun[1].any() or follow[1].any()
    ahead = renewal.next_covered(follow[0], follow[1] if other else None)
    after = renewal.followers(ahead, cover.cap, parts)
    combine = renewal.weighted_rows
    if nodes is not None:
        weights = [_barycentric_weights(*of_sample) for of_sample in zip(factor[at], nodes[at], strict=True)]
        combine = partial(_interpolated, weights)
    first_other = begun[1] if other else None
    return Projection(*renewal.replacements(begun[0], first_other, after, parts, cover.cap, combine, with_pmf))


def _probabilities(cover: Cover, exits: Exits, lost: Array, days: Array) -> tuple[Array, Array]:
    """Probabilities of a covered loss, and of one that is not covered and followed by another plant."""
    other, ended = (exits.uncovered + exits.client) * days, exits.withdrawn * days
    if cover.after_uncovered == "ends":
        return renewal.loss_probabilities(lost, 0.0, other + ended)
    return renewal.loss_probabilities(lost, other, ended)


def _nodes(factor: Array, shape: Array, days: Array) -> Array | None:
    """Factors at which what follows a loss is worked out: samples x nodes; None where each line is worked out itself.

    Notes
    -----
    Probabilities are sums of exponentials of the factor times hazards of at most `most` in all (days: of each plant by
    age band and month): on Chebyshev points the error falls as ``(most / 4) ** n / n!`` (Trefethen 2013, Approximation
    Theory and Practice, chapter 8).
    """
    top = factor.max(axis=1)
    hazard = shape.reshape(len(shape), -1) @ days.reshape(len(days), -1).T
    most = float((top * hazard.max(axis=1, initial=0.0)).max(initial=0.0))
    n = MIN_NODES
    while n < MAX_NODES and (most / 4) ** n / factorial(n) > INTERPOLATION_ERROR:
        n += 1
    if factor.shape[1] <= 2 * n or n == MAX_NODES:
        return None
    return top[:, None] * (1 + np.cos(np.pi * np.arange(n) / (n - 1))) / 2


def _barycentric_weights(factor: Array, nodes: Array) -> Array:
    """Weights of values at Chebyshev nodes for values at factors: lines x nodes.

    References
    ----------
    Berrut and Trefethen 2004, SIAM Review 46:501.
    """
    k = np.arange(len(nodes))
    sign = np.where(k % 2, -1.0, 1.0) * np.where((k == 0) | (k == len(k) - 1), 0.5, 1.0)
    gap = factor[:, None] - nodes
    on = np.abs(gap) <= 1e-14 * nodes[0]
    weights = np.divide(sign, gap, out=np.zeros_like(gap), where=~on)
    hit = on.any(axis=1)
    weights[hit] = on[hit]
    return weights / weights.sum(axis=1, keepdims=True)


def _interpolated(weights: list[Array], first: Array, table: Array) -> Array:
    """Probabilities over tables at the nodes, then between the nodes: samples x lines x columns.

    weights: of the nodes, lines x nodes of each sample; first: of first plants, samples x lines x steps; table: samples
    x nodes x steps x columns.
    """
    n, steps, columns = table.shape[1:]
    out = np.empty((*first.shape[:2], columns))
    for sample, weight in enumerate(weights):
        by_step = table[sample].transpose(1, 0, 2).reshape(steps, n * columns)
        for begin in range(0, len(weight), CACHED):
            at = slice(begin, begin + CACHED)
            at_nodes = (first[sample, at] @ by_step).reshape(-1, n, columns)
            out[sample, at] = np.matmul(weight[at, None, :], at_nodes)[:, 0]
    return out
