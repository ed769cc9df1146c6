"""Watering: how fast topsoil dries, how often to look, and which plants force the interval.

dry_downs -> dry_down_table -> drying -> drying_fit -> fit -> sampling -> plant_cycles -> costing -> advice -> profiles
-> review -> results, care_sheet

Examples
--------
>>> from plantstats import watering
>>> model = watering.DryingModel.known({"species": {"Ficus lyrata": 2.3}}, shape=3.0)  # half dry after exp(2.3) x 0.885
>>> import pandas as pd
>>> plant = pd.DataFrame([{"species": "Ficus lyrata", "light": "low", "pot": "15-24 cm", "planter": "direct",
...                        "heating": False}])
>>> round(float(model.days_until_dry(plant, 0.5).estimate[0]), 1)
8.8
"""

from plantstats.watering.advice import Advice, advise
from plantstats.watering.assumptions import Assumptions
from plantstats.watering.dry_down_table import DryDowns, build
from plantstats.watering.drying import DryingModel
from plantstats.watering.drying_fit import fit_drying
from plantstats.watering.estimation import DryingError
from plantstats.watering.fit import WateringError, WateringModel, fit_watering
from plantstats.watering.review import WateringReview, review

__all__ = [
    "Advice",
    "Assumptions",
    "DryDowns",
    "DryingError",
    "DryingModel",
    "WateringError",
    "WateringModel",
    "WateringReview",
    "advise",
    "build",
    "fit_drying",
    "fit_watering",
    "review",
]
