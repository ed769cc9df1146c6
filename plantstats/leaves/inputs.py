"""What leaf plant-time reads, and the words that it uses for conditions."""

from __future__ import annotations

import ibis
import ibis.expr.types as ir

# Counts of green leaves fallen and of oldest leaves yellowed are two outcomes with two readings: the second is
# read as thirst, the first, in the heating season, as dry air (common practice, no source).
OUTCOMES = {"green": "leaves_dropped", "yellow": "yellow_leaves"}
# A count that is a word, such as few, is known by the least (lower) and the most (upper) that it may mean.
ENDS = ("lower", "upper")
BOUNDS = tuple(f"{outcome}_{end}" for outcome in OUTCOMES for end in ENDS)
# After a quarter without a visit somebody else has swept (common practice, no source).
LONGEST = 92
# Days after installation, a move or a repotting in which leaves fall for that reason; a curve of three steps
# (common practice, no source).
TRANSIENT_CUTS = (30, 60, 90)
TURN_DAYS = 30  # species that lean to the light are turned monthly (common practice, no source)
AIR_WINDOW = 32  # days: a month and the day of the visit, so that readings at two monthly visits both count
# Below 16 and above 29 degrees C a place is unfit for most figs (common practice, no source).
COLD_C, HOT_C = 16, 29
# Humidity in five-point bands, as in plant-time, up to 50%: air above that is humid enough for all.
RH_STEP, RH_TOP = 5, 50
NO_RH = -1
FIGS = "Ficus"
# Words in the name of a position that stand for moving air.
OPENINGS = r"\b(vent|vents|diffuser|air con|aircon|door|doors|doorway|entrance|exit|radiator|heater)\b"

NOT_RECENT, NO_DATE = "no", "unknown"
STEPS = tuple(f"days {low + 1}-{high}" for low, high in zip((0, *TRANSIENT_CUTS), TRANSIENT_CUTS, strict=False))
# Conditions of a stretch and their levels; the first is the one that others are compared with.
CONDITIONS: dict[str, tuple[str, ...]] = {
    "light": ("medium", "low", "high", "sun", "unknown"),
    "warmth": ("usual", f"below {COLD_C} °C", f"above {HOT_C} °C", "unknown"),
    "opening": ("elsewhere", "near a vent or door"),
    "new": (NOT_RECENT, *STEPS, NO_DATE),
    "moved": (NOT_RECENT, *STEPS),
    "repotted": (NOT_RECENT, *STEPS),
    "turned": ("no", "turned"),
    "rewatered": ("no", "dry (figs)", "dry (others)", "unknown"),
    "dry": ("no", "dry (figs)", "dry (others)", "unknown"),
}
# What tells one combination from another; species_group follows from the species.
KEY = ("species", *CONDITIONS, "month", "rh", "plant_days")

READS: dict[str, dict[str, str]] = {
    "visits": {
        "visited_on": "date",
        "plant_id": "string",
        "site_id": "string",
        "status": "string",
        "topsoil": "string",
        "leaves_dropped": "int64",
        "leaf_count": "int64",
        "yellow_leaves": "int64",
        "dropped_lower": "int64",
        "dropped_upper": "int64",
        "yellow_lower": "int64",
        "yellow_upper": "int64",
        "rh_percent": "float64",
        "temp_c": "float64",
        "condition": "int64",
        "repotted": "boolean",
        "moved": "boolean",
        "rotated": "boolean",
    },
    "plants": {"plant_id": "string", "site_id": "string", "position": "string"},
    "sites": {"site_id": "string", "client_id": "string"},
    "moves": {
        "plant_id": "string",
        "moved_on": "date",
        "to_site_id": "string",
        "to_position": "string",
        "to_light": "string",
    },
    "readings": {"site_id": "string", "read_at": "timestamp", "rh_percent": "float64", "temp_c": "float64"},
    "species_facts": {"species": "string", "species_group": "string", "leans": "boolean"},
}


def unbound() -> dict[str, ir.Table]:
    """The tables that leaf plant-time reads beside those of plant-time, by name and type only."""
    return {name: ibis.table(columns, name=name) for name, columns in READS.items()}
