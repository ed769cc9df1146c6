"""Lives of plants, checked before any curve is drawn of them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pandas as pd

from plantstats.stats.intervals import zero_event_limit

MIN_AT_RISK = 10  # fewer at risk: drawn faint, not quoted (common practice, no source)
SHOWN = 5  # plants named in a message


class LivesError(ValueError):
    """Lives that cannot have happened; the message names the plants."""


def check_lives(lives: pd.DataFrame) -> pd.DataFrame:
    """Refuse impossible lives, and give those of no length the one day that they count.

    Takes:  one row per plant: plant_id, entry_age, exit_age (days since install), event (1 lost, 0 not).
    Gives:  the same rows. A plant lost on the day it came under observation counts one day at risk
            (exit_age = entry_age + 1), as in plant-time; one that left alive that day is at risk for none.
    Raises: LivesError, all faults at once: missing or negative ages, exit before entry, event not 0 or 1.
    """
    entry, leave, event = lives["entry_age"], lives["exit_age"], lives["event"]
    rules = {
        "have no age at entry or exit (install date unknown?)": entry.isna() | leave.isna(),
        "enter before they were installed": entry < 0,
        "leave before they enter": leave < entry,
        "have an event that is neither 0 nor 1": ~event.isin([0, 1]),
    }
    faults = [
        f"{int(bad.sum())} plants {what} ({', '.join(lives.loc[bad, 'plant_id'].astype(str).head(SHOWN))})"
        for what, bad in rules.items()
        if bad.any()
    ]
    if faults:
        raise LivesError("lives: " + "; ".join(faults) + ". Correct these plants, or set them aside by name.")
    return lives.assign(exit_age=np.where((event == 1) & (leave == entry), entry + 1, leave))


def from_age(lives: pd.DataFrame, start_age: float) -> pd.DataFrame:
    """Follow only those that reached an age, from that age on.

    Takes:  lives; start_age (days).
    Gives:  lives of plants still there after start_age, entering at start_age or later.
    """
    reached = lives[lives["exit_age"] > start_age]
    return reached.assign(entry_age=reached["entry_age"].clip(lower=start_age))


def in_groups(lives: pd.DataFrame, by: list[str]) -> Iterator[tuple[dict[str, Any], pd.DataFrame]]:
    """Split lives by columns.

    Takes:  lives; by: columns, none for all in one.
    Gives:  per group the columns' values and its lives, in the order of the values; missing is "unknown"; no group of
            nobody.
    """
    if not by:
        if len(lives):
            yield {}, lives
        return
    labels = [lives[column].astype("object").where(lives[column].notna(), "unknown") for column in by]
    for values, group in lives.groupby(labels, sort=True):
        yield dict(zip(by, values, strict=True)), group


def at_risk(lives: pd.DataFrame, ages: np.ndarray) -> np.ndarray:
    """How many plants are at risk at each age: entered before it, and not yet gone.

    Takes:  lives; ages (days).
    Gives:  whole numbers. A plant that enters at an age is not at risk at it; one that leaves at it still is.
    """
    entered = np.searchsorted(np.sort(lives["entry_age"].to_numpy(float)), ages, side="left")
    gone = np.searchsorted(np.sort(lives["exit_age"].to_numpy(float)), ages, side="left")
    return entered - gone


def unseen_hazard(lives: pd.DataFrame, start_age: float, ages: np.ndarray, level: float) -> np.ndarray:
    """How much may have been missed by a group that has not lost a plant yet: none seen is not none to come.

    Takes:  lives of one group, without loss (of the cause) up to the ages; start_age; ages (days); level.
    Gives:  upper limit of the hazard added up from start_age to each age: the exact Poisson limit of a count
            of 0, over the plant-days up to the age, times the span; infinite where nobody was at risk. It
            takes the rate as constant over the span.
    """
    entry, leave = (lives[column].to_numpy(float)[:, None] for column in ("entry_age", "exit_age"))
    days = np.clip(np.minimum(leave, ages) - np.maximum(entry, start_age), 0, None).sum(axis=0)
    none = zero_event_limit(level)
    return np.divide(none * (ages - start_age), days, out=np.full(len(ages), np.inf), where=days > 0)


def to_the_end(steps: pd.DataFrame, lives: pd.DataFrame) -> pd.DataFrame:
    """Carry a curve on to the end of follow-up, and mark what is not to be quoted.

    Takes:  steps: the start (first row) and the ages with losses of one group: age_days, at_risk, events and
            whatever the curve holds; lives of the group.
    Gives:  the same rows, with one at the last age with ten at risk and one at the end of follow-up (carried
            on from the step before), and faint: at this row or an earlier one fewer than ten were at risk.
    """
    exits = np.unique(lives["exit_age"].to_numpy(float))
    wanted = {*exits[at_risk(lives, exits) >= MIN_AT_RISK][-1:], exits[-1]} - set(steps["age_days"])
    for age in wanted:
        before = steps[steps["age_days"] < age].tail(1)
        extra = before.assign(age_days=age, events=0, at_risk=at_risk(lives, np.array([age]))[0])
        steps = pd.concat([steps, extra]).sort_values("age_days", ignore_index=True)
    # The first row only says how many were there; a curve is judged at its steps.
    few = steps["at_risk"].lt(MIN_AT_RISK) & (steps.index > 0)
    return steps.assign(faint=few.cummax())
