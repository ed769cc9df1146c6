"""Visits made into stretches over which leaves fell, as one chain of ibis expressions."""

from __future__ import annotations

from collections.abc import Callable

import ibis
import ibis.expr.types as ir

from plantstats.exposure.environment import air_before
from plantstats.exposure.inputs import day, on_date
from plantstats.exposure.places import moves_in_order, places
from plantstats.exposure.visits import is_completed
from plantstats.leaves.inputs import (
    AIR_WINDOW,
    BOUNDS,
    COLD_C,
    ENDS,
    FIGS,
    HOT_C,
    LONGEST,
    NO_DATE,
    NO_RH,
    NOT_RECENT,
    OPENINGS,
    OUTCOMES,
    RH_STEP,
    RH_TOP,
    STEPS,
    TRANSIENT_CUTS,
    TURN_DAYS,
    unbound,
)

USED = "used"
JOINED = "used, joined to another visit of that day"
# Steps that plant-time's own expressions know by another name.
STANDS_FOR = {"leaf_moves": "ordered_moves", "leaf_places": "places", "leaf_parts": "parts"}


def rows(t: dict[str, ir.Table], as_of: int) -> ir.Table:
    """Every visit row with its day and, where it is no look at a followed plant, the reason (off)."""
    spans = t["spans"].select("plant_id", "installed", "entry_day", "exit_day", gap=t["spans"].exclusion_reason)
    v = t["visits"].left_join(spans, "plant_id", rname="{name}_s")
    v = v.mutate(at=day(v.visited_on))
    known = v.plant_id_s.notnull()
    off = ibis.cases(
        (v.plant_id.isnull(), "a line for a whole site"),
        (~is_completed(v.status), "visit not completed"),
        (v["at"] > as_of, "after the cut"),
        (~known, "no such plant"),
        (v["at"] < v.installed, "before the plant was installed"),
        (v.gap.notnull(), "the plant has no follow-up"),
        (v["at"] < v.entry_day, "before the records begin"),
        (v["at"] > v.exit_day, "after the plant was gone"),
        else_=ibis.null("string"),
    )
    return v.select(
        "plant_id",
        "at",
        "leaves_dropped",
        "yellow_leaves",
        "leaf_count",
        "topsoil",
        "condition",
        "repotted",
        "moved",
        "rotated",
        **{f"green_{end}": v.leaves_dropped.coalesce(v[f"dropped_{end}"]) for end in ENDS},
        **{f"yellow_{end}": v.yellow_leaves.coalesce(v[f"yellow_{end}"]) for end in ENDS},
        off=off,
    )


