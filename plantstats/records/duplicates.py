"""Rows that repeat an earlier row in every column: the same export twice, set aside; a true second visit differs.

Where a log holds the time of day, equal lines more than NEAR minutes apart are two looks and both are used.

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
from plantstats.schema.tables import TABLES, schema
from plantstats.writing import whole_file

SEARCHED = ("visits", "readings", "moves")
# Lines alike but for so many minutes are one look sent twice; further apart they are two (rule of thumb).
NEAR = 10


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
    engine = duckdb.connect()
    engine.execute("set memory_limit = '1GB'; set threads = 2")
    if "'" not in str(target):
        engine.execute(f"set temp_directory = '{target.as_posix()}/spill'")
    for name in SEARCHED:
        faults = _remove_repeats(engine, target / f"{name}.parquet", name)
        if faults is None:
            continue
        parts.append(faults)
        for file in faults.column("file").to_pylist():
            row = next(r for r in account if r["table"] == name and r["file"] == file)
            row["rows_used"] -= 1
            row["rows_set_aside"] += 1
    return parts


def _remove_repeats(engine: duckdb.DuckDBPyConnection, path: Path, name: str) -> pa.Table | None:
    if pq.read_metadata(path).num_rows < 2:
        return None
    table = TABLES[name]
    clock = next((c.clock for c in table.columns if c.clock), "null::bigint")
    columns = ", ".join(f.name for f in schema(table) if f.name not in ("file", "line", clock))
    engine.read_parquet(str(path)).create_view("rows", replace=True)
    # Equal rows have equal hashes; rows of equal hash are then compared in full.
    engine.execute(f"""create or replace table likely as
        select row from (select hash({columns}) as row from rows) group by row having count(*) > 1""")
    if not engine.sql("select count(*) from likely").fetchall()[0][0]:
        return None
    engine.execute(f"""create or replace table turns as
        select {columns}, file, line, {clock} as minute,
            lag({clock}) over w as minute_before, row_number() over w as turn, first_value(file) over w as first_file,
            first_value(line) over w as first_line
        from rows where hash({columns}) in (select row from likely)
        window w as (partition by {columns}, {clock} is null order by {clock}, file, line)""")
    engine.execute(f"""create or replace table repeats as select *, coalesce(minute - minute_before, 0) as apart
        from turns where turn > 1 and coalesce(minute - minute_before, 0) <= {NEAR}""")
    plant = "plant_id" if "plant_id" in table.names else "null"
    site = "site_id" if "site_id" in table.names else "null"
    faults = engine.sql(f"""
        select '{name}', file, line, null, '', case when apart = 0 then '{Code.SAME_LINE_TWICE}'
                else '{Code.SENT_TWICE}' end, 'row',
            'the same in every column as ' || case when file = first_file then '' else first_file || ' ' end
            || 'line ' || first_line || case when apart = 0 then '' else ' but for ' || apart || ' minutes' end
            || '; one of them is used', {plant}, {site}
        from repeats order by file, line""").fetchall()
    if not faults:
        return None
    with whole_file(path) as fresh:
        engine.sql("""select * from rows r where not exists (
            select 1 from repeats t where t.file = r.file and t.line = r.line) order by file, line
            """).write_parquet(str(fresh), compression="zstd")
    return pa.table(
        [pa.array(column, f.type) for column, f in zip(zip(*faults, strict=True), SET_ASIDE, strict=True)],
        schema=SET_ASIDE,
    )
