"""Who came under observation when, who left when and how, and which reported exits do not count."""

from __future__ import annotations

import ibis
import ibis.expr.types as ir

from plantstats.exposure.inputs import LONG, day, pot_class_of
from plantstats.exposure.visits import is_completed
from plantstats.schema.causes import LOSSES, OUTCOMES

BEFORE_RECORDS = "before the records begin"
BEFORE_INSTALLED = "before the plant was installed"
ON_ENTRY = "on the day of entry"
CONTRACT_ENDED = "after the records of its site end"


def inspections(t: dict[str, ir.Table], as_of: int | ir.IntegerValue) -> ir.Table:
    """Completed visits to one plant.

    Parameters
    ----------
    t : dict of str to ir.Table
        Tables of the records and the steps before, by name.
    as_of : int or ir.IntegerValue
        Last day that counts, in days since 1970-01-01.

    Returns
    -------
    ibis table
        One row per line of the visit log: plant_id, visited_on, seen_day, condition, dead (condition 1 was noted),
        watered, repotted, moved.
    """
    v = t["visits"]
    done = v.filter(v.plant_id.notnull(), is_completed(v.status), day(v.visited_on) <= as_of)
    columns = ("plant_id", "visited_on", "condition", "watered", "repotted", "moved")
    return done.select(*columns, seen_day=day(done.visited_on), dead=(done.condition.coalesce(5) == 1))


def sightings(t: dict[str, ir.Table]) -> ir.Table:
    """When each plant was inspected first and last.

    Parameters
    ----------
    t : dict of str to ir.Table
        Tables of the records and the steps before, by name.

    Returns
    -------
    ibis table
        One row per plant that was inspected: plant_id, first_seen, last_seen (days).
    """
    seen = t["inspections"]
    return seen.group_by("plant_id").agg(first_seen=seen.seen_day.min(), last_seen=seen.seen_day.max())


def listed(t: dict[str, ir.Table]) -> ir.Table:
    """Plants as the records list them, with what the records of their sites span.

    Parameters
    ----------
    t : dict of str to ir.Table
        Tables of the records and the steps before, by name.

    Returns
    -------
    ibis table
        One row per plant: its labels, installed (day, may be missing), observed (day from which its site is under
        observation; may be missing), n_listed (how many plants the row stands for), removed, removed_as, removed_for,
        cost, ended (day on which the records of its last site end; missing where they go on).
    """
    plants, sites = t["plants"], t["sites"]
    sites = sites.select("site_id", "client_id", observed=day(sites.observed_from.coalesce(sites.records_from)))
    p = plants.left_join(sites, "site_id").drop("site_id_right")
    p = p.left_join(_last_days(t), "plant_id").drop("plant_id_right")
    return p.select(
        "plant_id",
        "site_id",
        "client_id",
        "species",
        "line",
        light=p.light.coalesce("unknown"),
        planter=p.planter.coalesce("unknown"),
        pot=pot_class_of(p.pot_cm),
        installed=day(p.installed_on),
        observed=p.observed,
        n_listed=p.quantity.coalesce(1),
        removed=day(p.removed_on),
        removed_as=p.outcome.coalesce("withdrawn"),
        removed_for=p.removal_reason,
        cost=p.cost,
        ended=p.ended,
    )


def follow_up(t: dict[str, ir.Table], follow_between_inspections: bool = False) -> ir.Table:
    """When each plant comes under observation.

    Parameters
    ----------
    t : dict
        The steps `listed` and `sightings`.
    follow_between_inspections : bool
        Whether a plant older than its site's records enters at its first inspection (`late`), where there is one
        within LONG days: what is found there was lost before, or since the list was made, and nobody can tell which.
        Where inspections are rarer they are no rounds, and every day counts.

    Returns
    -------
    ibis table
        One row per plant: the columns of `listed` but for observed, entry_day (missing where nothing tells it), late
        (whether it enters at its first inspection).

    Notes
    -----
    Entry is the later of the install date and the site's observed_from. A plant whose install date is unknown enters
    when it is first seen (one that no visit names: when the site's records begin), and its age stays unknown.
    """
    p = t["listed"].left_join(t["sightings"], "plant_id").drop("plant_id_right", "last_seen")
    begins = ibis.coalesce(p.installed, p.first_seen, p.observed)
    begins = ibis.greatest(begins, p.observed.coalesce(begins))
    late = (
        (p.first_seen > begins)
        & (p.first_seen <= begins + LONG)
        & (p.installed < p.observed).coalesce(True)
        & follow_between_inspections
    )
    p = p.mutate(entry_day=ibis.ifelse(late, p.first_seen, begins), late=late.coalesce(False))
    return p.drop("observed", "first_seen")


