"""Where each plant stood when: the place of the plant list, then those of its moves."""

from __future__ import annotations

import ibis
import ibis.expr.types as ir

from plantstats.exposure.inputs import day


def moves_in_order(t: dict[str, ir.Table], as_of: int | ir.IntegerValue) -> ir.Table:
    """Moves to another place, numbered from 1 within each plant.

    Parameters
    ----------
    t : dict of str to ir.Table
        Tables of the records and the steps before, by name.
    as_of : int or ir.IntegerValue
        Last day that counts, in days since 1970-01-01.

    Returns
    -------
    ibis table
        One row per plant and day of a move: plant_id, at (day), to_site_id, to_light, place (its number).

    Notes
    -----
    Records do not order two moves of one day: the greater label stands, so that one file always gives one answer.
    """
    m = t["moves"].filter(t["moves"].moved_on.notnull(), day(t["moves"].moved_on) <= as_of)
    m = m.select("plant_id", at=day(m.moved_on), to_site_id=m.to_site_id, to_light=m.to_light)
    m = m.group_by("plant_id", "at").agg(to_site_id=m.to_site_id.max(), to_light=m.to_light.max())
    return m.mutate(place=(ibis.row_number().over(ibis.window(group_by="plant_id", order_by="at")) + 1).cast("int64"))


def places(t: dict[str, ir.Table]) -> ir.Table:
    """Places of each plant: number 0 is where it was first listed, number k where the k-th move took it.

    Parameters
    ----------
    t : dict of str to ir.Table
        Tables of the records and the steps before, by name.

    Returns
    -------
    ibis table
        One row per plant and place: plant_id, place, site_id, light. What a move does not say stays as it was.
    """
    first = t["follow"].select("plant_id", "site_id", "light", place=ibis.literal(0, "int64"))
    later = t["ordered_moves"].select("plant_id", site_id="to_site_id", light="to_light", place="place")
    both = first.union(later, distinct=False)
    order = ibis.window(group_by="plant_id", order_by="place", rows=(None, 0))
    # The number of the last row that names the site (or light) leads back to it: an engine-neutral fill-forward.
    both = both.mutate(
        of_site=ibis.ifelse(both.site_id.notnull(), both.place, 0).max().over(order),
        of_light=ibis.ifelse(both.light.notnull(), both.place, 0).max().over(order),
    )
    sites = both.select("plant_id", of_site="place", at_site="site_id")
    lights = both.select("plant_id", of_light="place", in_light="light")
    out = both.left_join(sites, ["plant_id", "of_site"], rname="{name}_s")
    out = out.left_join(lights, ["plant_id", "of_light"], rname="{name}_l")
    return out.select("plant_id", "place", site_id="at_site", light="in_light")


def stays(t: dict[str, ir.Table]) -> ir.Table:
    """Stays of plants that moved to another site.

    Parameters
    ----------
    t : dict of str to ir.Table
        Tables of the records and the steps before, by name.

    Returns
    -------
    ibis table
        One row per stay: plant_id, since, until (days, (since, until]), stood (site_id).
    """
    moved = t["ordered_moves"]
    away = moved.filter(moved.to_site_id.notnull()).select("plant_id").distinct()
    p = t["places"].join(away, "plant_id")
    p = p.left_join(moved.select("plant_id", "place", "at"), ["plant_id", "place"], rname="{name}_m")
    p = p.mutate(since=p["at"].coalesce(-(10**6)))
    order = ibis.window(group_by="plant_id", order_by="place")
    return p.select("plant_id", "since", until=p.since.lead().over(order).coalesce(10**6), stood="site_id")
