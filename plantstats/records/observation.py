"""When the records of each site begin and end, where nobody has said so.

Time before the first record of a site is no time at risk: whatever was lost then nobody wrote down. Time after the end
of a contract is none either, where nothing was noted at the site since.
"""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import duckdb
import pyarrow as pa
import pyarrow.parquet as pq

from plantstats.writing import whole_file

# Days on which something was noted at a site; a plant's line stands at the site that the plant was moved to last. Of
# the many visits to a plant that stayed only the first and the last are asked for.
MOVED = "coalesce(plant_id in (select plant_id from moves where plant_id is not null), false)"
NOTED = f"""
    create temp table noted as
    with days as (
        select site_id, plant_id, unnest([min(visited_on), max(visited_on)]) as on_day
        from visits where site_id is not null or not {MOVED} group by 1, 2
        union all select site_id, plant_id, visited_on from visits where site_id is null and {MOVED}
        union all select null, plant_id, least(replaced_on, coalesce(found_on, replaced_on)) from replacements
        union all select null, plant_id, replaced_on from replacements
        union all select null, plant_id, removed_on from plants
        union all select to_site_id, plant_id, moved_on from moves
        union all select site_id, null, read_at::date from readings
    )
    select coalesce(d.site_id, m.to_site_id, p.site_id) as site_id, d.on_day
    from (select * from days where on_day is not null) d
    asof left join (select plant_id, moved_on, to_site_id from moves where to_site_id is not null) m
        on m.plant_id = d.plant_id and d.on_day > m.moved_on
    left join (select plant_id, any_value(site_id) as site_id from plants group by 1) p on p.plant_id = d.plant_id"""
YOUNG_DAYS = 90  # before the first thing noted; older plants were there before the records (rule of thumb)
# A site's records begin with the first thing noted there, or with the first installation there after the records of the
# company have begun: what is installed from then on is on record from its first day. Where no plant is older than the
# company's first rounds, its records begin with its first plants.
BEGINS = f"""
    with listed as (
        select min(installed_on) as first_on, count(*) = count(installed_on) as all_known from plants
    ), company as (
        select case when l.all_known and l.first_on >= n.on_day - {YOUNG_DAYS} then least(l.first_on, n.on_day)
            else n.on_day end as begins
        from listed l, (select min(on_day) as on_day from noted) n where n.on_day is not null
    ), first as (
        select site_id, min(on_day) as on_day from (
            select site_id, on_day from noted
            union all select site_id, installed_on from plants where installed_on >= (select begins from company))
        where site_id is not null group by 1
    )
    select s.site_id, coalesce(f.on_day, (select begins from company)) from sites s left join first f using (site_id)
    where s.observed_from is null and (select begins from company) is not null order by 1"""
# Where every contract of a site has ended, and nothing was noted there since.
ENDS = """
    with last as (
        select s.site_id, max(c.ends_on) as ends_on from sites s join contracts c
            on c.client_id = s.client_id and (c.site_id is null or c.site_id = s.site_id)
        where s.records_until is null group by 1 having count(*) = count(c.ends_on)
    )
    select site_id, ends_on from last l
    where ends_on < (select max(on_day) from noted)
        and not exists (select 1 from noted n where n.site_id = l.site_id and n.on_day > l.ends_on) order by 1"""


def fill(target: Path) -> list[tuple[Any, ...]]:
    """Fill the first and the last day of each site's records where they are blank and the records tell them.

    Parameters
    ----------
    target : Path
        Folder of the typed Parquet files; that of the sites is written anew where it changes.

    Returns
    -------
    list of tuple
        Notes, one a site: table, file, kind, column, count, text with the rule and the date.
    """
    engine = duckdb.connect()
    for name in ("sites", "plants", "visits", "replacements", "moves", "readings", "contracts"):
        engine.read_parquet(str(target / f"{name}.parquet")).create_view(name)
    engine.execute(NOTED)
    begins: dict[str, date] = dict(engine.execute(BEGINS).fetchall())
    ends: dict[str, date] = dict(engine.execute(ENDS).fetchall())
    notes = [
        (
            *("sites", "", "records begin", "records_from", 1),
            f"{site}: no observed_from; its records begin on {day}, with the first thing noted or installed there "
            "since the company's records begin; time before is no time at risk",
        )
        for site, day in begins.items()
    ]
    notes += [
        (
            *("sites", "", "contract ended", "records_until", 1),
            f"{site}: the last contract ended on {day} and nothing was noted there since: its plants count until then",
        )
        for site, day in ends.items()
    ]
    if notes:
        _write(target / "sites.parquet", {"records_from": begins, "records_until": ends})
    return notes


def _write(path: Path, columns: dict[str, dict[str, date]]) -> None:
    sites = pq.read_table(path)
    for name, days in columns.items():
        values = [
            given or days.get(site)
            for given, site in zip(sites.column(name).to_pylist(), sites.column("site_id").to_pylist(), strict=True)
        ]
        sites = sites.set_column(
            sites.schema.get_field_index(name), sites.schema.field(name), pa.array(values, pa.date32())
        )
    with whole_file(path) as fresh:
        pq.write_table(sites, fresh, compression="zstd")
