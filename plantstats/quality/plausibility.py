"""What should be looked at: silent swaps, missed visits, rounded readings, incomplete weeks, unusual values."""

from __future__ import annotations

# What is usual in buildings where people work (common practice, no source): beyond it a reading is looked at.
USUAL = (
    ("visits", "temp_c", 10, 32, "degrees C", "plant_id", "site_id"),
    ("readings", "temp_c", 10, 32, "degrees C", "null", "site_id"),
    ("visits", "rh_percent", 10, 85, "percent", "plant_id", "site_id"),
    ("readings", "rh_percent", 10, 85, "percent", "null", "site_id"),
    ("visits", "dry_depth_cm", 0, 40, "cm", "plant_id", "site_id"),
    ("visits", "minutes", 0, 240, "minutes", "plant_id", "site_id"),
    ("plants", "pot_cm", 8, 70, "cm", "plant_id", "site_id"),
)
USUAL_LITRES = 15  # on one plant in one visit; a line for a whole site may well be more
MOST_SHOWN = 200  # more unusual values of one column are counted together
HEAPED = ("rh_percent", "temp_c", "minutes", "litres", "dry_depth_cm")
HEAPED_SHARE, HEAPED_LEAST = 0.5, 100  # two digits of ten would hold a fifth of unrounded readings
OLD_YEARS = 30
LATE_WEEKS, USUAL_WEEKS, LATE_SHARE = 4, 12, 0.6
LATE_LEAST = 5  # visit lines a week; with fewer, an empty week is nothing unusual
EARLY_DAYS = 90
UNSEEN_DAYS = 60  # in place for so long before the last line of its site (rule of thumb: two of the longest rounds)


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
    rules = [
        _swaps(),
        _missed(),
        *(_heaped(c) for c in HEAPED),
        *(_unusual(*u) for u in USUAL),
        _litres(),
        _old(),
        _begin(),
    ]
    return [*rules, _late(as_of), _never_visited()] if cut else rules


def _swaps() -> str:
    return """
        with seen as (
            select plant_id, file, line, visited_on, condition, coalesce(repotted, false) as repotted,
                lag(condition) over w as before, lag(visited_on) over w as before_on
            from visits where condition is not null and plant_id in (
                select plant_id from visits where condition <= 2 or condition = 5 group by plant_id
                having min(visited_on) filter (condition <= 2) <= max(visited_on) filter (condition = 5))
            window w as (partition by plant_id order by visited_on, line)
        )
        select 'silent_swap' as code, 'visits' as "table", s.file, s.line, s.plant_id,
            s.plant_id || ' scored ' || s.before || ' on ' || s.before_on || ' and 5 on ' || s.visited_on
            || ', and no replacement is recorded' as text
        from seen s
        where s.before <= 2 and s.condition = 5 and not exists (
            select 1 from replacements r
            where r.plant_id = s.plant_id and r.replaced_on between s.before_on and s.visited_on)"""


def _missed() -> str:
    return """
        with days as (
            select site_id, visited_on from visits
            where site_id is not null and coalesce(status, 'completed') <> 'missed'
            union
            select p.site_id, v.visited_on from visits v join plants p using (plant_id)
            where v.site_id is null and coalesce(v.status, 'completed') <> 'missed'
        ), gaps as (
            select site_id, visited_on, visited_on - lag(visited_on) over w as gap
            from days where site_id is not null window w as (partition by site_id order by visited_on)
        )
        select 'missed_visits' as code, 'sites' as "table", s.file, s.line, s.site_id, count(*) as count,
            s.site_id || ': ' || count(*) || ' gaps of more than one and a half times the planned '
            || s.planned_visit_days || ' days, the longest ' || max(g.gap)
            || ' days before ' || arg_max(g.visited_on, g.gap)
            as text
        from gaps g join sites s using (site_id) where g.gap > 1.5 * s.planned_visit_days
        group by s.file, s.line, s.site_id, s.planned_visit_days"""


def _heaped(column: str) -> str:
    digits = ", ".join(f"coalesce(sum(n) filter (digit = {digit}), 0)" for digit in range(10))
    return f"""
        with readings as (
            select file, {column} as value, min(line) as line, count(*) as n from visits
            where {column} is not null and {column} <> 0 group by file, {column}
        ), digits as (
            select file, line, n, round(abs(value))::bigint % 10 as digit,
                case when value = round(value) and round(abs(value))::bigint % 5 = 0 then n else 0 end as n_heaped
            from readings
        )
        select 'heaped_readings' as code, 'visits' as "table", file, min(line) as line, sum(n)::bigint as count,
            '{column}: ' || round(100.0 * sum(n_heaped) / sum(n))::int || '% of ' || sum(n)
            || ' readings end in 0 or 5 (last digits 0 to 9: ' || array_to_string([{digits}], ' ') || ')' as text
        from digits group by file having sum(n) >= {HEAPED_LEAST} and sum(n_heaped) >= {HEAPED_SHARE} * sum(n)"""


