"""What `plantstats check` prints: the account of every row, the faults by kind, what to do."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pandas as pd

from plantstats.quality.catalogue import CATALOGUE
from plantstats.quality.check import check
from plantstats.records import Records, Settings, survey
from plantstats.records.load import MISSING_TABLE

FIRST_LINES = 3
WIDTH = 160
EXAMPLE = r"line \d+ (?:'[^']*'|\"[^\"]*\")|\d+"  # what differs between notes of one kind


def print_check(records: Records, faults: pd.DataFrame, unusable: list[str] | None = None) -> str:
    """The text of a check.

    Parameters
    ----------
    records : Records
    faults : pandas.DataFrame
        As `check` gives them.
    unusable : list of str, optional
        Faults of tables that cannot be used.

    Returns
    -------
    str
        Tables that are missing, those that cannot be used, the account of every file, the faults by code with their
        first lines and what to do, what was decided while reading.
    """
    parts = []
    missing = records.notes.loc[records.notes["kind"].eq(MISSING_TABLE), "table"].tolist()
    if missing:
        parts.append(f"No file of {', '.join(missing)} can be used here: what rests on it is not told.")
    if unusable:
        parts.append("Cannot be used:\n" + "\n".join(f"  {_plain(line)}" for line in unusable))
    parts.append(_account(records))
    for severity, title in (("impossible", "Impossible or unreadable"), ("suspected", "To be looked at")):
        part = faults[faults["severity"] == severity]
        if len(part):
            parts.append(
                f"{title}:\n" + "\n".join(_faults(str(code), rows) for code, rows in part.groupby("code", sort=False))
            )
    if not len(faults) and not unusable:
        parts.append("No faults found.")
    parts.append(_decided(records))
    return "\n\n".join(parts) + "\n"


def check_folder(
    folder: Path, settings: Path | Settings | None = None, as_of: date | None = None
) -> tuple[str, bool, Records, pd.DataFrame]:
    """Check a folder in one run, whatever is wrong with it.

    Parameters
    ----------
    folder : Path
    settings : Path or Settings, optional
        As for `records.load`.
    as_of : date, optional
        The day of the report.

    Returns
    -------
    text : str
        Of `print_check`.
    usable : bool
        Whether every table can be used.
    records : Records
    faults : pandas.DataFrame

    Raises
    ------
    RecordError
        For a folder or settings file that cannot be used.
    """
    records, unusable = survey(folder, settings)
    faults = check(records, as_of)
    return print_check(records, faults, unusable), not unusable, records, faults


def _plain(text: str) -> str:
    """One line of text without control signs, so that data cannot write over the screen."""
    return "".join(letter if letter.isprintable() else "\N{REPLACEMENT CHARACTER}" for letter in text)


def _account(records: Records) -> str:
    rows = [("table", "file", "rows read", "used", "set aside")]
    rows += [
        (r.table, r.file, f"{r.rows_read:,}", f"{r.rows_used:,}", f"{r.rows_set_aside:,}")
        for r in records.account.itertuples()
    ]
    wide = [max(len(row[n]) for row in rows) for n in range(5)]
    lines = [
        "  " + "  ".join(cell.ljust(wide[n]) if n < 2 else cell.rjust(wide[n]) for n, cell in enumerate(row)).rstrip()
        for row in rows
    ]
    cells = int(records.set_aside["scope"].eq("cell").sum())
    if cells:
        lines.append(f"  {cells:,} single cells were set aside; their rows are used, the values count as missing.")
    return "Account (rows read = used + set aside):\n" + "\n".join(_plain(line) for line in lines)


def _faults(code: str, rows: pd.DataFrame) -> str:
    total = int(rows["count"].sum())
    title, _, remedy, _ = CATALOGUE[code]
    lines = [f"  {title}: {total:,}. {remedy[0].upper()}{remedy[1:]}."]
    for row in rows.head(FIRST_LINES).itertuples():
        place = row.file if isinstance(row.file, str) and row.file else row.table
        line = f" line {row.line}" if pd.notna(row.line) else ""
        text = _plain(f"    {place}{line}: {row.text}")
        lines.append(text if len(text) <= WIDTH else text[: WIDTH - 3] + "...")
    if len(rows) > FIRST_LINES:
        lines.append(f"    and {len(rows) - FIRST_LINES:,} more")
    return "\n".join(lines)


def _named(table: object, files: pd.Series) -> str:
    """The file that a note is about; of several the table, how many, and the first."""
    names = files.unique()
    return f"{table} ({len(names)} files, first {names[0]})" if len(names) > 1 else str(names[0] or table)


def _decided(records: Records) -> str:
    notes = records.notes[~records.notes["kind"].isin(["unknown cause", "unknown species", "missing", MISSING_TABLE])]
    lines = []
    # Parts of a table say the same by the dozen.
    alike = notes["text"].where(notes["file"] == "", notes["text"].str.replace(EXAMPLE, "", regex=True))
    for (table, column, _), rows in notes.groupby(["table", "column", alike], sort=False):
        where = " ".join(part for part in (_named(table, rows["file"]), column) if part)
        count = int(rows["count"].sum())
        lines.append(f"  {where}: {rows['text'].iloc[0]}" + (f" ({count:,} rows)" if count else ""))
    for table, rows in records.notes[records.notes["kind"] == "missing"].groupby("table", sort=False):
        counts = rows.groupby("column", sort=False)["count"].sum()
        cells = ", ".join(f"{column} {count:,}" for column, count in counts.items())
        lines.append(f"  {_named(table, rows['file'])}: cells without a value: {cells}")
    return "Decided while reading:\n" + "\n".join(_plain(line) for line in lines)
