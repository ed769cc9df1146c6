"""Impossible histories of single plants, as queries: dates out of order, two in one place, lost twice."""

from __future__ import annotations

# One row per plant: when it was there. A plant replaced twice left at the first event.
LIFETIMES = """
    with gone as (
        select plant_id, min(replaced_on) as replaced_on, count(*) as events, min(line) as event_line
        from replacements group by plant_id
    ), moved as (
        select plant_id, min(moved_on) as moved_on from moves group by plant_id
    ), lives as (
        select p.*, g.replaced_on, g.events, least(p.removed_on, g.replaced_on) as left_on, m.moved_on
        from plants p left join gone g using (plant_id) left join moved m using (plant_id)
    )
"""
# Visits of a plant, one row per plant and day would lose the line; they are counted per plant instead.
PER_PLANT = "v.plant_id, v.file, min(v.line) as line, count(*) as count, any_value(p.site_id) as site_id"


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
    queries = [
        _replaced_early(),
        _found_late(),
        _entered_early(),
        *_own_dates(),
        _contracts(),
        _positions(as_of),
        _replaced_twice(),
        _too_many(),
        _early_visits(),
        _late_visits(),
        _still_visited(),
        _disagreeing(),
        _same_lines(),
        _second(),
    ]
    return [*queries, *(_future(*column, as_of) for column in DATED)] if cut else queries


def _replaced_early() -> str:
    return """
        select 'replaced_before_installed' as code, 'replacements' as "table", r.file, r.line, r.plant_id, p.site_id,
            r.plant_id || ' was replaced on ' || r.replaced_on || ', '
            || (p.installed_on - least(r.replaced_on, coalesce(r.found_on, r.replaced_on)))
            || ' days before it was installed (' || p.installed_on || ')' as text
        from replacements r join plants p using (plant_id)
        where least(r.replaced_on, coalesce(r.found_on, r.replaced_on)) < p.installed_on"""


def _found_late() -> str:
    return """
        select 'found_after_replaced' as code, 'replacements' as "table", file, line, plant_id,
            plant_id || ' was found on ' || found_on || ' but replaced on ' || replaced_on as text
        from replacements where found_on > replaced_on"""


def _entered_early() -> str:
    return """
        select 'entered_before_found' as code, 'replacements' as "table", file, line, plant_id,
            plant_id || ' was entered on ' || entered_on || ' but found on ' || found_on as text
        from replacements where entered_on < found_on"""


def _own_dates() -> list[str]:
    return [
        f"""select '{kind}' as code, 'plants' as "table", file, line, plant_id, site_id,
                plant_id || ': {column} ' || {column} || ' lies before installed_on ' || installed_on as text
            from plants where {column} < installed_on"""
        for kind, column in (
            ("removed_before_installed", "removed_on"),
            ("guarantee_before_installed", "guarantee_until"),
        )
    ]


def _contracts() -> str:
    return """
        select 'contract_ends_before_start' as code, 'contracts' as "table", file, line, site_id,
            client_id || ': ends_on ' || ends_on || ' lies before starts_on ' || starts_on as text
        from contracts where ends_on < starts_on"""


def _positions(as_of: str) -> str:
    return (
        LIFETIMES
        + f""", placed as (
            select plant_id, site_id, position, file, line, installed_on,
                least(coalesce(left_on, date '{as_of}'), coalesce(moved_on, date '{as_of}')) as until
            from lives where position is not null and installed_on is not null and coalesce(quantity, 1) = 1
        )
        select 'two_in_one_position' as code, 'plants' as "table", b.file, b.line, b.plant_id, b.site_id,
            a.plant_id || ' and ' || b.plant_id || ' stood at ' || a.site_id || '/' || a.position || ' from '
            || greatest(a.installed_on, b.installed_on) || ' to ' || least(a.until, b.until) || ' ('
            || (least(a.until, b.until) - greatest(a.installed_on, b.installed_on)) || ' days)' as text
        from placed a join placed b on a.site_id = b.site_id and a.position = b.position and a.line < b.line
        where least(a.until, b.until) > greatest(a.installed_on, b.installed_on)"""
    )


def _replaced_twice() -> str:
    return """
        select 'replaced_twice' as code, 'replacements' as "table", file, line, plant_id,
            plant_id || ' was replaced on ' || replaced_on || ' and before that on ' || first_on || ' (line '
            || first_line || '); only the first counts' as text
        from (
            select r.*, first_value(r.replaced_on) over w as first_on, first_value(r.line) over w as first_line,
                row_number() over w as turn, p.quantity as held
            from replacements r left join plants p using (plant_id)
            window w as (partition by r.plant_id order by r.replaced_on, r.line)
        ) where turn > 1 and coalesce(held, 1) = 1"""


def _too_many() -> str:
    return """
        select 'more_lost_than_there' as code, 'plants' as "table", p.file, p.line, p.plant_id, p.site_id,
            p.plant_id || ' holds ' || p.quantity || ' plants but ' || sum(coalesce(r.quantity, 1))
            || ' were replaced' as text
        from plants p join replacements r using (plant_id) where p.quantity > 1
        group by p.file, p.line, p.plant_id, p.site_id, p.quantity having sum(coalesce(r.quantity, 1)) > p.quantity"""


