"""The species of the invented company and its invented numbers for them."""

from __future__ import annotations

from dataclasses import dataclass

# As in the species table of the records.
GROUPS = (
    "Ficus",
    "Dracaena",
    "Palms",
    "Aglaonema",
    "Spathiphyllum",
    "Epipremnum",
    "Zamioculcas",
    "Philodendron",
    "Monstera",
)


@dataclass(frozen=True)
class Species:
    """One invented species row. `loss` and `leaf` are log rate ratios to the company's base rates."""

    name: str
    group: str
    loss: float
    dry_days: float  # Weibull scale of days to dry topsoil at the reference of the drying terms
    leaf: float
    leaves: int  # leaves on a new plant in a 15-24 cm pot
    lights: tuple[float, float, float, float]  # how often it stands in each of LIGHTS
    cultivars: tuple[str, ...] = ()


# How often a kind of species stands in low, medium, high light and sun.
DIM, SHADE = (0.52, 0.38, 0.10, 0.0), (0.40, 0.45, 0.15, 0.0)
MIDDLE, BRIGHT = (0.30, 0.42, 0.22, 0.06), (0.14, 0.47, 0.33, 0.06)
SPECIES = (
    Species("Ficus benjamina", "Ficus", 0.35, 10.0, 0.90, 220, BRIGHT, ("Danielle",)),
    Species("Ficus elastica", "Ficus", 0.00, 12.0, -0.40, 34, BRIGHT, ("Robusta", "Tineke")),
    Species("Ficus lyrata", "Ficus", 0.45, 11.0, -0.20, 30, BRIGHT, ("Bambino",)),
    Species("Ficus cyathistipula", "Ficus", 0.05, 11.5, -0.10, 60, MIDDLE),
    Species("Dracaena fragrans", "Dracaena", -0.20, 16.0, -0.50, 48, SHADE, ("Lemon Lime",)),
    Species("Dracaena marginata", "Dracaena", -0.05, 15.0, 0.20, 90, MIDDLE),
    Species("Dracaena trifasciata", "Dracaena", -0.60, 27.0, -2.20, 14, MIDDLE, ("Laurentii",)),
    Species("Aglaonema commutatum", "Aglaonema", 0.10, 12.0, -0.90, 26, DIM, ("Silver Queen",)),
    Species("Spathiphyllum wallisii", "Spathiphyllum", 0.25, 7.5, -0.50, 38, SHADE, ("Chopin",)),
    Species("Epipremnum aureum", "Epipremnum", -0.25, 11.0, -0.30, 45, SHADE, ("Marble Queen",)),
    Species("Zamioculcas zamiifolia", "Zamioculcas", -0.70, 24.0, -1.90, 60, DIM),
    Species("Philodendron hederaceum", "Philodendron", -0.10, 10.5, -0.40, 50, SHADE, ("Brasil",)),
    Species("Monstera deliciosa", "Monstera", 0.00, 10.0, -1.30, 15, BRIGHT),
    Species("Chamaedorea elegans", "Palms", 0.40, 8.0, -0.20, 40, SHADE),
    Species("Howea forsteriana", "Palms", 0.15, 9.0, -1.30, 14, SHADE),
    Species("Rhapis excelsa", "Palms", 0.00, 10.0, -0.80, 36, SHADE),
)
