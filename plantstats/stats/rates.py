"""Loss rates with exact limits: by any grouping, against another period, without the largest event."""

from __future__ import annotations

from datetime import timedelta
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy import stats

from plantstats import findings
from plantstats.periods import Period
from plantstats.stats.intervals import CONF_LEVEL, Counts, Interval, poisson_limits

DAYS_PER_100_YEARS = 36_525  # 100 years of 365.25 days
PER_100_YEARS = "per 100 plant-years"
EXACT = "exact Poisson limits (Garwood 1936)"
CONDITIONAL = "exact limits given the total (beta quantiles)"
EVENT_DAYS = 7  # losses at one site of one cause, no week apart, are one event (common practice, no source)
NO_CAUSE = ("unknown", "died", "decline")  # words that name no cause, so that nothing ties such losses together

findings.define(
    loss_rate="Plants that died or fell below specification, per 100 plant-years: losses / plant-days x 36,525.",
    death_rate="Plants that died, per 100 plant-years: deaths / plant-days x 36,525.",
    share_lost="Plants in 100 that die or fall below specification over the whole period at its loss rate: "
    "100 x (1 - exp(-rate x length)).",
    share_died="Plants in 100 that die over the whole period at its death rate.",
    loss_rate_ratio="Loss rate of the period divided by that of the period named in the note (1 = the same).",
    death_rate_ratio="Death rate of the period divided by that of the period named in the note (1 = same).",
    largest_event_share="Losses in 100 that fell in the largest single event: one site, one cause, found "
    "no more than 7 days after another of them; losses without a named cause make no event.",
    loss_rate_without_largest_event="Loss rate per 100 plant-years with the largest single event left out.",
)


class RateError(ValueError):
    """Counts that cannot make a rate."""


class Ratio(NamedTuple):
    """A ratio of two rates, its interval, and the p-value of no difference."""

    estimate: float
    low: float
    high: float
    p: float


def loss_rate(losses: Counts, plant_days: Counts, level: float = CONF_LEVEL) -> Interval:
    """Losses per 100 plant-years.

    Takes:  losses and plant_days, in step; level.
    Gives:  Interval; missing where there are no plant-days.
    Raises: RateError for negative numbers, or losses without plant-days.
    Source: losses / plant-days x 36,525; limits as in `poisson_limits`.
    """
    count, days = np.broadcast_arrays(np.atleast_1d(losses), np.atleast_1d(plant_days))
    count, days = count.astype("float64"), days.astype("float64")
    if not (np.all(count >= 0) and np.all(days >= 0)):
        raise RateError("losses and plant-days must be given, and not be below zero")
    if np.any((days == 0) & (count > 0)):
        raise RateError("losses without plant-days: a plant lost on the day it came counts one day at risk")
    scale = DAYS_PER_100_YEARS / np.where(days > 0, days, np.nan)
    exact = poisson_limits(count, level)
    return Interval(count * scale, exact.low * scale, exact.high * scale)


def share_lost(rate: Interval, days: int) -> Interval:
    """Turn a rate into the plants in 100 that would be lost over some days at that rate.

    Takes:  rate per 100 plant-years; days.
    Gives:  Interval in percent. The share rises with the rate, so its limits are those of the rate.
    Source: 1 - exp(-rate x time), the exponential law of a constant rate.
    """
    return Interval(*(-100 * np.expm1(-value * days / DAYS_PER_100_YEARS) for value in rate))


