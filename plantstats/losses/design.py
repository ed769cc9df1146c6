"""A design whose factors stay factors: which level each row has, and what a level adds to the columns."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt
import pandas as pd

from plantstats.errors import PlantstatsError

Array = npt.NDArray[np.float64]
Codes = npt.NDArray[np.intp]
ShortCodes = npt.NDArray[np.int32]  # as sparse matrices keep them
INTERCEPT = "Intercept"
UNKNOWN = "unknown"
# Share of the largest eigenvalue of the scaled cross-products below which a direction carries no information.
RANK_TOLERANCE = 1e-11
# Least part of a column in a direction without information that counts as taking part in it.
TAKES_PART = 1e-5


class ModelError(PlantstatsError, ValueError):
    """A model that cannot be fitted or asked; the message says what is missing or in the way."""


class CollinearTermsError(ModelError):
    """Terms that carry the same information, so that no model can hold them all."""


@dataclass(frozen=True)
class Numeric:
    """One numeric column of a design, one value per row."""

    name: str
    values: Array

    @property
    def columns(self) -> tuple[str, ...]:
        """The one column that it is."""
        return (self.name,)


@dataclass(frozen=True)
class Factor:
    """Columns that depend on a level alone: the level of each row, and the columns' values (levels x columns)."""

    name: str
    levels: tuple[str, ...]
    codes: Codes
    columns: tuple[str, ...]
    values: Array


@dataclass(frozen=True)
class Design:
    """A design matrix in parts, the constant first; sums over it never write the matrix out.

    Notes
    -----
    Rows that agree in every level share a *profile*: what factors add is written out once per profile, of which there
    are far fewer than rows, and numeric columns are summed by profile.

    Examples
    --------
    >>> light = dummies("light", ("low", "medium"), np.array([0, 1, 0]), "medium")
    >>> design = Design((Numeric(INTERCEPT, np.ones(3)), light))
    >>> design.columns
    ('Intercept', 'light[low]')
    >>> design.gram(np.ones(3)).tolist()
    [[3.0, 2.0], [2.0, 2.0]]
    """

    parts: tuple[Numeric | Factor, ...]

    @property
    def rows(self) -> int:
        """Number of rows."""
        part = self.parts[0]
        return len(part.values if isinstance(part, Numeric) else part.codes)

    @cached_property
    def columns(self) -> tuple[str, ...]:
        """Names of the coefficients."""
        return tuple(name for part in self.parts for name in part.columns)

    @cached_property
    def is_numeric(self) -> npt.NDArray[np.bool_]:
        """Which columns are numeric; the others are of factors."""
        return np.array([isinstance(part, Numeric) for part in self.parts for _ in part.columns])

    @cached_property
    def numeric(self) -> Array:
        """Values of the numeric columns, rows x numeric columns."""
        return np.column_stack([part.values for part in self.parts if isinstance(part, Numeric)])

    @cached_property
    def profiles(self) -> tuple[Codes, Array]:
        """Profile of each row, and the columns of factors for each profile (profiles x factor columns)."""
        factors = [part for part in self.parts if isinstance(part, Factor) and part.columns]
        key = np.zeros(self.rows, dtype=np.int64)
        for factor in factors:
            key = key * len(factor.levels) + factor.codes
        first, profile = numbered(key)
        values = [factor.values[factor.codes[first]] for factor in factors]
        return profile, np.hstack([np.zeros((len(first), 0)), *values])

    @cached_property
    def numeric_profiles(self) -> tuple[Codes, Array]:
        """The same of numeric columns: rows that agree in all of them share their values."""
        number = np.zeros(self.rows, dtype=np.intp)
        for values in self.numeric.T:
            key = pd.factorize(values)[0]
            number = pd.factorize(number * (key.max() + 1) + key)[0]
        first, number = numbered(number)
        return number, self.numeric[first]

    def profile_rates(self, beta: Array) -> tuple[Array, Array]:
        """Exponents of the linear predictor's two parts, whose product is the rate of a row.

        Parameters
        ----------
        beta : numpy.ndarray, shape (columns,) or (samples, columns)
            Coefficients, on the log scale.

        Returns
        -------
        numeric, factors : numpy.ndarray, shapes (profiles of numeric columns[, samples]) and (profiles[, samples])
        """
        (_, numeric), (_, factors) = self.numeric_profiles, self.profiles
        return np.exp(numeric @ beta[..., self.is_numeric].T), np.exp(factors @ beta[..., ~self.is_numeric].T)

    def gram(self, weight: Array) -> Array:
        """Weighted cross-products of all columns, columns x columns.

        Parameters
        ----------
        weight : numpy.ndarray
            One weight per row.

        Returns
        -------
        numpy.ndarray, shape (columns, columns)
        """
        (profile, values), (number, of_numeric) = self.profiles, self.numeric_profiles
        by_profile = [sums_by(profile, weight * x[number], len(values)) for x in of_numeric.T]
        return self.gram_of_profiles(sums_by(number, weight, len(of_numeric)), np.column_stack(by_profile))

    def gram_of_profiles(self, of_numeric: Array, by_profile: Array) -> Array:
        """The same from sums by profile.

        Parameters
        ----------
        of_numeric : numpy.ndarray, shape (profiles of numeric columns,)
            Their weight.
        by_profile : numpy.ndarray, shape (profiles of factors, numeric columns)
            Weighted sums of the numeric columns, the constant first.

        Returns
        -------
        numpy.ndarray, shape (columns, columns)
        """
        (_, values), (_, x) = self.profiles, self.numeric_profiles
        numeric, factor = np.flatnonzero(self.is_numeric), np.flatnonzero(~self.is_numeric)
        out = np.empty((len(self.columns), len(self.columns)))
        out[np.ix_(numeric, numeric)] = (x * of_numeric[:, None]).T @ x
        out[np.ix_(factor, numeric)] = values.T @ by_profile
        out[np.ix_(numeric, factor)] = out[np.ix_(factor, numeric)].T
        out[np.ix_(factor, factor)] = values.T @ (by_profile[:, :1] * values)
        return out

    def dense(self, rows: Codes | None = None) -> Array:
        """The matrix written out.

        Parameters
        ----------
        rows : numpy.ndarray, optional
            Some of its rows, by number.

        Returns
        -------
        numpy.ndarray, shape (rows, columns)
        """
        chosen = slice(None) if rows is None else rows
        (profile, values), (number, of_numeric) = self.profiles, self.numeric_profiles
        out = np.empty((len(profile[chosen]), len(self.columns)))
        out[:, self.is_numeric] = of_numeric[number[chosen]]
        out[:, ~self.is_numeric] = values[profile[chosen]]
        return out


