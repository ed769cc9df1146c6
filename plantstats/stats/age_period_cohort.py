"""Age, period and cohort told apart as far as they can be: what is left of each when straight lines are taken out."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd

from plantstats.errors import PlantstatsError
from plantstats.stats.intervals import CONF_LEVEL, WIDEST, Array, quantile

AXES = ("age", "period", "cohort")
FEWEST_EXPECTED = 5.0  # neighbouring levels are joined until each expects as many (rule of thumb, no source)
MOST_STEPS, TOLERANCE = 100, 1e-9
FEWEST_LEVELS = 3  # two levels have no deviation from a line


class AgePeriodCohortError(PlantstatsError, ValueError):
    """Counts that cannot be told apart; the message says why."""


def deviations(counts: pd.DataFrame, conf_level: float = CONF_LEVEL) -> pd.DataFrame:
    r"""Deviations of each age, period and cohort from a straight line through its neighbours.

    Parameters
    ----------
    counts : pandas.DataFrame
        One row per cohort and period: cohort, period (whole numbers of equal steps; age is period - cohort), losses,
        expected (or time at risk).
    conf_level : float
        Confidence level of the limits.

    Returns
    -------
    pandas.DataFrame
        One row per axis and level (neighbours joined): axis, first, last (levels joined), losses, expected, estimate
        (ratio to the line), low, high. An axis of fewer than three levels is left out; limits more than `WIDEST` times
        apart are missing with their estimate.

    Raises
    ------
    AgePeriodCohortError
        Where no axis has three levels.

    Notes
    -----
    Poisson model of losses with log(expected) as offset and a factor for each axis. As period = age + cohort, a line
    may be handed from one axis to the others without a change of fit: no line belongs to one of them, so only what is
    left without lines is given. Deviations :math:`(I - P) \gamma`, where P projects on constant and line with the
    expected losses of the levels as weights; errors by the model, widened by Pearson's :math:`X^2 / df` where above 1.

    References
    ----------
    Holford 1983, Biometrics 39:311; Clayton and Schifflers 1987, Statistics in Medicine 6:469; Carstensen 2007,
    Statistics in Medicine 26:3018.

    Examples
    --------
    >>> grid = pd.DataFrame([(c, p) for c in range(4) for p in range(c, 6)], columns=["cohort", "period"])
    >>> table = deviations(grid.assign(expected=10.0, losses=np.where(grid["cohort"] == 1, 20.0, 10.0)))
    >>> table[table["axis"].eq("cohort")]["estimate"].round(2).tolist()
    [0.79, 1.64, 0.85, 0.88]
    """
    used = counts[counts["expected"] > 0].reset_index(drop=True)
    used = used.assign(age=used["period"] - used["cohort"])
    blocks, levels = [np.ones((len(used), 1))], {}
    for axis in AXES:
        level = _joined(used, axis)
        levels[axis] = level
        blocks.append(np.eye(int(level.max()) + 1)[level])
    axes = [axis for axis in AXES if blocks[1 + AXES.index(axis)].shape[1] >= FEWEST_LEVELS]
    if not axes:
        raise AgePeriodCohortError(
            f"{used['expected'].sum():.0f} losses expected: too few to tell ages, quarters and deliveries apart"
        )
    x, mean = np.hstack(blocks), used["expected"].to_numpy("float64")
    beta, covariance, scale = _fit(x, used["losses"].to_numpy("float64"), mean)
    starts = np.cumsum([0, *(block.shape[1] for block in blocks)])
    parts = []
    for axis in axes:
        at = slice(starts[1 + AXES.index(axis)], starts[2 + AXES.index(axis)])
        parts.append(_one(used, axis, levels[axis], beta[at], scale * covariance[at, at], conf_level))
    return pd.concat(parts, ignore_index=True)


def _fit(x: Array, losses: Array, expected: Array) -> tuple[Array, Array, float]:
    """Poisson coefficients of least norm, their covariance, and the scale of what is left (1 or more)."""
    beta = np.zeros(x.shape[1])
    beta[0] = np.log(losses.sum() / expected.sum())
    for _ in range(MOST_STEPS):
        mean = expected * np.exp(x @ beta)
        step = np.linalg.pinv(x.T @ (x * mean[:, None]), hermitian=True) @ (x.T @ (losses - mean))
        beta = beta + step * min(1.0, 1.0 / max(float(np.abs(step).max()), 1e-12))
        if np.abs(step).max() < TOLERANCE:
            break
    mean = expected * np.exp(x @ beta)
    left = len(x) - int(np.linalg.matrix_rank(x))
    scale = float(((losses - mean) ** 2 / mean).sum()) / left if left > 0 else 1.0
    covariance = np.asarray(np.linalg.pinv(x.T @ (x * mean[:, None]), hermitian=True), dtype="float64")
    return np.asarray(beta), covariance, max(1.0, scale)


def _joined(counts: pd.DataFrame, axis: str) -> npt.NDArray[np.intp]:
    """Level of each cell, neighbouring values joined until each level expects enough and lost any."""
    sums = counts.groupby(axis)[["expected", "losses"]].sum().sort_index()
    level, numbers, expected, losses = 0, [], 0.0, 0.0
    for one_expected, one_lost in sums.itertuples(index=False):
        if expected >= FEWEST_EXPECTED and losses > 0:
            level, expected, losses = level + 1, 0.0, 0.0
        numbers.append(level)
        expected, losses = expected + one_expected, losses + one_lost
    # What is left over at the end belongs to the level before.
    if level and (expected < FEWEST_EXPECTED or losses == 0):
        numbers = [min(number, level - 1) for number in numbers]
    return np.asarray(counts[axis].map(dict(zip(sums.index, numbers, strict=True))), dtype=np.intp)


def _one(
    counts: pd.DataFrame, axis: str, level: npt.NDArray[np.intp], gamma: Array, covariance: Array, conf_level: float
) -> pd.DataFrame:
    """Deviations of one axis."""
    table = (
        counts.assign(level=level, place=counts[axis] * counts["expected"])
        .groupby("level")
        .agg(
            first=(axis, "min"),
            last=(axis, "max"),
            losses=("losses", "sum"),
            expected=("expected", "sum"),
            place=("place", "sum"),
        )
    )
    weight = table["expected"].to_numpy()
    line = np.stack([np.ones(len(table)), table["place"] / weight], axis=1)
    left = np.eye(len(table)) - line @ np.linalg.solve(line.T @ (line * weight[:, None]), (line * weight[:, None]).T)
    value, error = left @ gamma, np.sqrt(np.diag(left @ covariance @ left.T))
    half = quantile(conf_level) * error
    narrow = np.exp(2 * half) <= WIDEST
    ends = {"estimate": value, "low": value - half, "high": value + half}
    return table.drop(columns="place").assign(
        axis=axis, **{name: np.where(narrow, np.exp(end), np.nan) for name, end in ends.items()}
    )
