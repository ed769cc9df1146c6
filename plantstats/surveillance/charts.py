"""Which charts there are, how their false alarms are shared out, where each signals, and how late."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
import pandas as pd

from plantstats.stats import cusum
from plantstats.stats.intervals import Array
from plantstats.surveillance.weeks import Weekly

HALF_MORE, DOUBLED = 1.5, 2.0
QUARTER_WEEKS, HALF_YEAR_WEEKS = 13, 26
WEEKS_PER_YEAR = 365.25 / 7
BLOCK = 4  # weeks: what lasts longer than one shows in the sums of four
# The company's losses take half of the false alarms that the owner accepts; leaf drop and all groups together a
# quarter each (own choice).
PARTS = {"": 2, "leaves": 1, "groups": 1}
LEAST_A_WEEK = 0.2  # expected losses of a group for which no chart is tried: ten a year


class Design(NamedTuple):
    """A chart before any count.

    Attributes
    ----------
    ratio : float
        The rise that it is made for.
    threshold : float
    dispersion : float
        Variance of a week's count / its expectation.
    weeks_between : float
        Weeks between false alarms, on average.
    weeks_to_half_more, weeks_to_doubled : float
        Weeks until it signals, on average, when losses rise by half, or double, from now on.
    """

    ratio: float
    threshold: float
    dispersion: float
    weeks_between: float
    weeks_to_half_more: float
    weeks_to_doubled: float


@dataclass(frozen=True)
class Charted:
    """A group with its chart.

    Attributes
    ----------
    by, name : str
        As in `Weekly.members`.
    n_plants : int
    variance : float
        Of the log of what is expected.
    design : Design
    weeks : pandas.DataFrame
        Index the Mondays judged; counts, expected, level (of the threshold, in percent), signal, first (Monday after
        the chart last stood at zero).
    """

    by: str
    name: str
    n_plants: int
    variance: float
    design: Design
    weeks: pd.DataFrame

    @property
    def too_small(self) -> bool:
        """Whether no weekly alarm is given: a company in which a doubling takes longer than a quarter to be seen."""
        return not self.by and self.design.weeks_to_doubled > QUARTER_WEEKS

    def alarms(self) -> list[tuple[pd.Timestamp, pd.DatetimeIndex]]:
        """Weeks of alarm, each with the weeks in which its evidence came together.

        Returns
        -------
        list of tuple of pandas.Timestamp, pandas.DatetimeIndex
        """
        weeks = pd.DatetimeIndex(self.weeks.index)
        rows = self.weeks[self.weeks["signal"]]
        return [(week, weeks[(weeks >= row["first"]) & (weeks <= week)]) for week, row in rows.iterrows()]


def dispersion(before: pd.DataFrame) -> float:
    """Variance of counts about their expectation, divided by it, from weeks that are not judged.

    Parameters
    ----------
    before : pandas.DataFrame
        counts, expected; one row per week, oldest first.

    Returns
    -------
    float
        1 or more: the larger of that of weeks and that of sums of four weeks.

    Notes
    -----
    sum (x - m)^2 / sum m, m scaled to the sum of x, with one degree of freedom less.

    Examples
    --------
    Deviations of 2 from 4 expected: 4 / 4, times 8 / 7; four weeks together have none.

    >>> round(dispersion(pd.DataFrame({"counts": [6, 2, 2, 6, 6, 2, 2, 6], "expected": 4.0})), 4)
    1.1429
    """
    total = before.to_numpy("float64")
    whole = len(total) // BLOCK * BLOCK
    blocks = total[len(total) - whole :].reshape(-1, BLOCK, 2).sum(axis=1)
    return max(1.0, _variance_ratio(total), _variance_ratio(blocks))


def _variance_ratio(rows: Array) -> float:
    if len(rows) < 2 or rows[:, 1].sum() <= 0:
        return 1.0
    mean = rows[:, 1] * rows[:, 0].sum() / rows[:, 1].sum()
    if mean.sum() == 0:
        return 1.0
    return float(((rows[:, 0] - mean) ** 2).sum() / mean.sum() * len(rows) / (len(rows) - 1))


def year_pattern(expected: Array) -> Array:
    """Expectation of the weeks of a year to come, from those of the year gone by, in parts of four weeks.

    Parameters
    ----------
    expected : numpy.ndarray
        Of the newest weeks, oldest first; 52 where there are so many.

    Returns
    -------
    numpy.ndarray
        Of as many weeks, at least 1e-6.
    """
    parts = np.array_split(expected, max(round(len(expected) / BLOCK), 1))
    return np.maximum(np.concatenate([np.full(len(part), part.mean()) for part in parts]), 1e-6)


def design(pattern: Array, phi: float, variance: float, weeks_between: float, *, only_doubled: bool) -> Design:
    """A chart that gives one false alarm in so many weeks.

    Parameters
    ----------
    pattern : numpy.ndarray
        Expectation of the weeks of a year, from now on.
    phi : float
        As `dispersion` gives it.
    variance : float
        Of the log of the expectation.
    weeks_between : float
    only_doubled : bool
        Made for a doubling, without looking for a rise of half.

    Returns
    -------
    Design
        For a rise of half where that is seen within a quarter on average; for a doubling otherwise.
    """
    candidate = None if only_doubled else _of_ratio(pattern, phi, variance, weeks_between, HALF_MORE)
    if candidate is not None and candidate.weeks_to_half_more <= QUARTER_WEEKS:
        return candidate
    return _of_ratio(pattern, phi, variance, weeks_between, DOUBLED)


def _of_ratio(pattern: Array, phi: float, variance: float, weeks_between: float, ratio: float) -> Design:
    """A chart for a rise of one ratio."""
    possible = cusum.truths(pattern, phi, ratio, variance)
    threshold = cusum.threshold_for(possible, weeks_between)
    half, double = (
        float(cusum.weeks_to_signal(pattern, phi, ratio, threshold, truth)[0]) for truth in (HALF_MORE, DOUBLED)
    )
    return Design(ratio, threshold, phi, 1 / cusum.false_alarms(possible, threshold), half, double)


def chart(weekly: Weekly, by: str, name: str, of: Design) -> Charted:
    """The weeks of a group under a design.

    Parameters
    ----------
    weekly : Weekly
    by, name : str
        The group.
    of : Design

    Returns
    -------
    Charted
    """
    rows = weekly.series(by, name).loc[weekly.judged]
    mean = np.maximum(rows["expected"].to_numpy(), 1e-6)
    scores = [
        float(
            cusum.log_likelihood_ratio(
                np.array([count]),
                cusum.CountDistribution(m, of.dispersion),
                cusum.CountDistribution(of.ratio * m, of.dispersion),
            )[0]
        )
        for count, m in zip(rows["counts"], mean, strict=True)
    ]
    run = cusum.cusum(np.array(scores), of.threshold)
    weeks = rows.assign(
        level=100 * run.statistic / of.threshold, signal=run.signal, first=weekly.judged[run.first].to_numpy()
    )
    group = weekly.groups[by].loc[name]
    return Charted(by, name, int(group["n_plants"]), float(group["variance"]), of, weeks)


def weeks_of_share(years: float, part: str, parts: list[str], n_charts: int = 1) -> float:
    """Weeks between false alarms of one chart, so that all together give one in so many years.

    Parameters
    ----------
    years : float
        Between false alarms of the whole company.
    part : str
        One of `parts`.
    parts : list of str
        Which of `PARTS` there are.
    n_charts : int
        Among which the share of `part` is divided.

    Returns
    -------
    float

    Examples
    --------
    >>> round(weeks_of_share(5, "", ["", "groups"]) / WEEKS_PER_YEAR, 2)
    7.5
    """
    return years * WEEKS_PER_YEAR * n_charts * sum(PARTS[one] for one in parts) / PARTS[part]


def group_charts(weekly: Weekly, years: float, parts: list[str]) -> list[Charted]:
    """Charts of regions and sites that carry enough expected losses to show a doubling within half a year.

    Parameters
    ----------
    weekly : Weekly
    years : float
        Between false alarms of the whole company.
    parts : list of str
        Which of `PARTS` there are.

    Returns
    -------
    list of Charted
    """
    ways = [by for by in ("region", "site_id") if len(weekly.groups.get(by, ())) > 1]
    tried: list[tuple[str, str, Array, float, float]] = []
    for by in ways:
        series = {name: weekly.series(by, str(name)) for name in weekly.groups[by].index if name}
        phi = _pooled_dispersion([rows.loc[weekly.before] for rows in series.values()])
        for name, rows in series.items():
            pattern = year_pattern(rows.loc[weekly.judged, "expected"].to_numpy())
            if pattern.mean() >= LEAST_A_WEEK:
                tried.append((by, str(name), pattern, phi, float(weekly.groups[by].loc[name, "variance"])))
    enough = [
        one
        for one in tried
        if design(*one[2:], weeks_of_share(years, "groups", parts, len(tried)), only_doubled=True).weeks_to_doubled
        <= HALF_YEAR_WEEKS
    ]
    share = weeks_of_share(years, "groups", parts, max(len(enough), 1))
    return [chart(weekly, one[0], one[1], design(*one[2:], share, only_doubled=True)) for one in enough]


def _pooled_dispersion(series: list[pd.DataFrame]) -> float:
    """One dispersion for all groups of a kind: of those with little to expect none tells its own."""
    weights = [float(rows["expected"].sum()) for rows in series]
    if not series or sum(weights) <= 0:
        return 1.0
    return float(np.average([dispersion(rows) for rows in series], weights=weights))
