"""Whether two groups of columns of a model can be told apart."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from plantstats.stats.intervals import Array

# Above this the columns left out would make the standard error of an effect less than half as wide. O'Brien 2007,
# Quality and Quantity 41:673 (from memory), lists 4 and 10 among the rules of thumb; the stricter one is taken.
VIF_LIMIT = 4.0


def vif(information: Array, column: int, others: npt.NDArray[np.bool_]) -> float:
    """How many times other columns of a model widen the variance of one column's coefficient.

    Parameters
    ----------
    information : numpy.ndarray, shape (columns, columns)
        Information (inverse covariance) of the fitted model.
    column : int
        Number of the column in question.
    others : numpy.ndarray of bool, shape (columns,)
        Columns whose part is asked for; `column` itself is not among them.

    Returns
    -------
    float
        Variance with the other columns in the model over the variance without; 1 where they share nothing.

    Notes
    -----
    Of a linear model with all columns but an intercept among the others it is the usual variance inflation factor.

    Examples
    --------
    Two columns with a correlation of 0.8 widen each other's variance 1 / (1 - 0.64) times:

    >>> information = np.array([[1.0, 0.8], [0.8, 1.0]])
    >>> round(vif(information, 0, np.array([False, True])), 4)
    2.7778
    """
    keep = ~np.asarray(others, dtype=bool)
    without = np.linalg.inv(information[np.ix_(keep, keep)])[keep[:column].sum(), keep[:column].sum()]
    return float(np.linalg.inv(information)[column, column] / without)