def numbered(key: Codes) -> tuple[Codes, Codes]:
    """Number the different whole numbers of a list in rising order.

    Parameters
    ----------
    key : Codes

    Returns
    -------
    first, number : numpy.ndarray
        Where each stands first, and the number of each entry.

    Examples
    --------
    >>> first, number = numbered(np.array([7, 3, 7]))
    >>> first.tolist(), number.tolist()
    ([1, 0], [1, 0, 1])
    """
    number = pd.factorize(key, sort=True)[0].astype(np.intp)
    first = np.empty(int(number.max(initial=-1)) + 1, dtype=np.intp)
    first[number[::-1]] = np.arange(len(number))[::-1]
    return first, number


def sums_by(group: Codes, weight: Array, n_groups: int) -> Array:
    """Sums of weights by group (whole numbers from 0).

    Parameters
    ----------
    group : Codes
        Group of each weight.
    weight : numpy.ndarray
        One weight per row.
    n_groups : int

    Returns
    -------
    numpy.ndarray, shape (n_groups,)
    """
    return np.asarray(np.bincount(group, weight, n_groups), dtype="float64")


def dummies(name: str, levels: tuple[str, ...], codes: Codes, reference: str | None = None) -> Factor:
    """A factor with a column for each level but the one that the others are compared with.

    Parameters
    ----------
    name : str
        Of the factor.
    levels : tuple of str
        Their names.
    codes : Codes
        Number of each row's level.
    reference : str, optional
        Level without a column; the first where not given. The others have columns ``name[level]``.

    Returns
    -------
    Factor
    """
    first = levels.index(reference) if reference is not None else 0
    others = [n for n in range(len(levels)) if n != first]
    return Factor(name, levels, codes, tuple(f"{name}[{levels[n]}]" for n in others), np.eye(len(levels))[:, others])


def unknown_columns(columns: Sequence[str]) -> list[str]:
    """Columns of levels not known, where there are two or more.

    They are often of the same plants, so that nothing tells them apart. Whoever fits them shrinks them.

    Parameters
    ----------
    columns : sequence of str
        Of a design.

    Returns
    -------
    list of str
        Names of columns.
    """
    unknown = [column for column in columns if column.endswith(f"[{UNKNOWN}]")]
    return unknown if len(unknown) > 1 else []


def check_rank(design: Design, shrunk: tuple[str, ...] = ()) -> None:
    """Refuse columns that carry the same information.

    Parameters
    ----------
    design : Design
        Columns that `unknown_columns` names are left out of the question.
    shrunk : tuple of str
        Names of others to leave out.

    Raises
    ------
    CollinearTermsError
        With the names of the terms and the rank.
    """
    fixed = [column for column in design.columns if column not in shrunk]
    left_out = {*unknown_columns(fixed), *shrunk}
    keep = [n for n, column in enumerate(design.columns) if column not in left_out]
    products = design.gram(np.ones(design.rows))[np.ix_(keep, keep)]
    scale = np.sqrt(np.maximum(np.diag(products), 1e-300))
    sizes, directions = np.linalg.eigh(products / np.outer(scale, scale))
    lost = sizes <= RANK_TOLERANCE * sizes.max()
    if not lost.any():
        return
    loads = np.abs(directions[:, lost]).max(axis=1)
    part_of = {column: part.name for part in design.parts for column in part.columns}
    columns = [design.columns[n] for n, load in zip(keep, loads, strict=True) if load > TAKES_PART]
    involved = list(dict.fromkeys(part_of[column] for column in columns if column != INTERCEPT))
    raise CollinearTermsError(
        f"{' and '.join(involved)} carry the same information (rank {len(keep) - int(lost.sum())} of {len(keep)}): "
        "drop one of them; what is left stands for both"
    )
