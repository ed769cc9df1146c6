"""What an owner asks of a trial, and what is taken where nothing was said."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta

from plantstats.trials.errors import TrialError
from plantstats.trials.outcomes import DRY, LEAVES, LOSSES, OUTCOMES
from plantstats.trials.sizing import CROSSOVER, PARALLEL

# What a trial is planned to see, unless asked: points of dryness, and percent of leaves or losses (no source).
DIFFERENCES = {DRY: 10.0, LEAVES: 50.0, LOSSES: 50.0}
NAMES = {DRY: "how often plants are found dry", LEAVES: "leaves dropped", LOSSES: "losses"}
NOTICE = 14  # days between the last record and the start, to tell technicians and clients (common practice, no source)


@dataclass(frozen=True)
class Request:
    """What the owner asks for; None is left to the plan.

    Attributes
    ----------
    shorter, longer : int
        Days between visits.
    outcome : str
        One of `outcomes.OUTCOMES`.
    design : str or None
        None: crossover; parallel for losses, which a site carries over.
    difference : float or None
        Points of dryness, or percent more leaves or losses.
    tolerate : float or None
        Points of dryness that the longer interval may add; None: `max_too_dry_share` of the settings.
    weeks, washout : int or None
        Counted weeks of a period, and those before them that are not.
    dry_depth : float or None
        See `Protocol`.
    start : datetime.date or None
        None: the first Monday two weeks after the last record.
    seed : int or None
        None: the day of the start, written as a number.
    """

    shorter: int
    longer: int
    outcome: str = DRY
    design: str | None = None
    difference: float | None = None
    tolerate: float | None = None
    weeks: int | None = None
    washout: int | None = None
    dry_depth: float | None = None
    start: date | None = None
    seed: int | None = None


def completed(request: Request, as_of: date) -> Request:
    """The request with what was left to the plan; the washout and the weeks follow later.

    Parameters
    ----------
    request : Request
    as_of : datetime.date
        The last day that counts.

    Returns
    -------
    Request

    Raises
    ------
    TrialError
        With all its faults at once.
    """
    design = request.design or (PARALLEL if request.outcome == LOSSES else CROSSOVER)
    monday = as_of + timedelta(days=NOTICE + (7 - (as_of + timedelta(days=NOTICE)).weekday()) % 7)
    start = request.start or monday
    faults = []
    if request.outcome not in OUTCOMES:
        faults.append(f"no outcome {request.outcome!r}; take one of {', '.join(OUTCOMES)}")
    if not 1 <= request.shorter < request.longer:
        faults.append(f"intervals {request.shorter} and {request.longer}: the shorter first, then a longer one")
    if request.outcome == LOSSES and design == CROSSOVER:
        faults.append(
            "losses cannot be tested in a crossover: a plant weakened under one interval dies under the other; take "
            "--design parallel"
        )
    if start <= as_of:
        faults.append(
            f"the start {start} does not lie after the records' last day {as_of}; a protocol is fixed before the start"
        )
    if request.difference is not None and request.difference <= 0:
        faults.append(f"--difference {request.difference:g} is not above 0")
    if request.tolerate is not None and request.tolerate < 0:
        faults.append(f"--tolerate {request.tolerate:g} is below 0")
    if faults:
        raise TrialError("; ".join(faults))
    return replace(
        request,
        design=design,
        start=start,
        seed=int(f"{start:%Y%m%d}") if request.seed is None else request.seed,
        difference=DIFFERENCES[request.outcome] if request.difference is None else request.difference,
    )


def washout(request: Request, outcome: str) -> int:
    """Weeks of a period that are not counted, so that what happened before the change is over.

    Parameters
    ----------
    request : Request
    outcome : str
        One of `outcomes.OUTCOMES`.

    Returns
    -------
    int
        As asked; else the longer interval once for dryness, which hangs on the last watering, and twice for leaves,
        which fall for a while after the watering that ends a drought.
    """
    cycles = 1 if outcome == DRY else 2
    return -(-cycles * request.longer // 7) if request.washout is None else request.washout


def all_weeks(request: Request, outcome: str, design: str, weeks: int) -> int:
    """Weeks from the first day of a trial to its last.

    Parameters
    ----------
    request : Request
    outcome, design : str
        One of `outcomes.OUTCOMES`, `sizing.DESIGNS`.
    weeks : int
        Counted weeks of a period.

    Returns
    -------
    int
    """
    return (2 if design == CROSSOVER else 1) * (weeks + washout(request, outcome))
