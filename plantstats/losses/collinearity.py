"""Whether season and humidity can be told apart in these records, and both models when they cannot."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.exposure import DRY_AIR_BELOW
from plantstats.losses.design import CollinearTermsError
from plantstats.losses.fit import fit
from plantstats.losses.likelihood import Derivatives
from plantstats.losses.model import LossModel
from plantstats.losses.rate_table import RateTable, dryness
from plantstats.losses.terms import HUMIDITY_ONLY, SEASON, SEASON_ONLY
from plantstats.stats.collinearity import VIF_LIMIT, vif

# A site carries the contrast when its air differs from the other sites' in the same months by this many tens of
# points on average; fewer than this share of sites is too thin a ground (our choice, tested on invented companies).
LEAST_CONTRAST, FEWEST_SHARE = 0.4, 0.2
# Months in which no site's air is drier than this (tens of points below the threshold) say nothing.
DRY_MONTH = 0.05


class CollinearityCheck(NamedTuple):
    """What the records can tell of season and humidity.

    Attributes
    ----------
    separable : bool
        Whether the two can be told apart.
    vif : float
        Variance inflation of humidity by season; missing when there is nothing to tell apart.
    share : float
        Sites with a contrast, percent of those with readings.
    sites : int
        Sites with readings.
    reason : str
        A sentence.
    model : LossModel
        With both terms when separable, else season alone (with too few months for season: humidity alone).
    alternative : LossModel or None
        Humidity without season, when not separable.
    """

    separable: bool
    vif: float
    share: float
    sites: int
    reason: str
    model: LossModel
    alternative: LossModel | None = None


def check_collinearity(exposure_table: pd.DataFrame, species: pd.DataFrame | None = None) -> CollinearityCheck:
    """Fit season and humidity together where the records tell them apart, each alone where they do not.

    Parameters
    ----------
    exposure_table, species : pandas.DataFrame
        As in `fit`.

    Returns
    -------
    CollinearityCheck

    Raises
    ------
    ModelError
        As `fit`.
    """
    table = RateTable.from_exposure(exposure_table)
    share, sites = sites_with_contrast(exposure_table)
    if sites == 0:
        why = "no humidity was read, so nothing can be said about it"
        return CollinearityCheck(False, np.nan, np.nan, 0, why, fit(table, species, terms=SEASON_ONLY))
    vif, reason = np.nan, "season and humidity move together in these records and cannot be told apart"
    both = None
    try:
        both = fit(table, species)
    except CollinearTermsError as error:
        reason = f"{reason}: {error}"
    if both is not None and "dry_air" not in both.names:
        why = f"no air below {DRY_AIR_BELOW:g}% humidity is on record, so nothing can be said about dry air"
        return CollinearityCheck(False, np.nan, share, sites, why, fit(table, species, terms=SEASON_ONLY))
    if both is not None and not set(both.names) & set(SEASON):
        why = "fewer than three calendar months are on record, so nothing can be said about season"
        return CollinearityCheck(False, np.nan, share, sites, why, both)
    if both is not None:
        vif = humidity_vif(both)
        if vif <= VIF_LIMIT and share >= 100 * FEWEST_SHARE:
            return CollinearityCheck(True, vif, share, sites, "season and humidity are told apart", both)
    season, humidity = (fit(table, species, terms=terms, start=both) for terms in (SEASON_ONLY, HUMIDITY_ONLY))
    return CollinearityCheck(False, vif, share, sites, reason, season, humidity)


def humidity_vif(model: LossModel) -> float:
    """Variance inflation factor of the humidity effect by season in the model; 1 without season.

    Parameters
    ----------
    model : LossModel
        The fitted loss model.

    Returns
    -------
    float
    """
    information = Derivatives(model.counts, model.beta, model.frailty_variance).information
    season = np.array([name in SEASON for name in model.names])
    return vif(information, model.names.index("dry_air"), season)


def sites_with_contrast(exposure_table: pd.DataFrame) -> tuple[float, int]:
    """Percent of sites (with readings) from which humidity is told apart from season, and how many have readings.

    Parameters
    ----------
    exposure_table : pandas.DataFrame
        Plant-days and losses by conditions, as `PlantTime.exposure_table` gives them.

    Returns
    -------
    share, n_sites : float, int
    """
    read = exposure_table[exposure_table["rh_readings"] > 0]
    if read.empty:
        return np.nan, 0
    site = read.groupby(["site_id", "month"])[["rh_tenths", "rh_readings", "plant_days"]].sum()
    dry = pd.Series(dryness((site["rh_tenths"] / site["rh_readings"] / 10).to_numpy("float64")), site.index)
    weight = site["plant_days"].astype("float64")
    month_mean = (dry * weight).groupby("month").transform("sum") / weight.groupby("month").transform("sum")
    inside = month_mean > DRY_MONTH
    away = ((dry - month_mean).abs() * weight)[inside].groupby("site_id").sum()
    contrast = away / weight[inside].groupby("site_id").sum()
    sites = int(site.index.get_level_values("site_id").nunique())
    return 100 * float((contrast >= LEAST_CONTRAST).sum()) / sites, sites


def collinearity_findings(check: CollinearityCheck, period: str) -> pd.DataFrame:
    """Numbers of the statement as findings: humidity_vif, sites_with_contrast.

    Parameters
    ----------
    check : CollinearityCheck
        As `check_collinearity` gives it.
    period : str
        Name of the period.

    Returns
    -------
    pandas.DataFrame
    """
    note = "" if check.separable else check.reason
    row = pd.DataFrame([{"losses": check.model.losses, "plant_days": check.model.plant_days}])
    of_sites = f"of {check.sites} sites with readings" + (f"; {note}" if note else "")
    vif = findings.rows(
        row, "humidity_vif", period=period, unit="times", method="information of the fit", estimate=check.vif, note=note
    )
    share = findings.rows(
        row,
        "sites_with_contrast",
        period=period,
        unit="% of sites",
        method="count",
        estimate=check.share,
        note=of_sites,
    )
    return findings.table(pd.concat([vif, share], ignore_index=True))
