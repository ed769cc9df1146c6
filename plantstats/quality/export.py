"""Rows set aside, written for a spreadsheet: a cell that a spreadsheet would run is made plain text."""

from __future__ import annotations

import os
from pathlib import Path

import pandas as pd

from plantstats.records import Records

# A cell that begins with one of these is a formula to spreadsheet programs (tab and return open one as well).
RUNNABLE = ("=", "+", "-", "@", "\t", "\r", "\n")


def neutral(cell: object) -> object:
    """A text cell as text for spreadsheets: an apostrophe before what would be run. Other values are unchanged."""
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(RUNNABLE) else cell


def write_set_aside(records: Records, path: Path) -> Path:
    """Write what was set aside as CSV (UTF-8 with a byte order mark, for spreadsheet programs).

    Takes:  records; path of the file.
    Gives:  the path. One row per fault: table, file, line, column, text, reason, plant_id, site_id; text cells
            beginning with = + - @ (or a tab or line break) carry an apostrophe before them.
    Keeps:  every fault of records.set_aside.
    """
    shown = records.set_aside.astype("object").where(records.set_aside.notna(), "").map(neutral)
    return write_whole(shown, path)


def write_whole(table: pd.DataFrame, path: Path) -> Path:
    """Write a CSV under a temporary name and rename it, so that half a file never stands at the path."""
    path.parent.mkdir(parents=True, exist_ok=True)
    temporary = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    try:
        table.to_csv(temporary, index=False, encoding="utf-8-sig")
        os.replace(temporary, path)
    finally:
        temporary.unlink(missing_ok=True)
    return path
