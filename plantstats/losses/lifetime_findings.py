"""Findings of survival by age: what may be quoted of curves, causes and comparisons, and why not the rest."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.stats import survival, turnbull
from plantstats.stats.competing_risks import AALEN_JOHANSEN
from plantstats.stats.intervals import CONF_LEVEL
from plantstats.stats.logrank import LogRank
from plantstats.stats.survival_data import (
    MIN_AT_RISK,
    check_lifetimes,
    from_age,
    in_groups,
    quotable_to,
    zero_event_hazard,
)

DELAY_METHOD = "interval-censored survival with delayed entry (Turnbull 1976) against Kaplan-Meier of the days found"
NO_DELAY = 1e-6  # percentage points; the fit stops this near to its goal, not on it


def survival_findings(
    curves: pd.DataFrame,
    lifetimes: pd.DataFrame,
    by: list[str],
    *,
    ages: list[int],
    horizon: int,
    period: str,
    conf_level: float = CONF_LEVEL,
) -> pd.DataFrame:
    """What may be quoted of survival curves.

    Parameters
    ----------
    curves : pandas.DataFrame
        What `survival.curves` gave for these lifetimes and `by`.
    lifetimes : pandas.DataFrame
    by : list of str
    ages : list of int
        Days at which survival is told.
    horizon : int
        Of the restricted mean, in days.
    period : str
        Name of the records' span.
    conf_level : float
        As given to `survival.curves`.

    Returns
    -------
    pandas.DataFrame
        Findings per group: survival at each age (percent), median_life, restricted_mean_life (days). What the records
        cannot tell is missing, and the note says why.
    """
    parts = []
    curve_of = {tuple(values.values()): curve for values, curve in in_groups(curves, by)}
    for values, members in in_groups(check_lifetimes(lifetimes), by):
        curve = curve_of.get(tuple(values.values()))
        if curve is None:
            continue
        group = from_age(members, _start(curve))
        rows = [
            *[_survival_at(curve, group, age, conf_level) for age in ages],
            _median(curve, group),
            _restricted_mean(curve, group, horizon, conf_level),
        ]
        days = float((group["exit_age"] - group["entry_age"]).sum())
        parts.append(
            pd.DataFrame(rows).assign(
                n_plants=group["plant_id"].nunique(),
                losses=int(group["event"].sum()),
                plant_days=days,
                period=period,
                method=survival.KAPLAN_MEIER,
                conf_level=conf_level,
                **values,
            )
        )
    return findings.table(pd.concat(parts, ignore_index=True) if parts else [])


def incidence_findings(
    incidence: pd.DataFrame,
    lifetimes: pd.DataFrame,
    by: list[str],
    *,
    ages: list[int],
    period: str,
    conf_level: float = CONF_LEVEL,
) -> pd.DataFrame:
    """What may be quoted of cumulative incidence.

    Parameters
    ----------
    incidence : pandas.DataFrame
        What `competing_risks.incidence` gave for these lifetimes and `by`.
    lifetimes, by, ages, period, conf_level
        As in `survival_findings`.

    Returns
    -------
    pandas.DataFrame
        Findings: lost_to_cause (percent) per group, cause and age; losses = those by that age. What fewer than ten
        plants at risk would tell is missing, and the note says so.
    """
    rows = []
    members = {tuple(values.values()): group for values, group in in_groups(check_lifetimes(lifetimes), by)}
    for values, curve in in_groups(incidence, [*by, "cause"]):
        start, end = _start(curve), _end(curve)
        group = from_age(members[tuple(values[column] for column in by)], start)
        for age in ages:
            steps = curve[curve["age_days"] <= age]
            why, three = "", [np.nan] * 3
            if steps.empty or age > end:
                why = f"not available: followed from day {start:,.0f} to {end:,.0f}"
            elif bool(steps["few_at_risk"].iloc[-1]):
                why = f"not quoted: fewer than {MIN_AT_RISK} at risk"
            else:
                three = [100 * float(steps[column].iloc[-1]) for column in ("estimate", "low", "high")]
                if three[0] == 0 and age > start:
                    # No loss seen is not none to come.
                    three[2] = 100 * -np.expm1(-_unseen(group, start, age, conf_level))
            rows.append(
                _three(three)
                | {
                    "age_days": age,
                    "n_plants": group["plant_id"].nunique(),
                    "losses": int(steps["events"].sum()),
                    "note": _note(why, start),
                }
                | values
            )
    return findings.table(
        findings.rows(
            pd.DataFrame(rows, columns=None if rows else ["age_days", "cause", *by]),
            "lost_to_cause",
            period=period,
            unit="% of plants",
            method=AALEN_JOHANSEN,
            by=[*by, "cause", "age_days"],
        ).assign(conf_level=conf_level)
    )


def log_rank_findings(test: LogRank, by: list[str], period: str, within: list[str] | None = None) -> pd.DataFrame:
    """A comparison of survival.

    Parameters
    ----------
    test : LogRank
    by : list of str
        As given to `logrank.log_rank`.
    period : str
        Name of the records' span.
    within : list of str, optional
        As given to `logrank.log_rank`.

    Returns
    -------
    pandas.DataFrame
        Findings: survival_logrank_p for all, losses_to_alike per group (missing where none were expected).
    """
    method = "log-rank with delayed entry" + (f", within {', '.join(within)}" if within else "")
    groups = test.groups
    if test.freedom == 0:
        note = "not possible: no losses while two groups stood beside each other"
    else:
        note = f"by {', '.join(by)}: chi-square {test.chi2:.2f} on {test.freedom}"
        if test.left_out:
            note += f"; left out, nothing to compare: {', '.join(test.left_out)}"
    whole = groups[["n_plants", "losses"]].sum().to_frame().T.assign(estimate=test.p, note=note)
    expected = groups["expected"].astype("float64")
    each = groups.assign(
        estimate=groups["losses"].astype("float64") / expected.where(expected > 0),
        note=np.where(expected > 0, "", "not available: nothing to compare with"),
    )
    return findings.table(
        pd.concat(
            [
                findings.rows(whole, "survival_logrank_p", period=period, unit="probability", method=method),
                findings.rows(each, "losses_to_alike", period=period, unit="ratio", method=method, by=by),
            ],
            ignore_index=True,
        )
    )


def detection_delay_findings(
    lifetimes: pd.DataFrame, by: list[str], *, ages: list[int], period: str, start_age: float = 0
) -> pd.DataFrame:
    """How much higher survival looks because losses are dated when found.

    Parameters
    ----------
    lifetimes : pandas.DataFrame
        One row per plant: plant_id, entry_age, exit_age (found), seen_age (last seen alive), event, the `by` columns.
    by, ages, period
        As in `survival_findings`.
    start_age : float
        As in `survival.curves`: a plant found lost after it counts as alive at it.

    Returns
    -------
    pandas.DataFrame
        Findings per group and age: survival_between_visits (percent), detection_delay_shift (percentage points); no
        intervals: a check of the method, not a second result. Missing, with the reason in the note, where fewer than
        ten were at risk or the fit has no answer.

    Raises
    ------
    SurvivalDataError
        For impossible lifetimes.
    """
    rows = []
    for values, group in in_groups(from_age(check_lifetimes(lifetimes), start_age), by):
        lost = group["event"] == 1
        # Never seen since it came: alive at entry. Found on the day it was seen alive: lost on that day.
        seen = group["seen_age"].fillna(group["entry_age"]).clip(upper=group["exit_age"] - lost)
        curve = survival.curves(group, [], start_age)
        last = quotable_to(curve)
        interval_curve, failed = pd.Series(np.nan, ages), ""
        try:
            fit = turnbull.fit_turnbull(
                seen.clip(lower=group["entry_age"]), group["exit_age"].where(lost, np.inf), group["entry_age"]
            )
            interval_curve = turnbull.curve(fit, ages, start_age).set_index("age_days")["estimate"]
        except turnbull.NoAnswerError as no:
            # What to call next is for the programmer who asked; the page gets the reason alone.
            failed = f"not available: {str(no).partition(';')[0]}"
        for age in ages:
            few = "" if start_age <= age <= last else f"not quoted: fewer than ten at risk after day {last:,.0f}"
            why = few or failed
            by_found_day = float(curve.loc[curve["age_days"] <= age, "estimate"].iloc[-1]) if not why else np.nan
            percent = 100 * float(interval_curve[age]) if not why else np.nan
            points = 100 * by_found_day - percent
            common = {"age_days": age, "note": why, "n_plants": group["plant_id"].nunique(), "losses": int(lost.sum())}
            rows.append(common | {"percent": percent, "points": 0.0 if abs(points) < NO_DELAY else points} | values)
    frame = pd.DataFrame(rows, columns=None if rows else ["age_days", "note", "percent", "points", *by])
    columns = (
        ("survival_between_visits", "percent", "% of plants"),
        ("detection_delay_shift", "points", "percentage points"),
    )
    parts = [
        findings.rows(
            frame, measure, period=period, unit=unit, method=DELAY_METHOD, by=[*by, "age_days"], estimate=frame[column]
        )
        for measure, column, unit in columns
    ]
    return findings.table(pd.concat(parts, ignore_index=True))


def _survival_at(curve: pd.DataFrame, group: pd.DataFrame, age: int, conf_level: float) -> dict[str, Any]:
    start, why, three = _start(curve), _why_not(age, curve), [np.nan] * 3
    if not why:
        at = curve[curve["age_days"] <= age].iloc[-1]
        three = [100 * float(at[column]) for column in ("estimate", "low", "high")]
        if three[0] == 100 and age > start:
            three[1] = 100 * np.exp(-_unseen(group, start, age, conf_level))
    return {"measure": "survival", "age_days": age, "unit": "% of plants", "note": _note(why, start)} | _three(three)


def _median(curve: pd.DataFrame, group: pd.DataFrame) -> dict[str, Any]:
    median = survival.median_life(curve)
    why = _why_not(median.estimate, curve)
    if np.isnan(median.estimate):
        lost, n = int(group["event"].sum()), group["plant_id"].nunique()
        why = f"not reached ({lost} of {n} lost, followed up to {_end(curve):,.0f} days)"
    three = [np.nan] * 3 if why else [median.estimate, median.low, median.high]
    return {"measure": "median_life", "unit": "days", "note": _note(why, _start(curve))} | _three(three)


def _restricted_mean(curve: pd.DataFrame, group: pd.DataFrame, horizon: int, conf_level: float) -> dict[str, Any]:
    start, mean = _start(curve), survival.restricted_mean(curve, horizon, conf_level)
    why = _why_not(horizon, curve) or ("" if pd.notna(mean.estimate) else "not available")
    three = [np.nan] * 3 if why else [mean.estimate, mean.low, mean.high]
    if three[0] == horizon - start:
        unseen = _unseen(group, start, horizon, conf_level)
        three[1] = three[0] * -np.expm1(-unseen) / unseen
    unit = f"days of the first {horizon - start:,.0f}"
    return {"measure": "restricted_mean_life", "unit": unit, "note": _note(why, start)} | _three(three)


def _unseen(group: pd.DataFrame, start: float, age: float, conf_level: float) -> float:
    return float(zero_event_hazard(group, start, np.array([float(age)]), conf_level)[0])


def _three(values: list[float]) -> dict[str, float]:
    return dict(zip(("estimate", "low", "high"), map(float, values), strict=True))


def _start(curve: pd.DataFrame) -> float:
    return float(curve["age_days"].iloc[0])


def _end(curve: pd.DataFrame) -> float:
    return float(curve["age_days"].iloc[-1])


def _why_not(age: float, curve: pd.DataFrame) -> str:
    start, end, last = _start(curve), _end(curve), quotable_to(curve)
    if age < start:
        return f"not available: followed from day {start:,.0f} only"
    if age > end:
        return f"not available: followed up to day {end:,.0f} only"
    return f"not quoted: fewer than {MIN_AT_RISK} at risk after day {last:,.0f}" if age > last else ""


def _note(why: str, start: float) -> str:
    since = f"of plants that reached day {start:,.0f}" if start else ""
    return "; ".join(part for part in (why, since) if part)
