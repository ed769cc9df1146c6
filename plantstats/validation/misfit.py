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
    """Each kind of interval in each situation, beside the same where losses follow the model.

    Takes:  results of `run.validate`.
    Gives:  one row per kind and situation other than as modelled: kind, situation, companies, share, share_as_modelled,
            bias_change (how much further from the truth estimates lie, in `bias_unit`), bias_change_error (its
            standard error), clear (whether that is more than twice its error).
    """
    whole = results[results["of"].eq("all") & results["bias"].notna() & results["bias_unit"].ne("")]
    usual = whole[whole["situation"].eq(AS_MODELLED)].set_index("kind")
    usual = usual[["share", "bias", "bias_error"]].add_suffix("_as_modelled")
    other = whole[whole["situation"].ne(AS_MODELLED)].join(usual, on="kind")
    change = other["bias"] - other["bias_as_modelled"]
    error = np.hypot(other["bias_error"], other["bias_error_as_modelled"])
    made = other.assign(bias_change=change, bias_change_error=error, clear=change.abs() > 2 * error)
    order = made["kind"].map({kind: n for n, kind in enumerate(KINDS)})
    made = made.iloc[np.lexsort((made["situation"], order))]
    return made[list(COLUMNS)].reset_index(drop=True)
