"""Plants that shed beyond what their situation explains."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import optimize, stats

from plantstats import findings
from plantstats.leaves.build import CountIntervals
from plantstats.leaves.inputs import TRANSIENT_CUTS
from plantstats.leaves.model import LeafFit
from plantstats.periods import Period
from plantstats.stats.intervals import CONF_LEVEL, Array

FALSE_DISCOVERY = 0.10  # of the plants named, expected to be named by chance
METHOD = "leaves / expected in the plant's situation; false discoveries held at 10% (Benjamini and Hochberg 1995)"
MAX_SIZE = 1e8  # beyond, rounding costs more than the distribution differs from Poisson
EXCUSES = {"new here": "age_days", "just moved": "moved_days", "just repotted": "repotted_days"}


def plants(intervals: CountIntervals, model: LeafFit, period: Period, client: str = "") -> pd.DataFrame:
    """Every plant's leaves beside what the model expects of its situation.

    Parameters
    ----------
    intervals : CountIntervals
    model : LeafFit
        Fitted on them.
    period : Period
    client : str
        One client's plants, or "" for all.

    Returns
    -------
    pandas.DataFrame
        One row per plant with a count in the period and an interval in the model: plant_id, site_id, species,
        plant_days, leaves (words as the least that they may mean, so that nobody is named for a word), expected,
        variance (of the leaves, widened where plants differ more than the model says), z (standardised residual),
        p_value (of so many leaves or more), q_value (allowing for the number of plants looked at), age_days,
        moved_days, repotted_days (at the last visit; missing = never or unknown).
    """
    sums = intervals.sums_by("plant_id", f"{model.outcome}_lower", period.start, period.end, client)
    mean = sums["combination"].map(model.expected)
    sums = sums.assign(expected=sums["n"] * mean, variance=sums["n"] * (mean + model.fit.alpha * mean**2))
    sums = sums.rename(columns={"sum": "leaves"}).dropna(subset=["expected"])
    rows = sums.groupby("plant_id", as_index=False)[["plant_days", "leaves", "expected", "variance"]].sum()
    if rows.empty:
        return rows.assign(z=[], p_value=[], q_value=[])
    z = (rows["leaves"] - rows["expected"]) / np.sqrt(rows["variance"])
    # Plants differ for reasons that no record tells. Where the middle half of them spreads wider than the model
    # says, that spread is the yardstick (an empirical null, Efron 2004, from memory).
    scale = max(1.0, float(stats.iqr(z) / (2 * stats.norm.ppf(0.75))))
    rows = judged(rows.assign(variance=rows["variance"] * scale**2, z=z / scale))
    return rows.merge(_last_seen(intervals, period), on="plant_id", how="left")


def judged(plants: pd.DataFrame) -> pd.DataFrame:
    """Add the p-value of so many leaves or more, and the q-value among all plants.

    Parameters
    ----------
    plants : pandas.DataFrame
        leaves, expected, variance.

    Returns
    -------
    pandas.DataFrame

    Notes
    -----
    Negative binomial with that mean and variance; half of the probability of exactly so many leaves counts (mid-p):
    counts come in whole steps.

    References
    ----------
    Benjamini and Hochberg 1995, JRSS B 57:289, by scipy.
    """
    leaves, expected = plants["leaves"].to_numpy(), plants["expected"].to_numpy()
    size = _size(expected, plants["variance"].to_numpy())
    share = size / (size + expected)
    p = np.clip(stats.nbinom.sf(leaves, size, share) + stats.nbinom.pmf(leaves, size, share) / 2, 1e-300, 1.0)
    return plants.assign(p_value=p, q_value=stats.false_discovery_control(p))


def shedding(plants: pd.DataFrame, period: Period) -> pd.DataFrame:
    """The plants that stand out.

    Parameters
    ----------
    plants : pandas.DataFrame
        Rows of `plants`.
    period : Period

    Returns
    -------
    pandas.DataFrame
        Findings shedding_plants, and shedding by site, species and plant: leaves / expected with limits. The note
        begins with "new here", "just moved" or "just repotted" where that holds.
    """
    flagged = plants[(plants["q_value"] <= FALSE_DISCOVERY) & (plants["leaves"] > plants["expected"])]
    total = {"estimate": len(flagged), "n_plants": len(plants), "plant_days": plants["plant_days"].sum()}
    total["note"] = f"of {len(plants)} plants looked at"
    parts = [findings.rows(pd.DataFrame([total]), "shedding_plants", period=period.name, unit="plants", method=METHOD)]
    if len(flagged):
        limits = [multiple_limits(p.leaves, p.expected, p.variance) for p in flagged.itertuples()]
        low, high = np.transpose(limits)
        notes = [f"{excuses(p)}{p['leaves']:,.0f} leaves, {p['expected']:,.1f} expected" for _, p in flagged.iterrows()]
        parts.append(
            findings.rows(
                flagged.assign(n_plants=1, note=notes),
                "shedding",
                period=period.name,
                unit="times",
                method=METHOD,
                by=["site_id", "species", "plant_id"],
                conf_level=CONF_LEVEL,
                estimate=flagged["leaves"] / flagged["expected"],
                low=low,
                high=high,
            )
        )
    return pd.concat(parts, ignore_index=True)


def excuses(plant: pd.Series) -> str:
    """What a reader must know of a plant before anything else.

    Parameters
    ----------
    plant : pandas.Series
        One row of `judged`.

    Returns
    -------
    str
        Empty where there is nothing.
    """
    days = {words: plant[column] for words, column in EXCUSES.items()}
    recent = [f"{words} ({n:.0f} days)" for words, n in days.items() if pd.notna(n) and n <= TRANSIENT_CUTS[-1]]
    return ", ".join(recent) + ": " if recent else ""


def multiple_limits(leaves: float, expected: float, variance: float) -> tuple[float, float]:
    """Exact limits of the multiple of the expected leaves.

    Parameters
    ----------
    leaves : float
        Counted.
    expected : float
        By the model.
    variance : float
        Of the count, by the model.

    Returns
    -------
    low, high : float

    Notes
    -----
    The multiples under which so many leaves or more, or so few or fewer, have a probability of (1 - CONF_LEVEL) / 2;
    negative binomial with the size that `expected` and `variance` give.

    Examples
    --------
    Without dispersion, exact Poisson limits over the expected number (10 leaves: 4.795 to 18.390):

    >>> [round(limit, 3) for limit in multiple_limits(10, 4.0, 4.0)]
    [1.199, 4.598]
    """
    size = float(_size(np.asarray(expected), np.asarray(variance)))
    tail = (1 - CONF_LEVEL) / 2

    def share(log_multiple: float) -> float:
        return float(size / (size + expected * np.exp(log_multiple)))

    low = optimize.brentq(lambda m: stats.nbinom.sf(leaves - 1, size, share(m)) - tail, -30, 12)
    high = optimize.brentq(lambda m: stats.nbinom.cdf(leaves, size, share(m)) - tail, -30, 12)
    return float(np.exp(low)), float(np.exp(high))


def _size(expected: Array, variance: Array) -> Array:
    """Size of the negative binomial distribution with this mean and variance; at the largest it is Poisson."""
    spare = np.maximum(variance - expected, expected**2 / MAX_SIZE)
    return np.divide(expected**2, spare, out=np.full_like(spare, MAX_SIZE), where=spare > 0)


def _last_seen(intervals: CountIntervals, period: Period) -> pd.DataFrame:
    return intervals.sql(
        """
        select plant_id, last(site_id order by to_on)::varchar as site_id, any_value(species::varchar) as species,
               last(age_days order by to_on) as age_days, last(moved_days order by to_on) as moved_days,
               last(repotted_days order by to_on) as repotted_days
        from leaf_used where to_on > ? and to_on <= ? group by 1 order by 1""",
        [period.start, period.end],
    )