def rate_ratio(
    losses: int, plant_days: float, losses_before: int, plant_days_before: float, level: float = CONF_LEVEL
) -> Ratio:
    """Compare two rates.

    Takes:  losses and plant_days of the one and of the other it is divided by; level.
    Gives:  Ratio. Without losses in the other, estimate and upper limit are missing; without losses in both,
            or without plant-days in either, all is missing.
    Source: given the sum, the first count is binomial; limits by beta quantiles (Clopper and Pearson 1934),
            p as the exact binomial test. Equal to R's poisson.test.
    """
    total = losses + losses_before
    if total == 0 or plant_days <= 0 or plant_days_before <= 0:
        return Ratio(np.nan, np.nan, np.nan, np.nan)
    tail, times = (1 - level) / 2, plant_days_before / plant_days
    low = stats.beta.ppf(tail, losses, losses_before + 1) if losses else 0.0
    high = stats.beta.ppf(1 - tail, losses + 1, losses_before) if losses_before else np.nan
    p = stats.binomtest(losses, total, plant_days / (plant_days + plant_days_before)).pvalue
    estimate = losses / losses_before * times if losses_before else np.nan
    return Ratio(estimate, low / (1 - low) * times, high / (1 - high) * times, float(p))


def rates_by(cells: pd.DataFrame, by: list[str], period: Period, level: float = CONF_LEVEL) -> pd.DataFrame:
    """Rates and shares lost of each group, by both definitions of a loss.

    Takes:  cells: one row per combination of `by`: n_plants, plant_days, losses, died; period; level.
    Gives:  findings: loss_rate, death_rate (per 100 plant-years), share_lost, share_died (percent).
    Raises: RateError when `cells` has several rows of one group (plants cannot be added over them).
    """
    _check_groups(cells, by)
    made = []
    for kind, counts in (("loss", "losses"), ("death", "died")):
        rate = loss_rate(cells[counts], cells["plant_days"], level)
        share = share_lost(rate, period.days)
        share_name = "share_lost" if kind == "loss" else "share_died"
        for measure, unit, interval in (
            (f"{kind}_rate", PER_100_YEARS, rate),
            (share_name, f"% of plants in {period.days} days", share),
        ):
            rows = cells[[*by, "n_plants", "plant_days"]].assign(
                measure=measure,
                period=period.name,
                losses=cells[counts].to_numpy(),
                level=level,
                estimate=interval.estimate,
                low=interval.low,
                high=interval.high,
                unit=unit,
                method=EXACT,
                note=np.where(cells["plant_days"] > 0, "", "not available: no plant-days"),
            )
            made.append(rows)
    return findings.table(pd.concat(made, ignore_index=True))


def ratios_by(
    cells: pd.DataFrame,
    before: pd.DataFrame,
    by: list[str],
    *,
    period: Period,
    before_name: str,
    level: float = CONF_LEVEL,
) -> pd.DataFrame:
    """Compare each group with itself in another period.

    Takes:  cells of the period; before: cells of the other one, named before_name; each has one row per
            combination of `by`.
    Gives:  findings: loss_rate_ratio, death_rate_ratio, one row per group of `cells`.
    Raises: RateError as in `rates_by`.
    """
    _check_groups(cells, by)
    _check_groups(before, by)
    counts = ["plant_days", "losses", "died"]
    if by:
        both = cells.merge(before[[*by, *counts]], on=by, how="left", suffixes=("", "_before"))
    else:
        both = cells.join(before[counts].add_suffix("_before"))
    both = both.fillna(dict.fromkeys((f"{c}_before" for c in counts), 0))
    rows = []
    for cell in both.to_dict("records"):
        for measure, count in (("loss_rate_ratio", "losses"), ("death_rate_ratio", "died")):
            was, days_were = int(cell[f"{count}_before"]), cell["plant_days_before"]
            ratio = rate_ratio(int(cell[count]), cell["plant_days"], was, days_were, level)
            rows.append(
                findings.finding(
                    measure,
                    period.name,
                    *ratio[:3],
                    unit="ratio",
                    method=CONDITIONAL,
                    n_plants=cell["n_plants"],
                    plant_days=cell["plant_days"],
                    losses=cell[count],
                    level=level,
                    note=f"against {before_name}: {was} in {days_were:,.0f} plant-days"
                    + _why_no_ratio(cell["plant_days"], days_were, cell[count], was),
                    **{column: cell[column] for column in by},
                )
            )
    return findings.table(rows)


