"""Losses of a quarter that are still to come to light: not found by its last day, or found and not yet on record."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.exposure.inputs import LONG
from plantstats.periods import Period, previous_quarters
from plantstats.stats.empirical_bayes import ShrinkError, fit_prior
from plantstats.stats.intervals import CONF_LEVEL, Array
from plantstats.stats.reporting_delay import DelayDistribution, StillToCome, delay_distribution, still_to_come

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime

METHOD = "rate of the quarter x plant-days out of sight; delays by reverse-time product limit"
DELAYS_OF = 730  # days of records from which delays are learned: how a firm books changes
FEWEST_DELAYS = 10  # below that one slip of the hand moves the distribution
LONGEST_DELAY = 183  # a longer one is taken for a wrong year
# A quarter that the records have outlived by so much is complete but for slips (half a quarter; rule of thumb).
SETTLED_AFTER = 46
RESAMPLES = 200
YEAR = 365
SEEN = """
    with seen as (
        select plant_id, max(seen_day) filter (not dead) as alive_day, arg_max(dead, seen_day) as dead
        from inspections where seen_day <= $last group by plant_id
    ), rounds as (
        select at_site, max("at") as round_day from completed_visits
        where plant_id is null and "at" <= $last group by at_site
    )
    select s.plant_id, s.site_id, (s.plants - s.losses - s.client_exits - s.withdrawn)::bigint as plants,
           $last - greatest(f.entry_day, n.alive_day, r.round_day) as days, coalesce(n.dead, false) as dead
    from episodes s join spans f on f.plant_id = s.plant_id left join seen n on n.plant_id = s.plant_id
         left join rounds r on r.at_site = s.site_id
    where s.to_on = $after and s.plants > s.losses + s.client_exits + s.withdrawn
    order by s.plant_id"""
LINES = "select plant_id, line, found_on as noted_found_on, entered_on from replacements"
ROUNDS = "select count(*) as n from inspections where seen_day > $start and seen_day <= $last"
NOTED_DEAD = "select plant_id, min(seen_day) as dead_day from inspections where dead group by plant_id"


class ToCome(NamedTuple):
    """What is still to come to light of one quarter.

    Attributes
    ----------
    on_record : int
        Losses found in the quarter and on record.
    happened : int
        Losses on record, dated half-way between last seen alive and found, that fall in the quarter.
    noted_dead : int
        Plants noted dead at their last visit, without a loss on record.
    hidden : StillToCome
        Others, from plant-days out of sight.
    why_not : str
        Why there is no estimate; "" where there is one.
    """

    on_record: int
    happened: int
    noted_dead: int
    hidden: StillToCome
    why_not: str

    @property
    def values(self) -> dict[str, Any]:
        """Estimate and limits of all that is to come; missing where there is none."""
        if self.why_not:
            return dict.fromkeys(("estimate", "low", "high"), np.nan)
        return {name: self.noted_dead + getattr(self.hidden, name) for name in ("estimate", "low", "high")}


def to_come(time: PlantTime, period: Period, recorded_until: date, events: pd.DataFrame | None = None) -> ToCome:
    """Estimate what the records of one day do not hold yet of a quarter's losses.

    Parameters
    ----------
    time : PlantTime
        Dated "found", up to the end of the quarter or later.
    period : Period
    recorded_until : datetime.date
        The last day of the records by which the estimate is made: what was entered later is not used.
    events : pandas.DataFrame, optional
        Losses of events (`CommonCause.losses`), which tell nothing of the rate of others.

    Returns
    -------
    ToCome

    Notes
    -----
    A plant that stands has been out of sight since it was last seen alive; a loss found on day d is on record by day R
    with chance F(R - d), where F is the distribution of (entered - found), or of (replaced - found) where no day of
    entry is recorded: the line is written when the plant is replaced. With site weights w (gamma-Poisson, four
    quarters), the plant-days in view are s = sum w N(d) F(R - d) over the quarter's days, those out of sight
    h = sum w N(d) (1 - F(R - d)) + sum w (last day - last seen alive) over plants in place, and the losses among the
    latter are negative binomial (`reporting_delay.still_to_come`), mixed over resamples of sites for F. Plants noted
    dead at their last visit are counted as they are, and their like are taken out of the first part of h.
    """
    last = period.last_day
    rows = with_record_day(time)
    known = rows[rows["recorded_on"].le(pd.Timestamp(recorded_until)) & rows["found_on"].le(pd.Timestamp(last))]
    of_quarter = known[known["found_on"].ge(pd.Timestamp(period.start))]
    midpoint = _midpoint(known).between(pd.Timestamp(period.start), pd.Timestamp(last))
    counts = int(of_quarter["quantity"].sum()), int(known.loc[midpoint, "quantity"].sum())
    standing = _standing(time, last)
    noted = _noted_dead(standing, rows, known, last)
    why = _why_not(time, period, recorded_until)
    if why:
        return ToCome(*counts, noted, StillToCome(0.0, 0.0, 0.0, 1.0), why)
    if events is not None and len(events):
        of_quarter = of_quarter.merge(events[["plant_id", "source", "line"]], how="left", indicator="of_event")
        of_quarter = of_quarter[of_quarter["of_event"].eq("left_only")]
    in_view, out_of_sight = _times(time, rows, standing, period, recorded_until)
    return ToCome(*counts, noted, still_to_come(float(of_quarter["quantity"].sum()), in_view, out_of_sight), "")


def with_record_day(time: PlantTime) -> pd.DataFrame:
    """Losses with the day from which each was on record.

    Parameters
    ----------
    time : PlantTime
        Dated "found".

    Returns
    -------
    pandas.DataFrame
        Rows of `PlantTime.losses` with noted_found_on (missing where the line names no such day), recorded_on (the day
        of entry, else that of the replacement, which completes the line; never before the loss was found) and dead_day
        (first visit that noted the plant dead, in days since 1970-01-01).
    """
    lines = time.query(LINES).drop_duplicates(["plant_id", "line"])
    rows = time.losses.merge(lines.assign(source="replacements"), on=["plant_id", "line", "source"], how="left")
    recorded = rows["entered_on"].fillna(rows["replaced_on"]).fillna(rows["found_on"])
    dead = time.query(NOTED_DEAD).set_index("plant_id")["dead_day"].reindex(rows["plant_id"]).to_numpy("float64")
    return rows.assign(recorded_on=recorded.where(recorded.ge(rows["found_on"]), rows["found_on"]), dead_day=dead)


def _midpoint(rows: pd.DataFrame) -> pd.Series:
    """Half-way between last seen alive and found, in whole days, as plant-time dates it."""
    return rows["seen_on"] + pd.to_timedelta(((rows["found_on"] - rows["seen_on"]).dt.days + 1) // 2, unit="D")


def _number(day: date) -> int:
    return (day - date(1970, 1, 1)).days


def _standing(time: PlantTime, last: date) -> pd.DataFrame:
    return time.query(SEEN, {"last": _number(last), "after": last + timedelta(days=1)})


def _noted_dead(standing: pd.DataFrame, rows: pd.DataFrame, known: pd.DataFrame, last: date) -> int:
    """Single plants noted dead at their last visit: in place still, or with a line that was written later."""
    later = rows[~rows.index.isin(known.index) & rows["found_on"].le(pd.Timestamp(last))]
    written_later = later["dead_day"].le(_number(last)) & later["quantity"].eq(1)
    return int((standing["dead"] & standing["plants"].eq(1)).sum() + written_later.sum())


def _why_not(time: PlantTime, period: Period, recorded_until: date) -> str:
    after = (recorded_until - period.last_day).days
    if after > SETTLED_AFTER:
        return f"the records run on for {after} days after the quarter: what was to come has come"
    window = {"start": _number(period.start), "last": _number(period.last_day)}
    if not time.query(ROUNDS, window)["n"].iloc[0]:
        return "no visit to a plant is on record in the quarter: nobody can tell since when plants are out of sight"
    if time.exposure_table([], period.start, period.end)["plant_days"].iloc[0] == 0:
        return "no plant was in place"
    return ""


def _times(
    time: PlantTime, rows: pd.DataFrame, standing: pd.DataFrame, period: Period, recorded_until: date
) -> tuple[Array, Array]:
    """Weighted plant-days in view and out of sight, one pair per resample of the delays."""
    weight = _site_weights(time, period)
    months = time.exposure_table(["site_id", "month"], period.start, period.end, count_plants=False)
    days = months["plant_days"] * months["site_id"].map(weight)
    by_month = days.groupby(months["month"]).sum()
    delays, already_noted = _delays(rows, recorded_until)
    in_view, late = np.zeros(1), np.zeros(1)
    for month, plant_days in by_month.items():
        first = pd.Timestamp(month)
        dates = pd.date_range(first, first + pd.offsets.MonthEnd(0))
        ages = (pd.Timestamp(recorded_until) - dates).days.to_numpy()
        share = delays.by(ages).mean(axis=-1) if delays is not None else np.ones(1)
        in_view, late = in_view + plant_days * share, late + plant_days * (1 - share)
    standing = standing[~(standing["dead"] & standing["plants"].eq(1))]
    # Of no plant at all the columns have no numbers' type.
    weights = standing["site_id"].map(weight).fillna(1.0).astype("float64")
    since_seen = standing["plants"].astype("float64") * standing["days"].astype("float64") * weights
    return in_view, late * (1 - already_noted) + float(since_seen.sum())


def _site_weights(time: PlantTime, period: Period) -> pd.Series:
    """Each site's rate over that of all, shrunk, from the four quarters up to the last day."""
    start = previous_quarters(period, 3)[0].start
    sites = time.exposure_table(["site_id"], start, period.end, count_plants=False)
    sites = sites[sites["plant_days"] > 0].set_index("site_id")
    expected = sites["plant_days"] * sites["losses"].sum() / sites["plant_days"].sum()
    try:
        prior = fit_prior(sites["losses"], expected)
    except ShrinkError:  # one site, or no loss: all alike
        return pd.Series(1.0, sites.index)
    return (prior.shape + sites["losses"]) / (prior.rate + expected)


