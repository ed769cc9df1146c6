"""The rows that a company leaves: a printed interval with its truth, an alarm, a cost, or a page that said no."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pandas as pd
from patsy import PatsyError

from plantstats.losses import ModelError

COLUMNS = ("company", "plants", "situation", "kind", "sort", "of", "estimate", "low", "high", "true_value", "stated")
_EMPTY = dict.fromkeys(("estimate", "low", "high", "true_value", "stated"), np.nan)
# A page that says no in its own words, or stops with those of a library: its reader has nothing either way.
PAGE_STOPS = (ModelError, PatsyError)


def intervals(
    kind: str, printed: pd.DataFrame, of: pd.Series, true_value: npt.ArrayLike, stated: npt.ArrayLike = np.nan
) -> pd.DataFrame:
    """Printed intervals beside their truth.

    Parameters
    ----------
    kind : str
        As in `kinds.KINDS`.
    printed : pandas.DataFrame
        Findings with estimate, low, high.
    of : pandas.Series
        What each is about.
    true_value : array_like
        The truth of each, aligned (missing where there is no one truth).
    stated : array_like, optional
        The chance to hold it, where that is not the level of the interval (see `arithmetic`).

    Returns
    -------
    pandas.DataFrame
        One row per interval that was printed and has a truth. A missing end has no bound on that side.
    """
    table = pd.DataFrame(
        {
            "kind": kind,
            "sort": "interval",
            "of": of.astype("str").to_numpy(),
            **{name: printed[name].to_numpy(float) for name in ("estimate", "low", "high")},
            "true_value": np.asarray(true_value, dtype=float),
            "stated": stated,
        }
    )
    return table[table["true_value"].notna() & (table["low"].notna() | table["high"].notna())]


def alarms(kind: str, of: pd.Series, called: npt.ArrayLike, stated: npt.ArrayLike = np.nan) -> pd.DataFrame:
    """Alarms that a page called (estimate 1) or not (0), one row per chance to do so.

    Parameters
    ----------
    kind : str
        As in `kinds.KINDS`.
    of : pandas.Series
        What each is about.
    called : array_like
        Whether it was called, aligned.
    stated : array_like, optional
        The chance to be called, where the page has it.

    Returns
    -------
    pandas.DataFrame
    """
    called = np.asarray(called, dtype=float)
    table = pd.DataFrame(
        {"kind": kind, "sort": "alarm", "of": of.astype("str").to_numpy(), **_EMPTY, "estimate": called}
    )
    return table.assign(stated=stated)


def costs(kind: str, excess: float) -> pd.DataFrame:
    """Excess of a way to decide over the best possible cost, as a share of it; one row.

    Parameters
    ----------
    kind : str
        As in `kinds.KINDS`.
    excess : float
        The share.

    Returns
    -------
    pandas.DataFrame
    """
    return pd.DataFrame([{"kind": kind, "sort": "cost", "of": "all sites", **_EMPTY, "estimate": excess}])


def refusal(kind: str, why: Exception | str) -> pd.DataFrame:
    """A page that printed nothing, and why; one row.

    Parameters
    ----------
    kind : str
        As in `kinds.KINDS`.
    why : Exception or str
        Its first line is kept.

    Returns
    -------
    pandas.DataFrame
    """
    return pd.DataFrame([{"kind": kind, "sort": "refusal", "of": str(why).partition("\n")[0], **_EMPTY}])
