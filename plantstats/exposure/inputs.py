"""What plant-time reads, and the words that it uses for conditions."""

from __future__ import annotations

import ibis
import ibis.expr.types as ir
import numpy as np
import pandas as pd

from plantstats.schema.tables import TABLES, schema

EPOCH = ibis.date("1970-01-01")

# Age bands in days since installation, (lo, hi]. The first 90 days stand apart: plants that arrive with poor
# roots or meet poor light fail then (common practice, no source).
AGE_CUTS = (90, 365, 730)
# Height of the leaf-drop and loss transient after a move or repot (common practice, no source).
TRANSIENT_DAYS = 90
SINCE_BANDS = ("never", "first 90 days", "later")
POT_CUTS = (15, 25, 35)
POT_CLASSES = ("under 15 cm", "15-24 cm", "25-34 cm", "35 cm and more", "unknown")
# Days, a quarter: records that are silent for longer end there; inspections further apart are no rounds (rule of
# thumb).
LONG = 92
SUMS = ("plant_days", "died", "declined", "losses", "client_exits", "withdrawn", "rh_tenths", "rh_readings")

# The typed records that plant-time and the rooms beside it read, every canonical column with its type;
# `unknown_follow_up` names plants with a replacement row that could not be read: neither lost nor known to be alive.
READS: dict[str, dict[str, str]] = {
    name: {
        column: str(kind).partition("(")[0] for column, kind in ibis.Schema.from_pyarrow(schema(TABLES[name])).items()
    }
    for name in ("sites", "plants", "visits", "replacements", "moves", "readings")
} | {"unknown_follow_up": {"plant_id": "string"}}


def age_bands(cuts: tuple[int, ...] = AGE_CUTS) -> list[str]:
    """Names of the age bands between the cuts, youngest first, then "unknown".

    Parameters
    ----------
    cuts : tuple of int, optional
        Ages in days, each closing its band.

    Returns
    -------
    list of str

    Examples
    --------
    >>> age_bands((90, 365))
    ['days 1-90', 'days 91-365', 'after day 365', 'unknown']
    """
    edges = (0, *cuts)
    named = [f"days {low + 1}-{high}" for low, high in zip(edges, cuts, strict=False)]
    return [*named, f"after day {edges[-1]}", "unknown"]


def pot_class(pot_cm: pd.Series) -> pd.Series:
    """Class of each pot by its diameter.

    Parameters
    ----------
    pot_cm : pandas.Series of float
        Diameter in cm; may be missing.

    Returns
    -------
    pandas.Series of str
        One of `POT_CLASSES`, with the index of `pot_cm`.

    Examples
    --------
    >>> pot_class(pd.Series([14.9, 15, 40, None])).tolist()
    ['under 15 cm', '15-24 cm', '35 cm and more', 'unknown']
    """
    classes = np.array(POT_CLASSES)[np.searchsorted(POT_CUTS, pot_cm.fillna(0), side="right")]
    return pd.Series(classes, index=pot_cm.index).where(pot_cm.notna(), POT_CLASSES[-1])


def pot_class_of(pot_cm: ir.FloatingValue) -> ir.StringValue:
    """`pot_class` as an expression for any engine.

    Parameters
    ----------
    pot_cm : ir.FloatingValue
        Diameter in cm.

    Returns
    -------
    ir.StringValue
    """
    classes = [(pot_cm < edge, name) for edge, name in zip(POT_CUTS, POT_CLASSES, strict=False)]
    return ibis.cases((pot_cm.isnull(), POT_CLASSES[-1]), *classes, else_=POT_CLASSES[len(POT_CUTS)])


def unbound() -> dict[str, ir.Table]:
    """Tables of `READS`, by name and type only: bind them to any engine that ibis knows.

    Returns
    -------
    dict of str to ir.Table
    """
    return {name: ibis.table(columns, name=name) for name, columns in READS.items()}


def day(on: ir.DateValue) -> ir.IntegerValue:
    """A date as a whole number of days, so that all further arithmetic is on integers in every engine.

    Parameters
    ----------
    on : ir.DateValue

    Returns
    -------
    ir.IntegerValue
        Days since 1970-01-01.
    """
    return on.delta(EPOCH, unit="day").cast("int64")


def on_date(number: ir.IntegerValue) -> ir.DateValue:
    """Date of a whole number of days: the inverse of `day`.

    Parameters
    ----------
    number : ir.IntegerValue
        Days since 1970-01-01.

    Returns
    -------
    ir.DateValue
    """
    return (EPOCH + number.as_interval("D")).cast("date")
