"""Leaf loss: leaves dropped and leaves yellowed against season, humidity, place and care.

Leaves are counted at a visit and cleaned away, so a count belongs to the days since the completed visit before.
Counts are minima: cleaners take leaves too. What the technician *did* (watering) is no condition here: after a
drought a fig drops its leaves only when it is watered again, so that watering would look guilty.
"""

from plantstats.leaves.build import LeafTime, build
from plantstats.leaves.counts import CountFit, LeafModelError, fit_counts
from plantstats.leaves.model import LeafFit, fit_leaves, hinge_profile
from plantstats.leaves.review import LeafReview, review

__all__ = [
    "CountFit",
    "LeafFit",
    "LeafModelError",
    "LeafReview",
    "LeafTime",
    "build",
    "fit_counts",
    "fit_leaves",
    "hinge_profile",
    "review",
]