def _delays(rows: pd.DataFrame, recorded_until: date) -> tuple[DelayDistribution | None, float]:
    """Distribution of days from found to recorded by resamples of sites, and the share noted dead by the day found.

    None where too few lines hold a day of their own on which the loss was found.
    """
    until = pd.Timestamp(recorded_until)
    used = rows[rows["noted_found_on"].notna() & rows["recorded_on"].le(until)]
    delay, bound = (used["recorded_on"] - used["found_on"]).dt.days, (until - used["found_on"]).dt.days
    recent = bound.le(DELAYS_OF) & delay.le(LONGEST_DELAY)
    used, delay, bound = used[recent], delay[recent], bound[recent]
    if len(used) < FEWEST_DELAYS:
        return None, 0.0
    site, names = pd.factorize(used["site_id"])
    rng = np.random.Generator(np.random.PCG64(len(used)))
    sites = rng.multinomial(len(names), np.full(len(names), 1 / len(names)), size=RESAMPLES)
    weights = np.vstack([np.ones(len(used)), sites[:, site]])
    found_day = (used["found_on"] - pd.Timestamp("1970-01-01")).dt.days
    return delay_distribution(delay, bound, weights[weights.sum(axis=1) > 0]), float(
        used["dead_day"].le(found_day).mean()
    )


