"""Findings on pests: how often plants are found with them, whether they go round, what a finding foretells."""

from __future__ import annotations

from datetime import date
from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.pests import transmission
from plantstats.pests.inspections import Inspections, at_risk
from plantstats.schema.pests import PESTS
from plantstats.stats.clusters import FEWEST_CLUSTERS, RateBetween, ratio_of_sums
from plantstats.stats.contagion import Cases, by_chance, neighbour_ratio
from plantstats.stats.intervals import CONF_LEVEL, WIDEST
from plantstats.stats.mantel_haenszel import rate_ratio_within
from plantstats.stats.rates import DAYS_PER_100_YEARS, PER_100_YEARS, loss_rate

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime

AFTER = 90  # days for which a finding is followed
FEWEST_CASES = 10  # first findings of a pest with which its spread is told
RATE = "first findings over days between looks; exact limits, or those between sites where wider"
NEIGHBOURS = "Mantel-Haenszel ratio within pest and week, limits by leaving out each site"
CHANCE = f"dates exchanged among findings of one pest, seed {transmission.SEED}"
WITHIN = "Mantel-Haenszel ratio within sites, limits by leaving out each site"
# How findings are split, beside all together.
SPLITS = ((), ("species",), ("light",), ("season",), ("term",), ("site_id",))


def pest_findings(time: PlantTime, of: Inspections, as_of: date) -> pd.DataFrame:
    """Findings on pests over all of the records.

    Parameters
    ----------
    time : PlantTime
        With losses dated "found".
    of : Inspections
    as_of : datetime.date
        The last day that counts.

    Returns
    -------
    pandas.DataFrame
        Findings: pest_rate (of any pest in all and by species, light, season, air (the term) and site; of each pest by
        cause); pest_neighbours with pest_neighbours_by_chance (in all and by pest); losses_after_pest,
        leaves_after_pest. What rests on too few findings or sites has a note instead of an estimate.
    """
    period = f"records until {as_of}"
    parts = [_rates(of, period)]
    cases = transmission.cases(of)
    parts.append(neighbours(cases, "", period))
    parts += [neighbours(cases.of_kind(number), pest, period) for number, pest in enumerate(PESTS)]
    for measure, rows in (
        ("losses_after_pest", transmission.losses_after(time, of, AFTER)),
        ("leaves_after_pest", transmission.leaves_after(time, of, AFTER)),
    ):
        parts.append(_ratio(rate_ratio_within(rows), measure, period, WITHIN, losses=int(rows["events"].sum())))
    return findings.table(pd.concat([part for part in parts if len(part)], ignore_index=True))


def _rates(of: Inspections, period: str) -> pd.DataFrame:
    """First findings per 100 plant-years."""
    make = partial(findings.rows, period=period, unit=PER_100_YEARS, method=RATE, conf_level=CONF_LEVEL)
    any_pest = at_risk(of).assign(term=lambda f: f["air"])
    parts = [make(_rate(any_pest, list(by)), "pest_rate", by=list(by)) for by in SPLITS]
    of = of._replace(days=of.days[["plant", "site", "visited_on", "days"]])
    for pest in PESTS:
        rows = at_risk(of, pest)
        if rows["found"].sum():
            parts.append(make(_rate(rows, []).assign(cause=pest), "pest_rate", by=["cause"]))
    return pd.concat(parts, ignore_index=True)


def _rate(rows: pd.DataFrame, by: list[str]) -> pd.DataFrame:
    """Rates of groups; n_plants, plant_days, losses (here first findings)."""
    groups = rows.assign(every="all").groupby(by or ["every"])
    table = groups[["days", "found"]].sum().reset_index().rename(columns={"days": "plant_days", "found": "losses"})
    exact = loss_rate(table["losses"], table["plant_days"])
    group = groups.ngroup().to_numpy()
    known = group >= 0
    group, plant, site, days, is_first = (
        values[known] for values in (group, *(rows[name].to_numpy() for name in ("plant", "site", "days", "found")))
    )
    plants = pd.unique(group * (plant.max() + 1) + plant) // (plant.max() + 1)
    table = table.assign(
        n_plants=np.bincount(plants, minlength=len(table)), estimate=exact.estimate, low=exact.low, high=exact.high
    )
    at, pairs = pd.factorize(group * (site.max() + 1) + site, sort=True)
    of_pair, first, days = pairs // (site.max() + 1), np.bincount(at, is_first), np.bincount(at, days)
    for number in np.flatnonzero(np.bincount(of_pair) >= FEWEST_CLUSTERS):
        own = of_pair == number
        by_cluster = ratio_of_sums(first[own], days[own])
        if by_cluster.clusters >= FEWEST_CLUSTERS and np.isfinite(by_cluster.high):
            ends = by_cluster.low * DAYS_PER_100_YEARS, by_cluster.high * DAYS_PER_100_YEARS
            table.loc[number, "low"] = min(exact.low[number], ends[0])
            table.loc[number, "high"] = max(exact.high[number], ends[1])
    return table


def neighbours(cases: Cases, pest: str, period: str) -> pd.DataFrame:
    """How much more often neighbours of a finding are found with it, and what chance makes of it.

    Parameters
    ----------
    cases : Cases
    pest : str
        The one of `PESTS` that they are; "" for all together, each compared with its own kind.
    period : str
        Name of the period.

    Returns
    -------
    pandas.DataFrame
        Findings pest_neighbours and pest_neighbours_by_chance; none with fewer than `FEWEST_CASES` first findings.
    """
    n, by = len(cases.kind), {"cause": pest} if pest else {}
    if n < FEWEST_CASES:
        return pd.DataFrame()
    ratio = neighbour_ratio(cases, transmission.WEEKS)
    chance = by_chance(cases, transmission.WEEKS, transmission.SEED)
    rows = _ratio(ratio, "pest_neighbours", period, NEIGHBOURS, losses=n, **by)
    if not np.isfinite(chance.median):
        return rows
    other = pd.DataFrame({"estimate": [chance.median], "low": [chance.low], "high": [chance.high], "losses": [n], **by})
    more = {"period": period, "unit": "ratio", "method": CHANCE}
    return pd.concat(
        [rows, findings.rows(other, "pest_neighbours_by_chance", by=list(by), conf_level=CONF_LEVEL, **more)],
        ignore_index=True,
    )


def goes_round(ratio: pd.Series, chance: pd.Series) -> bool:
    """Whether a pest may be said to go round.

    Parameters
    ----------
    ratio, chance : pandas.Series
        Findings pest_neighbours and pest_neighbours_by_chance.

    Returns
    -------
    bool
        The ratio lies beyond what exchanged dates make, and its own limits, between sites, leave out 1.
    """
    return bool(ratio["estimate"] > chance["high"] and ratio["low"] > 1)


def _ratio(fit: RateBetween, measure: str, period: str, method: str, losses: int, **by: str) -> pd.DataFrame:
    """A ratio, or why there is none: too few sites, no event on a side, limits too far apart."""
    known = fit.clusters >= FEWEST_CLUSTERS and np.isfinite(fit.high) and fit.high <= WIDEST * fit.low
    row = {"estimate": fit.estimate, "low": fit.low, "high": fit.high} if known else {"estimate": np.nan}
    note = "" if known else "not available: too few findings or sites"
    frame = pd.DataFrame({**{name: [value] for name, value in row.items()}, "losses": losses, "note": note, **by})
    return findings.rows(frame, measure, period=period, unit="ratio", method=method, by=list(by), conf_level=CONF_LEVEL)
