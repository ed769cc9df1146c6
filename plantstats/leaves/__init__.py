"""Leaf loss: leaves dropped and leaves yellowed against season, humidity, place and care.

Leaves are counted at a visit and cleaned away, so a count belongs to the days since the completed visit before.
Counts are minima: cleaners take leaves too. What the technician *did* (watering) is no condition here: after a
drought a fig drops its leaves only when it is watered again, so that watering would look guilty.
"""

from plantstats.leaves.analysis import LeafLoss, leaf_loss
from plantstats.leaves.build import CountIntervals, build
from plantstats.leaves.model import LeafFit, fit_leaves, humidity_limit_profile

__all__ = ["CountIntervals", "LeafFit", "LeafLoss", "build", "fit_leaves", "humidity_limit_profile", "leaf_loss"]
