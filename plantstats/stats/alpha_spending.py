"""Limits for looking at a trial before its end, so that all looks together err as seldom as one would."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt
from scipy import stats
from scipy.integrate import trapezoid
from scipy.optimize import brentq

Array = npt.NDArray[np.float64]
POINTS = 1001  # of the grid on which the test statistic's density is followed; limits are then good to four figures
FARTHEST = 8.0  # standard errors to which it reaches


def obrien_fleming_spending(fraction: float, alpha: float) -> float:
    r"""Error spent by the time that a share of a trial's information is in.

    Parameters
    ----------
    fraction : float
        Share of the information at the end, above 0; 1 and more spends all.
    alpha : float
        Chance of error on one side over the whole trial.

    Returns
    -------
    float

    Notes
    -----
    :math:`2 - 2 \\Phi(z_{\\alpha/2} / \\sqrt{t})`: very little early, nearly all of it at the end.

    References
    ----------
    Lan and DeMets 1983, Biometrika 70:659.

    Examples
    --------
    >>> [round(obrien_fleming_spending(t, 0.05), 7) for t in (0.25, 0.5, 1.0)]
    [8.86e-05, 0.0055746, 0.05]
    """
    return float(2 * stats.norm.sf(stats.norm.isf(alpha / 2) / np.sqrt(min(fraction, 1.0))))


def boundaries(fractions: Sequence[float], alpha: float) -> list[float]:
    r"""Upper limits of the standardised difference at each look, one-sided.

    Parameters
    ----------
    fractions : sequence of float
        Shares of the final information at the looks, rising, the last at most 1.
    alpha : float
        Chance that any look goes beyond its limit where there is no difference.

    Returns
    -------
    list of float
        One limit a look, in standard errors.

    Raises
    ------
    ValueError
        For fractions that do not rise, or lie outside 0 to 1.

    Notes
    -----
    Spending as `obrien_fleming_spending`. The sum of the increments, :math:`S_k = Z_k \\sqrt{t_k}`, has independent
    normal increments; its density among trials that went on is followed from look to look by numerical integration.

    References
    ----------
    Armitage, McPherson and Rowe 1969, J R Stat Soc A 132:235; Lan and DeMets 1983, Biometrika 70:659.

    Examples
    --------
    >>> [round(limit, 3) for limit in boundaries([0.25, 0.5, 0.75, 1.0], 0.05)]
    [3.75, 2.54, 2.016, 1.72]
    """
    times = np.asarray(fractions, dtype="float64")
    steps = np.diff(times, prepend=0.0)
    if not len(times) or (steps <= 0).any() or times[-1] > 1:
        raise ValueError(f"fractions of information must rise from above 0 to at most 1, not {list(fractions)}")
    limits: list[float] = []
    spent = 0.0
    grid, density = np.zeros(1), np.ones(1)  # before the first look the sum is 0 for sure
    for time, step in zip(times, np.sqrt(steps), strict=True):
        wanted = obrien_fleming_spending(time, alpha) - spent
        spent += wanted

        farthest = FARTHEST * np.sqrt(time)
        known = (density, grid, float(step), wanted)
        far_enough = _excess(farthest, *known) < 0
        limit = float(brentq(_excess, -farthest, farthest, args=known)) if far_enough else float(farthest)
        limits.append(limit / float(np.sqrt(time)))
        onward = np.linspace(-farthest, limit, POINTS)
        kernel = stats.norm.pdf((onward[:, None] - grid[None, :]) / step) / step
        density = np.asarray(_integral(kernel * density, grid))
        grid = onward
    return limits


def _excess(limit: float, density: Array, grid: Array, step: float, wanted: float) -> float:
    """Chance to go beyond a limit at this look, less the chance wanted."""
    return float(_integral(density * stats.norm.sf((limit - grid) / step), grid)) - wanted


def _integral(values: Array, grid: Array) -> Array:
    """Over the grid, the last axis; a grid of one point carries the whole mass."""
    return values[..., 0] if len(grid) == 1 else np.asarray(trapezoid(values, grid, axis=-1))
