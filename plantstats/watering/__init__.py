"""Watering: how fast topsoil dries, how often to look, and which plants force the interval.

spells -> collapse -> drying -> learn -> advise -> situations -> review -> results, care_sheet
"""

from plantstats.watering.advise import Advice, advise
from plantstats.watering.assumptions import Assumptions
from plantstats.watering.collapse import Spells, build
from plantstats.watering.drying import Drying, DryingError, fit
from plantstats.watering.learn import Learned, WateringError, learn
from plantstats.watering.review import WateringReview, review

__all__ = [
    "Advice",
    "Assumptions",
    "Drying",
    "DryingError",
    "Learned",
    "Spells",
    "WateringError",
    "WateringReview",
    "advise",
    "build",
    "fit",
    "learn",
    "review",
]
