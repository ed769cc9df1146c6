"""How much an outcome varies between sites and from one period to the next, as these records have it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
import pandas as pd

from plantstats.stats.rates import DAYS_PER_100_YEARS
from plantstats.stats.sample_size import design_effect
from plantstats.trials.outcomes import DRY, LOSSES, SiteDays, in_windows, values

MOST_WINDOWS, LEAST_WINDOWS, LEAST_SITES = 4, 2, 6
YEARS_OF_LOSSES = 2
# "Seldom above 0.25 in practice" is the guidance of Hayes and Bennett 1999 (from memory); few sites tell it badly, so
# that a smaller one is not relied on.
LEAST_CV = 0.25


@dataclass(frozen=True)
class Variation:
    """Components of variance of an outcome, in its unit squared.

    Attributes
    ----------
    outcome : str
        One of `OUTCOMES`.
    weeks : int
        Counted weeks of a period that it is about.
    mean : float
        Of the sites.
    sites, windows : int
        What it rests on.
    between_sites : float
        Between sites.
    within : float
        Between periods of one site, beyond chance.
    chance : dict of int to float
        Mean variance by chance of one site and period, by visit interval in days.
    m : float
        Looks at a site in a period as visited now, harmonic mean; 0 where the outcome is no share.
    """

    outcome: str
    weeks: int
    mean: float
    sites: int
    windows: int
    between_sites: float
    within: float
    chance: dict[int, float]
    m: float = 0.0

    def of_period(self, interval: int) -> float:
        """Variance of one period of a site about the site's own mean.

        Parameters
        ----------
        interval : int
            Days between visits.

        Returns
        -------
        float
        """
        return self.within + self.chance[interval]

    @property
    def rho(self) -> float:
        """Correlation of two looks at one site in one period; missing where the outcome is no share."""
        total = self.mean * (100 - self.mean)
        return (self.between_sites + self.within) / total if self.m and total else float("nan")

    @property
    def eta(self) -> float:
        """Correlation of two looks at one site in different periods; missing where the outcome is no share."""
        total = self.mean * (100 - self.mean)
        return self.between_sites / total if self.m and total else float("nan")

    @property
    def design_effect(self) -> float:
        """Times as many looks as looks at single plants would be wanted, in a crossover."""
        return design_effect(self.m, self.rho, self.eta) if self.m else float("nan")


def windows_before(sites: pd.DataFrame, as_of: date, weeks: int, apart: int) -> pd.DataFrame:
    """The latest periods of the records, of the length that a trial's would have, and as far apart.

    Parameters
    ----------
    sites : pandas.DataFrame
        Sites with site_id and records_from.
    as_of : datetime.date
        The last day that counts.
    weeks : int
        Length of a period.
    apart : int
        Weeks between two periods.

    Returns
    -------
    pandas.DataFrame
        site_id, window (0 is the latest), start, end; up to four windows of each site, within its records.
    """
    rows = []
    for number in range(MOST_WINDOWS):
        end = as_of + timedelta(days=1) - timedelta(weeks=number * (weeks + apart))
        start = end - timedelta(weeks=weeks)
        own = sites[sites["records_from"] <= pd.Timestamp(start)]
        rows.append(own[["site_id"]].assign(window=number, start=start, end=end))
    return pd.concat(rows, ignore_index=True)


def variation(
    days: SiteDays, sites: pd.DataFrame, outcome: str, as_of: date, weeks: int, apart: int, intervals: tuple[int, int]
) -> Variation | None:
    """Estimate the components of variance of an outcome from the records before a trial.

    Parameters
    ----------
    days : SiteDays
        The records by day.
    sites : pandas.DataFrame
        Sites that could take part: site_id, interval (days between visits now), records_from.
    outcome : str
        One of `OUTCOMES`.
    as_of : datetime.date
        The last day that counts.
    weeks, apart : int
        Counted weeks of a period, and weeks between two.
    intervals : tuple of int
        The shorter and the longer interval of the trial.

    Returns
    -------
    Variation or None
        None where fewer than six sites have two such periods on record.

    Notes
    -----
    Two-way analysis of variance, sites by periods, of the sites that have all of the periods used: the mean square left
    over is the variance within sites, and (mean square of sites - that) / periods is the one between them. Of the
    variance within, p (1 - p) / looks is chance (or all of it, where it is less); the rest is a site's own change from
    period to period. Chance grows with the interval, as looks become fewer. Losses: see `_of_losses`.
    """
    if outcome == LOSSES:
        return _of_losses(days, sites, as_of, weeks, intervals)
    counts = in_windows(days, windows_before(sites, as_of, weeks, apart))
    counts = counts.assign(value=values(counts, outcome))
    for windows in range(MOST_WINDOWS, LEAST_WINDOWS - 1, -1):
        used = counts[counts["window"].lt(windows) & counts["value"].notna()]
        complete = used.groupby("site_id")["window"].transform("size").eq(windows)
        if used.loc[complete, "site_id"].nunique() >= LEAST_SITES:
            break
    else:
        return None
    used = used[complete]
    table = used.pivot(index="site_id", columns="window", values="value").to_numpy()
    mean = float(table.mean())
    left = table - table.mean(axis=1, keepdims=True) - table.mean(axis=0, keepdims=True) + mean
    n = len(table)
    residual = float((left**2).sum() / ((n - 1) * (windows - 1)))
    between_sites = max(0.0, float(table.mean(axis=1).var(ddof=1)) - residual / windows)
    if outcome != DRY:
        # A count over days: its chance does not hang on the number of looks.
        return Variation(outcome, weeks, mean, n, windows, between_sites, 0.0, dict.fromkeys(intervals, residual))
    now = used["site_id"].map(sites.set_index("site_id")["interval"]).to_numpy(dtype=float)
    looks, binomial = used["looks"].to_numpy(dtype=float), mean * (100 - mean)
    by_chance = float((binomial / looks).mean())
    # Plants of a site that differ for good vary less from period to period than the binomial says.
    share = min(1.0, residual / by_chance) if by_chance else 1.0
    chance = {interval: share * float((binomial * interval / (looks * now)).mean()) for interval in intervals}
    m = len(looks) / float((1 / looks).sum())
    return Variation(outcome, weeks, mean, n, windows, between_sites, max(0.0, residual - by_chance), chance, m)


def _of_losses(
    days: SiteDays, sites: pd.DataFrame, as_of: date, weeks: int, intervals: tuple[int, int]
) -> Variation | None:
    """Of losses, from the last two years: chance is Poisson, and what sites vary beyond it is found by moments."""
    end = as_of + timedelta(days=1)
    first = pd.Timestamp(end - timedelta(days=round(365.25 * YEARS_OF_LOSSES)))
    start = sites["records_from"].clip(lower=first)
    counts = in_windows(days, sites[["site_id"]].assign(start=start, end=pd.Timestamp(end)))
    counts = counts[counts["plant_days"] > 0]
    if len(counts) < LEAST_SITES or not counts["losses"].sum():
        return None
    mean = float(DAYS_PER_100_YEARS * counts["losses"].sum() / counts["plant_days"].sum())
    by_chance = float((DAYS_PER_100_YEARS * mean / counts["plant_days"]).mean())
    cv = max(LEAST_CV, np.sqrt(max(0.0, float(values(counts, LOSSES).var(ddof=1)) - by_chance)) / mean)
    length = (counts["end"] - counts["start"]).dt.days
    per_period = counts["plant_days"] / length * weeks * 7
    chance = float((DAYS_PER_100_YEARS * mean / per_period).mean())
    return Variation(
        LOSSES, weeks, mean, len(counts), 1, float((cv * mean) ** 2), 0.0, dict.fromkeys(intervals, chance)
    )
