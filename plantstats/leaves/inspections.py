"""From visit rows to the times between inspections of a plant, as ibis expressions."""

from __future__ import annotations

import ibis
import ibis.expr.types as ir

from plantstats.exposure.inputs import day
from plantstats.exposure.visits import is_completed
from plantstats.leaves.inputs import BOUNDS, ENDS, OUTCOMES


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
    r = t["leaf_visits"].filter(t["leaf_visits"].exclusion_reason.isnull())
    seen = r.group_by("plant_id", "at").agg(
        n_rows=r.count().cast("int64"),
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
    seen = seen.mutate(**{name: _one_number(seen, name) for name in OUTCOMES})
    # A plant that came while under observation has shed nothing yet: its counting starts on that day.
    came = t["spans"].filter(t["spans"].exclusion_reason.isnull(), t["spans"].installed == t["spans"].entry_day)
    came = came.select("plant_id", at="installed").anti_join(seen, ["plant_id", "at"])
    nothing = {name: ibis.null(str(dtype)) for name, dtype in seen.schema().items()}
    nothing |= {"n_rows": ibis.literal(0, "int64"), "soil": ibis.literal("unknown")}
    nothing |= {name: ibis.literal(False) for name in ("dead", "repotted", "moved")}
    starts = came.select(**{name: came[name] if name in ("plant_id", "at") else nothing[name] for name in seen.columns})
    return seen.union(starts, distinct=False)


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
        place, site, client, species and light at the middle; plants: how many of the line stood there.
    """
    s = t["leaf_inspections"]
    order = ibis.window(group_by="plant_id", order_by="at")
    so_far = ibis.window(group_by="plant_id", order_by="at", rows=(None, 0))
    never = ibis.null("int64")
    s = s.mutate(
        last_moved=ibis.ifelse(s.moved, s["at"], never).max().over(so_far),
        last_repotted=ibis.ifelse(s.repotted, s["at"], never).max().over(so_far),
        last_turned=ibis.ifelse(s.rotated.coalesce(False), s["at"], never).max().over(so_far),
    )
    s = s.mutate(
        begins=s["at"].lag().over(order),
        soil_before=s.soil.lag().over(order),
        move_noted_at=s.last_moved.lag().over(order),
        repotted_at=s.last_repotted.lag().over(order),
        turned_at=s.last_turned.lag().over(order),
    )
    s = s.filter(s.n_rows > 0)
    s = s.mutate(middle=((s.begins.coalesce(s["at"]) + s["at"]) / 2).floor().cast("int64"))
    s = s.left_join(_moves_before(t, s), ["plant_id", "at"], rname="{name}_p")
    s = s.left_join(_removed_before(t, s), ["plant_id", "at"], rname="{name}_g")
    s = s.mutate(place=s.place.coalesce(0))
    spans = t["spans"].select("plant_id", "client_id", "species", "installed", "n_entered")
    s = s.join(spans, "plant_id").join(t["leaf_places"], ["plant_id", "place"])
    s = s.left_join(t["sites"].select("site_id", owner="client_id"), "site_id", rname="{name}_o")
    where = ("plant_id", "site_id", "species", "light", "place", "installed")
    when = ("begins", "middle", "repotted_at", "turned_at", "soil_before")
    return s.select(
        *where,
        *when,
        *OUTCOMES,
        *BOUNDS,
        *("n_rows", "leaf_count", "dead", "soil"),
        client_id=s.owner.coalesce(s.client_id),
        ends=s["at"],
        moved_at=ibis.greatest(s.move_noted_at.coalesce(s.shifted), s.shifted.coalesce(s.move_noted_at)),
        plants=ibis.greatest(s.n_entered - s.n_removed.coalesce(0), 1),
    )


def _moves_before(t: dict[str, ir.Table], s: ir.Table) -> ir.Table:
    """Of each inspection: the last move to another place before the middle of its interval (place, day)."""
    moves = t["leaf_moves"].select("plant_id", shifted="at", place="place")
    asked = s.select("plant_id", "at", "middle")
    both = asked.join(moves, [asked.plant_id == moves.plant_id, moves.shifted <= asked.middle])
    return both.group_by("plant_id", "at").agg(place=both.place.max(), shifted=both.shifted.max())


def _removed_before(t: dict[str, ir.Table], s: ir.Table) -> ir.Table:
    """Of each inspection of a counted line: how many of its plants had left when the interval began."""
    left = t["events"].filter(t["events"].n_removed > 0).select("plant_id", "exit_day", "n_removed")
    asked = s.select("plant_id", "at", "begins")
    both = asked.join(left, [asked.plant_id == left.plant_id, left.exit_day <= asked.begins])
    return both.group_by("plant_id", "at").agg(n_removed=both.n_removed.sum().cast("int64"))
