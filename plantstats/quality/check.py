"""All checks run over one set of records, into one table of faults."""

from __future__ import annotations

from datetime import date

import duckdb
import pandas as pd

from plantstats.quality import histories, integrity, plausibility, read_faults
from plantstats.quality.catalogue import CATALOGUE
from plantstats.records import Records
from plantstats.schema.tables import TABLES

LONG = ("visits", "readings")  # read from their files each time; the others fit into memory
COLUMNS = ("code", "severity", "table", "file", "line", "plant_id", "site_id", "count", "text", "remedy")


def check(records: Records, as_of: date | None = None) -> pd.DataFrame:
    """Name and count every fault of the records.

    Parameters
    ----------
    records : Records
    as_of : date, optional
        The day of the report; without it nothing is said about the future or completeness.

    Returns
    -------
    pandas.DataFrame
        One row per fault: code, severity, table, file, line (of the first row concerned), plant_id, site_id, count
        (rows it stands for), text, remedy; in the order of the catalogue, then by table, file and line.
    """
    engine = duckdb.connect()
    engine.execute("set threads = 2; set memory_limit = '2GB'")
    for name in TABLES:
        rows = engine.read_parquet(str(records.parquet(name)))
        (rows.create_view if name in LONG else rows.create)(name)
    limit = (as_of or date(9999, 12, 31)).isoformat()
    # Rules that concern few plants look through the log for these alone.
    engine.execute(f"""create table visited as
        select plant_id, min(visited_on) as first_on, max(visited_on) as last_on,
            max(visited_on) filter (visited_on <= date '{limit}') as last_counted_on
        from visits where plant_id is not null group by plant_id""")
    parts = [read_faults.faults(records), read_faults.notes(records), read_faults.moved_means(records)]
    for room in (histories, integrity, plausibility):
        for query in room.queries(limit, as_of is not None):
            parts.append(engine.execute(query).df())
    parts.append(integrity.circles(engine))
    return _table(parts)


def _table(parts: list[pd.DataFrame]) -> pd.DataFrame:
    shaped = [part.reindex(columns=[c for c in COLUMNS if c not in ("severity", "remedy")]) for part in parts]
    filled = [part for part in shaped if len(part)]
    table = pd.concat(filled, ignore_index=True) if filled else shaped[0]
    table["severity"] = [CATALOGUE[code].severity for code in table["code"]]
    table["remedy"] = [CATALOGUE[code].remedy for code in table["code"]]
    table["line"] = table["line"].astype("Int64")
    table["count"] = table["count"].fillna(1).astype("int64")
    for name in COLUMNS:
        if name not in ("line", "count"):
            table[name] = table[name].astype("str")
    order = table["code"].map({code: n for n, code in enumerate(CATALOGUE)})
    ordered = table.assign(order=order).sort_values(["order", "table", "file", "line"], kind="stable")
    return ordered[list(COLUMNS)].reset_index(drop=True)
