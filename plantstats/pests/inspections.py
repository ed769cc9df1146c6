"""Looks for pests: where somebody looked at a plant and wrote down a pest, or that there was none."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from plantstats.errors import PlantstatsError
from plantstats.exposure import DRY_AIR_BELOW
from plantstats.exposure.inputs import LONG
from plantstats.schema.pests import NONE, PESTS, pest_of

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime

LOOKS = """
    select v.plant_id, v.visited_on, v.pest, v.pest_degree, e.site_id, e.client_id, e.species, e.light, e.heating,
           e.rh_band
    from completed_visits v join episodes e
      on v.plant_id = e.plant_id and v.visited_on >= e.from_on and v.visited_on < e.to_on
    where v.pest is not null order by v.plant_id, v.visited_on, v.pest
"""
FEWEST_FINDINGS = 5  # with fewer nothing is told of how often plants are found with pests


class PestError(PlantstatsError, ValueError):
    """Visits that tell nothing about pests; the message says why."""


class Inspections(NamedTuple):
    """Looks for pests, and the first finding of each pest on each plant.

    Attributes
    ----------
    looks : pandas.DataFrame
        One row per plant, day and pest ("none" where none was seen): plant_id, visited_on, pest, degree (missing where
        not noted), site_id, client_id, species, light, season, air, plant (its number), since (day of the look before;
        missing for the first one), days (from it, none where it lies more than `LONG` days back).
    first : pandas.DataFrame
        One row per plant and pest, of the first look that found it: the same columns, and new (whether a look before
        had not found it).
    days : pandas.DataFrame
        One row per plant and day, whatever was found: the columns of looks but pest and degree, and site (its number).
    """

    looks: pd.DataFrame
    first: pd.DataFrame
    days: pd.DataFrame


def inspections(time: PlantTime) -> Inspections:
    """Looks for pests in the visit log.

    Parameters
    ----------
    time : PlantTime

    Returns
    -------
    Inspections

    Raises
    ------
    PestError
        Where visits note no pest, or only pests and never that there was none: then nobody knows who looked.
    """
    looks = time.query(LOOKS)
    words = {text: pest_of(text) for text in looks["pest"].unique()}
    looks["pest"] = looks["pest"].map(words)
    n_findings = int(looks["pest"].ne(NONE).sum())
    if n_findings < FEWEST_FINDINGS:
        raise PestError(f"visits note {n_findings} findings of pests, too few to tell anything")
    if not looks["pest"].eq(NONE).any():
        raise PestError("visits note pests only where one was seen: which plants were looked at and free is not known")
    dry = pd.to_numeric(looks["rh_band"], errors="coerce")
    looks = looks.assign(
        season=looks["heating"].map({True: "heating season", False: "rest of the year"}),
        air=dry.lt(DRY_AIR_BELOW).map({True: "dry air", False: "moist air"}).where(dry.notna(), "air not read"),
        degree=looks["pest_degree"],
    ).drop(columns=["heating", "rh_band", "pest_degree"])
    # Rows come in the order of plants, days and words.
    plant, day = pd.factorize(looks["plant_id"])[0], looks["visited_on"].to_numpy()
    begins = np.r_[True, (plant[1:] != plant[:-1]) | (day[1:] != day[:-1])]
    first = np.flatnonzero(begins)
    before = np.r_[first[:1], first[:-1]]  # the row of the plant's day before
    since = np.where(plant[before] == plant[first], day[before], np.datetime64("NaT"))
    since[:1] = np.datetime64("NaT")
    number = begins.cumsum() - 1
    twice = pd.DataFrame({"day": number, "pest": looks["pest"]}).duplicated().to_numpy()
    looks = looks.assign(since=since[number], plant=plant)[~twice].reset_index(drop=True)
    gap = (looks["visited_on"] - looks["since"]).dt.days
    looks["days"] = gap.where(gap <= LONG, 0).fillna(0).astype("float64")
    positive = looks[looks["pest"].isin(PESTS)].drop_duplicates(["plant_id", "pest"])
    first_found = positive.assign(new=positive["since"].notna()).reset_index(drop=True)
    days = looks[begins[~twice]].drop(columns=["pest", "degree"])
    days = days.assign(site=pd.factorize(days["site_id"])[0])
    return Inspections(looks, first_found, days)


def at_risk(of: Inspections, pest: str = "") -> pd.DataFrame:
    """Looks at plants that had not been found with a pest before, with the days since the look before.

    Parameters
    ----------
    of : Inspections
    pest : str
        One of `PESTS`; "" for any.

    Returns
    -------
    pandas.DataFrame
        One row per plant and look up to the first finding: the columns of `Inspections.looks`, and found (0 or 1).
    """
    first = of.first[of.first["pest"].eq(pest)] if pest else of.first
    begin = first.groupby("plant")["visited_on"].min()
    rows, on = of.days, of.days["visited_on"]
    begin = begin.reindex(rows["plant"]).set_axis(rows.index)
    # Of a plant found with it at its first look nobody knows since when.
    free = (rows["days"] > 0) & (begin.isna() | (on <= begin))
    return rows.assign(found=on.eq(begin).astype("int64"))[free].reset_index(drop=True)
