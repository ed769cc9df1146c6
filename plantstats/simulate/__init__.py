"""An invented company with known truth, seeded: for trying the tool, for tests and for the proving ground."""

from plantstats.simulate.company import company
from plantstats.simulate.drying import drying_quantile, over_dry_share
from plantstats.simulate.truth import SPECIES, Species, Truth, true_rate, true_survival
from plantstats.simulate.write import make

__all__ = [
    "SPECIES",
    "Species",
    "Truth",
    "company",
    "drying_quantile",
    "make",
    "over_dry_share",
    "true_rate",
    "true_survival",
]
