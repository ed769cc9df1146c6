"""Whether season and humidity can be told apart in these records, and both models when they cannot."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.exposure import DRY_AIR_BELOW
from plantstats.losses import terms
from plantstats.losses.design import ModelError
from plantstats.losses.fit import fit
from plantstats.losses.likelihood import derivatives
from plantstats.losses.model import LossModel
from plantstats.stats.collinearity import VIF_LIMIT, variance_inflation

# A site carries the contrast when its air differs from the other sites' in the same months by this many tens of
# points on average; fewer than this share of sites is too thin a ground (our choice, tested on invented companies).
APART_BY, FEWEST_SHARE = 0.4, 0.2

findings.define(
    humidity_inflation="How many times the variance of the humidity effect grows because season is in the model too "
    "(1 = not at all).",
    sites_with_contrast="Sites in 100 whose dryness of air differs by 4 points or more, on average, from that of all "
    "sites in the same months: those from which humidity is told apart from season.",
)


class Apart(NamedTuple):
    """What the records can tell of season and humidity; `model` has both terms when `told`, else season alone (with
    too few months for season: humidity alone)."""

    told: bool
    inflation: float
    share: float
    sites: int
    reason: str
    model: LossModel
    other: LossModel | None


def tell_apart(cells: pd.DataFrame, species: pd.DataFrame | None = None) -> Apart:
    """Fit season and humidity together where the records tell them apart, each alone where they do not.

    Takes:  cells and species as in `fit`.
    Gives:  Apart: told; inflation (missing when nothing is left to tell); share of sites with a contrast (percent);
            sites with readings; reason (a sentence); model; other (humidity without season) when not told.
    Raises: ModelError as in `fit`.
    """
    share, sites = sites_with_contrast(cells)
    if sites == 0:
        alone = fit(cells, species, formula=terms.SEASON_ONLY)
        return Apart(False, np.nan, np.nan, 0, "no humidity was read, so nothing can be said about it", alone, None)
    inflation, reason = np.nan, "season and humidity move together in these records and cannot be told apart"
    try:
        both = fit(cells, species)
    except ModelError as error:
        if "carry the same information" not in str(error):
            raise
        reason = f"{reason}: {error}"
    else:
        if not set(both.names) & {"dry_air", "vpd_kpa"}:
            alone = fit(cells, species, formula=terms.SEASON_ONLY)
            why = f"no air below {both.terms.threshold:g}% humidity is on record, so nothing can be said about dry air"
            return Apart(False, np.nan, share, sites, why, alone, None)
        if not set(both.names) & set(terms.SEASON):
            why = "fewer than three calendar months are on record, so nothing can be said about season"
            return Apart(False, np.nan, share, sites, why, both, None)
        inflation = humidity_inflation(both)
        if inflation <= VIF_LIMIT and share >= 100 * FEWEST_SHARE:
            return Apart(True, inflation, share, sites, "season and humidity are told apart", both, None)
    season = fit(cells, species, formula=terms.SEASON_ONLY)
    humidity = fit(cells, species, formula=terms.HUMIDITY_ONLY)
    return Apart(False, inflation, share, sites, reason, season, humidity)


def humidity_inflation(model: LossModel) -> float:
    """How many times season in the model raises the variance of the humidity effect.

    Takes:  a model with dry_air (or vpd_kpa) and a season term.
    Gives:  the ratio, from the likelihood's information with and without the season columns; 1 without them.
    """
    information = derivatives(model.counts, model.beta, model.site_spread).information
    at = next(n for n, name in enumerate(model.names) if name in ("dry_air", "vpd_kpa"))
    return variance_inflation(information, at, np.isin(model.names, terms.SEASON))


def sites_with_contrast(cells: pd.DataFrame, threshold: float = DRY_AIR_BELOW) -> tuple[float, int]:
    """Percent of sites (with readings) from which humidity is told apart from season, and how many have readings."""
    read = cells[cells["rh_readings"] > 0]
    if read.empty:
        return np.nan, 0
    site = read.groupby(["site_id", "month"])[["rh_tenths", "rh_readings", "plant_days"]].sum()
    dry = (threshold - site["rh_tenths"] / site["rh_readings"] / 10).clip(lower=0) / 10
    weight = site["plant_days"].astype("float64")
    month_mean = (dry * weight).groupby("month").transform("sum") / weight.groupby("month").transform("sum")
    # Months in which no site's air is dry say nothing.
    inside = month_mean > 0.05
    apart = ((dry - month_mean).abs() * weight)[inside].groupby("site_id").sum()
    away = apart / weight[inside].groupby("site_id").sum()
    sites = int(site.index.get_level_values("site_id").nunique())
    return 100 * float((away >= APART_BY).sum()) / sites, sites


def apart_findings(apart: Apart, period: str) -> pd.DataFrame:
    """The statement's numbers as findings: humidity_inflation, sites_with_contrast."""
    note = "" if apart.told else apart.reason
    rows = [
        findings.finding(
            "humidity_inflation",
            period,
            apart.inflation,
            unit="times",
            method="information of the fit",
            note=note if note or np.isfinite(apart.inflation) else "not available",
        ),
        findings.finding(
            "sites_with_contrast",
            period,
            apart.share,
            unit="% of sites",
            method="count",
            note=f"of {apart.sites} sites with readings" + (f"; {note}" if note else ""),
        ),
    ]
    return findings.table(rows)
