"""Which effects act on the drying of which plants: the columns of the fitted law."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
from scipy import sparse

from plantstats.records.species import species_table

TERMS = ("group", "species", "light", "pot", "planter", "heating")
VPD_MIDDLE = 1.5  # kPa; the term is zero there
Names = tuple[tuple[str, str], ...]  # term and level of each effect


def groups_of(species: pd.Series) -> pd.Series:
    """The group of each species; the group of one that the shipped table does not know is its genus."""
    known = dict(species_table()[["name", "group"]].itertuples(index=False))
    return species.map({name: known.get(name, str(name).split(" ")[0]) for name in species.unique()})


def names_of(rows: pd.DataFrame, vpd: bool) -> Names:
    """Effects of the levels that occur: the intercept, one per level of each term, and vapour pressure deficit."""
    terms = _terms(rows)
    names = [("intercept", "")]
    names += [(term, level) for term in TERMS for level in sorted(terms[term].unique())]
    return tuple([*names, ("vpd", "per kPa"), ("vpd", "missing")] if vpd else names)


def _terms(rows: pd.DataFrame) -> Mapping[str, pd.Series]:
    text = {term: rows[term].astype("str") for term in TERMS if term not in ("group", "heating")}
    heating = rows["heating"].astype("bool").map({True: "heating season", False: "rest of the year"})
    return {"group": groups_of(text["species"]), "heating": heating, **text}


def design(rows: pd.DataFrame, names: Names) -> sparse.csr_array:
    """Rows x effects: 1 where a level holds; a level without an effect (never seen) adds nothing."""
    terms = _terms(rows)
    place = {name: at for at, name in enumerate(names)}
    n = len(rows)
    parts = [(np.arange(n), np.zeros(n, int), np.ones(n))]
    for term, values in terms.items():
        codes, levels = pd.factorize(values)
        column = np.array([place.get((term, level), -1) for level in levels])[codes]
        seen = np.flatnonzero(column >= 0)
        parts.append((seen, column[seen], np.ones(len(seen))))
    if ("vpd", "per kPa") in place:
        value = rows["vpd"].to_numpy(dtype=float)
        told = np.flatnonzero(np.isfinite(value))
        blank = np.flatnonzero(~np.isfinite(value))
        parts.append((told, np.full(len(told), place["vpd", "per kPa"]), value[told] - VPD_MIDDLE))
        parts.append((blank, np.full(len(blank), place["vpd", "missing"]), np.ones(len(blank))))
    row, column, value = (np.concatenate(part) for part in zip(*parts, strict=True))
    return sparse.csr_array((value, (row, column)), shape=(n, len(names)))
