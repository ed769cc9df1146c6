"""What moister air would change, and whether the records can tell it from the season."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.leaves.design import band_middle
from plantstats.leaves.inputs import NO_RH
from plantstats.leaves.model import LeafFit
from plantstats.stats.collinearity import VIF_LIMIT, vif
from plantstats.stats.intervals import CONF_LEVEL, WIDEST, ratio_limits

GAIN = 10  # points of humidity
INSEPARABLE = "humidity and season move together in these records and cannot be told apart"


def recorded(model: LeafFit) -> pd.DataFrame:
    """Humidities of the records by species group.

    Parameters
    ----------
    model : LeafFit
        The fitted leaf model.

    Returns
    -------
    pandas.DataFrame
        By air_group: low and high (middles of the lowest and highest five-point band with intervals, percent), usual
        (10% of the known plant-days lie in drier air), plant_days (of known humidity).
    """
    t = model.table[model.table["rh"] != NO_RH]
    t = pd.DataFrame(
        {"group": t["air_group"].astype("str"), "rh": band_middle(t["rh"]), "days": t["n"] * t["exposure"]}
    )
    days = t.groupby(["group", "rh"])["days"].sum().reset_index()
    days["share"] = days.groupby("group")["days"].transform(lambda d: d.cumsum() / d.sum())
    by_group = days.groupby("group")
    return pd.DataFrame(
        {
            "low": by_group["rh"].min(),
            "high": by_group["rh"].max(),
            "usual": days[days["share"] >= 0.1].groupby("group")["rh"].min(),
            "plant_days": by_group["days"].sum(),
        }
    )


def season_vif(model: LeafFit) -> float:
    """Variance inflation factor of a common humidity effect by the terms of season.

    Parameters
    ----------
    model : LeafFit
        The fitted leaf model.

    Returns
    -------
    float
        Missing without humidity.

    Notes
    -----
    Above `VIF_LIMIT` the two cannot be told apart.
    """
    names = model.fit.params.index[model.fit.kept]
    air = np.array([name.startswith("dry_air") for name in names])
    season = np.isin(names, ["cos_year", "sin_year"])
    if not air.any() or not season.any():
        return np.nan
    # One common slope instead of one per group: the question is about season, not about groups.
    merge = np.column_stack([air.astype("float64"), np.eye(len(names))[:, ~air]])
    return vif(merge.T @ model.fit.information @ merge, 0, np.r_[False, season[~air]])


def humidity_ratios(model: LeafFit, period: str) -> pd.DataFrame:
    """Ten points more, from the drier end of what a group's plants stood in, never beyond what was recorded.

    Parameters
    ----------
    model : LeafFit
        The fitted leaf model.
    period : str
        Name of the period.

    Returns
    -------
    pandas.DataFrame
        Findings <outcome>_humidity_ratio by term (species group and the two humidities); without an estimate, and with
        the reason, where a group hardly stood in dry air, or where season and humidity cannot be told apart.
    """
    groups, air, limit = model.table["air_group"].cat.categories, recorded(model), model.humidity_limit
    inseparable = season_vif(model) > VIF_LIMIT
    rows: list[dict[str, object]] = []
    for group in groups:
        weights = model.column(f"dry_air:air_group[{group}]" if len(groups) > 1 else "dry_air")
        start = air["usual"].get(group, np.nan)
        if not start < limit or not (model.fit.kept & (weights > 0)).any():
            note = "hardly any plant-day in dry air of known humidity"
            rows.append({"term": f"{group}: no dry air in the records", "note": note})
            continue
        end = min(start + GAIN, air.loc[group, "high"])
        row: dict[str, object] = {"term": f"{group}: air at {end:g}% instead of {start:g}%"}
        if inseparable:
            rows.append(row | {"note": INSEPARABLE})
            continue
        notes = [] if end - start >= GAIN else ["fewer than ten points: the records hold no more"]
        if end > limit:
            notes.append(f"gains count up to {limit}%")
        value, se = model.fit.combine(-weights * (min(end, limit) - start) / 10)
        row |= {"log_ratio": value[0], "se": se[0], "plant_days": air.loc[group, "plant_days"]}
        rows.append(row | {"note": "; ".join(notes)})
    frame = pd.DataFrame(rows).reindex(columns=["term", "note", "log_ratio", "se", "plant_days"])
    return log_findings(model, frame, "humidity_ratio", period, "times", by=["term"])


def separability(model: LeafFit, period: str) -> pd.DataFrame:
    """Whether season and humidity can be told apart: one finding, <outcome>_humidity_vif.

    Parameters
    ----------
    model : LeafFit
        The fitted leaf model.
    period : str
        Name of the period.

    Returns
    -------
    pandas.DataFrame
        Findings.
    """
    vif = season_vif(model)
    if not np.isfinite(vif):
        note = "no humidity, or no change of season, in the records"
    elif vif > VIF_LIMIT:
        note = "cannot be told apart: the effect of either may be the other's"
    else:
        note = "can be told apart: sites differ in humidity within a season"
    return findings.rows(
        pd.DataFrame({"estimate": [vif], "note": note}),
        f"{model.outcome}_humidity_vif",
        period=period,
        unit="times",
        method="variance of a common humidity effect with and without terms of season",
    )


def log_findings(
    model: LeafFit, frame: pd.DataFrame, measure: str, period: str, unit: str, by: list[str], scale: float = 1.0
) -> pd.DataFrame:
    """Findings from logarithms of ratios or rates.

    Parameters
    ----------
    model : LeafFit
    frame : pandas.DataFrame
        One row per finding: log_ratio and se (missing where there is no estimate), the `by` columns, note, plant_days.
    measure : str
        Without the outcome, which stands before it.
    period : str
        Name of the period.
    unit : str
        Of the findings.
    by : list of str
        Groupings.
    scale : float
        What exp(log_ratio) is multiplied by.

    Returns
    -------
    pandas.DataFrame
        Findings, on their own scale; missing, with the reason as the note, where the upper limit is more than
        `intervals.WIDEST` times the lower.
    """
    estimate, low, high = ratio_limits(frame["log_ratio"], frame["se"], CONF_LEVEL, model.fit.df)
    rows = findings.rows(
        frame,
        f"{model.outcome}_{measure}",
        period=period,
        unit=unit,
        method=model.method,
        by=by,
        conf_level=CONF_LEVEL,
        estimate=estimate * scale,
        low=low * scale,
        high=high * scale,
    )
    wide = rows["high"] > WIDEST * rows["low"]
    rows.loc[wide, ["estimate", "low", "high"]] = float("nan")
    rows.loc[wide, "note"] = f"not available: the limits lie more than {WIDEST:g} times apart"
    return rows
