"""What plant-time reads, and the words that it uses for conditions."""

from __future__ import annotations

import ibis
import ibis.expr.types as ir

EPOCH = ibis.date("1970-01-01")

# Age bands in days since installation, (lo, hi]. The first 90 days stand apart: plants that arrive with poor
# roots or meet poor light fail then (common practice, no source).
AGE_CUTS = (90, 365, 730)
# Height of the leaf-drop and loss transient after a move or repot (common practice, no source).
TRANSIENT_DAYS = 90
SINCE_BANDS = ("never", "first 90 days", "later")
POT_CUTS = (15, 25, 35)
POT_CLASSES = ("under 15 cm", "15-24 cm", "25-34 cm", "35 cm and more", "unknown")
HUMIDITY_WINDOW = 28  # days before the middle of a stretch
# Days, a quarter: records that are silent for longer end there; looks further apart are no rounds (rule of
# thumb).
LONG = 92
LOSSES = ("died", "declined")
OUTCOMES = (*LOSSES, "client", "withdrawn")
SUMS = ("plant_days", "died", "declined", "losses", "client_exits", "withdrawn", "rh_tenths", "rh_readings")

# The columns of the typed records that plant-time reads.
READS: dict[str, dict[str, str]] = {
    "sites": {"site_id": "string", "client_id": "string", "observed_from": "date"},
    "plants": {
        "plant_id": "string",
        "site_id": "string",
        "species": "string",
        "light": "string",
        "pot_cm": "float64",
        "planter": "string",
        "installed_on": "date",
        "removed_on": "date",
        "outcome": "string",
        "removal_reason": "string",
        "quantity": "int64",
        "cost": "float64",
        "line": "int64",
    },
    "visits": {
        "visited_on": "date",
        "plant_id": "string",
        "site_id": "string",
        "status": "string",
        "rh_percent": "float64",
        "condition": "int64",
        "repotted": "boolean",
        "moved": "boolean",
    },
    "replacements": {
        "plant_id": "string",
        "replaced_on": "date",
        "found_on": "date",
        "cause": "string",
        "outcome": "string",
        "quantity": "int64",
        "covered": "string",
        "plant_cost": "float64",
        "labour_minutes": "float64",
        "line": "int64",
    },
    "moves": {"plant_id": "string", "moved_on": "date", "to_site_id": "string", "to_light": "string"},
    # Plants with a replacement row that could not be read: neither lost nor known to be alive.
    "doubted": {"plant_id": "string"},
    "readings": {"site_id": "string", "read_at": "timestamp", "rh_percent": "float64"},
}


def age_bands(cuts: tuple[int, ...] = AGE_CUTS) -> list[str]:
    """Names of the age bands between the cuts, youngest first, then "unknown"."""
    edges = (0, *cuts)
    named = [f"days {low + 1}-{high}" for low, high in zip(edges, cuts, strict=False)]
    return [*named, f"after day {edges[-1]}", "unknown"]


def unbound() -> dict[str, ir.Table]:
    """The tables that plant-time reads, by name and type only: bind them to any engine that ibis knows."""
    return {name: ibis.table(columns, name=name) for name, columns in READS.items()}


def day(on: ir.DateValue) -> ir.IntegerValue:
    """A date as a whole number of days, so that all further arithmetic is on integers in every engine."""
    return on.delta(EPOCH, unit="day").cast("int64")


def on_date(number: ir.IntegerValue) -> ir.DateValue:
    """The inverse of `day`."""
    return (EPOCH + number.as_interval("D")).cast("date")
