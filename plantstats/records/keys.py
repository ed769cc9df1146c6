"""Rows of one key: which of them can be used, where a plant or site stands twice."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from plantstats.records.rows import SET_ASIDE
from plantstats.schema.faults import Code
from plantstats.schema.tables import TABLES, Table
from plantstats.writing import whole_file

WHERE = ("file", "line")


def set_aside(target: Path, account: list[dict[str, Any]]) -> list[pa.Table]:
    """Take rows of one key out of the typed tables, but for the first of rows that agree on money and place.

    Parameters
    ----------
    target : Path
        Folder of the typed Parquet files, which are written anew where they change.
    account : list of dict
        Its counts are moved accordingly.

    Returns
    -------
    list of pyarrow.Table
        The faults, in the set-aside shape.

    Notes
    -----
    Rows of a plant that differ in the day of installation are left for `records.installations`.
    """
    parts = []
    for table in (t for t in TABLES.values() if t.key):
        path = target / f"{table.name}.parquet"
        whole = pq.read_table(path)
        distinguishing = (str(table.key), *((table.distinguished_by,) if table.distinguished_by else ()))
        groups: dict[tuple[Any, ...], list[int]] = {}
        for n, key in enumerate(zip(*(whole.column(name).to_pylist() for name in distinguishing), strict=True)):
            groups.setdefault(key, []).append(n)
        refused: dict[int, str] = {}
        for numbers in (numbers for numbers in groups.values() if len(numbers) > 1):
            reasons = refuse(whole.take(pa.array(numbers)).to_pylist(), table)
            refused |= {numbers[n]: reason for n, reason in reasons.items()}
        if refused:
            parts.append(faults(whole.take(pa.array(refused)).to_pylist(), list(refused.values()), table, account))
            with whole_file(path) as fresh:
                keep = pa.array([n not in refused for n in range(len(whole))])
                pq.write_table(whole.filter(keep), fresh, compression="zstd")
    return parts


def refuse(rows: list[dict[str, Any]], table: Table) -> dict[int, str]:
    """Which of several rows of one key cannot be used, and why.

    Parameters
    ----------
    rows : list of dict
        In the order of the files.
    table : Table

    Returns
    -------
    dict of int to str
        Position of a row to the reason: all but the first; all of them where they differ in what must agree, for then
        nobody can say where the plant stands or who pays.

    Examples
    --------
    >>> blank = dict.fromkeys(column.name for column in TABLES["sites"].kept)
    >>> one = {**blank, "site_id": "S1", "client_id": "C1", "file": "sites.csv", "line": 2}
    >>> refuse([one, {**one, "client_id": "C2", "line": 3}], TABLES["sites"])[0]
    "site_id 'S1' stands in sites.csv line 2 and line 3 with different client_id ('C1', 'C2'): none of them is used"
    """
    key, first = str(table.key), rows[0]
    named = f"{key} {first[key]!r}"
    values = {c.name: list(dict.fromkeys(row[c.name] for row in rows if row[c.name] is not None)) for c in table.kept}
    differing = [name for name, different in values.items() if len(different) > 1]
    if wrong := [name for name in differing if name in table.must_agree]:
        places = " and ".join(_place(row, first if n else None) for n, row in enumerate(rows))
        shown = "; ".join(f"{name} ({', '.join(map(_shown, values[name]))})" for name in wrong)
        return dict.fromkeys(
            range(len(rows)), f"{named} stands in {places} with different {shown}: none of them is used"
        )
    reasons = {}
    for n, row in enumerate(rows[1:], start=1):
        other = [
            f"{name} {_shown(row[name])} (there {_shown(first[name])})"
            for name in differing
            if row[name] != first[name] and row[name] is not None
        ]
        text = f"{named} stands already in {first['file']} line {first['line']}, which is used"
        reasons[n] = f"{text}; here with {', '.join(other)}" if other else text
    return reasons


def faults(rows: list[dict[str, Any]], reasons: list[str], table: Table, account: list[dict[str, Any]]) -> pa.Table:
    """Rows of one key as faults, in the set-aside shape; the counts of the account are moved.

    Parameters
    ----------
    rows : list of dict
    reasons : list of str
        One a row.
    table : Table
    account : list of dict

    Returns
    -------
    pyarrow.Table
    """
    keys = []
    for row, reason in zip(rows, reasons, strict=True):
        file = next(r for r in account if r["table"] == table.name and r["file"] == row["file"])
        file["rows_used"] -= 1
        file["rows_set_aside"] += 1
        keys.append(
            {name: row.get(name) for name in ("plant_id", "site_id")}
            | {name: row[name] for name in WHERE}
            | {"table": table.name, "column": table.key, "text": row[str(table.key)], "scope": "row"}
            | {"code": str(Code.DUPLICATE_KEY), "reason": reason}
        )
    return pa.Table.from_pylist(keys, schema=SET_ASIDE)


def _place(row: dict[str, Any], after: dict[str, Any] | None) -> str:
    return f"line {row['line']}" if after and after["file"] == row["file"] else f"{row['file']} line {row['line']}"


def _shown(value: Any) -> str:
    return repr(value) if isinstance(value, str) else str(value)
