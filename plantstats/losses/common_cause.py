"""Losses that one event made: they are no sign of what a place or a season does, and stand apart from every fit."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import pandas as pd
from scipy import special

from plantstats.exposure.inputs import LONG

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime

# Causes that name an event of the building themselves.
NAMED_CAUSES = ("building_failure",)
FEWEST_LOSSES = 3  # two losses are no event
NO_CAUSE = ("unknown", "died", "decline")  # words that name no cause, so that nothing ties such losses together
# Plants killed at once are found over several visits: by a named cause, found within two of the rarest usual rounds of
# 28 days of one another (common practice, no source); otherwise within WINDOW days.
NAMED_GAP, WINDOW = pd.Timedelta(days=56), 14
# False alarms per company and year that the threshold allows.
FALSE_ALARMS = 0.05
# Relative standard deviation of the rates of a company's sites, known before the site's own losses (design rule: twice
# as many as its like is unusual for a site, three times rare).
SITE_SD = 0.5
MARGIN_PRIOR = 5.0  # losses, at as many expected, that shrink the ratio of a month or an age to 1
DAYS_PER_YEAR = 365.25
# Plants that an event left alive drop leaves for weeks after it (common practice, no source).
AFTERMATH = pd.Timedelta(days=30)


@dataclass(frozen=True)
class CommonCause:
    """Events on record.

    Attributes
    ----------
    events : pandas.DataFrame
        One row per event, oldest first: event (number), site_id, client_id, cause (the most frequent), first_on,
        last_on (days on which its losses were found), losses, plants (in place at the site when it began), p_value (of
        the cluster; missing where the cause names the event).
    losses : pandas.DataFrame
        Their losses, rows of `PlantTime.losses`, with event.
    site_years : float
        Time for which sites of at least `FEWEST_LOSSES` plants were followed.
    """

    events: pd.DataFrame
    losses: pd.DataFrame
    site_years: float

    @property
    def n_losses(self) -> int:
        """Plants lost to events."""
        return int(self.losses["quantity"].sum())

    @property
    def shaken(self) -> pd.DataFrame:
        """Sites and the days on which an event may have shaken their plants, those that lived among them.

        One row per event: site_id, from_on (the day after its first plant was last seen alive), to_on (`AFTERMATH`
        after its last loss was found).
        """
        begun = self.losses["seen_on"].fillna(self.losses["found_on"])
        rows = self.losses.assign(from_on=begun + pd.Timedelta(days=1), to_on=self.losses["found_on"] + AFTERMATH)
        by_event = rows.groupby("event", as_index=False)
        return by_event.agg(site_id=("site_id", "first"), from_on=("from_on", "min"), to_on=("to_on", "max")).drop(
            columns="event"
        )


def common_cause(time: PlantTime) -> CommonCause:
    """Find the events among losses.

    Parameters
    ----------
    time : PlantTime

    Returns
    -------
    CommonCause

    Notes
    -----
    An event is at least three losses at one site that either bear a cause that names it (building failure; no gap of
    more than 56 days between the days on which they were found), or were found within 14 days of one another though the
    site's own rate makes so many improbable. For the latter, the losses of a window are negative binomial: Poisson with
    a rate that is gamma (relative standard deviation `SITE_SD`) before the site's losses outside the window are
    counted, times what the company loses at such ages in such months. As losses found late were lost earlier, the
    window is lengthened by the days since those plants were last seen (median), or between days on which the company
    finds losses, whichever is longer. Stragglers of its most frequent cause, by the rule for named ones, join it. A
    window is an event when its tail probability, times the windows that sites of a
    year hold (one may begin every 7 days), is below `FALSE_ALARMS`. The least probable window is taken first, and the
    search repeated without it.

    References
    ----------
    Scan statistics: Naus 1965, JASA 60:532; Wallenstein 1980, American Journal of Epidemiology 111:367 (from memory).
    The predictive distribution: Clayton and Kaldor 1987, Biometrics 43:671.
    """
    rows = time.losses.reset_index(drop=True)
    months = time.exposure_table(["site_id", "month"])
    big = months[months["n_plants"] >= FEWEST_LOSSES]
    site_years = float(len(big)) / 12
    event = _named(rows)
    if site_years > 0:
        daily = _expected_by_day(time, rows[event.number >= 0], "losses")
        _clusters(rows, event, daily, windows=big["site_id"].nunique() * DAYS_PER_YEAR / (WINDOW / 2))
    inside = rows.assign(event=event.number, p_value=event.p_value)[event.number >= 0]
    order = inside.groupby("event")["found_on"].min().sort_values(kind="stable").index
    inside = inside.assign(event=inside["event"].map({name: n for n, name in enumerate(order)}))
    return CommonCause(_described(inside, time), inside.drop(columns="p_value"), site_years)


def ordinary(time: PlantTime) -> PlantTime:
    """Plant-time in which plants lost to an event are followed up to it, and their losses do not count.

    Parameters
    ----------
    time : PlantTime

    Returns
    -------
    PlantTime
        The same one where no event is on record.
    """
    return time.censored_at(common_cause(time).losses)


def withdrawn_together(time: PlantTime) -> int:
    """Plants taken out alive in clusters at one site that chance does not explain: a floor given up, a lease ended.

    Parameters
    ----------
    time : PlantTime

    Returns
    -------
    int
        By the rule for unnamed events (see `common_cause`), with no lag between exit and record.
    """
    rows = time.exits
    rows = rows[rows["outcome"].eq("withdrawn") & rows["n_removed"].gt(0)].reset_index(drop=True)
    rows = rows.assign(quantity=rows["n_removed"], seen_on=rows["found_on"])
    labels = _Labels(np.full(len(rows), -1), np.full(len(rows), np.nan))
    months = time.exposure_table(["site_id", "month"])
    big = months[months["n_plants"] >= FEWEST_LOSSES]
    windows = big["site_id"].nunique() * DAYS_PER_YEAR / (WINDOW / 2)
    _clusters(rows, labels, _expected_by_day(time, rows.head(0), "withdrawn"), windows)
    return int(rows.loc[labels.number >= 0, "quantity"].sum())


@dataclass
class _Labels:
    """The event of each loss row (-1: none) and the probability of its cluster."""

    number: np.ndarray
    p_value: np.ndarray

    def add(self, rows: np.ndarray, p_value: float = np.nan) -> None:
        self.number[rows], self.p_value[rows] = self.number.max(initial=-1) + 1, p_value


def _named(rows: pd.DataFrame) -> _Labels:
    """Losses of a cause that names an event, chained while no gap is longer than NAMED_GAP."""
    labels = _Labels(np.full(len(rows), -1), np.full(len(rows), np.nan))
    named = rows[rows["cause"].isin(NAMED_CAUSES)].sort_values(["site_id", "found_on"], kind="stable")
    begins = named.groupby("site_id")["found_on"].diff().gt(NAMED_GAP)
    for _, chain in named.groupby(["site_id", begins.groupby(named["site_id"]).cumsum()]):
        if chain["quantity"].sum() >= FEWEST_LOSSES:
            labels.add(chain.index.to_numpy())
    return labels


def _clusters(rows: pd.DataFrame, labels: _Labels, expected: dict[str, _Cumulated], windows: float) -> None:
    """Label windows of a site with more exits than chance and its own rate explain."""
    free = labels.number < 0
    company_gap = float(rows["found_on"].drop_duplicates().sort_values().diff().dt.days.median())
    gap = 0.0 if np.isnan(company_gap) else company_gap
    columns = ["site_id", "found_on", "seen_on", "quantity", "cause"]
    ordered = rows.loc[free, columns].sort_values("found_on", kind="stable")
    number, exits = ordered.index.to_numpy(), _Exits.of(ordered)
    for site, at in ordered.groupby("site_id").indices.items():
        left, cumulated = exits.chosen(at), expected.get(str(site))
        if cumulated is None or left.quantity.sum() < FEWEST_LOSSES:
            continue
        if _least_possible(left.found_on, left.quantity, cumulated, gap) * windows >= FALSE_ALARMS:
            continue
        of_site = number[at]
        while left.quantity.sum() >= FEWEST_LOSSES:
            p_value, window = _least_probable(left, cumulated, gap)
            if p_value * windows >= FALSE_ALARMS:
                break
            window = _with_stragglers(left, window)
            labels.add(of_site[window], p_value)
            of_site, left = of_site[~window], left.chosen(~window)


class _Exits(NamedTuple):
    """Exits in order of the day on which they were found: days since last seen, plants, number of the cause.

    Causes are numbered as the alphabet has them; those in `tying` name one that ties exits together.
    """

    found_on: np.ndarray
    lag: np.ndarray
    quantity: np.ndarray
    cause: np.ndarray
    tying: np.ndarray

    @classmethod
    def of(cls, ordered: pd.DataFrame) -> _Exits:
        cause, names = pd.factorize(ordered["cause"].fillna("unknown"), sort=True)
        lag = (ordered["found_on"] - ordered["seen_on"]).dt.days.to_numpy("float64")
        quantity = ordered["quantity"].to_numpy("float64")
        return cls(ordered["found_on"].to_numpy(), lag, quantity, cause, ~names.isin(NO_CAUSE))

    def chosen(self, at: np.ndarray) -> _Exits:
        return _Exits(self.found_on[at], self.lag[at], self.quantity[at], self.cause[at], self.tying)


def _with_stragglers(exits: _Exits, window: np.ndarray) -> np.ndarray:
    """A window and those losses of its most frequent cause that a chain of gaps up to NAMED_GAP ties to it."""
    cause = np.bincount(exits.cause[window]).argmax()
    if not exits.tying[cause]:
        return window
    like = np.flatnonzero(window | (exits.cause == cause))
    found_on = exits.found_on[like]
    chain = np.cumsum(np.diff(found_on, prepend=found_on[:1]) > NAMED_GAP.to_timedelta64())
    tied = np.zeros(len(window), dtype=bool)
    tied[like[np.isin(chain, chain[window[like]])]] = True
    return tied


def _least_possible(found_on: np.ndarray, quantity: np.ndarray, cumulated: _Cumulated, company_gap: float) -> float:
    """A bound below what `_least_probable` gives: windows lengthened by no plant's lag hold the fewest expected."""
    ends = np.searchsorted(found_on, found_on + np.timedelta64(WINDOW, "D"))
    so_far = np.concatenate([[0.0], quantity.cumsum()])
    n = so_far[ends] - so_far[:-1]
    before = np.timedelta64(round(min(company_gap, LONG)), "D")
    p_values = cumulated.p_value(n, quantity.sum(), found_on - before, found_on + np.timedelta64(WINDOW, "D"))
    return float(p_values[n >= FEWEST_LOSSES].min(initial=1.0))


