"""From visit rows to inspections of a plant, and where it stood: steps in DuckDB's words."""

from __future__ import annotations

from datetime import date

from plantstats.exposure.visits import COMPLETED
from plantstats.leaves.inputs import BOUNDS, ENDS, FIGS, OPENINGS, OUTCOMES

FAR = 10**6  # days from 1970 on either side: before all records, and after them
SPECIES_FACTS = {"name": "species", "group": "species_group", "leaning": "leans"}  # columns of the table of species
# One row per plant. One that came while under observation has shed nothing yet: its counting starts on that day.
PLANTS = """
    select plant_id, client_id, species, installed, n_entered, entry_day, exit_day, exclusion_reason as no_follow_up,
           case when installed = entry_day then installed end as came
    from spans"""
# Where each plant stood from when until when (days, half-open), and what is known of it there: shifted is the day of
# the move that took it there, if any; opening, whether the position's own name speaks of a vent or a door; species by
# number too, in the order of their names.
STAYS = f"""
    with stood as (
        select p.plant_id, p.place, p.site_id, p.light, m."at" as shifted, coalesce(m."at", -{FAR}) as since
        from places p left join ordered_moves m on m.plant_id = p.plant_id and m.place = p.place
    ), positions as (
        select plant_id, 0 as place, position from plants
        union all
        select o.plant_id, o.place, max(m.to_position) as position from ordered_moves o join moves m
          on m.plant_id = o.plant_id and date_diff('day', date '1970-01-01', m.moved_on) = o."at"
        group by o.plant_id, o.place
    ), known as (
        select p.*, f.leans, coalesce(f.species_group, split_part(p.species, ' ', 1)) as species_group
        from leaf_plants p left join species_facts f on f.species = p.species
    )
    select k.plant_id, s.site_id, coalesce(o.client_id, k.client_id) as client_id, k.species, k.species_group,
           coalesce(s.light, 'unknown') as light, s.shifted, s.since,
           coalesce(lead(s.since) over (partition by s.plant_id order by s.place), {FAR}) as until,
           dense_rank() over (order by k.species nulls last) - 1 as species_number, k.installed, k.n_entered,
           coalesce(k.leans, false) as leans, coalesce(k.species_group = '{FIGS}', false) as fig,
           coalesce(regexp_matches(lower(q.position), '{OPENINGS}'), false) as opening
    from stood s join known k on k.plant_id = s.plant_id
    left join positions q on q.plant_id = s.plant_id and q.place = s.place
    left join sites o on o.site_id = s.site_id"""
# Days on which a plant was inspected: one row per plant and day; dry (topsoil; missing where nobody noted it). Two rows
# of one plant and day are one inspection: counts add up, and what either says holds. A word, such as few, adds the
# least and the most that it may mean; a count that holds one is known between two numbers only.
INSPECTIONS = f"""
    select plant, "at", count(*)::int as n_rows, {", ".join(f"sum({name})::int as {name}" for name in BOUNDS)},
           max(leaf_count) as leaf_count, bool_or(topsoil = 'dry') as dry,
           coalesce(bool_or(condition = 1), false) as dead, bool_or(repotted) as repotted, bool_or(moved) as moved,
           bool_or(rotated) as rotated
    from leaf_visits where exclusion_reason is null group by plant, "at"
"""
# Days on which somebody was at a site, by where the plants inspected then ever stood.
DAYS = """
    select distinct s.site_id::varchar as site_id, v."at"::bigint as "at"
    from leaf_visits v join leaf_stays s on s.plant_id = v.plant where v.exclusion_reason is null"""
# How many of each plant's line had left from a day on, until the next left.
REMOVED = f"""
    select p.plant_id, e.exit_day, coalesce(lead(e.exit_day) over by_day, {FAR}) as until,
           (sum(e.n) over by_day)::int as n_removed
    from (select plant_id, exit_day, sum(n_removed) as n from events where n_removed > 0 group by 1, 2) e
    join leaf_plants p on p.plant_id = e.plant_id window by_day as (partition by e.plant_id order by e.exit_day)"""


def visit_rows(as_of: date) -> str:
    """Rows of the visit log with their day and, where they inspect no plant under follow-up, the reason.

    Parameters
    ----------
    as_of : datetime.date
        Last day that counts.

    Returns
    -------
    str
        A query for one row per row of the log: plant_id as written, plant (as in `PLANTS`), at (day), what was counted
        and seen, `BOUNDS` (a number is both ends of itself), exclusion_reason (missing where the row is used).
    """
    counts = {"green": "dropped", "yellow": "yellow"}
    bounds = ", ".join(
        f"coalesce(v.{OUTCOMES[outcome]}, v.{column}_{end})::int as {outcome}_{end}"
        for outcome, column in counts.items()
        for end in ENDS
    )
    return f"""
        with log as (select *, date_diff('day', date '1970-01-01', visited_on)::int as "at" from visits)
        select v.plant_id, p.plant_id as plant, v."at", v.leaves_dropped, v.leaf_count::int as leaf_count, v.topsoil,
               v.condition, v.repotted, v.moved, v.rotated, {bounds},
               case when v.plant_id is null then 'a line for a whole site'
                    when coalesce(v.status, '{COMPLETED}') <> '{COMPLETED}' then 'visit not completed'
                    when v.visited_on > date '{as_of}' then 'after the cut'
                    when p.plant_id is null then 'no such plant'
                    when v."at" < p.installed then 'before the plant was installed'
                    when p.no_follow_up is not null then 'the plant has no follow-up'
                    when v."at" < p.entry_day then 'before the records begin'
                    when v."at" > p.exit_day then 'after the plant was gone' end as exclusion_reason
        from log v left join leaf_plants p on p.plant_id = v.plant_id"""
