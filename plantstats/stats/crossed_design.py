"""Design matrices of many rows and few conditions: what columns share no covariate is kept by its own distinct rows.

A table of combinations repeats the same levels over and over. Columns are parted by the covariates that they are made
of; each part holds one row for each combination of its own covariates, and rows of the table point there.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
import patsy
from scipy import sparse

from plantstats.stats.intervals import Array

Ints = npt.NDArray[np.intp]
BLOCK = 4096  # rows whose cross products are summed at once: they stay in the processor's cache
MOST_LEVELS = 4096  # of the combinations that several terms may have in one part


class Part(NamedTuple):
    """Some columns: their values for each combination of what they are made of, and which each row has."""

    x: Array
    columns: Ints
    row: Ints


@dataclass(frozen=True)
class CrossedDesign:
    """A design matrix x of which each part is kept by its distinct rows.

    Attributes
    ----------
    parts : tuple of Part
        Each column is in one.
    """

    parts: tuple[Part, ...]

    @property
    def n_columns(self) -> int:
        """Columns of x."""
        return sum(len(part.columns) for part in self.parts)

    def only(self, kept: npt.NDArray[np.bool_]) -> CrossedDesign:
        """Some of the columns.

        Parameters
        ----------
        kept : numpy.ndarray of bool, shape (columns,)
            Which.

        Returns
        -------
        CrossedDesign
        """
        number = kept.cumsum() - 1
        parts = ((part, kept[part.columns]) for part in self.parts)
        return CrossedDesign(tuple(Part(p.x[:, own], number[p.columns[own]], p.row) for p, own in parts))

    def times(self, beta: Array) -> Array:
        """Linear predictor of each row, x beta.

        Parameters
        ----------
        beta : numpy.ndarray, shape (columns,)

        Returns
        -------
        numpy.ndarray, shape (rows,)
        """
        return np.asarray(sum((part.x @ beta[part.columns])[part.row] for part in self.parts))

    def times_rows(self, values: Array) -> Array:
        """Sums of the rows with a weight each, x' values.

        Parameters
        ----------
        values : numpy.ndarray, shape (rows,)

        Returns
        -------
        numpy.ndarray, shape (columns,)
        """
        out = np.empty(self.n_columns)
        for part in self.parts:
            out[part.columns] = np.bincount(part.row, values, len(part.x)) @ part.x
        return out

    def gram(self, weight: Array, rows: Ints | None = None) -> Array:
        """Cross products of columns, x' diag(weight) x.

        Parameters
        ----------
        weight : numpy.ndarray
            0 or more, of each row.
        rows : numpy.ndarray of int, optional
            Which rows the weights are of; None for all.

        Returns
        -------
        numpy.ndarray, shape (columns, columns)
        """
        if rows is not None:
            x = np.concatenate([part.x[part.row[rows]] for part in self.parts], axis=1)
            return _gram(x, weight)[self._in_order]
        out = np.empty((self.n_columns, self.n_columns))
        for part, (order, ends) in zip(self.parts, self._by_level, strict=True):
            own = _gram(part.x, np.asarray(np.bincount(part.row, weight, len(part.x)), dtype="float64"))
            out[np.ix_(part.columns, part.columns)] = own
            for other in self.parts:
                if other.columns[:1] > part.columns[:1]:
                    shape = len(part.x), len(other.x)
                    both = sparse.csr_matrix((weight[order], other.row[order], ends), shape) @ other.x
                    out[np.ix_(part.columns, other.columns)] = cross = part.x.T @ both
                    out[np.ix_(other.columns, part.columns)] = cross.T
        return out

    def sums(self, weights: sparse.csr_matrix) -> Array:
        """Weighted sums of rows, weights x.

        Parameters
        ----------
        weights : scipy.sparse.csr_matrix, shape (sums, rows)

        Returns
        -------
        numpy.ndarray, shape (sums, columns)
        """
        out = np.empty((weights.shape[0], self.n_columns))
        for part in self.parts:
            shape = weights.shape[0], len(part.x)
            out[:, part.columns] = (
                sparse.csr_matrix((weights.data, part.row[weights.indices], weights.indptr), shape) @ part.x
            )
        return out

    @cached_property
    def _in_order(self) -> tuple[Ints, ...]:
        """Where the columns stand that the parts hold one after the other."""
        order = np.concatenate([part.columns for part in self.parts]).argsort()
        return np.ix_(order, order)

    @cached_property
    def _by_level(self) -> list[tuple[Ints, Ints]]:
        """Of each part the rows in the order of its levels, and where the next level begins."""
        return [
            (part.row.argsort(kind="stable"), np.r_[0, np.bincount(part.row, minlength=len(part.x)).cumsum()])
            for part in self.parts
        ]


def crossed(formula: str, table: pd.DataFrame) -> tuple[CrossedDesign, patsy.DesignInfo]:
    """Design matrix of a formula.

    Parameters
    ----------
    formula : str
        Right side of a patsy formula; names are columns of the table.
    table : pandas.DataFrame

    Returns
    -------
    design, design_info : CrossedDesign, patsy.DesignInfo
        Terms that share covariates are in one part, and those beside them as long as they have few combinations.

    Examples
    --------
    >>> design, _ = crossed("a", pd.DataFrame({"a": [0.0, 2.0, 2.0]}))
    >>> design.times(np.array([1.0, 2.0])).tolist(), design.gram(np.ones(3)).round(9).tolist()
    ([1.0, 5.0, 5.0], [[3.0, 4.0], [4.0, 8.0]])
    """
    groups: list[set[str]] = []
    for term in patsy.ModelDesc.from_formula(formula).rhs_termlist:
        names = {factor.name() for factor in term.factors}
        shared = [group for group in groups if group & names]
        groups = [group for group in groups if group not in shared] + [names.union(*shared)]
    of_parts: list[set[str]] = []
    n_levels: list[int] = []
    for group in groups:
        n = table[list(group)].nunique().item() if len(group) == 1 else len(distinct_rows(table, group)[1])
        if of_parts and n_levels[-1] * n <= MOST_LEVELS:
            of_parts[-1] |= group
            n_levels[-1] *= n
        else:
            of_parts.append(group)
            n_levels.append(n)
    numbered = [distinct_rows(table, names) for names in of_parts]
    design = patsy.dmatrix(
        formula,
        table.iloc[np.concatenate([first for _, first in numbered])],
        eval_env=patsy.EvalEnvironment([{}]),
        NA_action="raise",
    )
    part_of = np.zeros(design.shape[1], dtype=np.intp)
    for term, columns in design.design_info.term_slices.items():
        names = {factor.name() for factor in term.factors}
        part_of[columns] = next((at for at, part in enumerate(of_parts) if names <= part), 0)
    x = np.split(np.asarray(design, dtype="float64"), np.cumsum([len(first) for _, first in numbered])[:-1])
    parts = []
    for at, (row, _) in enumerate(numbered):
        columns = np.flatnonzero(part_of == at)
        parts.append(Part(np.ascontiguousarray(x[at][:, columns]), columns, row))
    return CrossedDesign(tuple(parts)), design.design_info


def distinct_rows(table: pd.DataFrame, names: Iterable[str]) -> tuple[Ints, Ints]:
    """Rows that differ in some columns.

    Parameters
    ----------
    table : pandas.DataFrame
    names : iterable of str
        Its columns.

    Returns
    -------
    number, first : numpy.ndarray of int
        Which combination each row has, and the first row of each combination.

    Examples
    --------
    >>> number, first = distinct_rows(pd.DataFrame({"a": [1, 1, 2, 1], "b": ["x", "y", "x", "y"]}), ["a", "b"])
    >>> number.tolist(), first.tolist()
    ([0, 1, 2, 1], [0, 1, 2])
    """
    number = np.zeros(len(table), dtype="int64")
    for name in sorted(names):
        codes, levels = pd.factorize(table[name])
        number = number * len(levels) + codes
    number = pd.factorize(number)[0]
    return number, np.flatnonzero(~pd.Series(number).duplicated())


def _gram(x: Array, weight: Array) -> Array:
    out = np.zeros((x.shape[1], x.shape[1]))
    for start in range(0, len(x), BLOCK):
        at = slice(start, start + BLOCK)
        root = x[at] * np.sqrt(weight[at])[:, None]  # one array twice: numpy then does half the work
        out += root.T @ root
    return out