def _least_probable(exits: _Exits, cumulated: _Cumulated, company_gap: float) -> tuple[float, np.ndarray]:
    """The window of one site's losses that chance makes least often: its tail probability, and which they are."""
    found_on, quantity = exits.found_on, exits.quantity
    ends = np.searchsorted(found_on, found_on + np.timedelta64(WINDOW, "D"))
    so_far = np.concatenate([[0.0], quantity.cumsum()])
    n = so_far[ends] - so_far[:-1]
    starts = np.flatnonzero(n >= FEWEST_LOSSES)
    lags = [min(max(np.median(exits.lag[start : ends[start]]), company_gap), LONG) for start in starts]
    before = np.rint(lags).astype("timedelta64[D]")
    until = found_on[starts] + np.timedelta64(WINDOW, "D")
    p_values = cumulated.p_value(n[starts], quantity.sum(), found_on[starts] - before, until)
    window = np.zeros(len(quantity), dtype=bool)
    if p_values.min(initial=1.0) >= 1.0:
        return 1.0, window
    least = int(p_values.argmin())
    window[starts[least] : ends[starts[least]]] = True
    return float(p_values[least]), window


class _Cumulated(NamedTuple):
    """Exits of a site expected before the first day of each of its months, and before the day after the last."""

    day: np.ndarray
    expected: np.ndarray

    def p_value(self, n: Any, lost: float, begins: Any, ends: Any) -> Any:
        """Chance of `n` losses or more between two days at a site that lost so many, negative binomial."""
        begin, end = (np.interp(day.astype("datetime64[D]").astype("float64"), *self) for day in (begins, ends))
        inside = np.maximum(end - begin, 1e-9)
        shape = 1 / SITE_SD**2
        # scipy's nbinom.sf, without its checks at every window.
        return special.betainc(n, shape + lost - n, inside / (shape + self.expected[-1]))


