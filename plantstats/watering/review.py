"""The quarter's watering review: what is learned, advised, changed since the last quarter, and its findings."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

import pandas as pd

from plantstats import findings, periods
from plantstats.periods import Period, previous_quarters
from plantstats.watering import observed, results
from plantstats.watering.advise import Advice, advise
from plantstats.watering.assumptions import Assumptions
from plantstats.watering.learn import Learned, WateringError, learn
from plantstats.watering.sensitivity import misread_sensitivity
from plantstats.watering.situations import situations

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.records import Records


@dataclass(frozen=True)
class WateringReview:
    """Everything that the page, intervals.csv and the care sheet are made from."""

    period: Period
    learned: Learned
    advice: Advice  # for the season that begins or goes on after the last day
    other_season: Advice
    situations: pd.DataFrame
    turns_on: date  # when the other season's look intervals begin
    turns_back: date  # and when this season's begin again
    changes: pd.DataFrame  # since last quarter's advice
    followed: pd.DataFrame
    by_gap: pd.DataFrame
    sensitivity: pd.DataFrame
    findings: pd.DataFrame


def review(
    records: Records,
    period: Period,
    as_of: date,
    client: str = "",
    assumed: Assumptions | None = None,
    time: PlantTime | None = None,
) -> WateringReview:
    """Make the watering review of one quarter.

    Takes:  records; period; as_of: the last day that counts; client: advice for its sites only ("" for all; what is
            learned rests on all records); assumed; time: plant-time up to as_of, losses dated "found", if at hand.
    Gives:  WateringReview, with findings in the one shape.
    Raises: WateringError without spells or without standing plants.
    """
    learned = learn(records, as_of, assumed, time)
    months = periods.heating_months(records.settings.heating_season)
    heated = (as_of + timedelta(days=1)).month in months
    advice, other = advise(learned, records, heated, client), advise(learned, records, not heated, client)
    if advice is None or other is None:
        raise WateringError(f"no plant stands on {as_of}: there is nothing to advise on")
    before_on = previous_quarters(period, 1)[0].last_day
    known_then = _learned(records, before_on, learned.assumed)
    before = _advised(known_then, records, before_on, client)
    same_season = before
    if known_then and before and before.heated != heated:
        same_season = advise(known_then, records, heated, client, forced=False)
    table = situations(learned, advice)
    sensitivity = misread_sensitivity(learned)
    changed = observed.changes(before, same_season, advice)
    season = records.settings.heating_season
    turns_on = turn_of_season(as_of, season)
    followed = observed.followed(before, before_on, learned) if before is not None else observed.nobody()
    made = WateringReview(
        period,
        learned,
        advice,
        other,
        table,
        turns_on,
        turn_of_season(turns_on, season),
        changed,
        followed,
        observed.by_gap(learned),
        sensitivity,
        pd.DataFrame(),
    )
    return WateringReview(**{**made.__dict__, "findings": findings.table(results.rows(made))})


def turn_of_season(as_of: date, season: periods.HeatingSeason) -> date:
    """The next day after `as_of` on which the heating season begins or ends."""
    turns = [date(as_of.year + more, month, day) for more in (0, 1) for month, day in season if (month, day) != (2, 29)]
    return min(turn for turn in turns if turn > as_of + timedelta(days=1))


def _learned(records: Records, on: date, assumed: Assumptions) -> Learned | None:
    """What was known a quarter ago; None where nothing was."""
    try:
        return learn(records, on, assumed)
    except WateringError:
        return None


def _advised(known: Learned | None, records: Records, on: date, client: str) -> Advice | None:
    """The advice of a quarter ago, worked out anew for the season that it was for."""
    months = periods.heating_months(records.settings.heating_season)
    return advise(known, records, (on + timedelta(days=1)).month in months, client, forced=False) if known else None
