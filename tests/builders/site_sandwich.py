"""The plain sandwich over sites of a loss model, without a factor, as second libraries give it."""

import numpy as np

from plantstats.losses.likelihood import Array, Counts, derivatives
from plantstats.stats.clusters import sandwich


def site_sandwich(counts: Counts, beta: Array) -> Array:
    now = derivatives(counts, beta, 0.0)
    return sandwich(now.scores, np.linalg.inv(now.information), corrected=False)
