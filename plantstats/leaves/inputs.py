"""The conditions of a count interval, their levels, and the limits that make them."""

from __future__ import annotations

# Counts of green leaves fallen and of oldest leaves yellowed are two outcomes with two readings: the second is
# read as thirst, the first, in the heating season, as dry air (common practice, no source).
OUTCOMES = {"green": "leaves_dropped", "yellow": "yellow_leaves"}
# A count that is a word, such as few, is known by the least (lower) and the most (upper) that it may mean.
ENDS = ("lower", "upper")
BOUNDS = tuple(f"{outcome}_{end}" for outcome in OUTCOMES for end in ENDS)
# After a quarter without a visit somebody else has swept (common practice, no source).
MAX_DAYS = 92
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
# Factors of an interval and their levels; the first is the one that others are compared with.
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
# What makes one combination; species_group follows from the species.
KEY = ("species", *CONDITIONS, "month", "rh", "plant_days")
