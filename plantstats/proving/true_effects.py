"""What is true of an invented company's effects: of the loss model, the leaf model and drying."""

from __future__ import annotations

import math
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from plantstats.air import deficit_kpa
from plantstats.demo import drying_quantile, true_rate
from plantstats.demo.truth import LIGHTS, POTS, Truth, cycle, species_named
from plantstats.leaf_loss.inputs import CONDITIONS, STEPS
from plantstats.leaf_loss.model import HINGE
from plantstats.leaf_loss.results import BASE, LABELS, WORDS

if TYPE_CHECKING:
    from plantstats.loss_model import LossModel

MID_YEAR = 2026  # any: the cycle is the same every year
# Mean air of the invented sites by season, degrees C (the demo's own curve, averaged over October to April).
HEATED_C, OPEN_C = 21.1, 23.1


def loss_effect(truth: Truth, term: str) -> float:
    """True rate ratio behind a term of the loss model as findings name it; missing where there is no one truth
    (unknown levels, humidity not read)."""
    name, _, rest = term.partition(": ")
    if name == "season" and rest in ("January against July", "April against October"):
        one, other = (1, 7) if rest.startswith("January") else (4, 10)
        return math.exp(_of_month(truth, one) - _of_month(truth, other))
    if name == "humidity" and rest.startswith("each"):
        return math.exp(truth.humidity)
    level, _, against = rest.removesuffix(")").partition(" (against ")
    pulled = {"never": 0.0, "later": 0.0}
    tables = {
        "light": truth.light, "pot": truth.pot, "age_band": truth.age,
        "planter": {"direct": 0.0, "double_potted": 0.0, "sub_irrigated": 0.0},
        "moved": pulled | {"first 90 days": truth.moved}, "repotted": pulled | {"first 90 days": truth.repotted},
    }
    known = tables.get(name, {})
    return math.exp(known[level] - known[against]) if level in known and against in known else math.nan


def species_effects(truth: Truth, model: LossModel) -> pd.Series:
    """True rate ratio of each species against the average plant-day that the model was fitted on."""
    days = model.patterns.groupby("species")["plant_days"].sum()
    loss = pd.Series({name: species_named(truth, name).loss for name in days.index})
    return np.exp(loss - (loss * days).sum() / days.sum())


def adjusted_rate(truth: Truth, model: LossModel, row: dict[str, object]) -> float:
    """True losses per 100 plant-years in one named situation, at the mean site.

    Takes:  row: species, month, humidity, and other levels where the situation names them.
    """
    month, first = int(str(row["month"])), model.terms.first
    if first["age_band"] != "days 91-365" or first["pot"] not in POTS:
        return math.nan
    return true_rate(
        truth, str(row["species"]), light=str(row.get("light", first["light"])), pot=first["pot"], age_days=200,
        on=date(MID_YEAR, month, 15), humidity=float(str(row["humidity"])))


def leaf_ratios(truth: Truth) -> dict[str, float]:
    """True ratio of green leaves behind each term of the leaf model as findings name it."""
    light = truth.leaf_light
    logs = {
        "light": {level: light[level] - light["medium"] for level in LIGHTS},
        "new": dict.fromkeys(STEPS, truth.leaf_new), "moved": dict.fromkeys(STEPS, truth.leaf_moved),
        "repotted": dict.fromkeys(STEPS, truth.leaf_repotted), "turned": {"turned": 0.0},
        "rewatered": {"dry (figs)": truth.leaf_dry, "dry (others)": 0.0},
        "dry": {"dry (figs)": 0.0, "dry (others)": truth.leaf_dry},
    }
    made = {
        f"{WORDS[factor]}: {LABELS.get(level, level)} instead of {BASE.get(factor, CONDITIONS[factor][0])}":
            math.exp(value)
        for factor, levels in logs.items() for level, value in levels.items()
    }
    made["season: mid-January instead of mid-July, at the same humidity"] = math.exp(2 * truth.leaf_cycle_cos)
    return made


def leaf_humidity(truth: Truth, term: str) -> float:
    """True ratio of green leaves between two humidities, from a term such as "Ficus: air at 42.5% instead of 32.5%"."""
    group, _, rest = term.partition(": air at ")
    if group not in truth.leaf_humidity or not rest:
        return math.nan
    high, low = (float(text.removesuffix("%")) for text in rest.split(" instead of "))
    gained = min(high, HINGE) - low
    return math.exp(-truth.leaf_humidity[group] * gained / 10)


def drying_days(truth: Truth, sites: pd.DataFrame, row: dict[str, object], share: float) -> float:
    """True days until the topsoil of a share of such plants is dry, in the mean air of the season.

    Takes:  sites: `true_sites`; row: species, light, pot, planter, season.
    """
    if row["light"] not in LIGHTS or row["pot"] not in POTS or row["planter"] == "unknown":
        return math.nan
    heated = row["season"] == "heating season"
    humidity = float(sites["heated_humidity" if heated else "open_humidity"].mean())
    return drying_quantile(
        truth, str(row["species"]), share, light=str(row["light"]), pot=str(row["pot"]), planter=str(row["planter"]),
        heating=heated, vpd_kpa=float(deficit_kpa(HEATED_C if heated else OPEN_C, humidity)))


def _of_month(truth: Truth, month: int) -> float:
    return float(cycle(truth.cycle_cos, truth.cycle_sin, date(MID_YEAR, month, 15).timetuple().tm_yday))
