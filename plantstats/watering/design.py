"""Design matrix of the drying model: which effects act on which plants."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import sparse

from plantstats.records.species import species_table
from plantstats.watering.distribution import Array

CONDITIONS = ["species", "light", "pot", "planter", "heating"]  # what drying hangs on
TERMS = ("group", "species", "light", "pot", "planter", "heating")
SEASONS = {True: "heating season", False: "rest of the year"}
Names = tuple[tuple[str, str], ...]  # term and level of each effect


def groups_of(species: pd.Series) -> pd.Series:
    """Group of each species; the group of one that the shipped table does not know is its genus.

    Parameters
    ----------
    species : pandas.Series
        Scientific names.

    Returns
    -------
    pandas.Series
    """
    known = _known_groups()
    return species.map({name: known.get(name, str(name).split(" ")[0]) for name in species.unique()})


@cache
def _known_groups() -> dict[str, str]:
    """Group of each species of the shipped table."""
    return dict(species_table()[["name", "group"]].itertuples(index=False))


def dryness_of(species: pd.Series) -> pd.Series:
    """Hardiness of each species to dry topsoil ("wilts", "ordinary", "stands drought"); ordinary where not known.

    Parameters
    ----------
    species : pandas.Series
        Scientific names.

    Returns
    -------
    pandas.Series
    """
    return species.map(species_table().set_index("name")["dryness"]).fillna("ordinary")


def effect_names(rows: pd.DataFrame) -> Names:
    """Effects of the levels that occur: the intercept, and one per level of each term.

    Parameters
    ----------
    rows : pandas.DataFrame
        Dry-downs.

    Returns
    -------
    Names
    """
    terms = _terms(rows)
    levels = [(term, level) for term in TERMS for level in sorted(terms[term].unique())]
    return (("intercept", ""), *levels)


def design_matrix(rows: pd.DataFrame, names: Names) -> sparse.csr_array:
    """Rows x effects: 1 where a level holds; a level without an effect (never seen) adds nothing.

    Parameters
    ----------
    rows : pandas.DataFrame
        Dry-downs.
    names : Names
        As `effect_names` gives them.

    Returns
    -------
    sparse.csr_array
    """
    place = {name: at for at, name in enumerate(names)}
    n = len(rows)
    parts = [(np.arange(n), np.zeros(n, int))]
    for term, values in _terms(rows).items():
        codes, levels = pd.factorize(values)
        column = np.array([place.get((term, level), -1) for level in levels])[codes]
        seen = np.flatnonzero(column >= 0)
        parts.append((seen, column[seen]))
    row, column = (np.concatenate(part) for part in zip(*parts, strict=True))
    return sparse.csr_array((np.ones(len(row)), (row, column)), shape=(n, len(names)))


class Kinds(NamedTuple):
    """Rows that share their conditions: effects of each kind (kinds x effects), and the kind of each row."""

    x: Array
    of_row: Array

    def log_scale(self, effects: Array) -> Array:
        """Sum of the effects that act on each row.

        Parameters
        ----------
        effects : numpy.ndarray, shape (effects,)

        Returns
        -------
        numpy.ndarray, shape (rows,)
        """
        return np.asarray((self.x @ effects)[self.of_row])

    def sums(self, values: Array) -> Array:
        """Values of rows, added up by kind.

        Parameters
        ----------
        values : numpy.ndarray, shape (rows,)

        Returns
        -------
        numpy.ndarray, shape (kinds,)
        """
        return np.bincount(self.of_row, values, len(self.x))


def kinds_of(rows: pd.DataFrame, names: Names) -> Kinds:
    """The design of rows by kind: a thousand times fewer than dry-downs.

    Parameters
    ----------
    rows : pandas.DataFrame
        Dry-downs, gaps or plants.
    names : Names
        As `effect_names` gives them.

    Returns
    -------
    Kinds
    """
    of_row = rows.groupby(CONDITIONS, sort=False, dropna=False, observed=True).ngroup().to_numpy()
    first = np.unique(of_row, return_index=True)[1]
    return Kinds(design_matrix(rows.iloc[first], names).toarray(), of_row)


def _terms(rows: pd.DataFrame) -> Mapping[str, pd.Series]:
    text = {term: rows[term].astype("str") for term in TERMS if term not in ("group", "heating")}
    heating = rows["heating"].astype("bool").map(SEASONS)
    return {"group": groups_of(text["species"]), "heating": heating, **text}
