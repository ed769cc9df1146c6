"""Survival by age with delayed entry: curves, medians, restricted means."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd
from statsmodels.duration.survfunc import SurvfuncRight

from plantstats.stats.intervals import CONF_LEVEL, log_log_limits, quantile
from plantstats.stats.survival_data import (
    MIN_AT_RISK,
    at_risk,
    check_lifetimes,
    from_age,
    in_groups,
    to_the_end,
    zero_event_hazard,
)

KAPLAN_MEIER = "Kaplan-Meier with delayed entry, log-log limits"
HALF = 0.5 + 1e-9  # a curve that stands at one half has reached it


class Summary(NamedTuple):
    """An estimate with its standard error and interval."""

    estimate: float
    se: float
    low: float
    high: float


def curves(
    lifetimes: pd.DataFrame, by: list[str], start_age: float = 0, conf_level: float = CONF_LEVEL
) -> pd.DataFrame:
    """Survival curve of each group.

    Parameters
    ----------
    lifetimes : pandas.DataFrame
        One row per subject: plant_id, entry_age, exit_age (days), event (1 or 0), and the `by` columns.
    by : list of str
        Columns that make the groups; none for one curve.
    start_age : float
        Follow only those that reached this age, from then on.
    conf_level : float

    Returns
    -------
    pandas.DataFrame
        One row per group and step: the `by` columns, age_days, estimate, low, high, at_risk, events, few_at_risk, se.
        First row: start_age, estimate 1; then every age with events, the last age with ten at risk, and the end of
        follow-up. few_at_risk: at this step or an earlier one fewer than ten were at risk, so that the value is not to
        be quoted. Where all that were at risk have an event the curve stays at 0, without limits. Before the first
        event the lower limit is that of `survival_data.zero_event_hazard`.

    Raises
    ------
    SurvivalDataError
        For impossible lifetimes.

    References
    ----------
    Kaplan and Meier 1958, by statsmodels; Greenwood's standard error; limits on the log-log scale (Kalbfleisch and
    Prentice 1980).

    Examples
    --------
    >>> three = pd.DataFrame(
    ...     {"plant_id": ["A", "B", "C"], "entry_age": [0, 0, 50], "exit_age": [30, 90, 120], "event": [1, 0, 1]}
    ... )
    >>> curves(three, [])[["age_days", "estimate", "at_risk"]].values.tolist()
    [[0.0, 1.0, 2.0], [30.0, 0.5, 2.0], [120.0, 0.0, 1.0]]
    """
    followed = from_age(check_lifetimes(lifetimes), start_age)
    parts = [_curve(group, start_age, conf_level).assign(**values) for values, group in in_groups(followed, by)]
    columns = [*by, "age_days", "estimate", "low", "high", "at_risk", "events", "few_at_risk", "se"]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)


def safe_start(lifetimes: pd.DataFrame) -> float | None:
    """An age from which to follow, when too few were watched at the first events.

    Parameters
    ----------
    lifetimes : pandas.DataFrame
        As in `curves`.

    Returns
    -------
    float or None
        0 when ten or more were at risk at every event until the tail; else the first age after which ten or more are;
        None when there never are ten.

    Notes
    -----
    A curve that falls while two are at risk is wrong for all later ages too; from the age given, it is not.

    Examples
    --------
    Twelve plants, of which eleven come under observation at day 15, after the first loss:

    >>> twelve = pd.DataFrame({"entry_age": [0, *[15] * 11], "exit_age": range(10, 130, 10), "event": 1})
    >>> safe_start(twelve.assign(plant_id=range(12)))
    15.0
    """
    good = check_lifetimes(lifetimes)
    ages = np.unique(np.concatenate([good["entry_age"], good["exit_age"]]).astype(float))
    # The risk set changes only after these ages; it is constant up to the next.
    enough = at_risk(good, np.nextafter(ages, np.inf)) >= MIN_AT_RISK
    if not enough.any():
        return None
    first = float(ages[np.argmax(enough)])
    early = good.loc[(good["event"] == 1) & (good["exit_age"] <= first), "exit_age"]
    return first if len(early) else 0.0


def median_life(curve: pd.DataFrame) -> Summary:
    """Median of one curve.

    Parameters
    ----------
    curve : pandas.DataFrame
        Rows of one group of `curves`.

    Returns
    -------
    Summary
        In days, without standard error: the first age at which the curve stands at one half or less (at exactly one
        half, R gives the middle of the step instead), and the first ages at which its lower and upper limits do;
        missing where they never do.

    References
    ----------
    Brookmeyer and Crowley 1982, Biometrics 38:29.

    Examples
    --------
    >>> twelve = pd.DataFrame({"plant_id": range(12), "entry_age": 0, "exit_age": range(10, 130, 10), "event": 1})
    >>> median_life(curves(twelve, [])).estimate
    60.0
    """
    estimate, low, high = (_first_age(curve, column) for column in ("estimate", "low", "high"))
    return Summary(estimate, np.nan, low if pd.notna(estimate) else np.nan, high)


def restricted_mean(curve: pd.DataFrame, horizon: float, conf_level: float = CONF_LEVEL) -> Summary:
    """Mean days lived between the start of one curve and a horizon.

    Parameters
    ----------
    curve : pandas.DataFrame
        Rows of one group of `curves`.
    horizon : float
        Age in days.
    conf_level : float

    Returns
    -------
    Summary
        In days: the area under the curve. Missing when follow-up ends before the horizon, unless the curve is at 0 by
        then.

    Notes
    -----
    Variance: the sum over events of (area beyond) squared x d / (n (n - d)).

    References
    ----------
    Klein and Moeschberger 2003, Survival Analysis, section 4.5.

    Examples
    --------
    All are lost by the horizon, so that it is the plain mean of 10, 20, ... 120 days:

    >>> twelve = pd.DataFrame({"plant_id": range(12), "entry_age": 0, "exit_age": range(10, 130, 10), "event": 1})
    >>> round(restricted_mean(curves(twelve, []), 120).estimate, 6)
    65.0
    """
    ages, heights = curve["age_days"].to_numpy(float), curve["estimate"].to_numpy(float)
    if horizon <= ages[0] or (ages[-1] < horizon and heights[-1] > 0):
        return Summary(np.nan, np.nan, np.nan, np.nan)
    inside = ages < horizon
    areas = np.diff(np.append(ages[inside], horizon)) * heights[inside]
    beyond = areas[::-1].cumsum()[::-1]
    n, d = (curve[column].to_numpy(float)[inside] for column in ("at_risk", "events"))
    # A step on which all at risk have an event leaves no area beyond it.
    with_rest = (d > 0) & (n > d)
    variance = np.sum(beyond[with_rest] ** 2 * d[with_rest] / (n[with_rest] * (n[with_rest] - d[with_rest])))
    mean, se = float(areas.sum()), float(np.sqrt(variance))
    half_width = quantile(conf_level) * se
    return Summary(mean, se, max(0.0, mean - half_width), min(horizon - ages[0], mean + half_width))


def _curve(group: pd.DataFrame, start_age: float, conf_level: float) -> pd.DataFrame:
    at_start = int(at_risk(group, np.array([np.nextafter(start_age, np.inf)]))[0])
    frame = pd.DataFrame(
        {"age_days": [start_age], "estimate": 1.0, "low": 1.0, "high": 1.0, "se": 0.0, "events": 0, "at_risk": at_start}
    )
    if group["event"].sum() > 0:
        fit = SurvfuncRight(
            group["exit_age"].to_numpy(float), group["event"].to_numpy(int), entry=group["entry_age"].to_numpy(float)
        )
        # After a fall to 0 statsmodels goes on with rounding dust.
        none_left = np.cumsum(fit.n_risk == fit.n_events) > 0
        height, se = np.where(none_left, 0.0, fit.surv_prob), np.where(none_left, np.nan, fit.surv_prob_se)
        low, high = log_log_limits(height, se, conf_level)
        steps = pd.DataFrame(
            {
                "age_days": fit.surv_times,
                "estimate": height,
                "low": low,
                "high": high,
                "se": se,
                "events": fit.n_events.astype(int),
                "at_risk": fit.n_risk.astype(int),
            }
        )
        frame = pd.concat([frame, steps], ignore_index=True)
    frame = to_the_end(frame, group)
    # No event seen is not none to come.
    whole = (frame["estimate"] == 1) & (frame["age_days"] > start_age)
    most = zero_event_hazard(group, start_age, frame.loc[whole, "age_days"].to_numpy(float), conf_level)
    frame.loc[whole, "low"] = np.exp(-most)
    return frame


def _first_age(curve: pd.DataFrame, column: str) -> float:
    there = curve.loc[curve[column] <= HALF, "age_days"]
    return float(there.iloc[0]) if len(there) else np.nan
