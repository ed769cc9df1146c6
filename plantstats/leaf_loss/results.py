"""What the leaf model says: rates in named situations, what each condition goes with, what humidity would change."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.leaf_loss.inputs import CONDITIONS, NO_RH, RH_STEP, RH_TOP, STEPS
from plantstats.leaf_loss.model import DAYS_PER_MONTH, LeafFit
from plantstats.leaf_loss.observed import NO_LEAF, PER_PLANT_MONTH
from plantstats.rates import LEVEL

# Beyond this the records cannot tell season and humidity apart: seasons make the standard error of the humidity effect
# more than twice as wide (rule of thumb), and what is left to judge by is mostly the noise of the instruments.
MOST_INFLATION = 4.0
REFERENCE = "settled, usual air"
DRY_AIR = 25  # percent, of the named situation
TEN = 10  # points of humidity
WORDS = {
    "light": "light", "warmth": "air in the 28 days before", "opening": "place", "new": "since installation",
    "moved": "since a move", "repotted": "since repotting", "turned": "in the 30 days before",
    "rewatered": "topsoil at the visit before", "dry": "topsoil at this visit",
}
BASE = {"new": "later", "moved": "never or later", "repotted": "never or later", "turned": "not turned",
        "rewatered": "not dry", "dry": "not dry"}
LABELS = {"dry (figs)": "dry, figs", "dry (others)": "dry, other species"}

for _outcome, _what in {"green": "Green leaves dropped", "yellow": "Oldest leaves yellowed"}.items():
    findings.define(**{
        f"{_outcome}_leaves_at": f"{_what} per plant-month in a named situation, by the model.",
        f"{_outcome}_leaf_ratio": f"{_what}: times as many as in the situation compared with, all else alike.",
        f"{_outcome}_humidity_ratio": f"{_what}: times as many at the higher humidity, all else alike.",
        f"{_outcome}_humidity_inflation": (
            f"{_what}: how many times seasons widen the variance of the humidity effect; above "
            f"{MOST_INFLATION:g} the two cannot be told apart."),
    })


def model_findings(model: LeafFit, period: str, level: float = LEVEL) -> pd.DataFrame:
    """All findings of one fitted leaf model.

    Takes:  model; period: the name of the time that it was fitted on.
    Gives:  findings: <outcome>_leaves_at by species and term (situation), <outcome>_leaf_ratio by term,
            <outcome>_humidity_ratio by term (species group), <outcome>_humidity_inflation. A species without a
            single leaf has an estimate of 0 and an upper limit.
    """
    made = [*_situations(model, period, level), *_nothing(model, period, level), *_ratios(model, period, level)]
    made += [*_humidity(model, period, level), _apart(model, period)]
    return findings.table(made)


def humidity_known(model: LeafFit) -> pd.DataFrame:
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
        rows.append({
            "air_group": group, "low": part["middle"].iloc[0], "high": part["middle"].iloc[-1],
            "usual": part["middle"][share >= 0.1].iloc[0], "days": part["days"].sum(),
        })
    return pd.DataFrame(rows, columns=["air_group", "low", "high", "usual", "days"]).set_index("air_group")


def by_term(table: pd.DataFrame, measure: str) -> pd.DataFrame:
    """The rows of a measure that are split by term alone; with its columns even where there are none.

    Takes:  findings, or their display form.
    """
    rows = findings.pick(table, measure, ["term"])
    return rows if "term" in rows else rows.assign(term=pd.Series(dtype="str"))


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
    keep = np.r_[True, ~season[~air]]
    return float(np.linalg.inv(joint)[0, 0] / np.linalg.inv(joint[np.ix_(keep, keep)])[0, 0])


def _finding(model: LeafFit, measure: str, period: str, value: float, error: float, level: float, unit: str,
             scale: float = 1.0, **more: object) -> dict[str, object]:
    reach = model.fit.quantile(level) * error
    low, high = (float(np.exp(value + sign * reach)) * scale for sign in (-1, 1))
    return findings.finding(
        f"{model.outcome}_{measure}", period, float(np.exp(value)) * scale, low, high, unit=unit,
        method=_method(model), level=level, **more)


def _method(model: LeafFit) -> str:
    return f"{model.fit.family} regression, errors between {model.fit.sites} sites" if model.fit.cov_sites is not None \
        else f"{model.fit.family} regression"


def _situations(model: LeafFit, period: str, level: float) -> list[dict[str, object]]:
    known = humidity_known(model)
    made = []
    for species in model.table["species"].cat.categories:
        rows = model.table[model.table["species"] == species]
        n, days = int(rows["n"].sum()), float((rows["n"] * rows["exposure"]).sum())
        leaves = int(rows["sum"].sum())
        asked: dict[str, dict[str, object]] = {REFERENCE: {}}
        if STEPS[0] in model.table["new"].cat.categories:
            asked["first 30 days on site"] = {"new": STEPS[0]}
        group = rows["air_group"].iloc[0]
        if group in known.index and known.loc[group, "low"] <= DRY_AIR < model.hinge:
            asked[f"settled, air at {DRY_AIR}%"] = {"dry_air": (model.hinge - DRY_AIR) / 10}
        for name, changes in asked.items():
            value, error = model.fit.log_mean(model.situation(species, **changes))
            made.append(_finding(
                model, "leaves_at", period, value[0], error[0], level, PER_PLANT_MONTH, DAYS_PER_MONTH,
                species=species, term=name, plant_days=days, note=f"{leaves} leaves at {n} visits in all situations"))
    return made


def _nothing(model: LeafFit, period: str, level: float) -> list[dict[str, object]]:
    return [
        findings.finding(
            f"{model.outcome}_leaves_at", period, 0.0, 0.0, row.high * DAYS_PER_MONTH, unit=PER_PLANT_MONTH,
            method="none seen: exact upper limit at the model's dispersion", level=level, plant_days=row.plant_days,
            note=f"not in the model: not one leaf at {row.n} visits", **_named(row.factor, row.level))
        for row in model.nothing.itertuples() if np.isfinite(row.high)
    ] + [
        findings.finding(
            f"{model.outcome}_leaves_at", period, np.nan, unit=PER_PLANT_MONTH, method="none seen",
            plant_days=row.plant_days, note=f"not in the model: not one leaf at {row.n} visits; {NO_LEAF} fails",
            **_named(row.factor, row.level))
        for row in model.nothing.itertuples() if not np.isfinite(row.high)
    ]


def _named(factor: str, level: str) -> dict[str, object]:
    if factor == "species":
        return {"species": level, "term": "all situations"}
    return {"term": f"{WORDS[factor]}: {LABELS.get(level, level)}"}


def _ratios(model: LeafFit, period: str, level: float) -> list[dict[str, object]]:
    made = []
    names, eye = list(model.fit.params.index), np.eye(len(model.fit.params))
    for factor, levels in CONDITIONS.items():
        for one in levels[1:]:
            column = f"{factor}[{one}]"
            if one == "unknown" or column not in names or not model.fit.kept[names.index(column)]:
                continue
            rows = model.table[model.table[factor] == one]
            value, error = model.fit.combine(eye[names.index(column)])
            made.append(_finding(
                model, "leaf_ratio", period, value[0], error[0], level, "times",
                term=f"{WORDS[factor]}: {LABELS.get(one, one)} instead of {BASE.get(factor, levels[0])}",
                plant_days=float((rows["n"] * rows["exposure"]).sum()), note=f"{int(rows['sum'].sum())} leaves"))
    if "cos_year" in names:
        # Middle of January less middle of July.
        angle = 2 * np.pi * (np.array([1, 7]) - 0.5) / 12
        weights = np.zeros(len(names))
        weights[names.index("cos_year")] = np.cos(angle[0]) - np.cos(angle[1])
        weights[names.index("sin_year")] = np.sin(angle[0]) - np.sin(angle[1])
        term = "season: mid-January instead of mid-July, at the same humidity"
    elif "heated" in names:
        weights, term = eye[names.index("heated")], "season: heating season instead of the rest, at the same humidity"
    else:
        return made
    value, error = model.fit.combine(weights)
    return [*made, _finding(model, "leaf_ratio", period, value[0], error[0], level, "times", term=term)]


def _humidity(model: LeafFit, period: str, level: float) -> list[dict[str, object]]:
    """Ten points more, from the drier end of what a group's plants stood in, never beyond what was recorded."""
    known, made = humidity_known(model), []
    blurred = inflation(model) > MOST_INFLATION
    groups = list(model.table["air_group"].cat.categories)
    for group in groups:
        weights = model.slope(group) if len(groups) > 1 else (model.fit.params.index == "dry_air").astype("float64")
        common: dict[str, object] = {"term": f"{group}: no dry air in the records"}
        measure = f"{model.outcome}_humidity_ratio"
        own = model.fit.kept & (weights > 0)
        if group not in known.index or known.loc[group, "usual"] >= model.hinge or not own.any():
            made.append(findings.finding(
                measure, period, np.nan, unit="times", method=_method(model),
                note="hardly any plant-day in dry air of known humidity", **common))
            continue
        start = known.loc[group, "usual"]
        end = min(start + TEN, known.loc[group, "high"])
        term = f"{group}: air at {end:g}% instead of {start:g}%"
        gained = min(end, model.hinge) - start
        if blurred:
            made.append(findings.finding(
                measure, period, np.nan, unit="times", method=_method(model), term=term,
                note="humidity and season move together in these records and cannot be told apart"))
            continue
        value, error = model.fit.combine(-weights * gained / 10)
        notes = [] if end - start >= TEN else ["fewer than ten points: the records hold no more"]
        if end > model.hinge:
            notes.append(f"gains count up to {model.hinge}%")
        made.append(_finding(
            model, "humidity_ratio", period, value[0], error[0], level, "times", term=term,
            plant_days=float(known.loc[group, "days"]), note="; ".join(notes)))
    return made


def _apart(model: LeafFit, period: str) -> dict[str, object]:
    times = inflation(model)
    if not np.isfinite(times):
        note = "no humidity, or no change of season, in the records"
    elif times > MOST_INFLATION:
        note = "cannot be told apart: the effect of either may be the other's"
    else:
        note = "can be told apart: sites differ in humidity within a season"
    return findings.finding(
        f"{model.outcome}_humidity_inflation", period, times, unit="times", note=note,
        method="variance of a common humidity effect with and without terms of season")
