"""Losses against age, season, humidity, place and species: a Poisson GLM of exposure tables, with finite answers.

What counts as a loss stands in `plantstats.schema.causes`.
"""

from plantstats.losses.collinearity import CollinearityCheck, check_collinearity, collinearity_findings
from plantstats.losses.design import CollinearTermsError, ModelError
from plantstats.losses.effects import adjusted_rates, effects
from plantstats.losses.fit import fit
from plantstats.losses.model import LossModel
from plantstats.losses.rate_table import RateTable
from plantstats.losses.terms import ALL_YEAR_ALIKE, EXPOSURE_BY, HUMIDITY_ONLY, LOSS_TERMS, SEASON_ONLY, Term, settled

__all__ = [
    "ALL_YEAR_ALIKE",
    "EXPOSURE_BY",
    "HUMIDITY_ONLY",
    "LOSS_TERMS",
    "SEASON_ONLY",
    "CollinearTermsError",
    "CollinearityCheck",
    "LossModel",
    "ModelError",
    "RateTable",
    "Term",
    "adjusted_rates",
    "check_collinearity",
    "collinearity_findings",
    "effects",
    "fit",
    "settled",
]