def come_since(time: PlantTime, period: Period, recorded_until: date, recorded_by_now: date) -> int:
    """Losses of a quarter that have come to light since an earlier day of the records.

    Parameters
    ----------
    time : PlantTime
        Dated "found".
    period : Period
    recorded_until, recorded_by_now : datetime.date
        The earlier day, and the present one.

    Returns
    -------
    int
        Plants found by the quarter's last day whose line was written later, and plants found later that had been
        noted dead by that day, or whose loss, dated half-way between last seen alive and found, falls on it or before.
    """
    rows = with_record_day(time)
    last, before, now = map(pd.Timestamp, (period.last_day, recorded_until, recorded_by_now))
    rows = rows[rows["recorded_on"].le(now)]
    was_known = rows["found_on"].le(last) & rows["recorded_on"].le(before)
    noted = rows["dead_day"].le(_number(period.last_day))
    of_quarter = rows["found_on"].le(last) | noted | _midpoint(rows).le(last)
    recent = rows["found_on"].gt(last - pd.Timedelta(days=LONG))
    return int(rows.loc[~was_known & of_quarter & recent, "quantity"].sum())


def to_come_findings(
    time: PlantTime, period: Period, recorded_until: date, events: pd.DataFrame | None = None
) -> pd.DataFrame:
    """The quarter both ways, and what became of the estimate for the quarter before.

    Parameters
    ----------
    time, period, recorded_until, events
        As in `to_come`.

    Returns
    -------
    pandas.DataFrame
        Findings of the quarter and the one before it, each by the records of as many days after its end:
        losses_on_record (by the day found), losses_happened (by the middle between last seen alive and found),
        losses_noted_dead, losses_to_come, losses_with_to_come; losses_come_since of the one before.
    """
    after = recorded_until - period.last_day
    before = previous_quarters(period, 1)[0]
    rows: list[dict[str, object]] = []
    for quarter in (before, period):
        until = quarter.last_day + after
        whole = to_come(time, quarter, until, events)
        if quarter is before and not time.exposure_table([], before.start, before.end)["plant_days"].iloc[0]:
            continue
        rows += _rows(whole, quarter)
        if quarter is before and not whole.why_not:
            come = come_since(time, quarter, until, recorded_until)
            rows.append(_count("losses_come_since", quarter, come))
    return findings.table(rows)


def _rows(whole: ToCome, quarter: Period) -> list[dict[str, object]]:
    note = f"not available: {whole.why_not}" if whole.why_not else ""
    level = np.nan if whole.why_not else CONF_LEVEL
    total: dict[str, Any] = {name: whole.happened + value for name, value in whole.values.items()}
    common: dict[str, Any] = {"unit": "losses", "method": METHOD, "conf_level": level, "note": note}
    return [
        _count("losses_on_record", quarter, whole.on_record),
        _count("losses_happened", quarter, whole.happened),
        _count("losses_noted_dead", quarter, whole.noted_dead),
        findings.finding("losses_to_come", quarter.name, **whole.values, losses=whole.on_record, **common),
        findings.finding("losses_with_to_come", quarter.name, **total, losses=whole.happened, **common),
    ]


def _count(measure: str, quarter: Period, n: int) -> dict[str, object]:
    return findings.finding(measure, quarter.name, float(n), losses=n, unit="losses", method="count")