def _expected_by_day(time: PlantTime, events: pd.DataFrame, count: str) -> dict[str, _Cumulated]:
    """Exits (a column of the exposure table, less those of events) to be expected up to each day, by site.

    By the company's rates by age and by month of the year.
    """
    keys = ["site_id", "month", "age_band"]
    table = time.exposure_table(keys, count_plants=False)
    lost = table[count].astype("float64")
    if len(events):
        taken = events.groupby(keys, as_index=False)["quantity"].sum()
        lost -= table[keys].merge(taken, on=keys, how="left")["quantity"].fillna(0).to_numpy()
    days = table["plant_days"].astype("float64")
    if days.sum() == 0 or lost.sum() == 0:
        return {}
    value = days * lost.sum() / days.sum()
    for margin in (table["age_band"], table["month"].dt.month):
        sums = pd.DataFrame({"lost": lost, "expected": value}).groupby(margin).sum()
        value = value * margin.map((sums["lost"] + MARGIN_PRIOR) / (sums["expected"] + MARGIN_PRIOR))
    by_month = value.groupby([table["site_id"], table["month"]], observed=True).sum().reset_index(name="expected")
    months, expected = by_month["month"].to_numpy("datetime64[M]"), by_month["expected"].to_numpy()
    sites, begins = np.unique(by_month["site_id"].to_numpy("str"), return_index=True)
    edges = {}
    for site, low, high in zip(sites, begins, [*begins[1:], len(by_month)], strict=True):
        # A month without plants begins and ends with the same sum.
        firsts = months[low:high].astype("datetime64[D]").astype("float64")
        ends = (months[low:high] + 1).astype("datetime64[D]").astype("float64")
        after = expected[low:high].cumsum()
        day = np.column_stack([firsts, ends]).ravel()
        edges[str(site)] = _Cumulated(day, np.column_stack([after - expected[low:high], after]).ravel())
    return edges


