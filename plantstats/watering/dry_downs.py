"""Dry-downs: from a watering to the first inspection that found the topsoil dry, as one chain of ibis expressions.

Each watering starts a dry-down. The drying time lies between the last inspection that found the topsoil not dry
(`lower`) and the first that found it dry (`upper`): interval censored; `lower` is 0 where the first inspection found
it dry (left censored); `upper` is missing where the plant was watered before it was dry, or the records or the place
ended (right censored). A reading and a watering on one day: the reading came first, it belongs to the dry-down before.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from datetime import date

import ibis
import ibis.expr.types as ir

from plantstats.exposure import POT_CLASSES, events, inputs, places, visits

# Depth to which the soil must be dry to count as dry, in cm, by pot class: 2.5 to 5 cm (1 to 2 in), the deeper
# figure for the larger pots (common practice, no source); of an unknown pot that of the commonest size.
DRY_DEPTH = dict(zip(POT_CLASSES, (2.5, 3.0, 4.0, 5.0, 3.0), strict=True))
METHODS = ("topsoil word", "dry depth")
LABELS = ("site_id", "species", "light", "pot", "planter")
DISTINCT = ("method", *LABELS[1:], "heating", "n_moist", "previous", "lower")
EXCLUSIONS = (
    "plant not in the list",
    "noted by a technician whose topsoil notes cannot be used",
    "repotted or moved on the day",
    "not looked at again",
    "topsoil not read afterwards",
)
FLAG = "int8"
NEVER = -1_000_000  # day before all others
NEVER_DRY, BLANK = "never notes dry topsoil", "leaves topsoil blank when watering"
BY_CHANCE = 1e-6  # chance, by what others note, below which never noting dry is a habit
MANY_WATERINGS, MOSTLY = 20, 0.5  # waterings from which a habit of blanks is judged, and their share


def _lines(t: dict[str, ir.Table], as_of: int | ir.IntegerValue) -> ir.Table:
    """What each line of the visit log says about its plant.

    A blank `watered` means no, unless litres are given. One row per line: technician, plant_id, at (day), word (1 dry,
    0 not, missing not read), depth (the same, by its depth), watered, disturbed (repotted or moved, after the reading),
    place (missing), inspections (1), dead. A line about a dead plant (condition 1) reads nothing and ends the dry-down.
    """
    v = t["visits"]
    v = v.filter(v.plant_id.notnull(), visits.is_completed(v.status), inputs.day(v.visited_on) <= as_of)
    v = v.left_join(t["follow"].select("plant_id", "pot"), "plant_id", rname="{name}_f")
    threshold = ibis.cases(
        *[(v.pot == pot, ibis.literal(cm, "float64")) for pot, cm in DRY_DEPTH.items()], else_=DRY_DEPTH["unknown"]
    )
    dead = v.condition.coalesce(5) == 1
    missing = ibis.null(FLAG)
    return v.select(
        "technician",
        "plant_id",
        at=inputs.day(v.visited_on),
        word=ibis.ifelse(dead, missing, (v.topsoil == "dry").cast(FLAG)),
        depth=ibis.ifelse(dead, missing, (v.dry_depth_cm >= threshold).cast(FLAG)),
        watered=v.watered.coalesce(v.litres > 0).coalesce(False).cast(FLAG),
        disturbed=(dead | v.repotted.coalesce(False) | v.moved.coalesce(False)).cast(FLAG),
        place=ibis.null("int64"),
        inspections=ibis.literal(1, FLAG),
        dead=dead.cast(FLAG),
    )


def _habits(t: dict[str, ir.Table]) -> ir.Table:
    """What each technician noted of topsoil on each day.

    technician, at; n_lines (about single plants), read (topsoil), dry, waterings, blank (waterings without).
    """
    n = t["lines"].filter(t["lines"].technician.notnull())
    dry = n.word.coalesce(n.depth)
    return n.group_by("technician", "at").agg(
        n_lines=n.count(),
        read=dry.count(),
        dry=dry.sum().coalesce(0).cast("int64"),
        waterings=n.watered.sum().cast("int64"),
        blank=(dry.isnull() & (n.watered == 1)).sum().cast("int64"),
    )


def _technicians(t: dict[str, ir.Table], as_of: int | ir.IntegerValue) -> ir.Table:
    """Technicians whose notes on topsoil cannot be used, with the reason.

    One row per such technician: technician, n_lines (about single plants), reason.

    One who never notes dry, where by the share that others note dry this would happen once in a million times, makes
    soil look slow to dry; so does one who leaves topsoil blank at half of the waterings or more.
    """
    n = t["habits"].filter(t["habits"]["at"] <= as_of)
    sums = ("n_lines", "read", "dry", "waterings", "blank")
    of = n.group_by("technician").agg(**{name: n[name].sum().cast("int64") for name in sums})
    everyone = ibis.window()
    of = of.mutate(others_read=of.read.sum().over(everyone) - of.read, others_dry=of.dry.sum().over(everyone) - of.dry)
    moist = (1 - of.others_dry / ibis.greatest(of.others_read, 1)).clip(lower=1e-9)
    reason = ibis.cases(
        ((of.dry == 0) & (of.read * moist.ln() < math.log(BY_CHANCE)), NEVER_DRY),
        ((of.waterings >= MANY_WATERINGS) & (of.blank >= MOSTLY * of.waterings), BLANK),
        else_=ibis.null("string"),
    )
    of = of.mutate(reason=reason)
    return of.filter(of.reason.notnull()).select("technician", "n_lines", "reason")


def _notes(t: dict[str, ir.Table]) -> ir.Table:
    """Lines that can be used: those of technicians whose notes cannot be read nothing and end the dry-down."""
    n, left_out = t["lines"], t["technicians"].select("technician", unusable=ibis.literal(1, FLAG))
    n = n.left_join(left_out, "technician", rname="{name}_t")
    n = n.mutate(unusable=n.unusable.coalesce(0))
    used, missing = n.unusable == 0, ibis.null(FLAG)
    n = n.mutate(
        word=ibis.ifelse(used, n.word, missing),
        depth=ibis.ifelse(used, n.depth, missing),
        disturbed=ibis.greatest(n.disturbed, n.unusable),
    )
    return n.select(*(c for c in t["lines"].columns if c != "technician"), "unusable")


def _interruptions(t: dict[str, ir.Table]) -> ir.Table:
    """Ends of dry-downs without an inspection: moves in the list of moves, and waterings noted for a whole site.

    A line for a whole site starts no dry-down: it does not say which plants were dry, nor which were watered.
    """
    missing, zero, one = ibis.null(FLAG), ibis.literal(0, FLAG), ibis.literal(1, FLAG)
    empty = {
        "word": missing,
        "depth": missing,
        "watered": zero,
        "inspections": zero,
        "disturbed": one,
        "dead": zero,
        "unusable": zero,
    }
    moves = t["ordered_moves"].select("plant_id", "at", place="place", **empty)
    v = t["completed_visits"]
    whole = v.filter(v.plant_id.isnull(), v.watered.coalesce(v.litres > 0).coalesce(False))
    whole = whole.select("site_id", "at").distinct()
    stood = t["places"].select("plant_id", "site_id").distinct()
    wetted = whole.join(stood, "site_id").select("plant_id", "at", place=ibis.null("int64"), **empty)
    return moves.union(wetted, distinct=False)


def _days(t: dict[str, ir.Table]) -> ir.Table:
    """One row per plant and day on which anything was noted: the columns of `notes`, and the dry-down that it reads.

    Without word and depth; with dry_down (number of the dry-down whose readings these are), place, wetted (day of
    the last watering, this one if it is one), next (day of the next look; missing: none) and what that found:
    next_dead, next_dry; method (1 word, 2 depth, missing none), dry (by that method), previous (day of the reading
    before in this dry-down; missing: none) and counts (whether the reading is one by the method that the dry-down
    began with, until dry).
    """
    both = t["notes"].union(t["interruptions"].select(*t["notes"].columns), distinct=False)
    d = both.group_by("plant_id", "at").agg(
        word=both.word.max(),
        depth=both.depth.max(),
        watered=both.watered.max(),
        disturbed=both.disturbed.max(),
        place=both.place.max(),
        inspections=both.inspections.count(where=both.inspections == 1),
        dead=both.dead.max(),
        unusable=both.unusable.max(),
    )
    so_far = ibis.window(group_by="plant_id", order_by="at", rows=(None, 0))
    before = ibis.window(group_by="plant_id", order_by="at", rows=(None, -1))
    after = ibis.window(group_by="plant_id", order_by="at", rows=(1, None))

    def last_before(holds: ir.BooleanValue) -> ir.IntegerValue:
        """The day before this one on which something last held, of any dry-down; NEVER: on none."""
        return ibis.ifelse(holds, d["at"], NEVER).max().over(before).coalesce(NEVER)

    turned = ibis.greatest(d.watered, d.disturbed) == 1
    by_depth = d.word.isnull() & d.depth.notnull()
    dry = d.word.coalesce(d.depth)
    seen = d["at"] * 8 + d.dead * 4 + dry.coalesce(2)  # one number for a day and what was found: one window
    # All windows in one step, each once: an engine sorts for them once, and works out a repeated one again.
    d = d.mutate(
        dry_down=turned.count(where=turned).over(so_far) - turned.cast("int64"),
        place=d.place.count().over(so_far),
        wetted=ibis.ifelse(d.watered == 1, d["at"], ibis.null("int64")).max().over(so_far),
        next_look=ibis.ifelse(d.inspections > 0, seen, ibis.null("int64")).min().over(after),
        method=ibis.cases((d.word.notnull(), 1), (by_depth, 2), else_=ibis.null("int64")).cast("int64"),
        dry=dry,
        turned=last_before(turned),
        by_word=last_before(d.word.notnull()),
        by_depth=last_before(by_depth),
        found_dry=last_before(dry == 1),
    )
    reading, other = ibis.greatest(d.by_word, d.by_depth), ibis.ifelse(d.method == 1, d.by_depth, d.by_word)
    d = d.mutate(next=d.next_look // 8)
    state = d.next_look - d.next * 8
    return d.select(
        *("plant_id", "at", "watered", "disturbed", "place", "inspections", "dead", "unusable"),
        *("dry_down", "method", "dry", "wetted", "next"),
        next_dead=(state >= 4).cast(FLAG),
        next_dry=(state % 4).nullif(2),
        previous=ibis.ifelse(reading > d.turned, reading, ibis.null("int64")),
        counts=d.method.notnull() & (ibis.greatest(other, d.found_dry) <= d.turned),
    )


def _minutes(t: dict[str, ir.Table]) -> ir.Table:
    """Minutes that were noted for inspections of living plants that were not repotted.

    pot, watered, at; minutes, inspections.
    """
    v, d = t["visits"], t["days"].select("plant_id", "at", "watered", "dead")
    noted = v.filter(v.plant_id.notnull(), v.minutes.notnull()).group_by("plant_id", at=inputs.day(v.visited_on))
    noted = noted.agg(minutes=v.minutes.max(), repotted=v.repotted.coalesce(False).max())
    n = noted.join(t["follow"].select("plant_id", "pot"), "plant_id").join(d, ["plant_id", "at"])
    n = n.filter(~n.repotted, n.dead == 0)
    return n.group_by("pot", "watered", "at").agg(minutes=n.minutes.sum().cast("float64"), inspections=n.count())


def _bounds(t: dict[str, ir.Table]) -> ir.Table:
    """What the days of each dry-down say of it, one row each.

    plant_id, dry_down, n (inspections; 0 none), ended (the last day) and the bounds of the readings that count:
    method (missing: none), n_moist, and their days.
    """
    d = t["days"]
    moist, dry = d.counts & (d.dry == 0), d.counts & (d.dry == 1)
    return d.group_by("plant_id", "dry_down").agg(
        n=d.inspections.sum().cast("int64"),
        ended=d["at"].max(),
        method=d.method.min(where=d.counts),
        n_moist=d.method.count(where=moist),
        lower_at=d["at"].max(where=moist),
        previous_at=d.previous.max(where=moist),
        upper_at=d["at"].min(where=dry),
    )


def _waterings(t: dict[str, ir.Table], heating_months: Iterable[int]) -> ir.Table:
    """Waterings of plants with what held on their day.

    plant_id, at, dry_down, disturbed, labels, heating.
    """
    d = t["days"].filter(t["days"].watered == 1)
    w = d.select("plant_id", "at", "disturbed", "unusable", "place", dry_down=d.dry_down + 1)
    w = w.left_join(t["places"], ["plant_id", "place"], rname="{name}_p").drop("plant_id_p", "place_p")
    w = w.left_join(t["follow"].select("plant_id", "species", "pot", "planter"), "plant_id", rname="{name}_f")
    months = sorted(heating_months)
    heating = inputs.on_date(w["at"]).month().isin(months) if months else ibis.literal(False)
    known = w.plant_id_f.notnull()
    return w.mutate(known=known, light=w.light.coalesce("unknown"), heating=heating).drop("plant_id_f")


def _dry_downs(t: dict[str, ir.Table]) -> ir.Table:
    """Waterings as dry-downs, used or not.

    One row per watering: plant_id, site_id, species, light, pot, planter, heating, method, at (day of the
    watering), n_moist (inspections that found it not dry), previous (day of the inspection before `lower`, 0 none),
    lower, upper (days since watering; upper missing: not found dry), ended (the last day that tells of it; missing:
    none), exclusion_reason (missing: used).

    Waterings = dry-downs used + excluded, by reason.
    """
    w, bound = t["waterings"], t["bounds"]
    w = w.left_join(bound, ["plant_id", "dry_down"], rname="{name}_b").drop("plant_id_b", "dry_down_b")
    reasons = (~w.known, w.unusable == 1, w.disturbed == 1, w.n.coalesce(0) == 0, w.method.isnull())
    return w.select(
        "plant_id",
        *LABELS,
        "heating",
        method=ibis.ifelse(w.method == 2, METHODS[1], METHODS[0]),
        at=w["at"],
        n_moist=w.n_moist.coalesce(0).cast("int64"),
        previous=(w.previous_at - w["at"]).coalesce(0),
        lower=(w.lower_at - w["at"]).coalesce(0),
        upper=w.upper_at - w["at"],
        ended=w.ended,
        exclusion_reason=ibis.cases(*zip(reasons, EXCLUSIONS, strict=True), else_=ibis.null("string")),
    )


def plan(as_of: date | ir.IntegerValue, heating_months: Iterable[int] = ()) -> dict[str, ir.Table]:
    """Chain from records to dry-downs, step by step.

    Parameters
    ----------
    as_of : date or ir.IntegerValue
        Last day that counts.
    heating_months : iterable of int, optional
        Months that count as heated, 1 to 12.

    Returns
    -------
    dict of str to ibis.expr.types.Table
        Name -> expression, in the order in which they are made.
    """
    t, steps = inputs.unbound(), dict[str, ir.Table]()
    cut = (as_of - date(1970, 1, 1)).days if isinstance(as_of, date) else as_of
    makers: dict[str, Callable[[], ir.Table]] = {
        "inspections": lambda: events.inspections(t, cut),
        "follow": lambda: events.listed(t),
        "ordered_moves": lambda: places.moves_in_order(t, cut),
        "places": lambda: places.places(t),
        "stays": lambda: places.stays(t),
        "completed_visits": lambda: visits.completed_visits(t, cut),
        "lines": lambda: _lines(t, cut),
        "habits": lambda: _habits(t),
        "technicians": lambda: _technicians(t, cut),
        "notes": lambda: _notes(t),
        "interruptions": lambda: _interruptions(t),
        "days": lambda: _days(t),
        "minutes": lambda: _minutes(t),
        "bounds": lambda: _bounds(t),
        "waterings": lambda: _waterings(t, heating_months),
        "dry_downs": lambda: _dry_downs(t),
    }
    for name, make in makers.items():
        steps[name] = make()
        t[name] = ibis.table(steps[name].schema(), name=name)
    return steps
