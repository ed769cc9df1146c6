"""Losses against age, season, humidity, place and species: a Poisson GLM on cells, whose answers are finite."""

from plantstats.losses.collinearity import Apart, apart_findings, tell_apart
from plantstats.losses.design import Design, ModelError, design
from plantstats.losses.effects import adjusted_rates, effects
from plantstats.losses.fit import fit
from plantstats.losses.model import LossModel
from plantstats.losses.terms import (
    ALL_YEAR_ALIKE,
    CELLS_BY,
    HEATING_FORMULA,
    HUMIDITY_ONLY,
    LOSS_FORMULA,
    SEASON_ONLY,
    VPD_FORMULA,
    settled,
)

__all__ = [
    "ALL_YEAR_ALIKE",
    "CELLS_BY",
    "HEATING_FORMULA",
    "HUMIDITY_ONLY",
    "LOSS_FORMULA",
    "SEASON_ONLY",
    "VPD_FORMULA",
    "Apart",
    "Design",
    "LossModel",
    "ModelError",
    "adjusted_rates",
    "apart_findings",
    "design",
    "effects",
    "fit",
    "settled",
    "tell_apart",
]
