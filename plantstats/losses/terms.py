"""The terms of the loss model: which there are, what each is compared with, and how a comparison is named."""

from __future__ import annotations

from datetime import date, timedelta
from typing import NamedTuple

from plantstats.exposure import DRY_AIR_BELOW, age_bands

FACTORS = ("age_band", "light", "pot", "planter", "repotted", "moved")
SEASON = ("year_cos", "year_sin")
AIR = ("dry_air", "no_humidity")
NUMERIC = (*SEASON, *AIR)
# Species are no term of these: they are added to each model as a block of their own, shrunk towards their group.
LOSS_TERMS = (*FACTORS, *NUMERIC)
SEASON_ONLY = (*FACTORS, *SEASON)
HUMIDITY_ONLY = (*FACTORS, *AIR)
ALL_YEAR_ALIKE = FACTORS
# What plant-time is asked for.
EXPOSURE_BY = ("site_id", "species", *FACTORS, "month", "rh_band")
# Dry air is rounded to this many points of humidity, so that rows of like air share a pattern. On invented companies
# of 400, 5,000 and 20,000 plants no estimate moved by more than 0.001, 0.001 and 0.002 of its standard error; with
# steps of a quarter point by 0.002, 0.006 and 0.013.
HUMIDITY_STEP = 0.1
# Losses of the last weeks are in part not found yet (visits are one to four weeks apart).
SETTLING_DAYS = 28
# The level that others are compared with, where it is on record and lost any; else the one with most losses.
REFERENCE = {
    "age_band": age_bands()[1],
    "light": "medium",
    "pot": "15-24 cm",
    "planter": "direct",
    "repotted": "never",
    "moved": "never",
}


class Term(NamedTuple):
    """A comparison of the loss model: a level of a term, and what it is compared with ("" where the level says it).

    Examples
    --------
    >>> Term("light", "low", "medium").label
    'light: low (against medium)'
    >>> DRY_AIR.label
    'humidity: each 10 points below 40%'
    """

    name: str
    level: str
    reference: str = ""

    @property
    def label(self) -> str:
        """The comparison as findings name it."""
        return f"{self.name}: {self.level}" + (f" (against {self.reference})" if self.reference else "")


# Two pairs of months of the yearly cycle, half a year apart.
MONTH_CONTRASTS = {(1, 7): Term("season", "January against July"), (4, 10): Term("season", "April against October")}
DRY_AIR = Term("humidity", f"each 10 points below {DRY_AIR_BELOW:g}%")
NOT_READ = Term("humidity", "not read", f"{DRY_AIR_BELOW:g}% or more")


def settled(as_of: date) -> date:
    """The first day that a model of effects leaves out, so that losses found late do not make the last month look good.

    Parameters
    ----------
    as_of : datetime.date
        The last day that counts.

    Returns
    -------
    datetime.date
        The first of the month that holds the day four weeks before.

    Examples
    --------
    >>> settled(date(2026, 9, 30))
    datetime.date(2026, 9, 1)
    """
    return (as_of - timedelta(days=SETTLING_DAYS)).replace(day=1)