def _last_days(t: dict[str, ir.Table]) -> ir.Table:
    """The day on which the records of the site end where each plant stood last: plant_id, ended."""
    m = t["moves"].filter(t["moves"].to_site_id.notnull(), t["moves"].moved_on.notnull())
    newest = ibis.row_number().over(
        ibis.window(group_by="plant_id", order_by=[ibis.desc("moved_on"), ibis.desc("to_site_id")])
    )
    m = m.mutate(newest=newest).filter(lambda v: v.newest == 0).select("plant_id", "to_site_id")
    p = t["plants"].select("plant_id", "site_id").left_join(m, "plant_id").drop("plant_id_right")
    p = p.select("plant_id", stands=p.to_site_id.coalesce(p.site_id))
    ends = t["sites"].select(stands="site_id", ended=day(t["sites"].records_until))
    return p.join(ends, "stands").filter(lambda v: v.ended.notnull()).select("plant_id", "ended")


def reported(t: dict[str, ir.Table]) -> ir.Table:
    """Exits that the records report: one row per replacement row, and one per removal without one.

    Parameters
    ----------
    t : dict of str to ir.Table
        Tables of the records and the steps before, by name.

    Returns
    -------
    ir.Table
        Labels and costs of each, event (its number), found (day), last (day on which the plant was last seen alive
        before; missing where none tells it).

    Notes
    -----
    A removal of a single plant that also has a replacement row is the same event, written twice.
    """
    rep, plants = t["replacements"], t["listed"]
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
    has_row = replaced.select("plant_id").distinct().mutate(has_row=True)
    removals = plants.filter(plants.removed.notnull()).left_join(has_row, "plant_id").drop("plant_id_right")
    removals = removals.filter((removals.n_listed > 1) | removals.has_row.isnull())
    removed = removals.select(
        "plant_id",
        cause=removals.removed_for,
        covered=ibis.null("string"),
        plant_cost=ibis.null("float64"),
        labour_minutes=ibis.null("float64"),
        line=removals.line,
        outcome=removals.removed_as,
        quantity=removals.n_listed,
        found=removals.removed,
        replaced=removals.removed,
        source=ibis.literal("plants"),
    )
    every = replaced.select(*removed.columns).union(removed, distinct=False)
    every = every.mutate(event=ibis.row_number().over(ibis.window(order_by=["source", "line", "plant_id", "found"])))
    seen = t["inspections"]
    alive = seen.filter(~seen.dead)
    alive = every.join(alive, [every.plant_id == alive.plant_id, alive.seen_day < every.found])
    alive = alive.group_by("event").agg(last=alive.seen_day.max())
    return every.left_join(alive, "event").drop("event_right")


def events(t: dict[str, ir.Table], as_of: int | ir.IntegerValue, dated: str) -> ir.Table:
    """Place every reported exit on its day, and say which of them count.

    Parameters
    ----------
    t : dict
        The steps `follow` and `reported`.
    as_of : int or ibis integer
        Last day that counts.
    dated : {"found", "midpoint"}
        The day on which it was noticed (each loss falls in one quarter's accounts, once), or half-way between last
        seen alive and noticed (for rates by season; last seen alive is the day of entry where no visit saw it since).

    Returns
    -------
    ibis table
        One row per reported exit: its labels and costs, seen_day (last seen alive, else entry), found, exit_day (the
        day used), n_removed (how many plants left the follow-up by it), exclusion_reason (why it does not count, or
        missing).
    """
    follow, e = t["follow"], t["reported"]
    known = follow.select("plant_id", "entry_day", "late", "installed", "n_listed", "ended")
    e = e.left_join(known, "plant_id", rname="{name}_f")
    e = e.mutate(seen_day=ibis.greatest(e.last.coalesce(e.entry_day), e.entry_day))
    midpoint = e.seen_day + ((e.found - e.seen_day + 1) / 2).floor().cast("int64")
    at = ibis.ifelse(e.outcome.isin(LOSSES), midpoint, e.found) if dated == "midpoint" else e.found
    e = e.mutate(
        # A plant lost on the day it came counts one day at risk, not none.
        exit_day=ibis.greatest(at, e.entry_day + 1),
        exclusion_reason=ibis.cases(
            (e.plant_id_f.isnull(), "no such plant"),
            (e.found.isnull(), "no date"),
            (e.found < e.installed, BEFORE_INSTALLED),
            (e.entry_day.isnull(), "the plant has no date of entry"),
            (e.found < e.entry_day, BEFORE_RECORDS),
            ((~e.outcome.isin(LOSSES) | e.late) & (e.found == e.entry_day), ON_ENTRY),
            (e.found > as_of, "after the cut"),
            (e.found > e.ended, CONTRACT_ENDED),
            else_=ibis.null("string"),
        ),
    )
    early = ibis.ifelse(e.exclusion_reason.isin([BEFORE_RECORDS, ON_ENTRY]), e.quantity, 0)
    e = e.mutate(n_entered=e.n_listed - early.sum().over(ibis.window(group_by="plant_id")))
    counts = e.exclusion_reason.isnull()
    order = ibis.window(group_by="plant_id", order_by=["exit_day", ibis.desc("source"), "event"], rows=(None, 0))
    e = e.mutate(wanted=ibis.ifelse(counts, e.quantity, 0))
    e = e.mutate(n_before=(e.wanted.sum().over(order) - e.wanted).cast("int64"))
    e = e.mutate(n_removed=ibis.greatest(ibis.least(e.wanted, e.n_entered - e.n_before), 0).cast("int64"))
    none_left = counts & (e.n_removed == 0)
    e = e.mutate(exclusion_reason=ibis.ifelse(none_left, "the plant was gone already", e.exclusion_reason))
    return e.drop("plant_id_f", "last", "wanted", "ended")