def largest_event(losses: pd.DataFrame, cells: pd.DataFrame, period: Period, level: float = CONF_LEVEL) -> pd.DataFrame:
    """How much of the losses one event made, and the rate without it.

    Takes:  losses: one row per loss row: site_id, cause, found_on, lost_on, quantity; those whose lost_on
            lies in the period count; cells: the one row of the whole period (n_plants, plant_days, losses).
    Gives:  findings: largest_event_share (percent, with the event's site_id and cause, and its losses), and
            loss_rate_without_largest_event (the plant-days of the plants it took are left in).
    Raises: RateError when the losses of the list and of the cells differ.
    """
    _check_groups(cells, [])
    whole = cells.iloc[0]
    start, end = pd.Timestamp(period.start), pd.Timestamp(period.end)
    listed = losses[(losses["lost_on"] >= start) & (losses["lost_on"] < end)]
    if int(listed["quantity"].sum()) != int(whole["losses"]):
        raise RateError(
            f"{period.name}: the list has {listed['quantity'].sum()} losses, the cells "
            f"{whole['losses']}; both must stand on one plant-time"
        )
    given = {"n_plants": whole["n_plants"], "plant_days": whole["plant_days"]}
    rows = largest_event_rows(listed)
    taken = int(rows["quantity"].sum())
    if rows.empty:
        share = findings.finding(
            "largest_event_share",
            period.name,
            np.nan,
            unit="% of losses",
            method="count",
            losses=0,
            note="not available: no losses with a named cause",
            **given,
        )
    else:
        first = rows["found_on"].min()
        share = findings.finding(
            "largest_event_share",
            period.name,
            100 * taken / int(whole["losses"]),
            unit="% of losses",
            method="count",
            losses=taken,
            site_id=str(rows["site_id"].iloc[0]),
            cause=str(rows["cause"].iloc[0]),
            **given,
            note=f"found from {first:%Y-%m-%d} on",
        )
    rate = loss_rate(int(whole["losses"]) - taken, whole["plant_days"], level)
    rest = findings.finding(
        "loss_rate_without_largest_event",
        period.name,
        *(float(v[0]) for v in rate),
        unit=PER_100_YEARS,
        method=EXACT,
        losses=int(whole["losses"]) - taken,
        level=level,
        **given,
        note="" if whole["plant_days"] > 0 else "not available: no plant-days",
    )
    return findings.table([share, rest])


def largest_event_rows(losses: pd.DataFrame) -> pd.DataFrame:
    """The losses of the largest single event.

    Takes:  losses: one row per loss row: site_id, cause, found_on, quantity and whatever else.
    Gives:  its rows as they are, of equal events the earliest; none where no loss has a named cause.
    """
    named = losses[~losses["cause"].isin(NO_CAUSE) & losses["cause"].notna()]
    if named.empty:
        return named
    keys = ["site_id", "cause"]
    named = named.sort_values([*keys, "found_on"], kind="stable")
    # A gap of more than EVENT_DAYS begins another event.
    begins = named.groupby(keys)["found_on"].diff().gt(timedelta(days=EVENT_DAYS))
    named = named.assign(event=begins.groupby([named["site_id"], named["cause"]]).cumsum())
    events = named.groupby([*keys, "event"], as_index=False).agg(first=("found_on", "min"), n=("quantity", "sum"))
    top = events.sort_values(["n", "first", *keys], ascending=[False, True, True, True]).iloc[0]
    inside = named["site_id"].eq(top["site_id"]) & named["cause"].eq(top["cause"]) & named["event"].eq(top["event"])
    return named[inside].drop(columns="event")


def _why_no_ratio(days: float, days_before: float, losses: int, losses_before: int) -> str:
    if days <= 0 or days_before <= 0:
        return "; not available: no plant-days to compare"
    if losses_before > 0:
        return ""
    return "; no upper end: none there" if losses > 0 else "; not available: none in either"


def _check_groups(cells: pd.DataFrame, by: list[str]) -> None:
    several = cells.duplicated(by).any() if by else len(cells) != 1
    if several:
        raise RateError(
            f"cells must have one row per combination of {by or 'nothing (one row in all)'}; "
            "ask plant-time for cells by exactly these columns"
        )