def _unusual(table: str, column: str, low: float, high: float, unit: str, plant: str, site: str) -> str:
    return f"""
        with odd as (
            select *, count(*) over (partition by file) as n from {table} where {column} < {low} or {column} > {high}
        )
        select 'unusual_value' as code, '{table}' as "table", file, line, {plant}::varchar as plant_id,
            {site}::varchar as site_id, 1::bigint as count,
            '{column} ' || {column} || ' lies outside the usual {low} to {high} {unit}' as text
        from odd where n <= {MOST_SHOWN}
        union all
        select 'unusual_value', '{table}', file, min(line), null, null, count(*),
            count(*) || ' values of {column} lie outside the usual {low} to {high} {unit} (' || min({column}) || ' to '
            || max({column}) || ')'
        from odd where n > {MOST_SHOWN} group by file"""


def _litres() -> str:
    return f"""
        select 'unusual_value' as code, 'visits' as "table", file, line, plant_id, site_id,
            'litres ' || litres || ' on one plant is more than the usual {USUAL_LITRES}' as text
        from visits where plant_id is not null and litres > {USUAL_LITRES}"""


def _old() -> str:
    return f"""
        select 'old_plant' as code, 'plants' as "table", file, line, plant_id, site_id,
            plant_id || ' was installed on ' || installed_on
            || ', more than {OLD_YEARS} years before the others' as text
        from plants
        where installed_on < (select quantile_disc(installed_on, 0.5) from plants) - interval {OLD_YEARS} years"""


def _begin() -> str:
    return f"""
        with first as (
            select p.site_id, min(e.on_day) as first_on from (
                select plant_id, first_on as on_day from visited union all
                select plant_id, replaced_on from replacements) e
            join plants p using (plant_id) group by p.site_id
        )
        select 'records_begin_late' as code, 'sites' as "table", s.file, s.line, s.site_id, count(*) as count,
            s.site_id || ': ' || count(*) || ' plants were installed more than {EARLY_DAYS} days before the first '
            || 'record, '
            || f.first_on || ', and observed_from is not given; plants lost before are missing' as text
        from plants p join sites s using (site_id) join first f using (site_id)
        where s.observed_from is null and p.installed_on < f.first_on - {EARLY_DAYS}
        group by s.file, s.line, s.site_id, f.first_on having count(*) > 1"""


def _late(as_of: str) -> str:
    return f"""
        with weeks as (
            select (date '{as_of}' - visited_on) // 7 as week, count(*) as n, any_value(file) as file from visits
            where visited_on <= date '{as_of}' and visited_on > date '{as_of}' - 7 * {LATE_WEEKS + USUAL_WEEKS}
            group by week
        ), usual as (
            select sum(n) / {USUAL_WEEKS}.0 as n, any_value(file) as file from weeks where week >= {LATE_WEEKS}
        )
        select 'late_entry' as code, 'visits' as "table", u.file, count(*) as count,
            'in the ' || {LATE_WEEKS} || ' weeks to {as_of}, ' || count(*)
            || ' have fewer than {LATE_SHARE * 100:.0f}% of the usual '
            || round(u.n, 1) || ' visit lines: '
            || string_agg(coalesce(w.n, 0)::varchar, ', ' order by r.week desc) as text
        from range({LATE_WEEKS}) r(week) left join weeks w on w.week = r.week cross join usual u
        where u.n >= {LATE_LEAST} and coalesce(w.n, 0) < {LATE_SHARE} * u.n group by u.file, u.n"""


def _never_visited() -> str:
    """Plants that no line of the log names, at sites where it names plants: counted by site, with the first ids."""
    return f"""
        with logged as (
            select p.site_id, max(v.last_counted_on) as last_on from visited v join plants p using (plant_id)
            where v.last_counted_on is not null group by 1
        ), gone as (
            select plant_id, min(replaced_on) as gone_on from replacements group by 1
        )
        select 'never_visited' as code, 'plants' as "table", p.file, min(p.line) as line, p.site_id, count(*) as count,
            p.site_id || ': ' || count(*) || ' plants in place that no visit line names, such as '
            || array_to_string(list_slice(list(p.plant_id order by p.line), 1, 5), ', ') as text
        from plants p join logged l using (site_id) left join gone g using (plant_id)
        where p.plant_id not in (select plant_id from visited where last_counted_on is not null)
            and coalesce(p.quantity, 1) > 0 and coalesce(p.installed_on, date '1800-01-01') <= l.last_on - {UNSEEN_DAYS}
            and coalesce(p.removed_on, g.gone_on, date '9999-12-31') > l.last_on
            and p.plant_id not in (select plant_id from moves)
        group by p.file, p.site_id"""
