"""An invented company with known truth, seeded: for trying the tool, for tests and for validation."""

from plantstats.simulate.company import company
from plantstats.simulate.drying import drying_quantile, over_dry_share
from plantstats.simulate.params import SPECIES, CompanyParams, Species, true_rate, true_survival
from plantstats.simulate.write import make

__all__ = [
    "SPECIES",
    "CompanyParams",
    "Species",
    "company",
    "drying_quantile",
    "make",
    "over_dry_share",
    "true_rate",
    "true_survival",
]
