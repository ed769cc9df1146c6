"""From a visible formula and a table to a checked design: nothing dropped unseen, nothing taken from outside."""

from __future__ import annotations

import ast
from dataclasses import dataclass

import numpy as np
import pandas as pd
import patsy

from plantstats.errors import PlantstatsError

# Names that a formula may use beside the columns of its table.
FUNCTIONS = ("C", "Q", "I", "Treatment")
UNKNOWN = "unknown"
# Below this share of the largest singular value a direction carries no information.
RANK_TOLERANCE = 1e-9


class ModelError(PlantstatsError, ValueError):
    """A model that cannot be fitted or asked; the message says what is missing or in the way."""


@dataclass(frozen=True)
class Design:
    """A design matrix, what it was made from, and what had to be left out."""

    x: pd.DataFrame
    y: pd.Series
    info: patsy.DesignInfo
    left_out: tuple[str, ...]
    set_aside: pd.DataFrame

    def of(self, table: pd.DataFrame) -> pd.DataFrame:
        """The same columns for other rows; a level that the fit has not seen is refused by name."""
        check_known(self.info, table)
        # A column that knows its levels would have to know all of the fit's; as text it need not.
        as_text = {c: table[c].astype(object) for c in table.columns if isinstance(table[c].dtype, pd.CategoricalDtype)}
        made = patsy.dmatrix(self.info, table.assign(**as_text), NA_action="raise")
        return pd.DataFrame(np.asarray(made), columns=list(self.x.columns), index=table.index)


def design(formula: str, table: pd.DataFrame, what: str = "rows", incomplete: str = "refuse") -> Design:
    """Build the design of a formula.

    Takes:  formula ("losses ~ light + age_band"): names are columns of the table or C, Q, I; what: the word
            for a row in messages; incomplete: "refuse" or "set aside" rows in which a used column is missing.
    Gives:  Design: x (named columns), y, left_out (sentences: columns with one level), set_aside (rows).
    Raises: ModelError for a column that is not there, incomplete rows (with their number and columns), no
            complete row, or columns that carry the same information (named, with the rank).
    """
    left, right = (side.strip() for side in formula.split("~"))
    names = _names(formula, table, what)
    missing = table[names].isna()
    gaps = [f"{column} is missing in {int(n)}" for column, n in missing.sum().items() if n]
    bad = missing.any(axis=1)
    if bad.any() and incomplete == "refuse":
        raise ModelError(f"{int(bad.sum())} of {len(table)} {what} are incomplete: {', '.join(gaps)}")
    used = table[~bad]
    if used.empty:
        raise ModelError(f"no complete row among {len(table)} {what}: {', '.join(gaps) or 'the table is empty'}")
    terms = [term.strip() for term in right.split("+")]
    alone = {term: _only_level(used, term) for term in terms}
    left_out = tuple(
        f"{term} has one level ({level}) in the {len(used)} {what} used and is left out"
        for term, level in alone.items()
        if level is not None
    )
    kept = " + ".join([term for term in terms if alone[term] is None] or ["1"])
    # As categories, text is read once, not value by value; the levels come out in the same order.
    text = [name for name in names if pd.api.types.is_string_dtype(used[name])]
    used = used.assign(**{name: pd.Categorical(used[name]) for name in text})
    y, x = patsy.dmatrices(
        f"{left} ~ {kept}", used, eval_env=patsy.EvalEnvironment([{}]), NA_action="raise", return_type="dataframe"
    )
    x.columns = [name.replace("[T.", "[") for name in x.columns]
    check_rank(x.loc[:, ~x.columns.isin(drawn_in(x))], [term for term in terms if alone[term] is None])
    return Design(x, y[y.columns[0]], x.design_info, left_out, table[bad])


def drawn_in(x: pd.DataFrame) -> list[str]:
    """Columns of levels not known, where there are two or more: often of the same plants, so that nothing tells them
    apart. Whoever fits them draws them in."""
    unknown = [column for column in x.columns if column.endswith(f"[{UNKNOWN}]")]
    return unknown if len(unknown) > 1 else []


def check_rank(x: pd.DataFrame, terms: list[str]) -> None:
    """Refuse columns that carry the same information, by name.

    Raises: ModelError that names the terms and the rank.
    """
    values = x.to_numpy(dtype="float64")
    scale = np.sqrt((values**2).sum(axis=0))
    _, sizes, directions = np.linalg.svd(values / np.where(scale > 0, scale, 1), full_matrices=False)
    rank = int((sizes > RANK_TOLERANCE * sizes.max()).sum())
    if rank == x.shape[1]:
        return
    # The columns that take part in what cancels out.
    loads = np.abs(directions[rank:]).max(axis=0)
    columns = [c for c, load in zip(x.columns, loads, strict=True) if load > 1e-6 and c != "Intercept"]
    involved = [t for t in terms if any(c == t or c.startswith(f"{t}[") for c in columns)] or columns
    raise ModelError(
        f"{' and '.join(involved)} carry the same information (rank {rank} of {x.shape[1]}): drop one of them; "
        "what is left stands for both"
    )


def check_known(info: patsy.DesignInfo, table: pd.DataFrame) -> None:
    """Refuse levels that the fit has not seen, and missing values, each by name."""
    faults = []
    for factor, seen in info.factor_infos.items():
        column = factor.code if factor.code in table.columns else None
        if column is None:
            faults.append(f"no column {factor.code} (columns: {', '.join(map(str, table.columns))})")
            continue
        if table[column].isna().any():
            faults.append(f"{column} is missing in {int(table[column].isna().sum())} rows")
        if seen.type == "categorical":
            known = [str(level) for level in seen.categories]
            strange = sorted(set(table[column].dropna().astype(str)) - set(known))
            faults += [f"{column} {level} is not in the fitted data (known: {', '.join(known)})" for level in strange]
    if faults:
        raise ModelError("; ".join(faults))


def names_in(formula: str) -> list[str]:
    """Names of columns that a formula (or one side of it) uses, in order."""
    parts = [part.strip() for side in formula.split("~") for part in side.split("+")]
    trees = [ast.parse(part, mode="eval") for part in parts]
    found = [node.id for tree in trees for node in ast.walk(tree) if isinstance(node, ast.Name)]
    return list(dict.fromkeys(name for name in found if name not in FUNCTIONS))


def _names(formula: str, table: pd.DataFrame, what: str) -> list[str]:
    """Columns that a formula uses. Raises: ModelError for one that the table does not have."""
    names = names_in(formula)
    absent = [name for name in names if name not in table.columns]
    if absent:
        raise ModelError(f"no column {', '.join(absent)} in {what} (columns: {', '.join(map(str, table.columns))})")
    return names


def _only_level(table: pd.DataFrame, term: str) -> object | None:
    if term not in table.columns or len(table) == 0:
        return None
    levels = table[term].unique()
    return levels[0] if len(levels) == 1 else None
