"""Competing risks: cumulative incidence of each cause with delayed entry."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from plantstats.stats.intervals import CONF_LEVEL, Array, log_log_limits
from plantstats.stats.survival_data import at_risk, check_lifetimes, from_age, in_groups, to_the_end, zero_event_hazard

AALEN_JOHANSEN = "Aalen-Johansen with delayed entry"
CLIENT = "client"  # an exit without event that competes: what it took can no longer have the event


def incidence(
    lifetimes: pd.DataFrame, by: list[str], start_age: float = 0, conf_level: float = CONF_LEVEL
) -> pd.DataFrame:
    """Cumulative incidence of each cause, per group.

    Parameters
    ----------
    lifetimes : pandas.DataFrame
        One row per subject: plant_id, entry_age, exit_age, event (1 or 0), cause (missing: "unknown"), the `by`
        columns, and outcome if there: exits of outcome "client" compete under that name; all others without event end
        follow-up.
    by : list of str
        Columns that make the groups.
    start_age : float
        As in `survival.curves`.
    conf_level : float

    Returns
    -------
    pandas.DataFrame
        One row per group, cause and step: the `by` columns, cause, age_days, estimate, low, high, at_risk, events,
        few_at_risk, se. First row: start_age, estimate 0. Causes are those of all groups, so that a cause that took
        none stands at 0, with the upper limit of `survival_data.zero_event_hazard`.

    Raises
    ------
    SurvivalDataError
        For impossible lifetimes.

    Notes
    -----
    At each age the causes' estimates and survival of all causes add up to 1. Never 1 - Kaplan-Meier, which counts
    subjects as still to come that another cause took. Variance by the infinitesimal jackknife, as in R's survfit;
    limits on the log-log scale.

    References
    ----------
    Aalen and Johansen 1978, Scandinavian Journal of Statistics 5:141.

    Examples
    --------
    >>> four = pd.DataFrame(
    ...     {
    ...         "plant_id": list("ABCD"),
    ...         "entry_age": 0,
    ...         "exit_age": [10, 20, 30, 40],
    ...         "event": [1, 1, 1, 0],
    ...         "cause": ["pest", "light", "pest", None],
    ...     }
    ... )
    >>> drawn = incidence(four, [])
    >>> drawn[drawn["cause"] == "pest"].groupby("age_days")["estimate"].last().round(4).to_dict()
    {0.0: 0.0, 10.0: 0.25, 20.0: 0.25, 30.0: 0.5, 40.0: 0.5}
    """
    followed = from_age(check_lifetimes(lifetimes), start_age).assign(cause=ending)
    causes = sorted(followed["cause"].dropna().unique())
    parts = [
        _incidence(group, cause, start_age, conf_level).assign(cause=cause, **values)
        for values, group in in_groups(followed, by)
        for cause in causes
    ]
    columns = [*by, "cause", "age_days", "estimate", "low", "high", "at_risk", "events", "few_at_risk", "se"]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)


def ending(lifetimes: pd.DataFrame) -> pd.Series:
    """What ended each lifetime, among the causes that compete.

    Parameters
    ----------
    lifetimes : pandas.DataFrame
        One row per subject: entry_age, exit_age, event, cause.

    Returns
    -------
    pandas.Series
        The cause of an event ("unknown" where none is noted), "client", or missing where follow-up only ended.

    Examples
    --------
    >>> two = pd.DataFrame({"event": [1, 1], "cause": ["pest", None]})
    >>> ending(two).tolist()
    ['pest', 'unknown']
    """
    cause = lifetimes["cause"].astype("object")
    cause = cause.where(cause.notna(), "unknown").where(lifetimes["event"] == 1, np.nan)
    if "outcome" in lifetimes.columns:
        cause = cause.mask((lifetimes["event"] == 0) & (lifetimes["outcome"] == CLIENT), CLIENT)
    return cause


class _Steps(NamedTuple):
    """Per age with an exit of any competing cause: at risk, shares that end, survival before, incidence after."""

    ages: Array
    n: Array
    cause: Array
    any_cause: Array
    before: Array
    height: Array


def _incidence(group: pd.DataFrame, cause: str, start_age: float, conf_level: float) -> pd.DataFrame:
    ended = group[group["cause"].notna()]
    ages, counts = np.unique(ended["exit_age"].to_numpy(float), return_counts=True)
    n = at_risk(group, ages).astype(float)
    of_cause = ended.loc[ended["cause"] == cause, "exit_age"].to_numpy(float)
    k = np.bincount(np.searchsorted(ages, of_cause), minlength=len(ages)).astype(float)
    before = np.append(1.0, np.cumprod(1 - counts / n))[: len(ages)]
    height = np.cumsum(before * k / n)
    se = np.sqrt(_variance(group, cause, _Steps(ages, n, k / n, counts / n, before, height)))
    first = at_risk(group, np.array([np.nextafter(start_age, np.inf)]))
    frame = pd.DataFrame(
        {
            "age_days": np.append(start_age, ages),
            "estimate": np.append(0.0, height),
            "se": np.append(0.0, se),
            "at_risk": np.append(first, n).astype(int),
            "events": np.append(0, k).astype(int),
        }
    )
    # The limits of what is left, turned over; at 0 and 1 the incidence itself.
    rest_low, rest_high = log_log_limits(1 - frame["estimate"], frame["se"], conf_level)
    low, high = (frame["estimate"].where(np.isnan(rest), 1 - rest) for rest in (rest_high, rest_low))
    frame = to_the_end(frame.assign(low=low, high=high), group)
    none = (frame["estimate"] == 0) & (frame["age_days"] > start_age)
    most = zero_event_hazard(group, start_age, frame.loc[none, "age_days"].to_numpy(float), conf_level)
    frame.loc[none, "high"] = -np.expm1(-most)
    return frame


def _variance(group: pd.DataFrame, cause: str, steps: _Steps) -> Array:
    """Variance of the incidence F(t) at each step: the sum over plants of their squared influence on it.

    F(t) is the sum of S(u-) h(u). Plant i moves h(u) by (its loss - its presence x h) / n(u). A change of the
    cause's own h moves F(t) by S(u-); one of any cause's takes (F(t) - F(u)) / (1 - h(u)) away from what follows.
    So i's influence is D_i(t) - F(t) B_i(t), with D and B sums over the steps it was there. A plant that left
    keeps its D and B; one still there has those of its time there. Summed in powers of F(t), all t take one pass.
    """
    if not len(steps.ages):
        return np.zeros(0)
    stop = np.divide(1, steps.n * (1 - steps.any_cause), out=np.zeros_like(steps.n), where=steps.any_cause < 1)
    d_falls = np.append(0, np.cumsum(steps.before * steps.cause / steps.n + steps.height * steps.any_cause * stop))
    b_falls = np.append(0, np.cumsum(steps.any_cause * stop))
    first = np.searchsorted(steps.ages, group["entry_age"].to_numpy(float), side="right")
    last = np.searchsorted(steps.ages, group["exit_age"].to_numpy(float), side="right")
    lost, at = group["cause"].notna().to_numpy(), np.maximum(last - 1, 0)
    own = (group["cause"] == cause).to_numpy()
    d = d_falls[first] - d_falls[last] + own * (steps.before / steps.n)[at] + lost * (steps.height * stop)[at]
    b = b_falls[first] - b_falls[last] + lost * stop[at]

    def by_step(where: npt.NDArray[np.int64], values: Array) -> Array:
        sums = np.bincount(where, weights=values, minlength=len(steps.ages) + 1)
        return np.cumsum(sums.astype("float64"))[1:]

    def there(values: Array) -> Array:
        return by_step(first, values) - by_step(last, values)

    f, p, q = steps.height, d_falls[first], b_falls[first]
    ended = by_step(last, d**2) - 2 * f * by_step(last, d * b) + f**2 * by_step(last, b**2)
    z = d_falls[1:] - f * b_falls[1:]
    staying = (
        there(np.ones_like(p)) * z**2
        - 2 * z * (there(p) - f * there(q))
        + there(p**2)
        - 2 * f * there(p * q)
        + f**2 * there(q**2)
    )
    return np.maximum(ended + staying, 0)
