"""Survival data: one row per subject with ages at entry, exit and event, checked before any curve is drawn of them."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from plantstats.stats.intervals import CONF_LEVEL, Array, zero_event_limit

MIN_AT_RISK = 10  # fewer at risk: not quoted (common practice, no source)
SHOWN = 5  # subjects named in a message


class SurvivalDataError(ValueError):
    """Lifetimes that cannot have happened; the message names the subjects."""


def check_lifetimes(lifetimes: pd.DataFrame) -> pd.DataFrame:
    """Refuse impossible lifetimes, and give those of no length the one day that they count.

    Parameters
    ----------
    lifetimes : pandas.DataFrame
        One row per subject: entry_age, exit_age (days since the start of its life), event (1 or 0), and plant_id, its
        name in messages.

    Returns
    -------
    pandas.DataFrame
        The same rows. A subject with an event on the day of entry counts one day at risk (exit_age = entry_age + 1),
        as in person-time; one that left without event that day is at risk for none.

    Raises
    ------
    SurvivalDataError
        All faults at once: missing or negative ages, exit before entry, event not 0 or 1.

    Examples
    --------
    >>> one = pd.DataFrame({"plant_id": ["A"], "entry_age": [5], "exit_age": [5], "event": [1]})
    >>> check_lifetimes(one)["exit_age"].tolist()
    [6]
    """
    entry, leave, event = lifetimes["entry_age"], lifetimes["exit_age"], lifetimes["event"]
    rules = {
        "have no age at entry or exit (install date unknown?)": entry.isna() | leave.isna(),
        "enter before they were installed": entry < 0,
        "leave before they enter": leave < entry,
        "have an event that is neither 0 nor 1": ~event.isin([0, 1]),
    }
    faults = [
        f"{int(bad.sum())} plants {what} ({', '.join(lifetimes.loc[bad, 'plant_id'].astype(str).head(SHOWN))})"
        for what, bad in rules.items()
        if bad.any()
    ]
    if faults:
        raise SurvivalDataError(
            "lifetimes: " + "; ".join(faults) + ". Correct these plants, or set them aside by name."
        )
    return lifetimes.assign(exit_age=np.where((event == 1) & (leave == entry), entry + 1, leave))


def from_age(lifetimes: pd.DataFrame, start_age: float) -> pd.DataFrame:
    """Follow only those that reached an age, from that age on.

    Parameters
    ----------
    lifetimes : pandas.DataFrame
        One row per plant: entry_age, exit_age (days), event (1: lost), cause.
    start_age : float
        Days.

    Returns
    -------
    pandas.DataFrame
        Rows that were at risk at or after that age; entry_age is at least `start_age`.

    Examples
    --------
    >>> two = pd.DataFrame({"entry_age": [0, 40], "exit_age": [20, 90]})
    >>> from_age(two, 30).values.tolist()
    [[40, 90]]
    """
    reached = lifetimes[lifetimes["exit_age"] > start_age]
    return reached.assign(entry_age=reached["entry_age"].clip(lower=start_age))


def in_groups(lifetimes: pd.DataFrame, by: list[str]) -> Iterator[tuple[dict[str, Any], pd.DataFrame]]:
    """Split lifetimes by columns.

    Parameters
    ----------
    lifetimes : pandas.DataFrame
    by : list of str
        Columns; none for all in one.

    Yields
    ------
    tuple of dict and pandas.DataFrame
        Per group the columns' values and its rows, in the order of the values; missing is "unknown"; no empty group.

    Examples
    --------
    >>> three = pd.DataFrame({"light": ["low", None, "low"]})
    >>> [(values, len(group)) for values, group in in_groups(three, ["light"])]
    [({'light': 'low'}, 2), ({'light': 'unknown'}, 1)]
    """
    if not by:
        if len(lifetimes):
            yield {}, lifetimes
        return
    labels = [lifetimes[column].astype("object").where(lifetimes[column].notna(), "unknown") for column in by]
    for values, group in lifetimes.groupby(labels, sort=True):
        yield dict(zip(by, values, strict=True)), group


def at_risk(lifetimes: pd.DataFrame, ages: Array) -> npt.NDArray[np.int64]:
    """How many are at risk at each age: entered before it, and not yet gone.

    Parameters
    ----------
    lifetimes : pandas.DataFrame
        One row per plant: entry_age, exit_age (days), event (1: lost), cause.
    ages : numpy.ndarray
        Days, rising.

    Returns
    -------
    numpy.ndarray of int
        One number per age.

    Notes
    -----
    A subject that enters at an age is not at risk at it; one that leaves at it still is.

    Examples
    --------
    >>> two = pd.DataFrame({"entry_age": [0, 40], "exit_age": [60, 90]})
    >>> at_risk(two, np.array([40, 50, 60, 61])).tolist()
    [1, 2, 2, 1]
    """
    entered = np.searchsorted(np.sort(lifetimes["entry_age"].to_numpy(float)), ages, side="left")
    left = np.searchsorted(np.sort(lifetimes["exit_age"].to_numpy(float)), ages, side="left")
    return entered - left


def zero_event_hazard(lifetimes: pd.DataFrame, start_age: float, ages: Array, conf_level: float = CONF_LEVEL) -> Array:
    """How much may have been missed by a group without an event yet: none seen is not none to come.

    Parameters
    ----------
    lifetimes : pandas.DataFrame
        One group, without an event (of the cause) up to the ages.
    start_age : float
        Age from which hazard is added up.
    ages : numpy.ndarray
        Ages in days.
    conf_level : float

    Returns
    -------
    numpy.ndarray
        Upper limit of the hazard added up from `start_age` to each age; infinite where nobody was at risk.

    Notes
    -----
    The exact Poisson limit of a count of 0, over the days at risk up to the age, times the span: the rate is taken as
    constant over the span.

    Examples
    --------
    >>> ten = pd.DataFrame({"entry_age": [0] * 10, "exit_age": [100] * 10})
    >>> zero_event_hazard(ten, 0, np.array([100.0])).round(3).tolist()
    [0.369]
    """
    entry, leave = (lifetimes[column].to_numpy(float)[:, None] for column in ("entry_age", "exit_age"))
    days = np.clip(np.minimum(leave, ages) - np.maximum(entry, start_age), 0, None).sum(axis=0)
    most = zero_event_limit(conf_level) * (ages - start_age)
    return np.divide(most, days, out=np.full(len(ages), np.inf), where=days > 0)


def to_the_end(steps: pd.DataFrame, lifetimes: pd.DataFrame) -> pd.DataFrame:
    """Carry a curve on to the end of follow-up, and mark what is not to be quoted.

    Parameters
    ----------
    steps : pandas.DataFrame
        The start (first row) and the ages with events of one group: age_days, at_risk, events and whatever the curve
        holds.
    lifetimes : pandas.DataFrame
        Of the group.

    Returns
    -------
    pandas.DataFrame
        The same rows, with one at the last age with MIN_AT_RISK at risk and one at the end of follow-up (carried on
        from the step before), and few_at_risk: at this row or an earlier one fewer than MIN_AT_RISK were at risk.

    Examples
    --------
    Ten are at risk at day 50; the curve goes on to the last exit, day 90, not to be quoted:

    >>> steps = pd.DataFrame({"age_days": [0.0, 30.0], "at_risk": [12, 12], "events": [0, 1], "estimate": [1.0, 0.9]})
    >>> lifetimes = pd.DataFrame({"entry_age": 0, "exit_age": [30, *[50] * 10, 90]})
    >>> to_the_end(steps, lifetimes)[["age_days", "estimate", "few_at_risk"]].values.tolist()
    [[0.0, 1.0, False], [30.0, 0.9, False], [50.0, 0.9, False], [90.0, 0.9, True]]
    """
    exits = np.unique(lifetimes["exit_age"].to_numpy(float))
    wanted = {*exits[at_risk(lifetimes, exits) >= MIN_AT_RISK][-1:], exits[-1]} - set(steps["age_days"])
    for age in wanted:
        before = steps[steps["age_days"] < age].tail(1)
        extra = before.assign(age_days=age, events=0, at_risk=at_risk(lifetimes, np.array([age]))[0])
        steps = pd.concat([steps, extra]).sort_values("age_days", ignore_index=True)
    # The first row only says how many were there; a curve is judged at its steps.
    few = steps["at_risk"].lt(MIN_AT_RISK) & (steps.index > 0)
    return steps.assign(few_at_risk=few.cummax())


def quotable_to(curve: pd.DataFrame) -> float:
    """Last age of one curve up to which MIN_AT_RISK or more were at risk: its start where there never were.

    Parameters
    ----------
    curve : pandas.DataFrame
        Rows of one curve: age_days, few_at_risk.

    Returns
    -------
    float
        Days.

    Examples
    --------
    >>> quotable_to(pd.DataFrame({"age_days": [0.0, 30.0, 90.0], "few_at_risk": [False, False, True]}))
    30.0
    """
    good = curve.loc[~curve["few_at_risk"], "age_days"]
    return float(good.max()) if len(good) else float(curve["age_days"].iloc[0])
