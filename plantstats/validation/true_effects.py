"""What is true of an invented company's effects: of the loss model, the leaf model and drying."""

from __future__ import annotations

import math
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from plantstats.exposure import DRY_AIR_BELOW
from plantstats.exposure.psychrometrics import deficit_kpa
from plantstats.leaves import misclassification
from plantstats.leaves.effects import SEASON_TERM, ratio_term
from plantstats.leaves.inputs import MAX_DAYS, STEPS, TRANSIENT_CUTS
from plantstats.simulate import drying_quantile, true_rate
from plantstats.simulate.params import LIGHTS, POTS, TRANSIENT_DAYS, CompanyParams, cycle, species_named

if TYPE_CHECKING:
    from plantstats.leaves.model import LeafFit
    from plantstats.losses import LossModel

MID_YEAR = 2026  # any: the cycle is the same every year
# Mean air of the invented sites by season, degrees C (the demo's own curve, averaged over October to April).
HEATED_C, OPEN_C = 21.1, 23.1


def loss_effect(params: CompanyParams, term: str) -> float:
    """True rate ratio behind a term of the loss model as findings name it.

    Parameters
    ----------
    params : CompanyParams
        Parameters of the simulation, all known.
    term : str
        Such as "light: low (against medium)".

    Returns
    -------
    float
        Missing where there is no one truth (unknown levels, humidity not read).
    """
    name, _, rest = term.partition(": ")
    if name == "season" and rest in ("January against July", "April against October"):
        one, other = (1, 7) if rest.startswith("January") else (4, 10)
        return math.exp(_of_month(params, one) - _of_month(params, other))
    if name == "humidity" and rest.startswith("each"):
        return math.exp(params.humidity)
    level, _, against = rest.removesuffix(")").partition(" (against ")
    pulled = {"never": 0.0, "later": 0.0}
    tables = {
        "light": params.light,
        "pot": params.pot,
        "age_band": params.age,
        "planter": {"direct": 0.0, "double_potted": 0.0, "sub_irrigated": 0.0},
        "moved": pulled | {"first 90 days": params.moved},
        "repotted": pulled | {"first 90 days": params.repotted},
    }
    known = tables.get(name, {})
    return math.exp(known[level] - known[against]) if level in known and against in known else math.nan


def species_effects(params: CompanyParams, model: LossModel) -> pd.Series:
    """True rate ratio of each species against the average plant-day that the model was fitted on.

    Parameters
    ----------
    params : CompanyParams
        Parameters of the simulation, all known.
    model : LossModel
        The fitted loss model.

    Returns
    -------
    pandas.Series
        Rate ratio by species.
    """
    days = model.patterns.groupby("species", observed=True)["plant_days"].sum()
    loss = pd.Series({name: species_named(params, name).loss for name in days.index})
    return np.exp(loss - (loss * days).sum() / days.sum())


def adjusted_rate(params: CompanyParams, model: LossModel, row: dict[str, object]) -> float:
    """True losses per 100 plant-years in one named situation, at the mean site.

    Parameters
    ----------
    params : CompanyParams
        Parameters of the simulation, all known.
    model : LossModel
        The fitted loss model.
    row : dict of str to object
        species, month, humidity, and other levels where the situation names them.

    Returns
    -------
    float
        Missing where the situation has no one truth.
    """
    month, first = int(str(row["month"])), model.coding.reference
    if first["age_band"] != "days 91-365" or first["pot"] not in POTS:
        return math.nan
    return true_rate(
        params,
        str(row["species"]),
        light=str(row.get("light", first["light"])),
        pot=first["pot"],
        age_days=200,
        on=date(MID_YEAR, month, 15),
        humidity=float(str(row["humidity"])),
    )


def leaf_ratios(params: CompanyParams, model: LeafFit | None = None) -> dict[str, float]:
    """True ratio of green leaves behind each term of the leaf model as findings name it.

    Parameters
    ----------
    params : CompanyParams
        Parameters of the simulation, all known.
    model : LeafFit, optional
        The fitted leaf model, for how many plants stood dry. The ratios printed are of the topsoil as it was
        written down; without the model those of dry topsoil are of the topsoil as it was.

    Returns
    -------
    dict of str to float
    """
    light = params.leaf_light
    logs = {
        "light": {level: light[level] - light["medium"] for level in LIGHTS},
        "new": _steps(params, params.leaf_new, on_a_visit=False),
        "moved": _steps(params, params.leaf_moved, on_a_visit=True),
        "repotted": _steps(params, params.leaf_repotted, on_a_visit=True),
        "turned": {"turned": 0.0},
        "rewatered": {"dry (figs)": _written(params, model, "rewatered", "dry (figs)"), "dry (others)": 0.0},
        "dry": {"dry (figs)": 0.0, "dry (others)": _written(params, model, "dry", "dry (others)")},
    }
    ratios = {
        ratio_term(factor, level): math.exp(value) for factor, levels in logs.items() for level, value in levels.items()
    }
    # The invented company counts leaves by the day of the year on which an interval between counts ends, the model by
    # its middle: in mid-January that is so many days on.
    later = sum(days**2 * weight for days, weight in _gaps(params)) / sum(d * w for d, w in _gaps(params)) / 2
    january, july = cycle(params.leaf_cycle_cos, params.leaf_cycle_sin, np.array([15.5, 196.5]) + later)
    ratios[SEASON_TERM] = math.exp(january - july)
    return ratios


