"""Who came under observation when, who left when and how, and which reported exits do not count."""

from __future__ import annotations

import ibis
import ibis.expr.types as ir

from plantstats.exposure.inputs import LONG, LOSSES, OUTCOMES, POT_CLASSES, POT_CUTS, day

BEFORE_RECORDS = "before the records begin"
BEFORE_INSTALLED = "before the plant was installed"
ON_ENTRY = "on the day of entry"


def looks(t: dict[str, ir.Table], as_of: int) -> ir.Table:
    """Completed visits to one plant, up to `as_of`: plant_id, seen (day), dead (condition 1 was noted)."""
    visits = t["visits"]
    done = visits.filter(
        visits.plant_id.notnull(), visits.status.coalesce("completed") == "completed", day(visits.visited_on) <= as_of
    )
    return done.select(
        "plant_id", "repotted", "moved", seen=day(done.visited_on), dead=(done.condition.coalesce(5) == 1)
    )


def follow_up(t: dict[str, ir.Table], looked: bool = False) -> ir.Table:
    """When each plant comes under observation.

    Takes:  looked: a plant older than its site's records enters at its first look (`late`), where there is one within
            LONG days: what is found there was lost before, or since the list was made, and nobody can tell which. Where
            looks at single plants are rarer, they are no rounds, and every day counts.
    Gives:  one row per plant: its labels, installed (day, may be missing), entry (day; missing where nothing
            tells it), late (whether it enters at its first look), at_start (how many plants the row stands for).
            Entry is the later of the install date and the site's observed_from; a plant whose install date is
            unknown enters when it is first seen (one that no visit names: when the site's records begin), and its age
            stays unknown.
    """
    plants, sites = t["plants"], t["sites"].select("site_id", "client_id", observed=day(t["sites"].observed_from))
    first = t["looks"].group_by("plant_id").agg(first_seen=lambda v: v.seen.min())
    p = plants.left_join(sites, "site_id").drop("site_id_right").left_join(first, "plant_id").drop("plant_id_right")
    installed = day(p.installed_on)
    begins = ibis.coalesce(installed, p.first_seen, p.observed)
    begins = ibis.greatest(begins, p.observed.coalesce(begins))
    late = (p.first_seen > begins) & (p.first_seen <= begins + LONG) & (installed < p.observed).coalesce(True) & looked
    pot = p.pot_cm
    return p.select(
        "plant_id",
        "site_id",
        "client_id",
        "species",
        "line",
        light=p.light.coalesce("unknown"),
        planter=p.planter.coalesce("unknown"),
        pot=ibis.cases(
            (pot.isnull(), POT_CLASSES[4]),
            (pot < POT_CUTS[0], POT_CLASSES[0]),
            (pot < POT_CUTS[1], POT_CLASSES[1]),
            (pot < POT_CUTS[2], POT_CLASSES[2]),
            else_=POT_CLASSES[3],
        ),
        installed=installed,
        entry=ibis.ifelse(late, p.first_seen, begins),
        late=late.coalesce(False),
        at_start=p.quantity.coalesce(1),
        removed=day(p.removed_on),
        removed_as=p.outcome.coalesce("withdrawn"),
        removed_for=p.removal_reason,
        cost=p.cost,
    )


def reported(t: dict[str, ir.Table]) -> ir.Table:
    """Every exit that the records report: one row per replacement row, and one per removal without one.

    A removal of a single plant that also has a replacement row is the same event, told twice.
    """
    rep, follow = t["replacements"], t["follow"]
    replaced = rep.select(
        "plant_id",
        "cause",
        "covered",
        "plant_cost",
        "labour_minutes",
        "line",
        outcome=rep.outcome.coalesce("died"),
        quantity=rep.quantity.coalesce(1),
        found=ibis.coalesce(day(rep.found_on), day(rep.replaced_on)),
        replaced=day(rep.replaced_on),
        source=ibis.literal("replacements"),
    )
    told = replaced.select("plant_id").distinct().mutate(told=True)
    gone = follow.filter(follow.removed.notnull()).left_join(told, "plant_id").drop("plant_id_right")
    gone = gone.filter((gone.at_start > 1) | gone.told.isnull())
    removed = gone.select(
        "plant_id",
        cause=gone.removed_for,
        covered=ibis.null("string"),
        plant_cost=ibis.null("float64"),
        labour_minutes=ibis.null("float64"),
        line=gone.line,
        outcome=gone.removed_as,
        quantity=gone.at_start,
        found=gone.removed,
        replaced=gone.removed,
        source=ibis.literal("plants"),
    )
    return replaced.select(*removed.columns).union(removed, distinct=False)


