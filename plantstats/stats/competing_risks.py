"""Losses by cause: cumulative incidence with delayed entry, and rates of each cause."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import stats

from plantstats import findings
from plantstats.periods import Period
from plantstats.stats.intervals import CONF_LEVEL
from plantstats.stats.lifetimes import MIN_AT_RISK, at_risk, check_lives, from_age, in_groups, to_the_end, unseen_hazard
from plantstats.stats.rates import EXACT, PER_100_YEARS, loss_rate

AALEN_JOHANSEN = "Aalen-Johansen with delayed entry"
CLIENT = "client"  # theft and the client's act: no loss, but the plant can no longer be lost

findings.define(
    lost_to_cause="Plants in 100 that are lost to the cause by the given age, counted from install (or from "
    "the age named in the note), while the other causes are at work too.",
    loss_rate_by_cause="Losses of one recorded cause per 100 plant-years of all plants.",
    loss_rate_by_covered="Losses per 100 plant-years of all plants, by who pays for the replacement: guaranteed (the "
    "company), chargeable (the client), other (not recorded), not_replaced (nobody).",
)


def incidence(lives: pd.DataFrame, by: list[str], start_age: float = 0, level: float = CONF_LEVEL) -> pd.DataFrame:
    """Draw the cumulative incidence of each cause, per group.

    Takes:  lives: one row per plant: plant_id, entry_age, exit_age, event (1 lost), cause (missing:
            "unknown"), the `by` columns, and outcome if there: exits of outcome "client" compete under that
            name; all others without event end follow-up. start_age and level as in `survival.curves`.
    Gives:  one row per group, cause and step: the by columns, cause, age_days, estimate, low, high, at_risk,
            events, faint, se. First row: start_age, estimate 0. Causes are those of all groups, so that a cause that
            took none stands at 0, with the upper limit of `lives.unseen_hazard`. faint as in
            `survival.curves`.
    Keeps:  at each age the causes' estimates and survival of all causes add up to 1.
    Raises: LivesError for impossible lives.
    Source: Aalen and Johansen 1978; variance by the infinitesimal jackknife, as in R's survfit; limits on the
            log-log scale. Never 1 - Kaplan-Meier, which counts plants as still to be lost that another cause
            took.
    """
    followed = from_age(check_lives(lives), start_age).assign(cause=ending)
    kinds = sorted(followed["cause"].dropna().unique())
    drawn = [
        _incidence(group, kind, start_age, level).assign(cause=kind, **values)
        for values, group in in_groups(followed, by)
        for kind in kinds
    ]
    columns = [*by, "cause", "age_days", "estimate", "low", "high", "at_risk", "events", "faint", "se"]
    return pd.concat(drawn, ignore_index=True)[columns] if drawn else pd.DataFrame(columns=columns)


def ending(lives: pd.DataFrame) -> pd.Series:
    """What ended each life, among the causes that compete.

    Takes:  lives: event, cause, and outcome if there.
    Gives:  the cause of a loss ("unknown" where none is noted), "client", or missing where the life only
            ceased to be followed.
    """
    cause = lives["cause"].astype("object")
    kind = cause.where(cause.notna(), "unknown").where(lives["event"] == 1, np.nan)
    if "outcome" in lives.columns:
        kind = kind.mask((lives["event"] == 0) & (lives["outcome"] == CLIENT), CLIENT)
    return kind


def summaries(
    drawn: pd.DataFrame, lives: pd.DataFrame, by: list[str], *, ages: list[int], period: str, level: float = CONF_LEVEL
) -> pd.DataFrame:
    """Put what may be quoted of incidence curves into findings.

    Takes:  drawn: what `incidence` gave for these lives and `by`; ages (days); period: the name of the
            records' span; level as in `incidence`.
    Gives:  findings: lost_to_cause (percent) per group, cause and age; losses = those by that age. What fewer
            than ten plants at risk would tell is missing, and the note says so.
    """
    rows = []
    plants = {tuple(values.values()): group for values, group in in_groups(check_lives(lives), by)}
    for values, curve in in_groups(drawn, [*by, "cause"]):
        group = plants[tuple(values[column] for column in by)]
        start, end = float(curve["age_days"].iloc[0]), float(curve["age_days"].iloc[-1])
        since = f"of plants that reached day {start:,.0f}" if start else ""
        for age in ages:
            upto = curve[curve["age_days"] <= age]
            why = ""
            if upto.empty or age > end:
                why = f"not available: followed from day {start:,.0f} to {end:,.0f}"
            elif bool(upto["faint"].iloc[-1]):
                why = f"not quoted: fewer than {MIN_AT_RISK} at risk"
            last = upto.tail(1)[["estimate", "low", "high"]].to_numpy(float).ravel()
            told = [np.nan] * 3 if why else [100 * float(value) for value in last]
            if told[0] == 0 and age > start:
                # No loss seen is not none to come.
                unseen = unseen_hazard(from_age(group, start), start, np.array([age]), level)
                told[2] = 100 * float(-np.expm1(-unseen)[0])
            rows.append(
                findings.finding(
                    "lost_to_cause",
                    period,
                    *told,
                    unit="% of plants",
                    method=AALEN_JOHANSEN,
                    level=level,
                    n_plants=int(from_age(group, start)["plant_id"].nunique()),
                    losses=int(upto["events"].sum()),
                    note="; ".join(n for n in (why, since) if n),
                    age_days=age,
                    **values,
                )
            )
    return findings.table(rows)


def rates_by_kind(
    losses: pd.DataFrame,
    cells: pd.DataFrame,
    period: Period,
    kind: str = "cause",
    level: float = CONF_LEVEL,
    always: Sequence[str] = (),
) -> pd.DataFrame:
    """The loss rate of each cause, or of what the guarantee covers and what not.

    Takes:  losses: one row per loss row: lost_on (those in the period count), quantity, and the column `kind`
            (cause or covered); cells: the one row of the whole period: n_plants, plant_days; always: values of `kind`
            that are told even where none was lost.
    Gives:  findings: loss_rate_by_cause or loss_rate_by_covered per value of `kind` (missing: "unknown"), all over the
            same plant-days.
    Keeps:  the rates add up to the loss rate of all.
    """
    start, end = pd.Timestamp(period.start), pd.Timestamp(period.end)
    inside = losses[(losses["lost_on"] >= start) & (losses["lost_on"] < end)]
    value = inside[kind].astype("object").where(inside[kind].notna(), "unknown")
    counts = inside.groupby(value)["quantity"].sum()
    counts = counts.reindex(sorted({*counts.index, *always}), fill_value=0)
    whole = cells.iloc[0]
    rate = loss_rate(counts.to_numpy(), np.full(len(counts), float(whole["plant_days"])), level)
    return findings.table(
        [
            findings.finding(
                f"loss_rate_by_{kind}",
                period.name,
                *(float(part[row]) for part in rate),
                unit=PER_100_YEARS,
                method=EXACT,
                n_plants=whole["n_plants"],
                plant_days=whole["plant_days"],
                losses=int(counts.iloc[row]),
                level=level,
                **{kind: name},
            )
            for row, name in enumerate(counts.index)
        ]
    )


class _Steps(NamedTuple):
    """Per age with an exit of any competing cause: at risk, shares lost, survival before, incidence after."""

    ages: npt.NDArray[np.float64]
    n: npt.NDArray[np.float64]
    kind: npt.NDArray[np.float64]
    any_cause: npt.NDArray[np.float64]
    before: npt.NDArray[np.float64]
    height: npt.NDArray[np.float64]


def _incidence(group: pd.DataFrame, kind: str, start_age: float, level: float) -> pd.DataFrame:
    ended = group[group["cause"].notna()]
    ages, counts = np.unique(ended["exit_age"].to_numpy(float), return_counts=True)
    n = at_risk(group, ages).astype(float)
    of_kind = ended.loc[ended["cause"] == kind, "exit_age"].to_numpy(float)
    k = np.bincount(np.searchsorted(ages, of_kind), minlength=len(ages)).astype(float)
    before = np.append(1.0, np.cumprod(1 - counts / n))[: len(ages)]
    height = np.cumsum(before * k / n)
    se = np.sqrt(_variance(group, kind, _Steps(ages, n, k / n, counts / n, before, height)))
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
    low, high = _limits(frame["estimate"].to_numpy(), frame["se"].to_numpy(), level)
    frame = to_the_end(frame.assign(low=low, high=high), group)
    none = (frame["estimate"] == 0) & (frame["age_days"] > start_age)
    unseen = unseen_hazard(group, start_age, frame.loc[none, "age_days"].to_numpy(float), level)
    frame.loc[none, "high"] = -np.expm1(-unseen)
    return frame


def _variance(group: pd.DataFrame, kind: str, steps: _Steps) -> npt.NDArray[np.float64]:
    """Variance of the incidence F(t) at each step: the sum over plants of their squared influence on it.

    F(t) is the sum of S(u-) h(u). Plant i moves h(u) by (its loss - its presence x h) / n(u). A change of the
    cause's own h moves F(t) by S(u-); one of any cause's takes (F(t) - F(u)) / (1 - h(u)) away from what follows.
    So i's influence is D_i(t) - F(t) B_i(t), with D and B sums over the steps it was there. A plant that left
    keeps its D and B; one still there has those of its stretch. Summed in powers of F(t), all t take one pass.
    """
    if not len(steps.ages):
        return np.zeros(0)
    stop = np.divide(1, steps.n * (1 - steps.any_cause), out=np.zeros_like(steps.n), where=steps.any_cause < 1)
    d_falls = np.append(0, np.cumsum(steps.before * steps.kind / steps.n + steps.height * steps.any_cause * stop))
    b_falls = np.append(0, np.cumsum(steps.any_cause * stop))
    first = np.searchsorted(steps.ages, group["entry_age"].to_numpy(float), side="right")
    last = np.searchsorted(steps.ages, group["exit_age"].to_numpy(float), side="right")
    lost, at = group["cause"].notna().to_numpy(), np.maximum(last - 1, 0)
    own = (group["cause"] == kind).to_numpy()
    d = d_falls[first] - d_falls[last] + own * (steps.before / steps.n)[at] + lost * (steps.height * stop)[at]
    b = b_falls[first] - b_falls[last] + lost * stop[at]

    def by_step(where: npt.NDArray[np.int64], values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        sums = np.bincount(where, weights=values, minlength=len(steps.ages) + 1)
        return np.cumsum(sums.astype("float64"))[1:]

    def there(values: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        return by_step(first, values) - by_step(last, values)

    f, p, q = steps.height, d_falls[first], b_falls[first]
    gone = by_step(last, d**2) - 2 * f * by_step(last, d * b) + f**2 * by_step(last, b**2)
    z = d_falls[1:] - f * b_falls[1:]
    staying = (
        there(np.ones_like(p)) * z**2
        - 2 * z * (there(p) - f * there(q))
        + there(p**2)
        - 2 * f * there(p * q)
        + f**2 * there(q**2)
    )
    return np.maximum(gone + staying, 0)


def _limits(
    height: npt.NDArray[np.float64], se: npt.NDArray[np.float64], level: float
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Limits on the log-log scale of 1 - height; at 0 and 1 the height itself."""
    inner = (height > 0) & (height < 1)
    rest = np.where(inner, 1 - height, 0.5)
    reach = np.exp(stats.norm.isf((1 - level) / 2) * se / (rest * -np.log(rest)))
    return np.where(inner, 1 - rest ** (1 / reach), height), np.where(inner, 1 - rest**reach, height)
