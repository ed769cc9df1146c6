"""Faults of reading: what `load` set aside, and what it could only note."""

from __future__ import annotations

import pandas as pd

from plantstats.records import Records
from plantstats.schema.faults import Code

NOTED = {"unknown cause": "unknown_cause", "unknown species": "unknown_species"}


def faults(records: Records) -> pd.DataFrame:
    """Faults of reading, one per row or cell set aside.

    Parameters
    ----------
    records : Records
        The company's records, as `records.load` gives them.

    Returns
    -------
    pandas.DataFrame
        Faults, as the queries of the other modules give them.
    """
    aside = records.set_aside
    text = aside["column"].fillna("row") + " " + aside["text"].fillna("").map(repr) + ": " + aside["reason"]
    return aside[["table", "file", "line", "plant_id", "site_id", "code"]].assign(text=text, count=1)


def moved_means(records: Records) -> pd.DataFrame:
    """Distance by which the numbers set aside as beyond the limits would move each column's mean.

    Parameters
    ----------
    records : Records
        The company's records, as `records.load` gives them.

    Returns
    -------
    pandas.DataFrame
        Faults, one per column.
    """
    beyond = records.set_aside[records.set_aside["code"] == Code.BEYOND_LIMITS]
    rows = []
    for (table, file, column), cells in beyond.groupby(["table", "file", "column"]):
        numbers = pd.to_numeric(cells["text"], errors="coerce").dropna()
        used = records.table(str(table)).loc[lambda t, name=file: t["file"] == name, column].dropna()
        if len(numbers) and len(used):
            both = (used.sum() + numbers.sum()) / (len(used) + len(numbers))
            text = (
                f"{column}: mean {used.mean():.4g} of the {len(used):,} values used, {both:.4g} with the "
                f"{len(numbers):,} set aside"
            )
            rows.append(("moved_mean", table, file, cells["line"].min(), len(numbers), text))
    return pd.DataFrame(rows, columns=["code", "table", "file", "line", "count", "text"])


def notes(records: Records) -> pd.DataFrame:
    """Causes and species that were kept but not understood.

    Parameters
    ----------
    records : Records
        The company's records, as `records.load` gives them.

    Returns
    -------
    pandas.DataFrame
        Faults, one per cause or species.
    """
    kept = records.notes[records.notes["kind"].isin(list(NOTED))]
    return kept[["table", "file", "text", "count"]].assign(code=kept["kind"].map(NOTED))