def _gaps(params: CompanyParams) -> list[tuple[int, float]]:
    """Days from one completed visit to the next, and how many such intervals there are to each plant-day."""
    skipped = params.missed_visits + params.no_access
    # A site visited every v days has (1 - skipped) / v intervals a day; a share skipped^k of them is k visits longer.
    return [
        (every * (k + 1), share * (1 - skipped) ** 2 / every * skipped**k)
        for every, share in params.visit_days.items()
        for k in range(4)
    ]


def _steps(params: CompanyParams, effect: float, on_a_visit: bool) -> dict[str, float]:
    """Log ratio of each step of thirty days after a plant came, moved or was repotted.

    A step holds the intervals whose middle lies in it. The invented company lets the effect act on a whole interval if
    the interval ends within TRANSIENT_DAYS, so that in the last step some intervals show nothing.

    on_a_visit: the change was made at a visit, so that visits follow whole intervals after it; a plant may come on any
    day between two.
    """
    skipped = params.missed_visits + params.no_access
    days, hit = np.zeros(len(STEPS)), np.zeros(len(STEPS))
    for every, share in params.visit_days.items():
        for first in [every] if on_a_visit else range(1, every + 1):
            rounds = [0, *range(first, MAX_DAYS + TRANSIENT_CUTS[-1], every)]
            for i, start in enumerate(rounds):
                for k, end in enumerate(rounds[i + 1 :]):
                    chance = (1.0 if start == 0 else 1 - skipped) * (1 - skipped) * skipped**k
                    step = int(np.searchsorted(TRANSIENT_CUTS, (start + end) // 2, side="right"))
                    if step < len(STEPS) and end - start <= MAX_DAYS:
                        # Of a site's plants as many come, or are moved, in every day's round.
                        weight = share * chance * (end - start) / (1 if on_a_visit else every)
                        days[step] += weight
                        hit[step] += weight * (end <= TRANSIENT_DAYS)
    within = hit / days
    return {name: math.log1p(float(part) * math.expm1(effect)) for name, part in zip(STEPS, within, strict=True)}


def _written(params: CompanyParams, model: LeafFit | None, factor: str, level: str) -> float:
    """Log ratio of topsoil written down as dry: technicians misread a share of it, which pulls the ratio towards 1."""
    if model is None:
        return params.leaf_dry
    share = misclassification.share_dry(model, factor)[level]
    true = (share - params.misclassification) / (1 - 2 * params.misclassification)
    return math.log(
        misclassification.written_ratio(
            math.exp(params.leaf_dry), true, params.misclassification, watered=factor == "rewatered"
        )
    )


def leaf_humidity(params: CompanyParams, term: str) -> float:
    """True ratio of green leaves between two humidities.

    Parameters
    ----------
    params : CompanyParams
        Parameters of the simulation, all known.
    term : str
        Such as "Ficus: air at 42.5% instead of 32.5%".

    Returns
    -------
    float
        Missing for a term that names no group of the company.
    """
    group, _, rest = term.partition(": air at ")
    if group not in params.leaf_humidity or not rest:
        return math.nan
    high, low = (float(text.removesuffix("%")) for text in rest.split(" instead of "))
    gained = min(high, DRY_AIR_BELOW) - low
    return math.exp(-params.leaf_humidity[group] * gained / 10)


def drying_days(params: CompanyParams, sites: pd.DataFrame, row: dict[str, object], share: float) -> float:
    """True days until the topsoil of a share of such plants is dry, in the mean air of the season.

    Parameters
    ----------
    params : CompanyParams
        Parameters of the simulation, all known.
    sites : pandas.DataFrame
        `true_sites`.
    row : dict of str to object
        species, light, pot, planter, season.
    share : float
        Between 0 and 1.

    Returns
    -------
    float
        Missing for unknown levels.
    """
    if row["light"] not in LIGHTS or row["pot"] not in POTS or row["planter"] == "unknown":
        return math.nan
    heating = row["season"] == "heating season"
    return drying_quantile(
        params,
        str(row["species"]),
        share,
        light=str(row["light"]),
        pot=str(row["pot"]),
        planter=str(row["planter"]),
        heating=heating,
        vpd_kpa=season_kpa(sites, heating),
    )


def season_kpa(sites: pd.DataFrame, heating: bool) -> float:
    """Mean vapour pressure deficit of a season over the invented sites (`true_sites`), in kPa.

    Parameters
    ----------
    sites : pandas.DataFrame
        `true_sites`.
    heating : bool
        Whether the season is the heating season.

    Returns
    -------
    float
    """
    humidity = float(sites["heated_humidity" if heating else "open_humidity"].mean())
    return float(deficit_kpa(HEATED_C if heating else OPEN_C, humidity))


def _of_month(params: CompanyParams, month: int) -> float:
    return float(cycle(params.cycle_cos, params.cycle_sin, date(MID_YEAR, month, 15).timetuple().tm_yday))
