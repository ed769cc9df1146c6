"""Follow-ups cut into stretches of constant conditions, then added up to cells."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import date
from typing import Any

import ibis
import ibis.expr.types as ir

from plantstats.exposure import events
from plantstats.exposure.inputs import (
    AGE_CUTS,
    HUMIDITY_WINDOW,
    OUTCOMES,
    SINCE_BANDS,
    SUMS,
    TRANSIENT_DAYS,
    age_bands,
    day,
    on_date,
    unbound,
)


def moves_in_order(t: dict[str, ir.Table], as_of: int) -> ir.Table:
    """Moves to another place, numbered from 1 within each plant: plant_id, at (day), to_site_id, to_light, place."""
    m = t["moves"].filter(t["moves"].moved_on.notnull(), day(t["moves"].moved_on) <= as_of)
    m = m.select("plant_id", at=day(m.moved_on), to_site_id=m.to_site_id, to_light=m.to_light)
    # Two moves on one day: the records do not order them; the greater label stands, so that the same file
    # always gives the same answer.
    m = m.group_by("plant_id", "at").agg(to_site_id=m.to_site_id.max(), to_light=m.to_light.max())
    return m.mutate(place=(ibis.row_number().over(ibis.window(group_by="plant_id", order_by="at")) + 1).cast("int64"))


def places(t: dict[str, ir.Table]) -> ir.Table:
    """Where each plant stood: place 0 is where it was first listed, place k where the k-th move took it.

    What a move does not tell (the light, say) stays as it was.
    """
    first = t["follow"].select("plant_id", "site_id", "light", place=ibis.literal(0, "int64"))
    later = t["ordered_moves"].select("plant_id", site_id="to_site_id", light="to_light", place="place")
    both = first.union(later, distinct=False)
    order = ibis.window(group_by="plant_id", order_by="place", rows=(None, 0))
    # The number of the last row that told the site (or light) leads back to it: an engine-neutral fill-forward.
    both = both.mutate(
        told_site=ibis.ifelse(both.site_id.notnull(), both.place, 0).max().over(order),
        told_light=ibis.ifelse(both.light.notnull(), both.place, 0).max().over(order),
    )
    sites = both.select("plant_id", told_site="place", at_site="site_id")
    lights = both.select("plant_id", told_light="place", in_light="light")
    out = both.left_join(sites, ["plant_id", "told_site"], rname="{name}_s")
    out = out.left_join(lights, ["plant_id", "told_light"], rname="{name}_l")
    return out.select("plant_id", "place", site_id="at_site", light="in_light")


def cuts(t: dict[str, ir.Table], age_cuts: tuple[int, ...]) -> ir.Table:
    """The last days of the parts that each follow-up falls into.

    Gives:  one row per plant and cut (day): entry, leave, ends of months, ages, moves and repots with the end
            of their transients, exits; place, moved, repotted: what began at the cut (numbers, else missing).
    """
    none = ibis.null("int64")
    base = t["spans"].filter(t["spans"].off.isnull()).select("plant_id", "entry", "leave", "installed")
    looked, happened, ordered = t["looks"], t["events"], t["ordered_moves"]

    def rows(table: ir.Table, at: Any, **what: Any) -> ir.Table:
        columns = {"place": none, "moved": none, "repotted": none} | what
        return table.select("plant_id", "entry", "leave", at=at.cast("int64"), **columns)

    def joined(table: ir.Table) -> ir.Table:
        return table.join(base, "plant_id")

    month_no = base.mutate(on_entry=on_date(base.entry), on_leave=on_date(base.leave))
    month_no = month_no.mutate(
        m0=month_no.on_entry.year() * 12 + month_no.on_entry.month() - 1,
        m1=month_no.on_leave.year() * 12 + month_no.on_leave.month() - 1,
    )
    months = month_no.mutate(m=ibis.range(month_no.m0 + 1, month_no.m1 + 1).unnest())
    first_day = ibis.date((months.m / 12).floor().cast("int32"), (months.m % 12 + 1).cast("int32"), 1)
    placed = joined(ordered.select("plant_id", "at", "place"))
    shifted = looked.filter(looked.moved.coalesce(False)).select("plant_id", at="seen")
    moved = joined(ordered.select("plant_id", "at").union(shifted, distinct=True))
    repots = joined(looked.filter(looked.repotted.coalesce(False)).select("plant_id", at="seen"))
    ended = joined(happened.filter(happened.taken > 0).select("plant_id", "ends"))
    parts = [
        rows(base, base.entry),
        rows(base, base.leave),
        rows(months, day(first_day) - 1),
        *[rows(base, base.installed + cut) for cut in age_cuts],
        rows(placed, ibis.greatest(placed["at"], placed.entry), place=placed.place),
        rows(moved, ibis.greatest(moved["at"], moved.entry), moved=moved["at"]),
        rows(moved, moved["at"] + TRANSIENT_DAYS),
        rows(repots, ibis.greatest(repots["at"], repots.entry), repotted=repots["at"]),
        rows(repots, repots["at"] + TRANSIENT_DAYS),
        rows(ended, ended.ends),
    ]
    every = parts[0]
    for part in parts[1:]:
        every = every.union(part, distinct=False)
    every = every.filter(every["at"] >= every.entry, every["at"] <= every.leave)
    return every.group_by("plant_id", "at").agg(
        place=every.place.max(), moved=every.moved.max(), repotted=every.repotted.max()
    )


def stays(t: dict[str, ir.Table]) -> ir.Table:
    """Where plants that moved to another site stood when: plant_id, since, until (days, (since, until]), stood."""
    moved = t["ordered_moves"]
    away = moved.filter(moved.to_site_id.notnull()).select("plant_id").distinct()
    p = t["places"].join(away, "plant_id")
    p = p.left_join(moved.select("plant_id", "place", "at"), ["plant_id", "place"], rname="{name}_m")
    p = p.mutate(since=p["at"].coalesce(-(10**6)))
    order = ibis.window(group_by="plant_id", order_by="place")
    return p.select("plant_id", "since", until=p.since.lead().over(order).coalesce(10**6), stood="site_id")


def site_air(t: dict[str, ir.Table], as_of: int, before: str = "ends") -> ir.Table:
    """Relative humidity of a site in the 28 days before a day of each part, as whole tenths: sum and count.

    Takes:  the readings of visits (to a plant or to the site) and of loggers; before: the column of the parts that
            holds the day.
    Gives:  one row per site and day asked for (named as that column): rh_tenths (sum), rh_readings (count).
    """
    visits, plants, readings = t["visits"], t["plants"], t["readings"]
    v = visits.filter(visits.rh_percent.notnull(), day(visits.visited_on) <= as_of)
    v = v.select("plant_id", "site_id", "rh_percent", at=day(v.visited_on))
    v = v.left_join(plants.select("plant_id", home="site_id"), "plant_id", rname="{name}_h").drop("plant_id_h")
    there = stays(t)
    on_the_day = [v.plant_id == there.plant_id, v["at"] > there.since, v["at"] <= there.until]
    v = v.left_join(there, on_the_day, rname="{name}_s")
    by_visit = v.select(site_id=ibis.coalesce(v.site_id, v.stood, v.home), at="at", rh="rh_percent")
    r = readings.filter(readings.rh_percent.notnull())
    by_logger = r.select("site_id", at=day(r.read_at.date()), rh="rh_percent")
    both = by_visit.union(by_logger, distinct=False)
    both = both.filter(both["at"] <= as_of, both.site_id.notnull())
    daily = both.group_by("site_id", "at").agg(
        tenths=(both.rh * 10).round().cast("int64").sum().cast("int64"), n=both.count().cast("int64")
    )
    wanted = t["parts"].select("plant_id", "place", day=before).join(t["places"], ["plant_id", "place"])
    asked = wanted.select("site_id", at=wanted["day"] - 1).distinct()
    asked = asked.mutate(tenths=ibis.literal(0, "int64"), n=ibis.literal(0, "int64"))
    days = (
        daily.union(asked, distinct=False)
        .group_by("site_id", "at")
        .agg(tenths=lambda d: d.tenths.sum().cast("int64"), n=lambda d: d.n.sum().cast("int64"))
    )
    window = ibis.range_window(preceding=HUMIDITY_WINDOW - 1, following=0, group_by="site_id", order_by="at")
    made = {
        before: days["at"] + 1,
        "rh_tenths": days.tenths.sum().over(window).cast("int64"),
        "rh_readings": days.n.sum().over(window).cast("int64"),
    }
    return days.select("site_id", **made)


def parts(t: dict[str, ir.Table]) -> ir.Table:
    """Cuts made into parts between one cut and the next, with what held during each and who left at its end."""
    c, left = t["cuts"], events.exits_by_day(t)
    c = c.left_join(left, [c.plant_id == left.plant_id, c["at"] == left.ends], rname="{name}_e")
    order = ibis.window(group_by="plant_id", order_by="at")
    so_far = ibis.window(group_by="plant_id", order_by="at", rows=(None, 0))
    s = c.select(
        "plant_id",
        begins="at",
        ends=c["at"].lead().over(order),
        place=c.place.max().over(so_far).coalesce(0),
        moved_at=c.moved.max().over(so_far),
        repotted_at=c.repotted.max().over(so_far),
        left_before=c.taken.coalesce(0).sum().over(so_far).cast("int64"),
        **{name: c[name].lead().over(order).coalesce(0) for name in OUTCOMES},
    )
    s = s.filter(s.ends.notnull())
    # The mean of the 28 days before each day of a part is centred where the 28 days before its middle are; a window
    # before its end would run half a part ahead of the air that the plants had lived through.
    return s.mutate(middle=s.begins + ((s.ends - s.begins + 1) / 2).floor().cast("int64"))


def stretches(t: dict[str, ir.Table], heating_months: Iterable[int], age_cuts: tuple[int, ...]) -> ir.Table:
    """Parts with their conditions named: the table that everything after it adds up.

    Gives:  one row per plant and stretch: plant_id, site_id, client_id, species, light, pot, planter,
            age_band, month (its first day), heating, repotted, moved, rh_band, from_on, to_on (half-open),
            plants (at risk), plant_days, died, declined, losses, client_exits, withdrawn (on its last day),
            rh_tenths, rh_readings.
    Keeps:  plant-days (each plant's days from entry to exit) and every exit that counts.
    Source: piecewise constant rates, Holford 1980; the (lo, hi] rule of splitting person-time.
    """
    air, months = t["site_air"], sorted(heating_months)
    kept = ("plant_id", "client_id", "species", "pot", "planter", "installed", "entered")
    s = t["parts"].join(t["spans"].select(*kept), "plant_id").join(t["places"], ["plant_id", "place"])
    # A client is who holds the site: after a move between sites, the new site's client.
    owner = t["sites"].select("site_id", owner="client_id")
    s = s.left_join(owner, "site_id", rname="{name}_o").drop("site_id_o")
    s = s.left_join(air, ["site_id", "middle"], rname="{name}_a").drop("site_id_a", "middle_a")
    age = s.begins - s.installed
    *bands, oldest, no_age = age_bands(age_cuts)
    at_risk = s.entered - s.left_before
    readings = s.rh_readings.coalesce(0)
    band = (s.rh_tenths / (ibis.ifelse(readings > 0, readings, 1) * 50)).floor().cast("int64") * 5
    first = on_date(s.begins + 1)
    month = ibis.date(first.year(), first.month(), 1)

    def since(at: ir.IntegerValue) -> ir.StringValue:
        return ibis.cases(
            (at.isnull(), SINCE_BANDS[0]), (s.begins < at + TRANSIENT_DAYS, SINCE_BANDS[1]), else_=SINCE_BANDS[2]
        )

    return s.select(
        "plant_id",
        "site_id",
        client_id=ibis.coalesce(s.owner, s.client_id, "unknown"),
        species=s.species,
        light=s.light.coalesce("unknown"),
        pot=s.pot,
        planter=s.planter,
        age_band=ibis.cases(
            (age.isnull(), no_age),
            *[(age < cut, band) for cut, band in zip(age_cuts, bands, strict=True)],
            else_=oldest,
        ),
        month=month,
        heating=first.month().isin(months) if months else ibis.literal(False),
        repotted=since(s.repotted_at),
        moved=since(s.moved_at),
        rh_band=ibis.ifelse(readings > 0, band.cast("string"), "missing"),
        from_on=first,
        to_on=on_date(s.ends + 1),
        plants=at_risk,
        plant_days=(s.ends - s.begins) * at_risk,
        died=s.died,
        declined=s.declined,
        losses=s.died + s.declined,
        client_exits=s.client,
        withdrawn=s.withdrawn,
        rh_tenths=s.rh_tenths.coalesce(0),
        rh_readings=readings,
    )


def plan(
    as_of: date,
    dated: str = "found",
    heating_months: Iterable[int] = (),
    age_cuts: tuple[int, ...] = AGE_CUTS,
    *,
    looked: bool = False,
) -> dict[str, ir.Table]:
    """The chain from records to stretches, step by step.

    Takes:  as_of (the last day that counts); dated "found" or "midpoint" (see `events`); heating_months (1 to 12);
            age_cuts (days since installation, each closing its band); looked (see `follow_up`
            and `spans`).
    Gives:  name -> expression, in the order in which an engine makes them; a step reads the tables of `unbound`
            and earlier steps by name. The last is `stretches`.
    """
    if dated not in ("found", "midpoint"):
        raise ValueError(f"dated is '{dated}'; it must be 'found' or 'midpoint'")
    t, steps = unbound(), {}
    cut = (as_of - date(1970, 1, 1)).days
    makers: dict[str, Callable[[], ir.Table]] = {
        "looks": lambda: events.looks(t, cut),
        "follow": lambda: events.follow_up(t, looked),
        "reported": lambda: events.reported(t),
        "events": lambda: events.events(t, cut, dated),
        "spans": lambda: events.spans(t, cut, looked),
        "ordered_moves": lambda: moves_in_order(t, cut),
        "places": lambda: places(t),
        "stays": lambda: stays(t),
        "cuts": lambda: cuts(t, age_cuts),
        "parts": lambda: parts(t),
        "site_air": lambda: site_air(t, cut, "middle"),
        "stretches": lambda: stretches(t, heating_months, age_cuts),
    }
    for name, make in makers.items():
        steps[name] = make()
        t[name] = ibis.table(steps[name].schema(), name=name)
    return steps


def cells(
    of: ir.Table,
    by: list[str],
    start: date | None = None,
    end: date | None = None,
    where: dict[str, str] | None = None,
    *,
    count_plants: bool = True,
) -> ir.Table:
    """Add stretches up to cells.

    Takes:  stretches; by: columns of the stretches to group by; start, end: half-open calendar window on
            whole months (every stretch lies in one month); where: column -> the value that counts; count_plants:
            whether to give n_plants, which takes a second step.
    Gives:  one row per combination: the by columns, n_plants (different plants at risk, counted lines by
            their number), plant_days, died, declined, losses, client_exits, withdrawn, rh_tenths, rh_readings.
    Keeps:  plant-days and exits of the window.
    """
    if start is not None:
        of = of.filter(of.month >= ibis.date(start.isoformat()))
    if end is not None:
        of = of.filter(of.month < ibis.date(end.isoformat()))
    for column, value in (where or {}).items():
        of = of.filter(of[column] == value)
    if not count_plants:
        return of.group_by(by).agg(**{name: of[name].sum().coalesce(0).cast("int64") for name in SUMS})
    per_plant = of.group_by(*dict.fromkeys([*by, "plant_id"])).agg(
        n_plants=of.plants.max(), **{name: of[name].sum().cast("int64") for name in SUMS}
    )
    sums = {name: per_plant[name].sum().coalesce(0).cast("int64") for name in ("n_plants", *SUMS)}
    return per_plant.group_by(by).agg(**sums) if by else per_plant.agg(**sums)
