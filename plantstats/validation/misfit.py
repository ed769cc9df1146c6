"""How far each estimate moves, and how often its interval still holds, where the truth is not the model."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats.validation.kinds import AS_MODELLED, KINDS

COLUMNS = (
    "kind",
    "situation",
    "companies",
    "share",
    "share_as_modelled",
    "bias_change",
    "bias_change_error",
    "bias_unit",
    "clear",
)


def table(results: pd.DataFrame) -> pd.DataFrame:
    """Kinds of interval in each situation, beside the same where losses follow the model.

    Parameters
    ----------
    results : pandas.DataFrame
        A table of `run.validate` or `figures.figures`.

    Returns
    -------
    pandas.DataFrame
        One row per kind and situation other than as modelled: kind, situation, companies, share, share_as_modelled,
        bias_change (how much further from the truth estimates lie, in `bias_unit`), bias_change_error (its standard
        error), clear (whether that is more than twice its error).
    """
    intervals = results[results["of"].eq("all") & results["bias"].notna() & results["bias_unit"].ne("")]
    usual = intervals[intervals["situation"].eq(AS_MODELLED)].set_index("kind")
    usual = usual[["share", "bias", "bias_error"]].add_suffix("_as_modelled")
    other = intervals[intervals["situation"].ne(AS_MODELLED)].join(usual, on="kind")
    change = other["bias"] - other["bias_as_modelled"]
    error = np.hypot(other["bias_error"], other["bias_error_as_modelled"])
    rows = other.assign(bias_change=change, bias_change_error=error, clear=change.abs() > 2 * error)
    order = rows["kind"].map({kind: n for n, kind in enumerate(KINDS)})
    rows = rows.iloc[np.lexsort((rows["situation"], order))]
    return rows[list(COLUMNS)].reset_index(drop=True)
