"""What the leaf model says: rates in named situations, and what each condition goes with."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.leaves import humidity, misread
from plantstats.leaves.humidity import as_finding
from plantstats.leaves.inputs import AIR_WINDOW, CONDITIONS, STEPS
from plantstats.leaves.model import DAYS_PER_MONTH, LeafFit
from plantstats.leaves.observed import NO_LEAF, PER_PLANT_MONTH
from plantstats.stats.intervals import CONF_LEVEL

REFERENCE = "settled, usual air"
DRY_AIR = 25  # percent, of the named situation
WORDS = {
    "light": "light",
    "warmth": f"air in the {AIR_WINDOW} days before",
    "opening": "place",
    "new": "since installation",
    "moved": "since a move",
    "repotted": "since repotting",
    "turned": "in the 30 days before",
    "rewatered": "topsoil at the visit before",
    "dry": "topsoil at this visit",
}
BASE = {
    "new": "later",
    "moved": "never or later",
    "repotted": "never or later",
    "turned": "not turned",
    "rewatered": "not dry",
    "dry": "not dry",
}
LABELS = {"dry (figs)": "dry, figs", "dry (others)": "dry, other species"}

for _outcome, _what in {"green": "Green leaves dropped", "yellow": "Oldest leaves yellowed"}.items():
    findings.define(
        **{
            f"{_outcome}_leaves_at": f"{_what} per plant-month in a named situation, by the model.",
            f"{_outcome}_leaf_ratio": f"{_what}: times as many as in the situation compared with, all else alike.",
        }
    )


def model_findings(model: LeafFit, period: str, level: float = CONF_LEVEL) -> pd.DataFrame:
    """All findings of one fitted leaf model.

    Takes:  model; period: the name of the time that it was fitted on.
    Gives:  findings: <outcome>_leaves_at by species and term (situation), <outcome>_leaf_ratio by term,
            <outcome>_leaf_ratio_if_misread by term (see `misread`), <outcome>_humidity_ratio by term (species group),
            <outcome>_humidity_inflation. A species without a single leaf has an estimate of 0 and an upper limit.
    """
    ratios = _ratios(model, period, level)
    made = [*_situations(model, period, level), *_nothing(model, period, level), *ratios]
    made += misread.if_misread(
        model,
        ratios,
        {
            _term(factor, one): (factor, one)
            for factor in misread.FACTORS
            for one in CONDITIONS[factor]
            if one in LABELS
        },
        level,
    )
    made += [*humidity.gains(model, period, level), humidity.apart(model, period)]
    return findings.table(made)


def by_term(table: pd.DataFrame, measure: str) -> pd.DataFrame:
    """The rows of a measure that are split by term alone; with its columns even where there are none.

    Takes:  findings, or their display form.
    """
    rows = findings.pick(table, measure, ["term"])
    return rows if "term" in rows else rows.assign(term=pd.Series(dtype="str"))


def _situations(model: LeafFit, period: str, level: float) -> list[dict[str, object]]:
    known = humidity.known(model)
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
            made.append(
                as_finding(
                    model,
                    "leaves_at",
                    period,
                    value[0],
                    error[0],
                    level,
                    PER_PLANT_MONTH,
                    DAYS_PER_MONTH,
                    species=species,
                    term=name,
                    plant_days=days,
                    note=f"{leaves} leaves at {n} visits in all situations",
                )
            )
    return made


def _nothing(model: LeafFit, period: str, level: float) -> list[dict[str, object]]:
    return [
        findings.finding(
            f"{model.outcome}_leaves_at",
            period,
            0.0,
            0.0,
            row.high * DAYS_PER_MONTH,
            unit=PER_PLANT_MONTH,
            method="none seen: exact upper limit at the model's dispersion",
            level=level,
            plant_days=row.plant_days,
            note=f"not in the model: not one leaf at {row.n} visits",
            **_named(row.factor, row.level),
        )
        for row in model.nothing.itertuples()
        if np.isfinite(row.high)
    ] + [
        findings.finding(
            f"{model.outcome}_leaves_at",
            period,
            np.nan,
            unit=PER_PLANT_MONTH,
            method="none seen",
            plant_days=row.plant_days,
            note=f"not in the model: not one leaf at {row.n} visits; {NO_LEAF} fails",
            **_named(row.factor, row.level),
        )
        for row in model.nothing.itertuples()
        if not np.isfinite(row.high)
    ]


def _named(factor: str, level: str) -> dict[str, Any]:
    if factor == "species":
        return {"species": level, "term": "all situations"}
    return {"term": f"{WORDS[factor]}: {LABELS.get(level, level)}"}


def _term(factor: str, level: str) -> str:
    return f"{WORDS[factor]}: {LABELS.get(level, level)} instead of {BASE.get(factor, CONDITIONS[factor][0])}"


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
            made.append(
                as_finding(
                    model,
                    "leaf_ratio",
                    period,
                    value[0],
                    error[0],
                    level,
                    "times",
                    term=_term(factor, one),
                    plant_days=float((rows["n"] * rows["exposure"]).sum()),
                    note=f"{int(rows['sum'].sum())} leaves",
                )
            )
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
    return [*made, as_finding(model, "leaf_ratio", period, value[0], error[0], level, "times", term=term)]
