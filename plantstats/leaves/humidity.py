"""What moister air would change, and whether the records can tell it from the season."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.leaves.inputs import NO_RH, RH_STEP, RH_TOP
from plantstats.leaves.model import LeafFit
from plantstats.stats.collinearity import VIF_LIMIT, variance_inflation

TEN = 10  # points of humidity

for _outcome, _what in {"green": "Green leaves dropped", "yellow": "Oldest leaves yellowed"}.items():
    findings.define(
        **{
            f"{_outcome}_humidity_ratio": f"{_what}: times as many at the higher humidity, all else alike.",
            f"{_outcome}_humidity_inflation": (
                f"{_what}: how many times seasons widen the variance of the humidity effect; above "
                f"{VIF_LIMIT:g} the two cannot be told apart."
            ),
        }
    )


def known(model: LeafFit) -> pd.DataFrame:
    """Humidities of the records by species group.

    Gives:  one row per air_group: low and high (lowest and highest five-point band with stretches, its middle),
            usual (10% of the known plant-days lie in drier air), days (known plant-days).
    """
    t = model.table[model.table["rh"] != NO_RH]
    days = (t["n"] * t["exposure"]).groupby([t["air_group"].astype("str"), t["rh"]]).sum().rename("days").reset_index()
    days["middle"] = days["rh"] + RH_STEP / 2 * (days["rh"] < RH_TOP)
    rows = []
    for group, part in days.groupby("air_group"):
        share = part["days"].cumsum() / part["days"].sum()
        rows.append(
            {
                "air_group": group,
                "low": part["middle"].iloc[0],
                "high": part["middle"].iloc[-1],
                "usual": part["middle"][share >= 0.1].iloc[0],
                "days": part["days"].sum(),
            }
        )
    return pd.DataFrame(rows, columns=["air_group", "low", "high", "usual", "days"]).set_index("air_group")


def inflation(model: LeafFit) -> float:
    """How many times terms of season widen the variance of a common humidity effect; missing without humidity."""
    names = model.fit.params.index[model.fit.kept]
    air = np.array([name.startswith("dry_air") for name in names])
    season = np.isin(names, ["cos_year", "sin_year", "heated"])
    if not air.any() or not season.any():
        return np.nan
    # One common slope instead of one per group: the question is about season, not about groups.
    merge = np.column_stack([air.astype("float64"), np.eye(len(names))[:, ~air]])
    joint = merge.T @ model.fit.information @ merge
    return variance_inflation(joint, 0, np.r_[False, season[~air]])


def gains(model: LeafFit, period: str, level: float) -> list[dict[str, object]]:
    """Ten points more, from the drier end of what a group's plants stood in, never beyond what was recorded."""
    recorded, made = known(model), []
    blurred = inflation(model) > VIF_LIMIT
    groups = list(model.table["air_group"].cat.categories)
    for group in groups:
        weights = model.slope(group) if len(groups) > 1 else (model.fit.params.index == "dry_air").astype("float64")
        common: dict[str, Any] = {"term": f"{group}: no dry air in the records"}
        measure = f"{model.outcome}_humidity_ratio"
        own = model.fit.kept & (weights > 0)
        if group not in recorded.index or recorded.loc[group, "usual"] >= model.hinge or not own.any():
            made.append(
                findings.finding(
                    measure,
                    period,
                    np.nan,
                    unit="times",
                    method=_method(model),
                    note="hardly any plant-day in dry air of known humidity",
                    **common,
                )
            )
            continue
        start = recorded.loc[group, "usual"]
        end = min(start + TEN, recorded.loc[group, "high"])
        term = f"{group}: air at {end:g}% instead of {start:g}%"
        gained = min(end, model.hinge) - start
        if blurred:
            made.append(
                findings.finding(
                    measure,
                    period,
                    np.nan,
                    unit="times",
                    method=_method(model),
                    term=term,
                    note="humidity and season move together in these records and cannot be told apart",
                )
            )
            continue
        value, error = model.fit.combine(-weights * gained / 10)
        notes = [] if end - start >= TEN else ["fewer than ten points: the records hold no more"]
        if end > model.hinge:
            notes.append(f"gains count up to {model.hinge}%")
        made.append(
            as_finding(
                model,
                "humidity_ratio",
                period,
                value[0],
                error[0],
                level,
                "times",
                term=term,
                plant_days=float(recorded.loc[group, "days"]),
                note="; ".join(notes),
            )
        )
    return made


def apart(model: LeafFit, period: str) -> dict[str, object]:
    """Whether season and humidity can be told apart: one finding, <outcome>_humidity_inflation."""
    times = inflation(model)
    if not np.isfinite(times):
        note = "no humidity, or no change of season, in the records"
    elif times > VIF_LIMIT:
        note = "cannot be told apart: the effect of either may be the other's"
    else:
        note = "can be told apart: sites differ in humidity within a season"
    return findings.finding(
        f"{model.outcome}_humidity_inflation",
        period,
        times,
        unit="times",
        note=note,
        method="variance of a common humidity effect with and without terms of season",
    )


def as_finding(
    model: LeafFit,
    measure: str,
    period: str,
    value: float,
    error: float,
    level: float,
    unit: str,
    scale: float = 1.0,
    **more: Any,
) -> dict[str, object]:
    """A finding from a log ratio or log rate and its standard error, times `scale`."""
    reach = model.fit.quantile(level) * error
    low, high = (float(np.exp(value + sign * reach)) * scale for sign in (-1, 1))
    return findings.finding(
        f"{model.outcome}_{measure}",
        period,
        float(np.exp(value)) * scale,
        low,
        high,
        unit=unit,
        method=_method(model),
        level=level,
        **more,
    )


def _method(model: LeafFit) -> str:
    return (
        f"{model.fit.family} regression, errors between {model.fit.sites} sites"
        if model.fit.cov_sites is not None
        else f"{model.fit.family} regression"
    )