def exits_by_day(t: dict[str, ir.Table]) -> ir.Table:
    """Plants that left, by plant and day.

    Parameters
    ----------
    t : dict of str to ir.Table
        Tables of the records and the steps before, by name.

    Returns
    -------
    ir.Table
        plant_id, day, one column per outcome, and n_removed in all.
    """
    counted = t["events"].filter(t["events"].n_removed > 0)
    per = {name: counted.n_removed.sum(where=counted.outcome == name).coalesce(0).cast("int64") for name in OUTCOMES}
    return counted.group_by("plant_id", "exit_day").agg(n_removed=counted.n_removed.sum().cast("int64"), **per)


def spans(t: dict[str, ir.Table], as_of: int | ir.IntegerValue, follow_between_inspections: bool = False) -> ir.Table:
    """Follow-up of each plant that has one.

    Parameters
    ----------
    t : dict
        The steps `follow`, `events`, `sightings`, and the table `unknown_follow_up`.
    as_of : int or ibis integer
        Last day that counts.
    follow_between_inspections : bool
        Whether a plant that is there at the end leaves with its last inspection, where it had one in the last LONG
        days: what became of it since nobody has seen.

    Returns
    -------
    ibis table
        One row per plant: the columns of `follow_up`, n_entered (how many plants of the row were there at entry),
        exit_day (the day the last of it left, or `as_of`), exclusion_reason (why it has no follow-up, or missing),
        cut_short (whether it was there when the records of its site ended).
    """
    follow, happened, unknown_follow_up = t["follow"], t["events"], t["unknown_follow_up"]
    last = happened.filter(happened.n_removed > 0, happened.n_before + happened.n_removed >= happened.n_entered)
    last = last.group_by("plant_id").agg(last_exit=last.exit_day.min())
    too_early = happened.exclusion_reason.isin([BEFORE_RECORDS, ON_ENTRY])
    early = happened.group_by("plant_id").agg(
        n_early=happened.quantity.sum(where=too_early).coalesce(0).cast("int64"),
        impossible=(happened.exclusion_reason == BEFORE_INSTALLED).any(),
    )
    f = follow.left_join(last, "plant_id").drop("plant_id_right")
    f = f.left_join(early, "plant_id").drop("plant_id_right")
    f = f.left_join(unknown_follow_up.select("plant_id").distinct().mutate(unknown_follow_up=True), "plant_id").drop(
        "plant_id_right"
    )
    if follow_between_inspections:
        f = f.left_join(t["sightings"], "plant_id").drop("plant_id_right")
        lately = ibis.ifelse(f.last_seen >= as_of - LONG, f.last_seen, as_of)
        f = f.mutate(last_exit=f.last_exit.coalesce(lately)).drop("first_seen", "last_seen")
    f = f.mutate(
        exit_day=ibis.least(f.last_exit.coalesce(as_of), f.ended.coalesce(as_of), as_of),
        n_entered=f.n_listed - f.n_early.coalesce(0),
    )
    reason = ibis.cases(
        (f.unknown_follow_up.coalesce(False), "what tells its number or its end was set aside"),
        (f.impossible.coalesce(False), f"replaced {BEFORE_INSTALLED}"),
        (f.entry_day.isnull(), "no date of entry: install date, visits and observed_from are all missing"),
        (f.n_listed <= 0, "a line of no plants"),
        (f.n_entered <= 0, "gone before the follow-up begins"),
        (f.ended <= f.entry_day, f"came {CONTRACT_ENDED}"),
        (f.exit_day <= f.entry_day, "came after the cut"),
        else_=ibis.null("string"),
    )
    cut_short = (f.ended < f.last_exit.coalesce(as_of)).coalesce(False)
    return f.mutate(exclusion_reason=reason, cut_short=cut_short).drop(
        "last_exit", "n_early", "impossible", "unknown_follow_up"
    )
