"""How high a single count may be by chance: the threshold of Farrington, without memory of the counts before it."""

from __future__ import annotations

import numpy as np
from scipy import stats

from plantstats.stats.intervals import Array

ONE_SIDED = 0.005


def upper_threshold(expected: Array, dispersion: float, variance: Array, tail: float = ONE_SIDED) -> Array:
    """Count that chance exceeds with a probability of `tail`.

    Parameters
    ----------
    expected : numpy.ndarray
        Expected counts m.
    dispersion : float
        Variance of a count / m.
    variance : numpy.ndarray
        Of the expected counts: how well they are known.
    tail : float

    Returns
    -------
    numpy.ndarray

    Notes
    -----
    (m^(2/3) + z sqrt(4/9 m^(1/3) tau))^(3/2), tau = dispersion + variance / m: counts to the power of 2/3 are nearly
    normal.

    References
    ----------
    Farrington, Andrews, Beale and Catchpole 1996, JRSS A 159:547 (from memory; the formula as in the R package
    surveillance).

    Examples
    --------
    Its test of 5 expected with a standard error of 0.2 at 5%: 9.1154825.

    >>> round(float(upper_threshold(np.array(5.0), 1.0, np.array(0.04), 0.05)), 7)
    9.1154825
    """
    mean = np.maximum(np.asarray(expected, dtype="float64"), 1e-12)
    tau = dispersion + np.asarray(variance, dtype="float64") / mean
    half_width = stats.norm.isf(tail) * np.sqrt(4 / 9 * mean ** (1 / 3) * tau)
    return np.asarray((mean ** (2 / 3) + half_width) ** 1.5)
