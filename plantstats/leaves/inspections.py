"""From visit rows to the times between inspections of a plant, as ibis expressions."""

from __future__ import annotations

import ibis
import ibis.expr.types as ir

from plantstats.exposure.inputs import day
from plantstats.exposure.visits import is_completed
from plantstats.leaves.inputs import BOUNDS, ENDS, OPENINGS, OUTCOMES

FAR = 10**6  # days from 1970 on either side: before all records, and after them


def visit_rows(t: dict[str, ir.Table], as_of: int | ir.IntegerValue) -> ir.Table:
    """Rows of the visit log with their day and, where they inspect no plant under follow-up, the reason.

    Parameters
    ----------
    t : dict of str to ir.Table
        Tables of the records and the steps before, by name.
    as_of : int or ir.IntegerValue
        Last day that counts, in days since 1970-01-01.

    Returns
    -------
    ibis table
        One row per row of the log: plant_id, at (day), what was counted and seen, `BOUNDS` (a number is both ends of
        itself), exclusion_reason (missing where the row is used).
    """
    spans = t["spans"].select(
        "plant_id", "installed", "entry_day", "exit_day", no_follow_up=t["spans"].exclusion_reason
    )
    v = t["visits"].left_join(spans, "plant_id", rname="{name}_s")
    v = v.mutate(at=day(v.visited_on))
    reason = ibis.cases(
        (v.plant_id.isnull(), "a line for a whole site"),
        (~is_completed(v.status), "visit not completed"),
        (v["at"] > as_of, "after the cut"),
        (v.plant_id_s.isnull(), "no such plant"),
        (v["at"] < v.installed, "before the plant was installed"),
        (v.no_follow_up.notnull(), "the plant has no follow-up"),
        (v["at"] < v.entry_day, "before the records begin"),
        (v["at"] > v.exit_day, "after the plant was gone"),
        else_=ibis.null("string"),
    )
    seen = ("leaves_dropped", "yellow_leaves", "leaf_count", "topsoil", "condition", "repotted", "moved", "rotated")
    return v.select(
        "plant_id",
        "at",
        *seen,
        **{f"green_{end}": v.leaves_dropped.coalesce(v[f"dropped_{end}"]) for end in ENDS},
        **{f"yellow_{end}": v.yellow_leaves.coalesce(v[f"yellow_{end}"]) for end in ENDS},
        exclusion_reason=reason,
    )


def stays(t: dict[str, ir.Table]) -> ir.Table:
    """Where each plant stood from when until when, and what is known of it there.

    Parameters
    ----------
    t : dict of str to ir.Table
        Tables of the records and the steps before, by name.

    Returns
    -------
    ibis table
        One row per plant and place: plant_id, since, until (days, half-open), shifted (day of the move that took it
        there, if any), site_id, light, opening (whether the position's own name speaks of a vent or a door), client_id,
        species, species_group, leans, installed, n_entered.
    """
    order = ibis.window(group_by="plant_id", order_by="place")
    p = t["leaf_places"].left_join(t["leaf_moves"].select("plant_id", "place", "at"), ["plant_id", "place"])
    p = p.mutate(shifted=p["at"], since=p["at"].coalesce(-FAR))
    p = p.mutate(until=p.since.lead().over(order).coalesce(FAR))
    p = p.left_join(_positions(t), ["plant_id", "place"], rname="{name}_q")
    spans = t["spans"].select("plant_id", "client_id", "species", "installed", "n_entered")
    p = p.join(spans, "plant_id").left_join(t["species_facts"], "species", rname="{name}_f")
    p = p.left_join(t["sites"].select("site_id", owner="client_id"), "site_id", rname="{name}_o")
    return p.select(
        *("plant_id", "since", "until", "shifted", "site_id", "light", "species", "leans", "installed", "n_entered"),
        opening=p.position.lower().re_search(OPENINGS),
        client_id=p.owner.coalesce(p.client_id),
        species_group=p.species_group.coalesce(p.species.split(" ")[0]),
    )


def _positions(t: dict[str, ir.Table]) -> ir.Table:
    """The position of each plant by place, as it was written."""
    first = t["plants"].select("plant_id", place=ibis.literal(0, "int64"), position="position")
    m = t["moves"].filter(t["moves"].moved_on.notnull())
    m = m.select("plant_id", at=day(m.moved_on), position="to_position")
    m = m.group_by("plant_id", "at").agg(position=m.position.max())
    moved = t["leaf_moves"].join(m, ["plant_id", "at"]).select("plant_id", "place", "position")
    return first.union(moved, distinct=False)


