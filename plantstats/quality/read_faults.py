"""Faults of reading, by kind: what `load` set aside, and what it could only note."""

from __future__ import annotations

import re

import pandas as pd

from plantstats.records import Records

# Words of the reasons that `plantstats.records` gives, in the order in which they are tried.
REASONS: tuple[tuple[str, str], ...] = (
    (r"looks like a row of totals", "totals_row"),
    (r"^the heads again", "repeated_heads"),
    (r"fields, header has", "ragged_row"),
    (r"quote mark", "lost_quote"),
    (r"stands already", "duplicate_key"),
    (r"^the same in every column", "same_line_twice"),
    (r"^no \w+(?:;|$)|^neither \w+ nor \w+$", "missing_value"),
    (r"spreadsheet error|formula without", "spreadsheet_error"),
    (r"id column", "doubtful_id"),
    (r"placeholder|open end|day 0", "placeholder_date"),
    (r"does not say which unit|unit '|photon flux|behind the number|currency", "unclear_unit"),
    (r"that can be meant", "beyond_limits"),
    (r"date|month name|does not exist|the year|the time|day count|order of day", "unreadable_date"),
    (r"not (?:a|one|a whole|a finite) number|decimal mark|estimate", "not_a_number"),
    (r"under codes|neither yes nor no", "unknown_code"),
)


def kind_of(reason: str) -> str:
    """Kind of a reason for setting aside."""
    plain = reason.removeprefix("cell: ")
    return next((kind for pattern, kind in REASONS if re.search(pattern, plain)), "other_row_fault")


def faults(records: Records) -> pd.DataFrame:
    """One fault per row or cell set aside."""
    aside = records.set_aside
    kinds = {reason: kind_of(reason) for reason in aside["reason"].unique()}
    text = aside["column"].fillna("row") + " " + aside["text"].fillna("").map(repr) + ": " + aside["reason"]
    return aside[["table", "file", "line", "plant_id", "site_id"]].assign(
        kind=aside["reason"].map(kinds), text=text, count=1
    )


def moved_means(records: Records) -> pd.DataFrame:
    """How far the numbers set aside as beyond the limits would move each column's mean."""
    aside = records.set_aside
    beyond = aside[aside["reason"].isin([r for r in aside["reason"].unique() if kind_of(r) == "beyond_limits"])]
    found = []
    for (table, file, column), rows in beyond.groupby(["table", "file", "column"]):
        numbers = pd.to_numeric(rows["text"], errors="coerce").dropna()
        used = records.table(str(table)).loc[lambda t, name=file: t["file"] == name, column].dropna()
        if len(numbers) and len(used):
            both = (used.sum() + numbers.sum()) / (len(used) + len(numbers))
            found.append(
                {
                    "kind": "moved_mean",
                    "table": table,
                    "file": file,
                    "line": rows["line"].min(),
                    "count": len(numbers),
                    "text": f"{column}: mean {used.mean():.4g} of the {len(used):,} values used, {both:.4g} with the "
                    f"{len(numbers):,} set aside",
                }
            )
    return pd.DataFrame(found, columns=["kind", "table", "file", "line", "count", "text"])


def notes(records: Records) -> pd.DataFrame:
    """Causes and species that were kept but not understood."""
    kinds = {"unknown cause": "unknown_cause", "unknown species": "unknown_species"}
    kept = records.notes[records.notes["kind"].isin(list(kinds))]
    return kept[["table", "file", "text", "count"]].assign(kind=kept["kind"].map(kinds))
