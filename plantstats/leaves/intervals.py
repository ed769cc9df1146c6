"""Count intervals: the days over which leaves fell that were counted at their end, with the conditions of those days.

One chain of ibis expressions, from visits and the steps of plant-time on.
"""

from __future__ import annotations

from collections.abc import Callable

import ibis
import ibis.expr.types as ir

from plantstats import exposure
from plantstats.exposure.environment import air_before
from plantstats.exposure.inputs import on_date
from plantstats.exposure.places import moves_in_order, places
from plantstats.leaves.inputs import (
    AIR_WINDOW,
    BOUNDS,
    COLD_C,
    FIGS,
    HOT_C,
    MAX_DAYS,
    NO_DATE,
    NO_RH,
    NOT_RECENT,
    OUTCOMES,
    RH_STEP,
    RH_TOP,
    STEPS,
    TRANSIENT_CUTS,
    TURN_DAYS,
)
from plantstats.leaves.inspections import between_inspections, inspections, stays, visit_rows

USED = "used"
JOINED = "used, joined to another visit of that day"
SPECIES_FACTS = {"species": "string", "species_group": "string", "leans": "boolean"}
# Steps of plant-time that are read here, and the name that `places` knows moves by.
FROM_PLANT_TIME = ("spans", "events", "site_day_air")
ALSO_CALLED = {"leaf_moves": "ordered_moves"}


def site_air(t: dict[str, ir.Table]) -> ir.Table:
    """Air of a site in the AIR_WINDOW days up to the visit that ends each interval.

    Parameters
    ----------
    t : dict of str to ir.Table
        Tables of the records and the steps before, by name.

    Returns
    -------
    ir.Table
        site_id, ends, as `air_before`.
    """
    asked = t["leaf_between"].select("site_id", at="ends")
    air = air_before(t["site_day_air"], asked, window=AIR_WINDOW, each_day_once=True, require_both_halves=True)
    return air.rename(ends="at")


def count_intervals(t: dict[str, ir.Table]) -> ir.Table:
    """Name the conditions of the times between inspections.

    Parameters
    ----------
    t : dict of str to ir.Table
        Tables of the records and the steps before, by name.

    Returns
    -------
    ibis table
        One row per inspection: plant_id, site_id, client_id, species, species_group, the `CONDITIONS`, month (1 to 12,
        of the middle), rh (lower edge of a five-point band of percent, up to RH_TOP; -1 missing), from_on, to_on
        (half-open dates), days, plants, plant_days, green, yellow (leaves; missing = not counted in numbers), their
        ends (`BOUNDS`; missing = not even a word), leaf_count, age_days, moved_days, repotted_days (at the end),
        exclusion_reason (missing where the interval is used), n_rows (of the visit log).
    """
    p = t["leaf_between"].left_join(t["leaf_air"], ["site_id", "ends"], rname="{name}_a")
    days = p.ends - p.begins

    def since(at: ir.IntegerValue) -> ir.StringValue:
        steps = [(p.middle < at + cut, name) for cut, name in zip(TRANSIENT_CUTS, STEPS, strict=True)]
        return ibis.cases((at.isnull(), NOT_RECENT), *steps, else_=NOT_RECENT)

    def dryness(soil: ir.StringValue) -> ir.StringValue:
        dry = [((soil == "dry") & (p.species_group == FIGS), "dry (figs)"), (soil == "dry", "dry (others)")]
        return ibis.cases(*dry, (soil == "no", "no"), else_="unknown")

    warmth = ibis.cases(
        (p.coldest < COLD_C, f"below {COLD_C} °C"),
        (p.warmest > HOT_C, f"above {HOT_C} °C"),
        (p.coldest.isnull(), "unknown"),
        else_="usual",
    )
    reason = ibis.cases(
        (p.dead, "the plant was found dead"),
        (p.species.isnull(), "the plant has no species"),
        (p.begins.isnull(), "first visit: since when leaves fell is unknown"),
        (p.green_lower.isnull() & p.yellow_lower.isnull(), "leaves not counted"),
        (days > MAX_DAYS, f"more than {MAX_DAYS} days since the visit before"),
        else_=ibis.null("string"),
    )
    return p.select(
        *("plant_id", "site_id", "client_id", "species", "species_group", "plants", "leaf_count", "n_rows"),
        *OUTCOMES,
        *BOUNDS,
        light=p.light.coalesce("unknown"),
        warmth=warmth,
        opening=ibis.ifelse(p.opening.coalesce(False), "near a vent or door", "elsewhere"),
        new=ibis.ifelse(p.installed.isnull(), NO_DATE, since(p.installed)),
        moved=since(p.moved_at),
        repotted=since(p.repotted_at),
        # Of species that do not lean nobody expects anything from turning.
        turned=ibis.ifelse(p.leans.coalesce(False) & (p.turned_at >= p.ends - TURN_DAYS), "turned", "no"),
        rewatered=dryness(p.soil_before),
        dry=dryness(p.soil),
        month=on_date(p.middle).month().cast("int64"),
        rh=_rh_band(p),
        from_on=on_date(p.begins + 1),
        to_on=on_date(p.ends + 1),
        days=days,
        plant_days=days * p.plants,
        age_days=p.ends - p.installed,
        moved_days=p.ends - p.moved_at,
        repotted_days=p.ends - p.repotted_at,
        exclusion_reason=reason,
    )


def _rh_band(p: ir.Table) -> ir.IntegerValue:
    readings = p.rh_readings.coalesce(0)
    percent = p.rh_tenths / (ibis.ifelse(readings > 0, readings, 1) * 10)
    band = ibis.least((percent / RH_STEP).floor().cast("int64") * RH_STEP, RH_TOP)
    return ibis.ifelse(readings > 0, band, NO_RH)


def plan(time_steps: dict[str, ir.Table], as_of: int | ir.IntegerValue) -> dict[str, ir.Table]:
    """The chain from plant-time's steps and the visits to count intervals.

    Parameters
    ----------
    time_steps : dict of str to ibis table
        The steps of `exposure.plan`.
    as_of : int or ibis integer
        Day number of the last day that counts.

    Returns
    -------
    dict of str to ibis table
        Name -> expression, in the order in which an engine makes them; the last is `leaf_intervals`.
    """
    t = exposure.inputs.unbound() | {"species_facts": ibis.table(SPECIES_FACTS, name="species_facts")}
    for name in FROM_PLANT_TIME:
        t[name] = ibis.table(time_steps[name].schema(), name=name)
    t["follow"] = t["spans"]
    makers: dict[str, Callable[[], ir.Table]] = {
        "leaf_moves": lambda: moves_in_order(t, as_of),
        "leaf_places": lambda: places(t),
        "leaf_stays": lambda: stays(t),
        "leaf_visits": lambda: visit_rows(t, as_of),
        "leaf_inspections": lambda: inspections(t),
        "leaf_between": lambda: between_inspections(t),
        "leaf_air": lambda: site_air(t),
        "leaf_intervals": lambda: count_intervals(t),
    }
    steps: dict[str, ir.Table] = {}
    for name, make in makers.items():
        steps[name] = make()
        t[name] = ibis.table(steps[name].schema(), name=name)
        if name in ALSO_CALLED:
            t[ALSO_CALLED[name]] = t[name]
    return steps
