"""Follow-ups cut into episodes of constant conditions, then added up to a table of rates."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from datetime import date

import ibis
import ibis.expr.types as ir

from plantstats.exposure import environment, events, places, visits
from plantstats.exposure.inputs import AGE_CUTS, SINCE_BANDS, SUMS, TRANSIENT_DAYS, age_bands, day, on_date, unbound
from plantstats.schema.causes import OUTCOMES

AIR_WINDOW = 28  # days before the middle of an episode


def cuts(t: dict[str, ir.Table], age_cuts: tuple[int, ...]) -> ir.Table:
    """Last days of the segments that each follow-up falls into.

    Parameters
    ----------
    t : dict of str to ir.Table
        Tables of the records and the steps before, by name.
    age_cuts : tuple of int
        Ages in days, each closing its band.

    Returns
    -------
    ibis table
        One row per plant and cut (day): entry and exit, ages, moves and repots with the end of their transients, exits;
        place, moved, repotted: what began at the cut (numbers, else missing).
    """
    s = t["spans"]
    base = s.filter(s.exclusion_reason.isnull()).select("plant_id", "entry_day", "exit_day", "installed")
    every = _of_life(base, age_cuts).union(_noted(t, base), distinct=False)
    every = every.filter(every["at"] >= every.entry_day, every["at"] <= every.exit_day)
    return every.group_by("plant_id", "at").agg(
        place=every.place.max(), moved=every.moved.max(), repotted=every.repotted.max()
    )


NOTHING = dict.fromkeys(("place", "moved", "repotted"), ibis.null("int64"))


def _of_life(base: ir.Table, age_cuts: tuple[int, ...]) -> ir.Table:
    """Entry and exit, and the ages between bands."""
    days = ibis.array([base.entry_day, base.exit_day, *(base.installed + cut for cut in age_cuts)])
    return base.select("plant_id", "entry_day", "exit_day", at=days.unnest().cast("int64"), **NOTHING)


def _noted(t: dict[str, ir.Table], base: ir.Table) -> ir.Table:
    """Moves and repots with the ends of their transients, and exits."""
    seen, happened, ordered = t["inspections"], t["events"], t["ordered_moves"]
    begun = seen.filter(seen.moved.coalesce(False) | seen.repotted.coalesce(False))
    left = happened.filter(happened.n_removed > 0)
    noted = ordered.select("plant_id", "at", **NOTHING | {"place": ordered.place, "moved": ordered["at"]})
    moved, repotted = (ibis.ifelse(was, begun.seen_day, None) for was in (begun.moved, begun.repotted))
    noted = noted.union(begun.select("plant_id", at="seen_day", **NOTHING | {"moved": moved, "repotted": repotted}))
    noted = noted.union(left.select("plant_id", at="exit_day", **NOTHING))
    noted = noted.join(base, "plant_id").mutate(later=ibis.array([0, TRANSIENT_DAYS]).unnest())
    at_once = noted.later == 0
    noted = noted.filter(at_once | noted.moved.notnull() | noted.repotted.notnull())
    return noted.select(
        "plant_id",
        "entry_day",
        "exit_day",
        at=ibis.ifelse(at_once, ibis.greatest(noted["at"], noted.entry_day), noted["at"] + noted.later),
        **{name: ibis.ifelse(at_once, noted[name], None) for name in NOTHING},
    )


def segments(t: dict[str, ir.Table], age_cuts: tuple[int, ...]) -> ir.Table:
    """Follow-ups between one cut and the next, with the conditions that held in between and who left at the end.

    Parameters
    ----------
    t : dict of str to ir.Table
        Tables of the records and the steps before, by name.
    age_cuts : tuple of int
        Ages in days, each closing its band.

    Returns
    -------
    ibis table
        One row per plant and segment: the labels of `episodes` up to moved, begins, ends (days), plants (at risk), one
        column per outcome.

    Notes
    -----
    A client is who holds the site: after a move between sites, the new site's client.
    """
    c, left = t["cuts"], events.exits_by_day(t)
    c = c.left_join(left, [c.plant_id == left.plant_id, c["at"] == left.exit_day], rname="{name}_e")
    order = ibis.window(group_by="plant_id", order_by="at")
    so_far = ibis.window(group_by="plant_id", order_by="at", rows=(None, 0))
    s = c.select(
        "plant_id",
        begins="at",
        ends=c["at"].lead().over(order),
        place=c.place.max().over(so_far).coalesce(0),
        moved_at=c.moved.max().over(so_far),
        repotted_at=c.repotted.max().over(so_far),
        left_before=c.n_removed.coalesce(0).sum().over(so_far).cast("int64"),
        **{name: c[name].lead().over(order).coalesce(0) for name in OUTCOMES},
    )
    kept = ("plant_id", "client_id", "species", "pot", "planter", "installed", "n_entered")
    s = s.filter(s.ends.notnull()).join(t["spans"].select(*kept), "plant_id").join(t["places"], ["plant_id", "place"])
    s = s.left_join(t["sites"].select("site_id", owner="client_id"), "site_id", rname="{name}_o").drop("site_id_o")
    age = s.begins - s.installed
    *bands, oldest, no_age = age_bands(age_cuts)

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
        repotted=since(s.repotted_at),
        moved=since(s.moved_at),
        begins=s.begins,
        ends=s.ends,
        plants=s.n_entered - s.left_before,
        **{name: s[name] for name in OUTCOMES},
    )


def _by_month(segments: ir.Table) -> ir.Table:
    """Segments cut at the ends of months: month (its first day), begins and ends (days) of the part, middle, is_last.

    The mean of the window before each day of a part is centred where the window before its middle is; a window before
    its end would run half a part ahead of the air that the plants had lived through.
    """
    first, last = (on.year() * 12 + on.month() for on in (on_date(segments.begins + 1), on_date(segments.ends)))
    s = segments.mutate(number=ibis.range(first, last + 1).unnest(), until=segments.ends)
    month, next_month = (
        ibis.date((n / 12).floor().cast("int32"), (n % 12 + 1).cast("int32"), 1) for n in (s.number - 1, s.number)
    )
    begins, ends = ibis.greatest(s.begins, day(month) - 1), ibis.least(s.until, day(next_month) - 1)
    s = s.mutate(month=month, begins=begins, ends=ends)
    return s.mutate(middle=s.begins + ((s.ends - s.begins + 1) / 2).floor().cast("int64"))


def site_air(t: dict[str, ir.Table]) -> ir.Table:
    """Humidity of a site before the middle of each part.

    Parameters
    ----------
    t : dict of str to ir.Table
        Tables of the records and the steps before, by name.

    Returns
    -------
    ir.Table
        site_id, middle, rh_tenths, rh_readings.
    """
    asked = _by_month(t["segments"].select("site_id", "begins", "ends"))
    air = environment.air_before(t["site_day_air"], asked.select("site_id", at=asked.middle - 1), window=AIR_WINDOW)
    return air.select("site_id", "rh_tenths", "rh_readings", middle=air["at"] + 1)


def episodes(t: dict[str, ir.Table], heating_months: Iterable[int]) -> ir.Table:
    """Segments by month with their conditions named: the table that everything after it adds up.

    Parameters
    ----------
    t : dict of str to ir.Table
        Tables of the records and the steps before, by name.
    heating_months : iterable of int
        Months that count as heated, 1 to 12.

    Returns
    -------
    ibis table
        One row per plant and episode: plant_id, site_id, client_id, species, light, pot, planter, age_band, month (its
        first day), heating, repotted, moved, rh_band, from_on, to_on (half-open), plants (at risk), plant_days, died,
        declined, losses, client_exits, withdrawn (on its last day), rh_tenths, rh_readings.

    Notes
    -----
    Keeps plant-days (each plant's days from entry to exit) and every exit that counts.

    References
    ----------
    Piecewise constant rates: Holford 1980, Biometrics 36:299; the (lo, hi] rule of splitting person-time.
    """
    months = sorted(heating_months)
    s = _by_month(t["segments"])
    s = s.left_join(t["site_air"], ["site_id", "middle"], rname="{name}_a").drop("site_id_a", "middle_a")
    readings = s.rh_readings.coalesce(0)
    band = (s.rh_tenths / (ibis.ifelse(readings > 0, readings, 1) * 50)).floor().cast("int64") * 5
    died, declined, client_exits, withdrawn = (ibis.ifelse(s.ends == s.until, s[name], 0) for name in OUTCOMES)
    return s.select(
        *("plant_id", "site_id", "client_id", "species", "light", "pot", "planter", "age_band", "month"),
        "repotted",
        "moved",
        heating=s.month.month().isin(months) if months else ibis.literal(False),
        rh_band=ibis.ifelse(readings > 0, band.cast("string"), "missing"),
        from_on=on_date(s.begins + 1),
        to_on=on_date(s.ends + 1),
        plants=s.plants,
        plant_days=(s.ends - s.begins) * s.plants,
        died=died,
        declined=declined,
        losses=died + declined,
        client_exits=client_exits,
        withdrawn=withdrawn,
        rh_tenths=s.rh_tenths.coalesce(0),
        rh_readings=readings,
    )


def plan(
    as_of: date | ir.IntegerValue,
    dated: str = "found",
    heating_months: Iterable[int] = (),
    age_cuts: tuple[int, ...] = AGE_CUTS,
    *,
    follow_between_inspections: bool = False,
    alike: Mapping[str, ir.Table] | None = None,
) -> dict[str, ir.Table]:
    """The chain from records to episodes, step by step.

    Parameters
    ----------
    as_of : datetime.date or ibis integer
        The last day that counts, or what gives it in days since 1970.
    dated : {"found", "midpoint"}
        How losses are dated; see `events.events`.
    heating_months : iterable of int
        Months (1 to 12) of the heating season.
    age_cuts : tuple of int
        Days since installation, each closing its band.
    follow_between_inspections : bool
        See `events.follow_up` and `events.spans`.
    alike : mapping of str to ibis table, optional
        Steps of another plan that are taken as they are.

    Returns
    -------
    dict of str to ibis table
        Name -> expression, in the order in which an engine makes them: a step reads the tables of `unbound` and
        earlier steps by name. The last is `episodes`.

    Raises
    ------
    ValueError
        For another word in `dated`.

    Examples
    --------
    >>> list(plan(date(2026, 9, 30)))[-1]
    'episodes'
    """
    if dated not in ("found", "midpoint"):
        raise ValueError(f"dated is '{dated}'; it must be 'found' or 'midpoint'")
    t, steps = unbound(), {}
    cut = (as_of - date(1970, 1, 1)).days if isinstance(as_of, date) else as_of
    makers: dict[str, Callable[[], ir.Table]] = {
        "inspections": lambda: events.inspections(t, cut),
        "sightings": lambda: events.sightings(t),
        "listed": lambda: events.listed(t),
        "reported": lambda: events.reported(t),
        "follow": lambda: events.follow_up(t, follow_between_inspections),
        "events": lambda: events.events(t, cut, dated),
        "spans": lambda: events.spans(t, cut, follow_between_inspections),
        "ordered_moves": lambda: places.moves_in_order(t, cut),
        "places": lambda: places.places(t),
        "stays": lambda: places.stays(t),
        "completed_visits": lambda: visits.completed_visits(t, cut),
        "site_day_air": lambda: environment.site_day_air(t, cut),
        "cuts": lambda: cuts(t, age_cuts),
        "segments": lambda: segments(t, age_cuts),
        "site_air": lambda: site_air(t),
        "episodes": lambda: episodes(t, heating_months),
    }
    for name, make in makers.items():
        steps[name] = alike[name] if alike and name in alike else make()
        t[name] = ibis.table(steps[name].schema(), name=name)
    return steps


def rate_table(of: ir.Table, by: list[str], *, count_plants: bool = True) -> ir.Table:
    """Add episodes up.

    Parameters
    ----------
    of : ibis table
        Episodes.
    by : list of str
        Columns of the episodes to group by.
    count_plants : bool
        Whether to give n_plants, which takes a second step.

    Returns
    -------
    ibis table
        One row per combination: the `by` columns, n_plants (different plants at risk, counted lines by their number),
        plant_days, died, declined, losses, client_exits, withdrawn, rh_tenths, rh_readings.

    Notes
    -----
    Keeps plant-days and exits.
    """
    if not count_plants:
        return of.group_by(by).agg(**{name: of[name].sum().coalesce(0).cast("int64") for name in SUMS})
    per_plant = of.group_by(*dict.fromkeys([*by, "plant_id"])).agg(
        n_plants=of.plants.max(), **{name: of[name].sum().cast("int64") for name in SUMS}
    )
    sums = {name: per_plant[name].sum().coalesce(0).cast("int64") for name in ("n_plants", *SUMS)}
    return per_plant.group_by(by).agg(**sums) if by else per_plant.agg(**sums)