def inspections(t: dict[str, ir.Table]) -> ir.Table:
    """Days on which a plant was inspected, or came.

    Parameters
    ----------
    t : dict of str to ir.Table
        Tables of the records and the steps before, by name.

    Returns
    -------
    ibis table
        One row per plant and day: plant_id, at, n_rows (of the visit log; 0 on the day it came), `OUTCOMES`, `BOUNDS`,
        leaf_count, soil ("dry", "no", "unknown"), dead, repotted, moved, rotated.

    Notes
    -----
    Two rows of one plant and day are one inspection: counts add up, and what either says holds. A word, such as few,
    adds the least and the most that it may mean; a count that holds one is known between two numbers only.
    """
    v = t["leaf_visits"].filter(t["leaf_visits"].exclusion_reason.isnull()).drop("exclusion_reason")
    # A plant that came while under observation has shed nothing yet: its counting starts on that day.
    came = t["spans"].filter(t["spans"].exclusion_reason.isnull(), t["spans"].installed == t["spans"].entry_day)
    nothing = {name: ibis.null(str(dtype)) for name, dtype in v.schema().items()}
    starts = came.select(**nothing | {"plant_id": came.plant_id, "at": came.installed}, n_rows=ibis.literal(0, "int64"))
    r = v.mutate(n_rows=ibis.literal(1, "int64")).union(starts, distinct=False)
    seen = r.group_by("plant_id", "at").agg(
        n_rows=r.n_rows.sum().cast("int64"),
        **{name: r[name].sum().cast("int64") for name in BOUNDS},
        leaf_count=r.leaf_count.max(),
        soil=ibis.cases(
            ((r.topsoil == "dry").any().coalesce(False), "dry"), (r.topsoil.count() > 0, "no"), else_="unknown"
        ),
        dead=(r.condition == 1).any().coalesce(False),
        repotted=r.repotted.any().coalesce(False),
        moved=r.moved.any().coalesce(False),
        rotated=r.rotated.any(),
    )
    return seen.mutate(**{name: _one_number(seen, name) for name in OUTCOMES})


def _one_number(seen: ir.Table, outcome: str) -> ir.IntegerValue:
    lower, upper = (seen[f"{outcome}_{end}"] for end in ENDS)
    return ibis.ifelse(lower == upper, lower, ibis.null("int64"))


def between_inspections(t: dict[str, ir.Table]) -> ir.Table:
    """Times from one inspection of a plant to the next, counts found at the end, what was known at the beginning.

    Parameters
    ----------
    t : dict of str to ir.Table
        Tables of the records and the steps before, by name.

    Returns
    -------
    ibis table
        One row per inspection with a row in the visit log: begins, ends, middle (days; begins is missing for a plant's
        first), what `inspections` saw at the end, soil_before, the last days of repotting, turning and moving, and
        what `stays` says of the middle; plants: how many of the line stood there.
    """
    s = t["leaf_inspections"]
    order = ibis.window(group_by="plant_id", order_by="at")
    before = ibis.window(group_by="plant_id", order_by="at", preceding=(None, 1))
    last_on = {"move_noted_at": s.moved, "repotted_at": s.repotted, "turned_at": s.rotated}
    s = s.mutate(
        begins=s["at"].lag().over(order),
        soil_before=s.soil.lag().over(order),
        **{name: ibis.ifelse(noted, s["at"], ibis.null("int64")).max().over(before) for name, noted in last_on.items()},
    )
    s = s.filter(s.n_rows > 0)
    s = s.mutate(middle=((s.begins.coalesce(s["at"]) + s["at"]) / 2).floor().cast("int64"))
    p = t["leaf_stays"]
    s = s.join(p, [s.plant_id == p.plant_id, s.middle >= p.since, s.middle < p.until], rname="{name}_p")
    left = _removed_so_far(t["events"])
    before_it = [s.plant_id == left.plant_id, s.begins >= left.exit_day, s.begins < left.until]
    s = s.left_join(left, before_it, rname="{name}_g")
    return s.select(
        *("plant_id", "site_id", "client_id", "species", "species_group", "leans", "light", "opening", "installed"),
        *("begins", "middle", "repotted_at", "turned_at", "soil_before"),
        *OUTCOMES,
        *BOUNDS,
        *("n_rows", "leaf_count", "dead", "soil"),
        ends=s["at"],
        moved_at=ibis.greatest(s.move_noted_at.coalesce(s.shifted), s.shifted.coalesce(s.move_noted_at)),
        plants=ibis.greatest(s.n_entered - s.n_removed.coalesce(0), 1),
    )


def _removed_so_far(events: ir.Table) -> ir.Table:
    """How many of each plant's line had left from a day on, until the next left."""
    left = events.filter(events.n_removed > 0).group_by("plant_id", "exit_day").agg(n=events.n_removed.sum())
    order = ibis.window(group_by="plant_id", order_by="exit_day")
    so_far = ibis.window(group_by="plant_id", order_by="exit_day", preceding=(None, 0))
    return left.select(
        "plant_id",
        "exit_day",
        until=left.exit_day.lead().over(order).coalesce(FAR),
        n_removed=left.n.sum().over(so_far).cast("int64"),
    )
