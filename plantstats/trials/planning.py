"""Plan a trial from the records: eligible sites, size and power, the shortest length that suffices, the allocation."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import pandas as pd

from plantstats.exposure import build
from plantstats.trials import sizing
from plantstats.trials.allocation import allocate
from plantstats.trials.eligibility import before, eligible, intervals_in_use
from plantstats.trials.errors import TrialError
from plantstats.trials.lengths import Size, Sizes, long_enough, sizes_of
from plantstats.trials.outcomes import DRY, SiteDays, site_days
from plantstats.trials.protocol import Protocol
from plantstats.trials.request import Request, completed, washout
from plantstats.trials.schedule import schedule, usual_weekday
from plantstats.trials.sizing import CROSSOVER
from plantstats.trials.variation import Variation

if TYPE_CHECKING:
    from plantstats.records import Records

LONGEST_BASIS = 13  # weeks of the periods from which the looks for harm are worked out


@dataclass(frozen=True)
class Plan:
    """A trial that is large enough: its protocol, its visits, and what the size rests on.

    Attributes
    ----------
    protocol : Protocol
    visits : pandas.DataFrame
        As `schedule.schedule` gives them.
    basis : Variation
        Of the outcome.
    rollout : float
        Power of a rollout in steps of the same sites, were the change decided anyway.
    left_out : pandas.DataFrame
        Those of these intervals that do not: site_id, reason.
    """

    protocol: Protocol
    visits: pd.DataFrame
    basis: Variation
    rollout: float
    left_out: pd.DataFrame


def plan(records: Records, request: Request, as_of: date) -> Plan:
    """Plan a trial of two visit intervals, or refuse it and say what would do.

    Parameters
    ----------
    records : Records
        The company's records.
    request : Request
        What is asked for.
    as_of : datetime.date
        The last day that counts.

    Returns
    -------
    Plan

    Raises
    ------
    TrialError
        For a request that cannot be met: with the chance that such a trial has, the sites or weeks that it would take,
        and an outcome that these sites can test.
    """
    request = completed(request, as_of)
    days = site_days(build(records, as_of), records.settings, request.dry_depth)
    sites, left_out = eligible(records, days, request, as_of)
    if len(sites) < 2 * sizing.LEAST_PER_ARM:
        raise TrialError(
            f"only {len(sites)} sites are visited every {request.shorter} or {request.longer} days now and can be "
            f"counted; a trial needs {2 * sizing.LEAST_PER_ARM} or more. Name intervals that your sites have "
            f"(--intervals): {intervals_in_use(records)}"
        )
    settings = records.settings
    if request.tolerate is None:
        request = replace(request, tolerate=100 * settings.watering.max_too_dry_share)
    protocol, size = fix(request, days, sites, as_of)
    protocol = replace(protocol, company=settings.company, currency=settings.currency)
    rollout = sizing.rollout_power(size.basis, (request.shorter, request.longer), len(sites), size.difference)
    visits = schedule(protocol, usual_weekday(days, as_of), sites.set_index("site_id")["route"])
    return Plan(protocol, visits, size.basis, rollout, left_out)


def fix(request: Request, days: SiteDays, sites: pd.DataFrame, as_of: date) -> tuple[Protocol, Size]:
    """Fix the protocol of a trial of these sites: the shortest that suffices, its lot, its looks.

    Parameters
    ----------
    request : Request
        As `request.completed` gives it, with `tolerate`.
    days : SiteDays
        The records by day.
    sites : pandas.DataFrame
        As `eligibility.eligible` gives them.
    as_of : datetime.date
        The last day that counts.

    Returns
    -------
    tuple of Protocol and Size
        The protocol still without company and currency.

    Raises
    ------
    TrialError
        As `lengths.long_enough`.
    """
    size_of = sizes_of(days, sites, request, as_of)
    weeks, size = long_enough(request, size_of, len(sites))
    sites = sites.assign(before=before(days, sites, request.outcome, as_of), dry_before=before(days, sites, DRY, as_of))
    design, start, seed, tolerated = request.design, request.start, request.seed, request.tolerate
    assert design is not None and start is not None and seed is not None and tolerated is not None
    protocol = Protocol(
        company="",
        currency="",
        made_on_records_until=as_of.isoformat(),
        shorter=request.shorter,
        longer=request.longer,
        outcome=request.outcome,
        design=design,
        dry_depth=request.dry_depth,
        start=start.isoformat(),
        washout=washout(request, request.outcome),
        weeks=weeks,
        difference=size.difference,
        power=size.power,
        mean=size.basis.mean,
        margin={request.outcome: size.difference, DRY: tolerated},
        looks=[],
        seed=seed,
        sites=_with_lot(sites, seed),
    )
    return replace(protocol, looks=_looks(protocol, size_of)), size


def _with_lot(sites: pd.DataFrame, seed: int) -> list[dict[str, Any]]:
    rows = sites.assign(longer_first=allocate(sites, seed))
    return [
        {
            "site_id": str(row["site_id"]),
            "route": str(row["route"]),
            "plants": int(row["plants"]),
            "interval_now": int(row["interval"]),
            "before": _number(row["before"]),
            "dry_before": _number(row["dry_before"]),
            "longer_first": bool(row["longer_first"]),
        }
        for row in rows.to_dict("records")
    ]


def _number(value: float) -> float | None:
    return None if pd.isna(value) else float(value)


def _looks(protocol: Protocol, size_of: Sizes) -> list[dict[str, Any]]:
    """Days on which harm is looked for, from what the records say of dryness; none where they say nothing of it."""
    intervals = (protocol.shorter, protocol.longer)
    of_dry = next(
        (
            size
            for weeks in (min(protocol.weeks, LONGEST_BASIS), *sizing.WEEKS[CROSSOVER])
            if (size := size_of(DRY, CROSSOVER, weeks)) is not None
        ),
        None,
    )
    if of_dry is None:
        return []
    looks = sizing.looks(of_dry.basis, protocol.design, intervals, len(protocol.sites), protocol.weeks)
    days = []
    for weeks in looks.weeks:
        period = 1 if weeks <= protocol.weeks else 2
        start = protocol.counted(period)[0]
        days.append(start + timedelta(days=round(7 * (weeks - (period - 1) * protocol.weeks)) - 1))
    return [
        {"after": day.isoformat(), "fraction": round(fraction, 6), "limit": round(limit, 6)}
        for day, fraction, limit in zip(days, looks.fractions, looks.limits, strict=True)
    ]