def looks(t: dict[str, ir.Table]) -> ir.Table:
    """One row per plant and day on which it was looked at (rows > 0) or came (rows = 0).

    Two rows of one plant and day are one look: counts add up, and what either says holds. A word, such as few, adds
    the least and the most that it may mean; a count that holds one is known between two numbers only.
    """
    r = t["leaf_rows"].filter(t["leaf_rows"].off.isnull())
    seen = r.group_by("plant_id", "at").agg(
        rows=r.count().cast("int64"),
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
    nothing = {name: ibis.null(str(kind)) for name, kind in seen.schema().items()}
    nothing |= {"rows": ibis.literal(0, "int64"), "soil": ibis.literal("unknown")}
    nothing |= {name: ibis.literal(False) for name in ("dead", "repotted", "moved")}
    starts = came.select(**{name: came[name] if name in ("plant_id", "at") else nothing[name] for name in seen.columns})
    return seen.union(starts, distinct=False)


def _one_number(seen: ir.Table, outcome: str) -> ir.IntegerValue:
    least, most = (seen[f"{outcome}_{end}"] for end in ENDS)
    return ibis.ifelse(least == most, least, ibis.null("int64"))


def parts(t: dict[str, ir.Table]) -> ir.Table:
    """From look to look: begins, ends (days), counts found at the end, what was known at the beginning.

    Gives:  one row per look with rows > 0; begins is missing for a plant's first.
    """
    s = t["leaf_looks"]
    order = ibis.window(group_by="plant_id", order_by="at")
    so_far = ibis.window(group_by="plant_id", order_by="at", rows=(None, 0))
    none = ibis.null("int64")
    s = s.mutate(
        moved_to=ibis.ifelse(s.moved, s["at"], none).max().over(so_far),
        repotted_to=ibis.ifelse(s.repotted, s["at"], none).max().over(so_far),
        turned_to=ibis.ifelse(s.rotated.coalesce(False), s["at"], none).max().over(so_far),
    )
    s = s.mutate(
        begins=s["at"].lag().over(order),
        soil_before=s.soil.lag().over(order),
        moved_flag=s.moved_to.lag().over(order),
        repotted_at=s.repotted_to.lag().over(order),
        turned_at=s.turned_to.lag().over(order),
    )
    s = s.filter(s.rows > 0)
    s = s.mutate(middle=((s.begins.coalesce(s["at"]) + s["at"]) / 2).floor().cast("int64"))
    place, gone = _moves_before(t, s), _gone_before(t, s)
    s = s.left_join(place, ["plant_id", "at"], rname="{name}_p").left_join(gone, ["plant_id", "at"], rname="{name}_g")
    s = s.mutate(place=s.place.coalesce(0))
    spans = t["spans"].select("plant_id", "client_id", "species", "pot", "planter", "installed", "n_entered")
    s = s.join(spans, "plant_id").join(t["places"], ["plant_id", "place"])
    owner = t["sites"].select("site_id", owner="client_id")
    s = s.left_join(owner, "site_id", rname="{name}_o")
    return s.select(
        "plant_id",
        "site_id",
        "species",
        "pot",
        "planter",
        "light",
        "begins",
        "middle",
        "rows",
        *OUTCOMES,
        *BOUNDS,
        "leaf_count",
        "dead",
        "soil",
        "soil_before",
        "repotted_at",
        "turned_at",
        "installed",
        "rotated",
        "place",
        client_id=s.owner.coalesce(s.client_id),
        ends=s["at"],
        moved_at=ibis.greatest(s.moved_flag.coalesce(s.shifted), s.shifted.coalesce(s.moved_flag)),
        plants=ibis.greatest(s.n_entered - s.n_removed.coalesce(0), 1),
    )


def _moves_before(t: dict[str, ir.Table], s: ir.Table) -> ir.Table:
    """Of each look: the last move to another place before the middle of its stretch (place, day)."""
    moves = t["ordered_moves"].select("plant_id", shifted="at", place="place")
    asked = s.select("plant_id", "at", "middle")
    both = asked.join(moves, [asked.plant_id == moves.plant_id, moves.shifted <= asked.middle])
    return both.group_by("plant_id", "at").agg(place=both.place.max(), shifted=both.shifted.max())


def _gone_before(t: dict[str, ir.Table], s: ir.Table) -> ir.Table:
    """Of each look at a counted line: how many of its plants had left when the stretch began."""
    left = t["events"].filter(t["events"].n_removed > 0).select("plant_id", "exit_day", "n_removed")
    asked = s.select("plant_id", "at", "begins")
    both = asked.join(left, [asked.plant_id == left.plant_id, left.exit_day <= asked.begins])
    return both.group_by("plant_id", "at").agg(n_removed=both.n_removed.sum().cast("int64"))


def site_air(t: dict[str, ir.Table]) -> ir.Table:
    """Air of a site in the AIR_WINDOW days up to the visit that ends each stretch: site_id, ends, as `air_before`."""
    asked = t["parts"].select("site_id", at="ends")
    air = air_before(t["site_day_air"], asked, window=AIR_WINDOW, each_day_once=True, require_both_halves=True)
    return air.rename(ends="at")


def spells(t: dict[str, ir.Table]) -> ir.Table:
    """Stretches with their conditions named.

    Gives:  one row per look: plant_id, site_id, client_id, species, species_group, the CONDITIONS, month (1 to
            12, of the middle), rh (lower edge of a five-point band of percent, up to RH_TOP; -1 missing),
            from_on, to_on (half-open), days, plants, plant_days, green, yellow (leaves; missing = not counted), the
            least and the most of both (BOUNDS; missing = not even a word), leaf_count, age_days (at the end), off (why
            it is not used, or missing), rows (of visits).
    """
    p = t["parts"].left_join(t["leaf_air"], ["site_id", "ends"], rname="{name}_a")
    p = p.left_join(t["species_facts"], "species", rname="{name}_f")
    opened = _openings(t)
    p = p.left_join(opened, ["plant_id", "place"], rname="{name}_q")
    group = p.species_group.coalesce(p.species.split(" ")[0])
    readings = p.rh_readings.coalesce(0)
    rh = p.rh_tenths / (ibis.ifelse(readings > 0, readings, 1) * 10)
    band = ibis.least((rh / RH_STEP).floor().cast("int64") * RH_STEP, RH_TOP)
    days = p.ends - p.begins
    fig = group == FIGS

    def since(at: ir.IntegerValue) -> ir.StringValue:
        passed = [(p.middle < at + cut, name) for cut, name in zip(TRANSIENT_CUTS, STEPS, strict=True)]
        return ibis.cases((at.isnull(), NOT_RECENT), *passed, else_=NOT_RECENT)

    def by_kind(soil: ir.StringValue) -> ir.StringValue:
        return ibis.cases(
            ((soil == "dry") & fig, "dry (figs)"),
            (soil == "dry", "dry (others)"),
            (soil == "no", "no"),
            else_="unknown",
        )

    off = ibis.cases(
        (p.dead, "the plant was found dead"),
        (p.species.isnull(), "the plant has no species"),
        (p.begins.isnull(), "first visit: since when leaves fell is unknown"),
        (p.green_lower.isnull() & p.yellow_lower.isnull(), "leaves not counted"),
        (days > LONGEST, f"more than {LONGEST} days since the visit before"),
        else_=ibis.null("string"),
    )
    return p.select(
        "plant_id",
        "site_id",
        "client_id",
        "species",
        species_group=group,
        light=p.light.coalesce("unknown"),
        warmth=ibis.cases(
            (p.coldest < COLD_C, f"below {COLD_C} °C"),
            (p.warmest > HOT_C, f"above {HOT_C} °C"),
            (p.coldest.isnull(), "unknown"),
            else_="usual",
        ),
        opening=ibis.ifelse(p.opening.coalesce(False), "near a vent or door", "elsewhere"),
        new=ibis.ifelse(p.installed.isnull(), NO_DATE, since(p.installed)),
        moved=since(p.moved_at),
        repotted=since(p.repotted_at),
        # Of species that do not lean nobody expects anything from turning.
        turned=ibis.ifelse(p.leans.coalesce(False) & (p.turned_at >= p.ends - TURN_DAYS), "turned", "no"),
        rewatered=by_kind(p.soil_before),
        dry=by_kind(p.soil),
        month=on_date(p.middle).month().cast("int64"),
        rh=ibis.ifelse(readings > 0, band, NO_RH),
        from_on=on_date(p.begins + 1),
        to_on=on_date(p.ends + 1),
        days=days,
        plants=p.plants,
        plant_days=days * p.plants,
        **{name: p[name] for name in (*OUTCOMES, *BOUNDS)},
        leaf_count=p.leaf_count,
        age_days=p.ends - p.installed,
        moved_days=p.ends - p.moved_at,
        repotted_days=p.ends - p.repotted_at,
        off=off,
        rows=p.rows,
    )


def _openings(t: dict[str, ir.Table]) -> ir.Table:
    """Whether the position's own name tells of a vent or a door, by plant and place."""
    first = t["plants"].select("plant_id", place=ibis.literal(0, "int64"), position="position")
    m = t["moves"].filter(t["moves"].moved_on.notnull())
    m = (
        m.select("plant_id", at=day(m.moved_on), position="to_position")
        .group_by("plant_id", "at")
        .agg(position=lambda d: d.position.max())
    )
    moved = t["ordered_moves"].join(m, ["plant_id", "at"]).select("plant_id", "place", "position")
    both = first.union(moved, distinct=False)
    return both.select("plant_id", "place", opening=both.position.lower().re_search(OPENINGS))


def plan(time_steps: dict[str, ir.Table], as_of: int) -> dict[str, ir.Table]:
    """The chain from plant-time's steps and the visits to leaf stretches.

    Takes:  time_steps: the steps of `plant_time.plan`; as_of: day number of the last day that counts.
    Gives:  name -> expression, in the order in which an engine makes them; the last is `leaf_spells`.
    """
    t = unbound()
    for name in ("spans", "events", "site_day_air"):
        t[name] = ibis.table(time_steps[name].schema(), name=name)
    t["follow"] = t["spans"]
    makers: dict[str, Callable[[], ir.Table]] = {
        "leaf_moves": lambda: moves_in_order(t, as_of),
        "leaf_places": lambda: places(t),
        "leaf_rows": lambda: rows(t, as_of),
        "leaf_looks": lambda: looks(t),
        "leaf_parts": lambda: parts(t),
        "leaf_air": lambda: site_air(t),
        "leaf_spells": lambda: spells(t),
    }
    steps: dict[str, ir.Table] = {}
    for name, make in makers.items():
        steps[name] = make()
        t[name] = ibis.table(steps[name].schema(), name=name)
        if name in STANDS_FOR:
            t[STANDS_FOR[name]] = t[name]
    return steps
