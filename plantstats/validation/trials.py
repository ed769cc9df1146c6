"""Trials of two visit intervals on invented sites of known truth: planned, kept and read by the product's own steps.

Sites by day are drawn, not plants: what a plan and a reading rest on is the share of looks that find a plant dry.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta

import numpy as np
import pandas as pd

from plantstats.trials.errors import TrialError
from plantstats.trials.outcomes import DRY, SiteDays, in_windows, values
from plantstats.trials.planning import fix
from plantstats.trials.protocol import Protocol
from plantstats.trials.reading import effects, interim_analysis
from plantstats.trials.request import Request, completed
from plantstats.trials.sizing import EFFECT_SD
from plantstats.validation.rows import alarms, intervals, refusal

PLANNED_ON = date(2026, 2, 28)
FIRST = PLANNED_ON - timedelta(days=2 * 364 + 91)  # a year for balance, four periods of the longest trial
BLOCK = 28  # days over which a site's own deviation lasts
SHORTER, LONGER, TOLERATED = 7, 14, 15.0
DIFFERENCES = (4.0, 7.0, 10.0)
# What is drawn for a company: sites, their mean plants, the mean share found dry and the standard deviation between
# sites and within them, in points; sites visited more often are the drier ones, by so many points.
SITES, PLANTS, MEANS = (14, 24, 40), (8, 16), (25.0, 45.0)
BETWEEN_SD, WITHIN, HARDER = (6.0, 14.0), (0.0, 3.0, 6.0), 5.0
SEASON = 6.0  # points from the mean to the top of the year


@dataclass(frozen=True)
class InventedSites:
    """Sites of one company: what is true of each."""

    about: pd.DataFrame  # site_id, route, interval, plants, records_from
    level: np.ndarray  # points
    within: np.ndarray  # sites by blocks, points

    def days(self, visits: pd.DataFrame, added: np.ndarray, rng: np.random.Generator) -> pd.DataFrame:
        """Looks and dry ones of each visit.

        Parameters
        ----------
        visits : pandas.DataFrame
            Rows of site (number), visited_on, longer (whether under the longer interval of the trial).
        added : numpy.ndarray
            What the longer interval adds at each site, in points.
        rng : numpy.random.Generator
            Source of chance.

        Returns
        -------
        pandas.DataFrame
            As `outcomes.SiteDays.work`.
        """
        site, on = visits["site"].to_numpy(), pd.to_datetime(visits["visited_on"])
        number = ((on - pd.Timestamp(FIRST)).dt.days // BLOCK).to_numpy()
        season = SEASON * np.cos(2 * np.pi * on.dt.day_of_year.to_numpy() / 365.25)
        share = self.level[site] + self.within[site, number] + season + visits["longer"].to_numpy() * added[site]
        looks = self.about["plants"].to_numpy()[site]
        return pd.DataFrame(
            {
                "site_id": self.about["site_id"].to_numpy()[site],
                "visited_on": on.astype("datetime64[us]"),
                "visits": 1,
                "minutes": 0.0,
                "looks": looks,
                "dry": rng.binomial(looks, np.clip(share, 1, 99) / 100),
                "plants": looks,
                "leaves": 0,
                "leaf_days": 0,
            }
        )


def draw(rng: np.random.Generator) -> InventedSites:
    """Draw the sites of a company.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    InventedSites
    """
    n = int(rng.choice(SITES))
    interval = np.where(rng.random(n) < 0.5, SHORTER, LONGER)
    level = rng.choice(MEANS) + rng.normal(0, rng.choice(BETWEEN_SD), n) + HARDER * (interval == SHORTER)
    blocks = ((PLANNED_ON - FIRST).days + 2 * 365) // BLOCK + 1
    about = pd.DataFrame(
        {
            "site_id": [f"S{i:03d}" for i in range(n)],
            "route": [f"T{i % 3}" for i in range(n)],
            "interval": interval,
            "plants": np.clip(rng.poisson(rng.choice(PLANTS), n), 5, None),
            "records_from": pd.Timestamp(FIRST),
        }
    )
    return InventedSites(about, level, rng.normal(0, rng.choice(WITHIN), (n, blocks)))


def before(sites: InventedSites, rng: np.random.Generator) -> SiteDays:
    """The records of the years before a trial, at the intervals that sites have.

    Parameters
    ----------
    sites : InventedSites
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    SiteDays
    """
    rows = [
        (number, FIRST + timedelta(days=day), False)
        for number, interval in enumerate(sites.about["interval"])
        for day in range(number % 5, (PLANNED_ON - FIRST).days, int(interval))
    ]
    visits = pd.DataFrame(rows, columns=["site", "visited_on", "longer"])
    work = sites.days(visits, np.zeros(len(sites.about)), rng)
    stays = sites.about[["site_id", "plants"]].assign(from_on=pd.Timestamp(FIRST), to_on=pd.Timestamp("2030-01-01"))
    lost = pd.DataFrame({"site_id": pd.Series(dtype="str"), "lost_on": pd.Series(dtype="datetime64[us]")})
    return SiteDays(work, stays, lost.assign(quantity=0, cost=0.0))


def during(sites: InventedSites, protocol: Protocol, added: np.ndarray, rng: np.random.Generator) -> pd.DataFrame:
    """What is counted in a trial in which every site keeps to its schedule.

    Parameters
    ----------
    sites : InventedSites
    protocol : Protocol
        Of these sites.
    added : numpy.ndarray
        What the longer interval adds at each site, in points.
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    pandas.DataFrame
        As `outcomes.SiteDays.work`.
    """
    number = {site: i for i, site in enumerate(sites.about["site_id"])}
    rows = [
        (number[row.site_id], row.begins + timedelta(days=day), row.longer)
        for row in protocol.windows().itertuples()
        for day in range(number[row.site_id] % 5, (row.end - row.begins).days, row.interval)
    ]
    return sites.days(pd.DataFrame(rows, columns=["site", "visited_on", "longer"]), added, rng)


def planned(sites: InventedSites, days: SiteDays, difference: float, seed: int) -> Protocol:
    """Plan a trial of these sites as the product does.

    Parameters
    ----------
    sites : InventedSites
    days : SiteDays
        As `before` gives them.
    difference : float
        That it is to see, in points.
    seed : int
        Of the lot.

    Returns
    -------
    Protocol

    Raises
    ------
    TrialError
        Where no length of trial suffices.
    """
    request = Request(SHORTER, LONGER, difference=difference, tolerate=TOLERATED, seed=seed)
    return fix(completed(request, PLANNED_ON), days, sites.about, PLANNED_ON)[0]


def validate(seed: int) -> list[pd.DataFrame]:
    """Rows of one company: a trial planned once, and read in three worlds.

    Parameters
    ----------
    seed : int
        Of the company.

    Returns
    -------
    list of pandas.DataFrame
        Where the intervals are alike, where the longer one adds what the trial was planned to see (at each site another
        amount), and where it adds just what is tolerated; a refusal where no length of trial sufficed.
    """
    rng = np.random.default_rng(seed)
    sites = draw(rng)
    days = before(sites, rng)
    try:
        protocol = planned(sites, days, float(rng.choice(DIFFERENCES)), seed)
    except TrialError as fault:
        return [refusal("trial_seen", fault)]
    of, rows = pd.Series([f"{len(sites.about)} sites"]), []
    for kind, mean in (("trial_called_alike", 0.0), ("trial_seen", protocol.difference), ("trial_stopped", TOLERATED)):
        added = mean + EFFECT_SD * protocol.difference * rng.normal(size=len(sites.about)) * (kind == "trial_seen")
        work = during(sites, protocol, added, rng)
        counts = in_windows(replace(days, work=work), protocol.windows())
        effect, _ = effects(counts, values(counts, DRY), protocol)
        if kind == "trial_stopped":
            rows.append(alarms(kind, of, [stopped_after(days, work, protocol) != ""]))
            continue
        rows.append(alarms(kind, of, [effect.p_value < 0.05], protocol.power if kind == "trial_seen" else np.nan))
        printed = pd.DataFrame([{"estimate": effect.estimate, "low": effect.low, "high": effect.high}])
        rows.append(intervals("trial_difference", printed, of, mean))
    return rows


def stopped_after(days: SiteDays, work: pd.DataFrame, protocol: Protocol) -> str:
    """The day of the look that stopped a trial.

    Parameters
    ----------
    days : SiteDays
        The records before it.
    work : pandas.DataFrame
        As `during` gives it.
    protocol : Protocol

    Returns
    -------
    str
        "" where none did.
    """
    for interim in protocol.looks:
        windows = protocol.windows()
        windows["end"] = [min(end, date.fromisoformat(interim["after"]) + timedelta(days=1)) for end in windows["end"]]
        counts = in_windows(replace(days, work=work), windows[windows["start"] < windows["end"]])
        if interim_analysis(interim, counts, protocol)["z"] >= interim["limit"]:
            return str(interim["after"])
    return ""
