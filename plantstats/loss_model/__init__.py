"""Losses against age, season, humidity, place and species: a Poisson GLM on cells, whose answers are finite."""

from plantstats.loss_model.apart import Apart, apart_findings, tell_apart
from plantstats.loss_model.design import Design, ModelError, design
from plantstats.loss_model.effects import adjusted_rates, effects
from plantstats.loss_model.fit import fit
from plantstats.loss_model.model import LossModel
from plantstats.loss_model.terms import (
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