def events(t: dict[str, ir.Table], as_of: int, dated: str) -> ir.Table:
    """Place every reported exit on its day, and say which of them count.

    Takes:  dated "found" (the day on which it was noticed: each loss falls in one quarter's accounts, once)
            or "midpoint" (half-way between last seen alive and found: for rates by season; last seen alive is the
            day of entry where no visit saw it since).
    Gives:  one row per reported exit: its labels and costs, seen (last seen alive, else entry), found, ends
            (the day used), taken (how many plants left the follow-up by it), off (why it does not count, or
            missing).
    """
    follow, told, looked = t["follow"], t["reported"], t["looks"]
    told = told.mutate(event=ibis.row_number().over(ibis.window(order_by=["source", "line", "plant_id", "found"])))
    seen = looked.filter(~looked.dead)
    alive = (
        told.join(seen, [told.plant_id == seen.plant_id, seen.seen < told.found])
        .group_by("event")
        .agg(last=lambda v: v.seen.max())
    )
    e = told.left_join(alive, "event").drop("event_right")
    known = follow.select("plant_id", "entry", "late", "installed", "at_start")
    e = e.left_join(known, "plant_id", rname="{name}_f")
    e = e.mutate(seen=ibis.greatest(e.last.coalesce(e.entry), e.entry))
    midpoint = e.seen + ((e.found - e.seen + 1) / 2).floor().cast("int64")
    at = ibis.ifelse(e.outcome.isin(LOSSES), midpoint, e.found) if dated == "midpoint" else e.found
    e = e.mutate(
        # A plant lost on the day it came counts one day at risk, not none.
        ends=ibis.greatest(at, e.entry + 1),
        off=ibis.cases(
            (e.plant_id_f.isnull(), "no such plant"),
            (e.found.isnull(), "no date"),
            (e.found < e.installed, BEFORE_INSTALLED),
            (e.entry.isnull(), "the plant has no date of entry"),
            (e.found < e.entry, BEFORE_RECORDS),
            ((~e.outcome.isin(LOSSES) | e.late) & (e.found == e.entry), ON_ENTRY),
            (e.found > as_of, "after the cut"),
            else_=ibis.null("string"),
        ),
    )
    early = ibis.ifelse(e.off.isin([BEFORE_RECORDS, ON_ENTRY]), e.quantity, 0)
    e = e.mutate(entered=e.at_start - early.sum().over(ibis.window(group_by="plant_id")))
    counts = e.off.isnull()
    order = ibis.window(group_by="plant_id", order_by=["ends", ibis.desc("source"), "event"], rows=(None, 0))
    wanted = ibis.ifelse(counts, e.quantity, 0)
    e = e.mutate(wanted=wanted)
    e = e.mutate(before=(e.wanted.sum().over(order) - e.wanted).cast("int64"))
    e = e.mutate(taken=ibis.greatest(ibis.least(e.wanted, e.entered - e.before), 0).cast("int64"))
    e = e.mutate(off=ibis.ifelse(counts & (e.taken == 0), "the plant was gone already", e.off))
    return e.drop("plant_id_f", "last", "wanted")


def exits_by_day(t: dict[str, ir.Table]) -> ir.Table:
    """Plants that left, by plant and day: one column per outcome, and `taken` in all."""
    counted = t["events"].filter(t["events"].taken > 0)
    per = {name: counted.taken.sum(where=counted.outcome == name).coalesce(0).cast("int64") for name in OUTCOMES}
    return counted.group_by("plant_id", "ends").agg(taken=counted.taken.sum().cast("int64"), **per)


def spans(t: dict[str, ir.Table], as_of: int, looked: bool = False) -> ir.Table:
    """Follow-up of each plant that has one.

    Takes:  looked: a plant that is there at the end leaves with its last look, where it had one in the last LONG days:
            what became of it since nobody has seen.
    Gives:  one row per plant: the columns of `follow_up`, entered (how many plants of the row were there at
            entry), leave (the day the last of it left, or `as_of`), off (why it has no follow-up, or missing).
    """
    follow, happened, doubted = t["follow"], t["events"], t["doubted"]
    last = happened.filter(happened.taken > 0, happened.before + happened.taken >= happened.entered)
    last = last.group_by("plant_id").agg(gone=last.ends.min())
    early = happened.group_by("plant_id").agg(
        gone_early=happened.quantity.sum(where=happened.off.isin([BEFORE_RECORDS, ON_ENTRY])).coalesce(0).cast("int64"),
        impossible=(happened.off == BEFORE_INSTALLED).any(),
    )
    f = follow.left_join(last, "plant_id").drop("plant_id_right")
    f = f.left_join(early, "plant_id").drop("plant_id_right")
    f = f.left_join(doubted.select("plant_id").distinct().mutate(doubted=True), "plant_id").drop("plant_id_right")
    if looked:
        last_look = t["looks"].group_by("plant_id").agg(last_seen=lambda v: v.seen.max())
        f = f.left_join(last_look, "plant_id").drop("plant_id_right")
        lately = ibis.ifelse(f.last_seen >= as_of - LONG, f.last_seen, as_of)
        f = f.mutate(gone=f.gone.coalesce(lately)).drop("last_seen")
    f = f.mutate(leave=ibis.least(f.gone.coalesce(as_of), as_of), entered=f.at_start - f.gone_early.coalesce(0))
    off = ibis.cases(
        (f.doubted.coalesce(False), "what tells its number or its end was set aside"),
        (f.impossible.coalesce(False), f"replaced {BEFORE_INSTALLED}"),
        (f.entry.isnull(), "no date of entry: install date, visits and observed_from are all missing"),
        (f.at_start <= 0, "a line of no plants"),
        (f.entered <= 0, "gone before the follow-up begins"),
        (f.leave <= f.entry, "came after the cut"),
        else_=ibis.null("string"),
    )
    return f.mutate(off=off).drop("gone", "gone_early", "impossible", "doubted")
