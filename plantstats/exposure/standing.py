"""The plants in place on the last day: where they stand, and when they were last seen, scored and watered."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import pandas as pd

if TYPE_CHECKING:
    from plantstats.exposure.plant_time import PlantTime


def standing(time: PlantTime) -> pd.DataFrame:
    """Plants in place at the end of plant-time, from nothing that was recorded later.

    Parameters
    ----------
    time : PlantTime
        Up to the day in question.

    Returns
    -------
    pandas.DataFrame
        One row per plant or counted line: plant_id, client_id, site_id, position and room (where the
        last move put it; the room as plants listed in that place have it), species, light, pot, planter,
        plants (of the line), installed_on, guarantee_until, cost, seen_on (last completed visit to it), condition
        (last score, missing if never scored) and scored_on, watered_on (last watering of the plant).
    """
    return time.query(
        """
        with seen as (
            select plant_id, max(visited_on) as seen_on, max(visited_on) filter (watered) as watered_on,
                   max(visited_on) filter (condition is not null) as scored_on,
                   arg_max(condition, visited_on) filter (condition is not null) as condition
            from inspections group by plant_id
        ), rooms as (
            select site_id, position, any_value(room) as room from plants
            where position is not null group by site_id, position
        ), moved as (
            select plant_id, arg_max(to_position, moved_on) as position from moves
            where to_position is not null and moved_on < $after group by plant_id
        ), first_listed as (
            select plant_id, any_value(position) as position, any_value(room) as room,
                   any_value(guarantee_until) as guarantee_until, any_value(cost) as cost,
                   any_value(installed_on) as installed_on
            from plants group by plant_id
        ), listed as (
            select f.plant_id, coalesce(m.position, f.position) as position, f.room, f.guarantee_until, f.cost,
                   f.installed_on, m.position is not null as elsewhere
            from first_listed f left join moved m on m.plant_id = f.plant_id
        )
        select s.plant_id, s.client_id, s.site_id, p.position,
               case when p.elsewhere then r.room else p.room end as room, s.species, s.light, s.pot, s.planter,
               (s.plants - s.losses - s.client_exits - s.withdrawn)::bigint as plants, p.installed_on,
               p.guarantee_until, p.cost, n.seen_on, n.condition, n.scored_on, n.watered_on
        from episodes s join listed p on p.plant_id = s.plant_id left join seen n on n.plant_id = s.plant_id
             left join rooms r on r.site_id = s.site_id and r.position = p.position
        where s.to_on = $after and s.plants > s.losses + s.client_exits + s.withdrawn
        order by s.site_id, p.position, s.plant_id""",
        {"after": time.as_of + timedelta(days=1)},
    )