def _early_visits() -> str:
    return f"""
        select 'visit_before_installed' as code, 'visits' as "table", {PER_PLANT},
            v.plant_id || ' was visited on ' || min(v.visited_on) || ' but installed on '
            || any_value(p.installed_on) as text
        from visits v join (
            select p.* from plants p join visited using (plant_id) where first_on < p.installed_on
        ) p using (plant_id) where v.visited_on < p.installed_on
        group by v.plant_id, v.file"""


def _late_visits() -> str:
    return f"""
        select 'visit_after_removal' as code, 'visits' as "table", {PER_PLANT},
            v.plant_id || ' was removed on ' || any_value(p.removed_on) || ' but visited until '
            || max(v.visited_on) as text
        from visits v join (
            select p.* from plants p join visited using (plant_id) where last_on > p.removed_on
        ) p using (plant_id) where v.visited_on > p.removed_on
        group by v.plant_id, v.file"""


def _still_visited() -> str:
    return (
        LIFETIMES
        + f"""
        select 'still_visited' as code, 'visits' as "table", {PER_PLANT},
            v.plant_id || ' was replaced on ' || any_value(p.replaced_on) || ' but visited until '
            || max(v.visited_on) as text
        from visits v join (
            select l.* from lives l join visited using (plant_id) where last_on > l.replaced_on
        ) p using (plant_id)
        where v.visited_on > p.replaced_on and coalesce(p.quantity, 1) = 1
            and (p.removed_on is null or v.visited_on <= p.removed_on)
        group by v.plant_id, v.file"""
    )


def _disagreeing() -> str:
    return (
        LIFETIMES
        + """
        select 'removed_and_replaced' as code, 'plants' as "table", file, line, plant_id, site_id,
            plant_id || ' was removed on ' || removed_on || ' and replaced on ' || replaced_on as text
        from lives where coalesce(quantity, 1) = 1 and removed_on <> replaced_on"""
    )


def _same_lines() -> str:
    return """
        select 'same_line_twice' as code, 'replacements' as "table", max(file) as file, max(line) as line, plant_id,
            count(*) - 1 as count,
            plant_id || ': ' || count(*) || ' equal lines, first line ' || min(line) as text
        from replacements
        group by plant_id, replaced_on, found_on, cause_text, quantity, replaced_by, covered, plant_cost, labour_minutes
        having count(*) > 1"""


def _second() -> str:
    return """
        with twice as (
            select plant_id, visited_on from visits where plant_id is not null group by all having count(*) > 1
        ), days as (
            select file, plant_id, visited_on, min(line) as line,
                count(distinct hash(technician, status, topsoil, litres, leaves_dropped, leaf_count, yellow_leaves,
                    dropped_lower, dropped_upper, yellow_lower, yellow_upper, rh_percent, temp_c, condition, minutes,
                    note)) as kinds
            from visits join twice using (plant_id, visited_on) group by file, plant_id, visited_on
        )
        select 'second_visit' as code, 'visits' as "table", file, min(line) as line,
            arg_min(plant_id, line) as plant_id,
            sum(kinds - 1)::bigint as count,
            sum(kinds - 1) || ' times a plant has two different lines on one day (first: '
            || arg_min(plant_id, line) || ' on ' || arg_min(visited_on, line) || ')' as text
        from days where kinds > 1 group by file"""


# Dates of things that happened: none can lie after the day of the report.
DATED = (
    ("plants", "installed_on", "site_id", "plant_id"),
    ("plants", "removed_on", "site_id", "plant_id"),
    ("visits", "visited_on", "site_id", "plant_id"),
    ("replacements", "replaced_on", "null", "plant_id"),
    ("replacements", "found_on", "null", "plant_id"),
    ("replacements", "entered_on", "null", "plant_id"),
    ("moves", "moved_on", "to_site_id", "plant_id"),
    ("readings", "read_at", "site_id", "null"),
)
# A date more than a year after the report is a slip of the hand; a nearer one is only newer than the report.
FAR_DAYS = 366


def _future(table: str, column: str, site: str, plant: str, as_of: str) -> str:
    who = f"coalesce({plant}, {site}, '')"
    # A loss found by the day of the report counts, though the replacement was done later.
    what = "not used in the report, unless found before" if table == "replacements" else "not used in the report"
    return f"""
        select 'far_future' as code, '{table}' as "table", file, line, {plant}::varchar as plant_id,
            {site}::varchar as site_id, 1::bigint as count,
            {who} || ': {column} ' || {column}::date || ' lies after the day of the report, {as_of}' as text
        from {table} where {column}::date > date '{as_of}' + {FAR_DAYS}
        union all
        select 'after_the_cut', '{table}', file, min(line), null, null, count(*),
            count(*) || ' rows with {column} after {as_of} (to ' || max({column}::date) || '), {what}'
        from {table} where {column}::date > date '{as_of}' and {column}::date <= date '{as_of}' + {FAR_DAYS}
        group by file"""