def _described(inside: pd.DataFrame, time: PlantTime) -> pd.DataFrame:
    """One row per event."""
    columns = ["event", "site_id", "client_id", "cause", "first_on", "last_on", "losses", "plants", "p_value"]
    if inside.empty:
        return pd.DataFrame(columns=columns)
    grouped = inside.assign(cause=inside["cause"].fillna("unknown")).groupby("event")
    events = grouped.agg(
        site_id=("site_id", "first"),
        client_id=("client_id", "first"),
        first_on=("found_on", "min"),
        last_on=("found_on", "max"),
        begun_on=("lost_on", "min"),
        losses=("quantity", "sum"),
        p_value=("p_value", "first"),
    ).reset_index()
    by_cause = inside.assign(cause=inside["cause"].fillna("unknown")).groupby(["event", "cause"])["quantity"].sum()
    cause = (
        by_cause.reset_index()
        .sort_values(["quantity", "cause"], ascending=[False, True])
        .groupby("event")["cause"]
        .first()
    )
    plants = [
        int(
            time.query(
                "select coalesce(sum(plants), 0)::bigint as n from episodes "
                "where site_id::varchar = $site and from_on <= $day and to_on > $day",
                {"site": row.site_id, "day": row.begun_on.date()},
            )["n"].iloc[0]
        )
        for row in events.itertuples()
    ]
    plants = np.maximum(plants, events["losses"])
    return events.assign(cause=events["event"].map(cause), plants=plants)[columns]
