"""Survival by age since install, with delayed entry: curves, medians, restricted means."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats
from statsmodels.duration.survfunc import SurvfuncRight

from plantstats import findings
from plantstats.stats.intervals import CONF_LEVEL
from plantstats.stats.lifetimes import MIN_AT_RISK, at_risk, check_lives, from_age, in_groups, to_the_end, unseen_hazard

KAPLAN_MEIER = "Kaplan-Meier with delayed entry, log-log limits"
HALF = 0.5 + 1e-9  # a curve that stands at one half has reached it

findings.define(
    survival="Plants in 100 that are neither dead nor below specification at the given age, counted from "
    "install (or from the age named in the note).",
    median_life="Age in days at which the survival curve first stands at one half or less.",
    restricted_mean_life="Mean days until loss within the first days given in the unit.",
)


class Summary(NamedTuple):
    """An estimate with its standard error and interval."""

    estimate: float
    se: float
    low: float
    high: float


def curves(lives: pd.DataFrame, by: list[str], start_age: float = 0, level: float = CONF_LEVEL) -> pd.DataFrame:
    """Draw the survival curve of each group.

    Takes:  lives: one row per plant: plant_id, entry_age, exit_age (days since install), event (1 lost), the
            `by` columns; start_age: follow only plants that reached this age, from then on; level.
    Gives:  one row per group and step: the by columns, age_days, estimate, low, high, at_risk, events, faint,
            se. First row: start_age, estimate 1; then every age with losses, the last age with ten at risk,
            and the end of follow-up. faint: at this step or an earlier one fewer than ten were at risk, so
            that the value is not to be quoted. Where all that were at risk are lost the curve stays at 0,
            without limits. Before the first loss the lower limit is that of `lives.unseen_hazard`.
    Raises: LivesError for impossible lives.
    Source: Kaplan and Meier 1958, by statsmodels; Greenwood's standard error; limits on the log-log scale
            (Kalbfleisch and Prentice 1980).
    """
    followed = from_age(check_lives(lives), start_age)
    drawn = [_curve(group, start_age, level).assign(**values) for values, group in in_groups(followed, by)]
    columns = [*by, "age_days", "estimate", "low", "high", "at_risk", "events", "faint", "se"]
    return pd.concat(drawn, ignore_index=True)[columns] if drawn else pd.DataFrame(columns=columns)


def safe_start(lives: pd.DataFrame) -> float | None:
    """Offer an age from which to follow, when too few plants were watched at the first losses.

    Takes:  lives.
    Gives:  0 when ten or more were at risk at every loss until the tail; else the first age after which ten
            or more are at risk; None when there never are ten. A curve that falls while two plants are at
            risk is wrong for all later ages too; from the age given, it is not.
    """
    good = check_lives(lives)
    ages = np.unique(np.concatenate([good["entry_age"], good["exit_age"]]).astype(float))
    # The risk set changes only after these ages; it is constant up to the next.
    enough = at_risk(good, np.nextafter(ages, np.inf)) >= MIN_AT_RISK
    if not enough.any():
        return None
    first = float(ages[np.argmax(enough)])
    early = good.loc[(good["event"] == 1) & (good["exit_age"] <= first), "exit_age"]
    return first if len(early) else 0.0


def median_life(curve: pd.DataFrame) -> Summary:
    """Read the median off one curve.

    Takes:  the rows of one group of `curves`.
    Gives:  Summary in days, no standard error: the first age at which the curve stands at one half or less
            (at exactly one half, R gives the middle of the step instead), and the first ages at which its
            lower and upper limits do; missing where they never do.
    Source: Brookmeyer and Crowley 1982, Biometrics 38:29.
    """
    estimate, low, high = (_first_age(curve, column) for column in ("estimate", "low", "high"))
    return Summary(estimate, np.nan, low if pd.notna(estimate) else np.nan, high)


def restricted_mean(curve: pd.DataFrame, horizon: float, level: float = CONF_LEVEL) -> Summary:
    """Mean days lived between the start of one curve and a horizon.

    Takes:  the rows of one group of `curves`; horizon (age in days); level.
    Gives:  Summary in days: the area under the curve. Missing when follow-up ends before the horizon, unless
            the curve is at 0 by then.
    Source: area under Kaplan-Meier; variance sum of area beyond squared x d / (n (n - d)), Klein and
            Moeschberger 2003, section 4.5.
    """
    ages, heights = curve["age_days"].to_numpy(float), curve["estimate"].to_numpy(float)
    if horizon <= ages[0] or (ages[-1] < horizon and heights[-1] > 0):
        return Summary(np.nan, np.nan, np.nan, np.nan)
    inside = ages < horizon
    widths = np.diff(np.append(ages[inside], horizon))
    areas = widths * heights[inside]
    beyond = areas[::-1].cumsum()[::-1]
    n, d = (curve[column].to_numpy(float)[inside] for column in ("at_risk", "events"))
    # A step on which all at risk are lost leaves no area beyond it.
    with_rest = (d > 0) & (n > d)
    variance = np.sum(beyond[with_rest] ** 2 * d[with_rest] / (n[with_rest] * (n[with_rest] - d[with_rest])))
    mean, se = float(areas.sum()), float(np.sqrt(variance))
    reach = stats.norm.isf((1 - level) / 2) * se
    return Summary(mean, se, max(0.0, mean - reach), min(horizon - ages[0], mean + reach))


def quotable_to(curve: pd.DataFrame) -> float:
    """The last age of one curve up to which ten or more were at risk.

    Takes:  the rows of one group of `curves`.
    Gives:  days: its start where there never were ten.
    """
    good = curve.loc[~curve["faint"], "age_days"]
    return float(good.max()) if len(good) else float(curve["age_days"].iloc[0])


def summaries(
    drawn: pd.DataFrame,
    lives: pd.DataFrame,
    by: list[str],
    *,
    ages: list[int],
    horizon: int,
    period: str,
    level: float = CONF_LEVEL,
) -> pd.DataFrame:
    """Put what may be quoted of each curve into findings.

    Takes:  drawn: what `curves` gave for these lives and `by`; ages (days) at which survival is told;
            horizon of the restricted mean; period: the name of the records' span; level as in `curves`.
    Gives:  findings per group: survival at each age (percent), median_life, restricted_mean_life (days). What
            the records cannot tell is missing, and the note says why.
    """
    rows = []
    groups = {tuple(values.values()): group for values, group in in_groups(drawn, by)}
    for values, members in in_groups(check_lives(lives), by):
        curve = groups.get(tuple(values.values()))
        if curve is None:
            continue
        start, end = float(curve["age_days"].iloc[0]), float(curve["age_days"].iloc[-1])
        seen = from_age(members, start)
        counts = {
            "n_plants": int(seen["plant_id"].nunique()),
            "losses": int(seen["event"].sum()),
            "plant_days": float((seen["exit_age"] - seen["entry_age"]).sum()),
        }
        since = f"of plants that reached day {start:,.0f}" if start else ""
        common: dict[str, Any] = {"method": KAPLAN_MEIER, "level": level, **counts, **values}
        last = quotable_to(curve)
        for age in ages:
            at = curve[curve["age_days"] <= age].tail(1)
            why = _why_not(age, start, end, last)
            told = [np.nan] * 3
            if not why:
                told = [100 * float(at[column].iloc[0]) for column in ("estimate", "low", "high")]
                if told[0] == 100 and age > start:
                    told[1] = 100 * float(np.exp(-unseen_hazard(seen, start, np.array([age]), level))[0])
            rows.append(
                findings.finding(
                    "survival", period, *told, unit="% of plants", age_days=age, note=_joined(why, since), **common
                )
            )
        median = median_life(curve)
        why = (
            f"not reached ({counts['losses']} of {counts['n_plants']} lost, followed up to {end:,.0f} days)"
            if np.isnan(median.estimate)
            else _why_not(median.estimate, start, end, last)
        )
        told = [np.nan] * 3 if why else [median.estimate, median.low, median.high]
        rows.append(findings.finding("median_life", period, *told, unit="days", note=_joined(why, since), **common))
        mean = restricted_mean(curve, horizon, level)
        why = _why_not(horizon, start, end, last) or ("" if pd.notna(mean.estimate) else "not available")
        told = [np.nan] * 3 if why else [mean.estimate, mean.low, mean.high]
        if told[0] == horizon - start:
            unseen = unseen_hazard(seen, start, np.array([float(horizon)]), level)[0]
            told[1] = told[0] * float(-np.expm1(-unseen) / unseen)
        rows.append(
            findings.finding(
                "restricted_mean_life",
                period,
                *told,
                unit=f"days of the first {horizon - start:,.0f}",
                note=_joined(why, since),
                **common,
            )
        )
    return findings.table(rows)


def _curve(group: pd.DataFrame, start_age: float, level: float) -> pd.DataFrame:
    first = np.nextafter(start_age, np.inf)
    steps = [
        {
            "age_days": start_age,
            "estimate": 1.0,
            "low": 1.0,
            "high": 1.0,
            "se": 0.0,
            "events": 0,
            "at_risk": int(at_risk(group, np.array([first]))[0]),
        }
    ]
    frame = pd.DataFrame(steps)
    if group["event"].sum() > 0:
        fit = SurvfuncRight(
            group["exit_age"].to_numpy(float), group["event"].to_numpy(int), entry=group["entry_age"].to_numpy(float)
        )
        # After a fall to 0 statsmodels goes on with rounding dust.
        gone = np.cumsum(fit.n_risk == fit.n_events) > 0
        height, se = np.where(gone, 0.0, fit.surv_prob), np.where(gone, np.nan, fit.surv_prob_se)
        low, high = log_log_limits(height, se, level)
        frame = pd.concat(
            [
                frame,
                pd.DataFrame(
                    {
                        "age_days": fit.surv_times,
                        "estimate": height,
                        "low": low,
                        "high": high,
                        "se": se,
                        "events": fit.n_events.astype(int),
                        "at_risk": fit.n_risk.astype(int),
                    }
                ),
            ],
            ignore_index=True,
        )
    frame = to_the_end(frame, group)
    # No loss seen is not none to come.
    whole = (frame["estimate"] == 1) & (frame["age_days"] > start_age)
    unseen = unseen_hazard(group, start_age, frame.loc[whole, "age_days"].to_numpy(float), level)
    frame.loc[whole, "low"] = np.exp(-unseen)
    return frame


def log_log_limits(
    height: npt.NDArray[np.float64], se: npt.NDArray[np.float64], level: float
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Limits of a survival curve that stay between 0 and 1.

    Takes:  heights and their standard errors; level.
    Gives:  lower and upper limits; missing where the height is 0 or 1, or the error is missing.
    Source: height ** exp(+-z se / (height log height)), Kalbfleisch and Prentice 1980.
    """
    inner = np.where((height > 0) & (height < 1), height, np.nan)
    reach = stats.norm.isf((1 - level) / 2) * se / (inner * -np.log(inner))
    return inner ** np.exp(reach), inner ** np.exp(-reach)


def _first_age(curve: pd.DataFrame, column: str) -> float:
    there = curve.loc[curve[column] <= HALF, "age_days"]
    return float(there.iloc[0]) if len(there) else np.nan


def _why_not(age: float, start: float, end: float, last: float) -> str:
    if age < start:
        return f"not available: followed from day {start:,.0f} only"
    if age > end:
        return f"not available: followed up to day {end:,.0f} only"
    return f"not quoted: fewer than {MIN_AT_RISK} at risk after day {last:,.0f}" if age > last else ""


def _joined(*notes: str) -> str:
    return "; ".join(note for note in notes if note)
