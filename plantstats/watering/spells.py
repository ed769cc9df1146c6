"""Dry-down spells: from a watering to the first look that found the topsoil dry, as one chain of ibis expressions.

Each watering starts a spell. The drying time lies between the last look that found the topsoil not dry (`low`)
and the first that found it dry (`high`): interval censored; `low` is 0 where the first look found it dry (left
censored); `high` is missing where the plant was watered before it was dry, or the records or the place ended
(right censored). A reading and a watering on one day: the reading came first, it belongs to the spell before.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date

import ibis
import ibis.expr.types as ir

from plantstats.exposure import POT_CLASSES, environment, events, inputs, places, visits
from plantstats.exposure.psychrometrics import AT_ZERO, SHIFT, SLOPE

# Depth to which the soil must be dry to count as dry, in cm, by pot class: 2.5 to 5 cm (1 to 2 in), the deeper
# figure for the larger pots (common practice, no source); of an unknown pot that of the commonest size.
DRY_DEPTH = dict(zip(POT_CLASSES, (2.5, 3.0, 4.0, 5.0, 3.0), strict=True))
METHODS = ("topsoil word", "dry depth")
AIR_WINDOW = 28  # days up to and with the day of watering
LABELS = ("site_id", "species", "light", "pot", "planter")
COLLAPSED = ("method", *LABELS[1:], "heating", "vpd", "wet_looks", "earlier", "low", "high")
OFF = ("plant not in the list", "repotted or moved on the day", "not looked at again", "topsoil not read afterwards")


def saturation_kpa(celsius: ir.FloatingValue) -> ir.FloatingValue:
    """`air.saturation_kpa` as an expression for the engine."""
    return AT_ZERO * (SLOPE * celsius / (celsius + SHIFT)).exp()


def notes(t: dict[str, ir.Table]) -> ir.Table:
    """What the visit log says about each plant on each day.

    Takes:  completed lines of one plant. A blank `watered` means no, unless litres are given.
    Gives:  one row per plant and day: plant_id, at, word (1 dry, 0 not, missing not read), depth (the same, by
            depth), watered, shifted (repotted or moved, after the reading), place (missing), looks (lines), dead.
            A line about a dead plant (condition 1) reads nothing and ends the spell.
    """
    done = t["completed_visits"]
    v = done.filter(done.plant_id.notnull())
    v = v.left_join(t["follow"].select("plant_id", "pot"), "plant_id", rname="{name}_f")
    deep = ibis.cases(
        *[(v.pot == pot, ibis.literal(cm, "float64")) for pot, cm in DRY_DEPTH.items()], else_=DRY_DEPTH["unknown"]
    )
    dead = v.condition.coalesce(5) == 1
    nothing = ibis.null("int64")
    return v.select(
        "plant_id",
        at=v["at"],
        word=ibis.ifelse(dead, nothing, (v.topsoil == "dry").cast("int64")),
        depth=ibis.ifelse(dead, nothing, (v.dry_depth_cm >= deep).cast("int64")),
        watered=v.watered.coalesce(v.litres > 0).coalesce(False).cast("int64"),
        shifted=(dead | v.repotted.coalesce(False) | v.moved.coalesce(False)).cast("int64"),
        place=nothing,
        looks=ibis.literal(1, "int64"),
        dead=dead.cast("int64"),
    )


def cuts(t: dict[str, ir.Table]) -> ir.Table:
    """What ends a spell without a look: moves in the list of moves, and waterings noted for a whole site.

    A line for a whole site starts no spell: it does not say which plants were dry, nor which were watered.
    """
    nothing, none, one = ibis.null("int64"), ibis.literal(0, "int64"), ibis.literal(1, "int64")
    empty = {"word": nothing, "depth": nothing, "watered": none, "looks": none, "shifted": one, "dead": none}
    moves = t["ordered_moves"].select("plant_id", "at", place="place", **empty)
    v = t["completed_visits"]
    whole = v.filter(v.plant_id.isnull(), v.watered.coalesce(v.litres > 0).coalesce(False))
    whole = whole.select("site_id", "at").distinct()
    stood = t["places"].select("plant_id", "site_id").distinct()
    wetted = whole.join(stood, "site_id").select("plant_id", "at", place=nothing, **empty)
    return moves.union(wetted, distinct=False)


def days(t: dict[str, ir.Table]) -> ir.Table:
    """One row per plant and day on which anything was noted, numbered by the spell that it reads.

    Gives:  the columns of `notes` and: spell (number of the spell whose readings these are), place, method (1
            word, 2 depth, missing none), dry (by that method).
    """
    both = t["notes"].union(t["cuts"].select(*t["notes"].columns), distinct=False)
    d = both.group_by("plant_id", "at").agg(
        word=both.word.max(),
        depth=both.depth.max(),
        watered=both.watered.max(),
        shifted=both.shifted.max(),
        place=both.place.max(),
        looks=both.looks.sum().cast("int64"),
        dead=both.dead.max(),
    )
    so_far = ibis.window(group_by="plant_id", order_by="at", rows=(None, 0))
    turns = ibis.greatest(d.watered, d.shifted)
    return d.mutate(
        turns=turns,
        spell=(turns.sum().over(so_far) - turns).cast("int64"),
        place=d.place.max().over(so_far).coalesce(0),
        method=ibis.cases((d.word.notnull(), 1), (d.depth.notnull(), 2), else_=ibis.null("int64")).cast("int64"),
        dry=d.word.coalesce(d.depth),
    )


def readings_in_order(t: dict[str, ir.Table]) -> ir.Table:
    """Readings of each spell by the method that it began with, up to the first that found it dry."""
    d = t["days"].filter(t["days"].method.notnull())
    in_spell = ibis.window(group_by=["plant_id", "spell"], order_by="at")
    d = d.mutate(first_method=d.method.first().over(in_spell))
    whole = ibis.window(group_by=["plant_id", "spell"])
    d = d.mutate(changed=d["at"].min(where=d.method != d.first_method).over(whole))
    d = d.filter(d.changed.isnull() | (d["at"] < d.changed))
    d = d.mutate(found_dry=d["at"].min(where=d.dry == 1).over(whole))
    d = d.filter(d.found_dry.isnull() | (d["at"] <= d.found_dry))
    return d.mutate(previous=d["at"].lag().over(in_spell))


def ends(t: dict[str, ir.Table]) -> ir.Table:
    """What the readings of each spell say: plant_id, spell, method, wet_looks, earlier, low, high (days)."""
    r = t["readings_in_order"]
    wet = r.dry == 0
    return r.group_by("plant_id", "spell").agg(
        method=r.method.min(),
        wet_looks=wet.sum().cast("int64"),
        low_at=r["at"].max(where=wet),
        earlier_at=r.previous.max(where=wet),
        high_at=r.found_dry.min(),
    )


def air(t: dict[str, ir.Table]) -> ir.Table:
    """Vapour pressure deficit at each site in the AIR_WINDOW days up to a day of watering.

    Returns
    -------
    ibis table
        One row per site and day with a watering: site_id, at, vpd (kPa; missing without readings of both).

    References
    ----------
    Saturation pressure at the mean temperature x (1 - mean relative humidity): FAO-56, equation 11.
    """
    asked = t["starts"].filter(t["starts"].site_id.notnull())
    s = environment.air_before(t["site_day_air"], asked, window=AIR_WINDOW)
    rh, celsius = (s[f"{n}_tenths"] / (10.0 * ibis.greatest(s[f"{n}_readings"], 1)) for n in ("rh", "temp"))
    read = (s.rh_readings > 0) & (s.temp_readings > 0)
    return s.select("site_id", "at", vpd=ibis.ifelse(read, saturation_kpa(celsius) * (1 - rh / 100), None))


def starts(t: dict[str, ir.Table], heating_months: Iterable[int]) -> ir.Table:
    """Every watering of a plant with what held on its day: plant_id, at, spell, shifted, labels, heating."""
    d = t["days"].filter(t["days"].watered == 1)
    s = d.select("plant_id", "at", "shifted", "place", spell=d.spell + 1)
    s = s.left_join(t["places"], ["plant_id", "place"], rname="{name}_p").drop("plant_id_p", "place_p")
    s = s.left_join(t["follow"].select("plant_id", "species", "pot", "planter"), "plant_id", rname="{name}_f")
    months = sorted(heating_months)
    heated = inputs.on_date(s["at"]).month().isin(months) if months else ibis.literal(False)
    return s.mutate(known=s.plant_id_f.notnull(), light=s.light.coalesce("unknown"), heating=heated).drop("plant_id_f")


def spells(t: dict[str, ir.Table]) -> ir.Table:
    """Every watering as a spell, used or not.

    Gives:  one row per watering: plant_id, site_id, species, light, pot, planter, heating, vpd (kPa in steps of
            0.1, missing unknown), method, at (day of the watering), wet_looks (looks that found it not dry), earlier
            (day of the look before `low`, 0 none), low, high (days since watering; high missing: not found dry), off
            (why it is not used, or missing).
    Keeps:  waterings = spells used + off, by reason.
    """
    s, e, d = t["starts"], t["ends"], t["days"]
    s = s.left_join(e, ["plant_id", "spell"], rname="{name}_e").drop("plant_id_e", "spell_e")
    looked = d.filter(d.looks > 0).group_by("plant_id", "spell").agg(looked=lambda x: x.looks.sum())
    s = s.left_join(looked, ["plant_id", "spell"], rname="{name}_l").drop("plant_id_l", "spell_l")
    s = s.left_join(t["air"], ["site_id", "at"], rname="{name}_a").drop("site_id_a", "at_a")
    off = ibis.cases(
        (~s.known, OFF[0]),
        (s.shifted == 1, OFF[1]),
        (s.looked.isnull(), OFF[2]),
        (s.method.isnull(), OFF[3]),
        else_=ibis.null("string"),
    )
    return s.select(
        "plant_id",
        *LABELS,
        "heating",
        vpd=(s.vpd * 10).round() / 10,
        method=ibis.ifelse(s.method == 2, METHODS[1], METHODS[0]),
        at=s["at"],
        wet_looks=s.wet_looks.coalesce(0).cast("int64"),
        earlier=(s.earlier_at - s["at"]).coalesce(0),
        low=(s.low_at - s["at"]).coalesce(0),
        high=s.high_at - s["at"],
        off=off,
    )


def plan(as_of: date, heating_months: Iterable[int] = ()) -> dict[str, ir.Table]:
    """The chain from records to spells, step by step: name -> expression, in the order in which they are made."""
    t, steps = inputs.unbound(), {}
    cut = (as_of - date(1970, 1, 1)).days
    makers: dict[str, Callable[[], ir.Table]] = {
        "inspections": lambda: events.inspections(t, cut),
        "follow": lambda: events.follow_up(t),
        "ordered_moves": lambda: places.moves_in_order(t, cut),
        "places": lambda: places.places(t),
        "stays": lambda: places.stays(t),
        "completed_visits": lambda: visits.completed_visits(t, cut),
        "site_day_air": lambda: environment.site_day_air(t, cut),
        "notes": lambda: notes(t),
        "cuts": lambda: cuts(t),
        "days": lambda: days(t),
        "readings_in_order": lambda: readings_in_order(t),
        "ends": lambda: ends(t),
        "starts": lambda: starts(t, heating_months),
        "air": lambda: air(t),
        "spells": lambda: spells(t),
    }
    for name, make in makers.items():
        steps[name] = make()
        t[name] = ibis.table(steps[name].schema(), name=name)
    return steps
