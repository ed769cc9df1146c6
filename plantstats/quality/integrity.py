"""Links between the tables: ids that lead nowhere, and chains of replacements that cannot be."""

from __future__ import annotations

import duckdb
import pandas as pd

GAP_DAYS = 42  # a swap takes one to three weeks to deliver; twice that is a gap (common practice, no source)

# table, column that names another table's key, that table, its key, kind
ORPHANS = (
    ("plants", "site_id", "sites", "site_id", "orphan_site"),
    ("visits", "plant_id", "plants", "plant_id", "orphan_plant"),
    ("visits", "site_id", "sites", "site_id", "orphan_site"),
    ("replacements", "plant_id", "plants", "plant_id", "orphan_plant"),
    ("moves", "plant_id", "plants", "plant_id", "orphan_plant"),
    ("moves", "to_site_id", "sites", "site_id", "orphan_site"),
    ("readings", "site_id", "sites", "site_id", "orphan_site"),
    ("contracts", "site_id", "sites", "site_id", "orphan_site"),
    ("contracts", "client_id", "sites", "client_id", "orphan_client"),
)


def queries(as_of: str, cut: bool) -> list[str]:
    """Queries of this module's rules.

    Parameters
    ----------
    as_of : str
        Last day that counts, as a literal of SQL.
    cut : bool
        Whether `as_of` ends the records; else it is their own last day.

    Returns
    -------
    list of str
        Each gives faults: code, table, file, line, plant_id, site_id, count, text.
    """
    return [*(_orphans(*names) for names in ORPHANS), *_chains()]


def _orphans(table: str, column: str, other: str, key: str, kind: str) -> str:
    own = "plant_id" if column == "plant_id" else "site_id" if key == "site_id" else "no_id"
    return f"""
        with lost as (
            select file, {column} as id, min(line) as line, count(*) as count from {table}
            where {column} is not null and {column} not in (select {key} from {other} where {key} is not null)
            group by file, {column}
        ), near as (
            select min({key}) as known, ltrim(lower({key}), '0 ') as bare from {other} group by bare
        )
        select '{kind}' as code, '{table}' as "table", t.file, t.line, t.count, t.id as {own},
            t.id || ' is not in {other}' || case when n.known is null then ''
                else ' (' || n.known || ' is; the two are different ids)' end as text
        from lost t left join near n on ltrim(lower(t.id), '0 ') = n.bare"""


def _chains() -> list[str]:
    begin = "select {0} as code, 'replacements' as \"table\", r.file, r.line, r.plant_id, "
    return [
        begin.format("'chain_self'") + "r.plant_id || ' replaces itself' as text "
        "from replacements r where r.replaced_by = r.plant_id",
        begin.format("'chain_unknown'") + "r.plant_id || ' was replaced by ' || r.replaced_by "
        "|| ', which is not in plants' as text from replacements r where r.replaced_by <> r.plant_id "
        "and r.replaced_by not in (select plant_id from plants)",
        """select 'chain_shared' as code, 'replacements' as "table", any_value(r.file) as file, min(r.line) as line,
               r.replaced_by as plant_id, count(*) as count,
               r.replaced_by || ' replaces ' || string_agg(r.plant_id, ', ' order by r.line) as text
           from replacements r join plants p on p.plant_id = r.replaced_by
           where r.replaced_by <> r.plant_id and coalesce(p.quantity, 1) = 1
           group by r.replaced_by having count(distinct r.plant_id) > 1""",
        f"""select 'chain_gap' as code, 'replacements' as "table", r.file, r.line, r.plant_id, n.site_id,
               r.plant_id || ' was replaced on ' || r.replaced_on || ', but ' || r.replaced_by
               || ' was installed on ' || n.installed_on as text
           from replacements r join plants n on n.plant_id = r.replaced_by join plants p on p.plant_id = r.plant_id
           where r.replaced_by <> r.plant_id and (n.installed_on > r.replaced_on + {GAP_DAYS}
               or (n.installed_on < r.replaced_on - {GAP_DAYS}
                   and (n.site_id <> p.site_id or coalesce(n.position <> p.position, true))))""",
        """select 'chain_jump' as code, 'replacements' as "table", r.file, r.line, r.plant_id, n.site_id,
               r.plant_id || ' stood at ' || p.site_id || coalesce('/' || p.position, '') || ', ' || r.replaced_by
               || ' at ' || n.site_id || coalesce('/' || n.position, '') as text
           from replacements r join plants n on n.plant_id = r.replaced_by join plants p on p.plant_id = r.plant_id
           where r.replaced_by <> r.plant_id and (n.site_id <> p.site_id or n.position <> p.position)
               and r.plant_id not in (select plant_id from moves)""",
        """select 'visit_elsewhere' as code, 'visits' as "table", v.file, min(v.line) as line, v.plant_id,
               any_value(p.site_id) as site_id, count(*) as count,
               v.plant_id || ' belongs to ' || any_value(p.site_id) || ' but was visited at ' || v.site_id as text
           from visits v join plants p using (plant_id)
           where v.site_id <> p.site_id and v.plant_id not in (select plant_id from moves)
           group by v.file, v.plant_id, v.site_id""",
    ]


def circles(engine: duckdb.DuckDBPyConnection) -> pd.DataFrame:
    """Circles in the chains of replacements, each once; the walk visits every plant at most once, so it ends.

    Parameters
    ----------
    engine : duckdb.DuckDBPyConnection
        Holds the tables of the records.

    Returns
    -------
    pandas.DataFrame
        Faults, as the queries give them.
    """
    rows = engine.sql("""
        select plant_id, replaced_by, file, line from replacements
        where replaced_by is not null and replaced_by <> plant_id order by file, line""").fetchall()
    following: dict[str, tuple[str, str, int]] = {}
    for plant, new, file, line in rows:
        following.setdefault(plant, (new, file, line))
    faults = []
    done: set[str] = set()
    for begin in following:
        path: dict[str, int] = {}
        plant = begin
        while plant in following and plant not in done and plant not in path:
            path[plant] = len(path)
            plant = following[plant][0]
        if plant in path:
            names = list(path)[path[plant] :]
            chain = " -> ".join([*names, names[0]])
            faults.append(("chain_circle", "replacements", *following[names[0]][1:], names[0], len(names), chain))
        done |= set(path)
    return pd.DataFrame(faults, columns=["code", "table", "file", "line", "plant_id", "count", "text"])
