"""Rows that repeat an earlier row in every column: the same export twice, set aside; a true second visit differs.

Only tables in which a row is one look or one reading are searched. Two equal lines of `replacements` may be two
plants of one counted line; they stay, and `plantstats.quality` names them.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq

from plantstats.records.rows import SET_ASIDE
from plantstats.schema.faults import Code
from plantstats.schema.tables import TABLES
from plantstats.writing import whole_file

SEARCHED = ("visits", "readings", "moves")


def set_aside(target: Path, account: list[dict[str, Any]]) -> list[pa.Table]:
    """Take repeated rows out of the typed tables.

    Parameters
    ----------
    target : Path
        Folder of the typed Parquet files.
    account : list of dict
        Its counts are moved accordingly.

    Returns
    -------
    list of pyarrow.Table
        The faults, in the set-aside shape.

    Notes
    -----
    Rows used + rows set aside of each file stay the same; the first of equal rows is the one used.
    """
    parts = []
    for name in SEARCHED:
        faults = _remove_repeats(target / f"{name}.parquet", name)
        if faults is None:
            continue
        parts.append(faults)
        for file in faults.column("file").to_pylist():
            row = next(r for r in account if r["table"] == name and r["file"] == file)
            row["rows_used"] -= 1
            row["rows_set_aside"] += 1
    return parts


def _remove_repeats(path: Path, name: str) -> pa.Table | None:
    if pq.read_metadata(path).num_rows < 2:
        return None
    columns = ", ".join([*TABLES[name].names, *(limit for c in TABLES[name].columns for limit in c.between)])
    engine = duckdb.connect()
    engine.execute(
        f"set memory_limit = '1GB'; set threads = 2; set temp_directory = '{path.parent.as_posix()}/spill'"
        if "'" not in str(path)
        else "set memory_limit = '1GB'"
    )
    engine.read_parquet(str(path)).create_view("rows")
    # Equal rows have equal hashes; rows of equal hash are then compared in full.
    engine.execute(f"""create table likely as
        select row from (select hash({columns}) as row from rows) group by row having count(*) > 1""")
    if not engine.sql("select count(*) from likely").fetchall()[0][0]:
        return None
    engine.execute(f"""create table turns as
        select {columns}, file, line, row_number() over w as turn, first_value(file) over w as first_file,
            first_value(line) over w as first_line
        from rows where hash({columns}) in (select row from likely)
        window w as (partition by {columns} order by file, line)""")
    plant = "plant_id" if "plant_id" in TABLES[name].names else "null"
    site = "site_id" if "site_id" in TABLES[name].names else "null"
    faults = engine.sql(f"""
        select '{name}', file, line, null, '', '{Code.SAME_LINE_TWICE}', 'row', 'the same in every column as '
            || case when file = first_file then '' else first_file || ' ' end
            || 'line ' || first_line || '; one of them is used', {plant}, {site}
        from turns where turn > 1 order by file, line""").fetchall()
    if not faults:
        return None
    with whole_file(path) as fresh:
        engine.sql("""select * from rows r where not exists (
            select 1 from turns t where t.turn > 1 and t.file = r.file and t.line = r.line) order by file, line
            """).write_parquet(str(fresh), compression="zstd")
    return pa.table(
        [pa.array(column, f.type) for column, f in zip(zip(*faults, strict=True), SET_ASIDE, strict=True)],
        schema=SET_ASIDE,
    )
