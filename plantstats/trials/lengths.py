"""The shortest trial that suffices, or why there is none and what would do."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date

import pandas as pd

from plantstats.stats.sample_size import POWER
from plantstats.trials import sizing
from plantstats.trials.errors import TrialError
from plantstats.trials.outcomes import DRY, LEAVES, SiteDays
from plantstats.trials.request import DIFFERENCES, NAMES, Request, all_weeks, washout
from plantstats.trials.sizing import CROSSOVER
from plantstats.trials.variation import Variation, variation


@dataclass(frozen=True)
class Size:
    """One length of a trial: what it rests on, the difference in its unit, and the chance to see it."""

    basis: Variation
    difference: float
    power: float


Sizes = Callable[[str, str, int], Size | None]


def sizes_of(days: SiteDays, sites: pd.DataFrame, request: Request, as_of: date) -> Sizes:
    """What a trial of these sites could see: a function of outcome, design and counted weeks.

    Parameters
    ----------
    days : SiteDays
        The records by day.
    sites : pandas.DataFrame
        As `eligibility.eligible` gives them.
    request : Request
        As `request.completed` gives it.
    as_of : datetime.date
        The last day that counts.

    Returns
    -------
    callable
        (outcome, design, weeks) to `Size`, or None where the records are too short for it.
    """
    intervals = (request.shorter, request.longer)
    known: dict[tuple[str, str, int], Size | None] = {}

    def size_of(outcome: str, design: str, weeks: int) -> Size | None:
        if (outcome, design, weeks) not in known:
            basis = variation(days, sites, outcome, as_of, weeks, washout(request, outcome), intervals)
            size = None
            if basis is not None and basis.mean > 0:
                asked = request.difference if outcome == request.outcome else DIFFERENCES[outcome]
                difference = sizing.of_percent(basis, float(asked or 0))
                chance = sizing.power(basis, design, intervals, len(sites), difference)
                size = Size(basis, difference, chance)
            known[outcome, design, weeks] = size
        return known[outcome, design, weeks]

    return size_of


def long_enough(request: Request, size_of: Sizes, n_sites: int) -> tuple[int, Size]:
    """The counted weeks of a period: those asked for, or the fewest that suffice.

    Parameters
    ----------
    request : Request
        As `request.completed` gives it.
    size_of : callable
        As `sizes_of` gives it.
    n_sites : int
        All that can take part.

    Returns
    -------
    tuple of int and Size

    Raises
    ------
    TrialError
        Where no length suffices: the chance that such a trial has, the sites or weeks that it would take, and another
        outcome that these sites can test.
    """
    design = str(request.design)
    lengths = (request.weeks,) if request.weeks else sizing.WEEKS[design]
    sizes = []
    for weeks in lengths:
        size = size_of(request.outcome, design, weeks)
        if size is not None and size.power >= POWER:
            return weeks, size
        sizes += [(weeks, size)] if size is not None else []
    raise TrialError(_refusal(request, sizes, size_of, n_sites))


def _refusal(request: Request, sizes: list[tuple[int, Size]], size_of: Sizes, n_sites: int) -> str:
    """Why there is no such trial, and what would do: more sites, more weeks, or another outcome."""
    name, design = NAMES[request.outcome], str(request.design)
    if not sizes:
        first = (
            f"{n_sites} sites cannot test {name}: these records hold no two earlier periods of that length at six "
            "sites or more, or count nothing of it"
        )
    else:
        weeks, size = sizes[-1]
        needed = sizing.sites_needed(size.basis, design, (request.shorter, request.longer), size.difference)
        first = (
            f"{n_sites} sites cannot test {name} in {all_weeks(request, request.outcome, design, weeks)} weeks: the "
            f"chance to see {_in_words(request.outcome, float(request.difference or 0))} would be "
            f"{in_100(size.power)} in 100, not {in_100(POWER)}"
        )
        first += f"; it would take {needed:,} such sites" if needed else "; no number of such sites would do"
    ways = []
    if request.weeks:
        longer = [w for w in sizing.WEEKS[design] if w > request.weeks]
        enough = next((w for w in longer if (s := size_of(request.outcome, design, w)) and s.power >= POWER), None)
        if enough:
            ways.append(f"the same in {all_weeks(request, request.outcome, design, enough)} weeks (--weeks {enough})")
    for outcome in (DRY, LEAVES):
        if outcome == request.outcome:
            continue
        for weeks in sizing.WEEKS[CROSSOVER]:
            size_or_none = size_of(outcome, CROSSOVER, weeks)
            if size_or_none is not None and size_or_none.power >= POWER:
                ways.append(
                    f"{NAMES[outcome]} in {all_weeks(request, outcome, CROSSOVER, weeks)} weeks (--outcome {outcome}: "
                    f"{in_100(size_or_none.power)} in 100 to see {_in_words(outcome, DIFFERENCES[outcome])})"
                )
                break
    return first + (f". They can test {' or '.join(ways)}" if ways else ". No other outcome would do here either")


def in_100(chance: float) -> int:
    """A chance in whole hundredths, rounded down: one that is not sure is never 100, one below 0.8 never 80.

    Parameters
    ----------
    chance : float
        From 0 to 1.

    Returns
    -------
    int

    Examples
    --------
    >>> in_100(0.998), in_100(0.413)
    (99, 41)
    """
    return min(int(100 * chance), 99)


def _in_words(outcome: str, difference: float) -> str:
    return f"{difference:g} points" if outcome == DRY else f"{difference:g}% more"
