"""Rows set aside, written for a spreadsheet: a cell that a spreadsheet would run is made plain text."""

from __future__ import annotations

from pathlib import Path

from plantstats.records import Records
from plantstats.writing import whole_file

# A cell that begins with one of these is a formula to spreadsheet programs; tab and return open one as well, and so do
# the signs in full width under some settings of East Asian languages.
RUNNABLE = ("=", "+", "-", "@", "\uff1d", "\uff0b", "\uff0d", "\uff20", "\t", "\r", "\n")


def neutral(cell: object) -> object:
    """Text cell as text for spreadsheets: an apostrophe before what would be run. Other values are unchanged.

    Parameters
    ----------
    cell : object

    Returns
    -------
    object
    """
    return f"'{cell}" if isinstance(cell, str) and cell.startswith(RUNNABLE) else cell


# What a list of rows set aside begins with; nothing else is ever replaced by one.
SET_ASIDE_BEGINS = b"\xef\xbb\xbftable,file,line,column,text,"


def not_allowed(records: Records) -> int:
    """Rows set aside for faults that the settings do not allow.

    Parameters
    ----------
    records : Records
        As `records.load` or `records.survey` gives them.

    Returns
    -------
    int
        Number of rows; single cells set aside do not count, their rows are used.
    """
    rows = records.set_aside[records.set_aside["scope"] != "cell"]
    return int((~rows["code"].isin(records.settings.allowed_faults)).sum())


def write_set_aside(records: Records, path: Path) -> Path:
    """Write what was set aside as CSV (UTF-8 with a byte order mark, for spreadsheet programs).

    Parameters
    ----------
    records : Records
    path : Path
        Of the file.

    Returns
    -------
    Path
        `path`. One row per fault, in the columns of `records.set_aside`; a text cell that a spreadsheet would run
        carries an apostrophe before it.

    Raises
    ------
    OutputError
        Where it cannot be written.
    """
    shown = records.set_aside.astype("object").where(records.set_aside.notna(), "").map(neutral)
    with whole_file(path) as partial:
        shown.to_csv(partial, index=False, encoding="utf-8-sig")
    return path
