"""Terms of the leaf model, and the columns that they are made of."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats.leaves.inputs import NO_RH, RH_STEP, RH_TOP

SEASON = "cos_year + sin_year"
# Where nobody read the humidity, dry air and season are one: such intervals have a season of their own, or the season
# of all others would bear part of the dry air that nobody measured (on invented companies that read humidity at three
# visits in ten, "January against July" came out 12% too high).
UNKNOWN_AIR = f"air_unknown + air_unknown:({SEASON})"
# The model, term by term. A term of which the records show one level only is left out, and said. What was done
# at the visit (watering) is no term: in figs drought is followed by leaf drop only once they are watered again
# (Graves, abstract: most of the drop within a day of rewatering), so the act would bear the blame of the drought.
TERMS = (
    "species",
    "light",
    SEASON,
    "dry_air:air_group",
    UNKNOWN_AIR,
    "warmth",
    "opening",
    "new",
    "moved",
    "repotted",
    "turned",
    "rewatered",
    "dry",
)
# Fewer leaves than this in dry air of known humidity: the group has no slope of its own; in air of unknown humidity:
# no season of its own (rule of thumb).
FEWEST_FOR_SLOPE = 50
OTHERS = "other species"


def columns(table: pd.DataFrame, humidity_limit: int) -> pd.DataFrame:
    """Add the columns of the formula to the conditions.

    Parameters
    ----------
    table : pandas.DataFrame
        One row per combination: species, species_group, `CONDITIONS`, month, rh, plant_days, n, sum.
    humidity_limit : int
        Percent below which air counts as dry.

    Returns
    -------
    pandas.DataFrame
        With exposure (plant-days), dry_air (tens of points below the limit; 0 where unknown), air_unknown (0, 1),
        cos_year, sin_year, air_group (the species group, or `OTHERS`); species in order of their counts, so that the
        one seen most is what others are compared with.
    """
    angle = 2 * np.pi * (table["month"] - 0.5) / 12
    known = table["rh"] != NO_RH
    dry_air = np.where(known, np.maximum(humidity_limit - band_middle(table["rh"]), 0) / 10, 0.0)
    group = table["species_group"].astype("str")
    leaves = table["sum"].where(dry_air > 0, 0).groupby(group).transform("sum")
    order = table.groupby("species", observed=True)["n"].sum().sort_values(ascending=False, kind="stable")
    return table.assign(
        exposure=table["plant_days"].astype("float64"),
        dry_air=dry_air,
        air_unknown=(~known).astype("float64"),
        cos_year=np.cos(angle),
        sin_year=np.sin(angle),
        air_group=pd.Categorical(group.where(leaves >= FEWEST_FOR_SLOPE, OTHERS)),
        species=table["species"].cat.set_categories(list(order.index)),
    )


def band_middle(rh: pd.Series) -> pd.Series:
    """Middle of a five-point band of humidity by its lower edge; the top band is open, and stands at its edge.

    Parameters
    ----------
    rh : pandas.Series
        Lower edges, in percent; "missing" for none.

    Returns
    -------
    pandas.Series of float
        Percent.
    """
    return rh + RH_STEP / 2 * (rh < RH_TOP)


def formula_of(table: pd.DataFrame) -> tuple[str, list[str]]:
    """Terms that the records can say anything about, as a formula; those left out, with the reason.

    Parameters
    ----------
    table : pandas.DataFrame
        One row per combination of conditions.

    Returns
    -------
    formula, reasons : str, list of str
    """
    terms, left_out = [], []
    for term in TERMS:
        first = term.split(" + ")[0].split(":")[0]
        levels = table[first].unique()
        if len(levels) < 2:
            left_out.append(f"{term}: always {levels[0]} in these records" if len(levels) else f"{term}: no interval")
        elif "air_group" in term and table["air_group"].nunique() == 1:
            terms.append("dry_air")
        elif term == UNKNOWN_AIR and table.loc[table["air_unknown"] > 0, "sum"].sum() < FEWEST_FOR_SLOPE:
            terms.append("air_unknown")
        else:
            terms.append(term)
    return " + ".join(terms) or "1", left_out
