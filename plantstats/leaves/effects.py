"""What the leaf model says: rates of named profiles, and what each condition goes with."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.leaves import humidity, misclassification
from plantstats.leaves.humidity import log_findings
from plantstats.leaves.inputs import AIR_WINDOW, CONDITIONS, STEPS
from plantstats.leaves.model import DAYS_PER_MONTH, LeafFit
from plantstats.leaves.observed import NO_LEAF, PER_PLANT_MONTH
from plantstats.stats.intervals import CONF_LEVEL

REFERENCE = "settled, usual air"
DRY_AIR = 25  # percent, of the named profile
FACTORS = {
    "light": "light",
    "warmth": f"air in the {AIR_WINDOW - 1} days before",
    "opening": "place",
    "new": "since installation",
    "moved": "since a move",
    "repotted": "since repotting",
    "turned": "in the 30 days before",
    "rewatered": "topsoil at the visit before",
    "dry": "topsoil at this visit",
}
REFERENCE_LEVELS = {
    "new": "later",
    "moved": "never or later",
    "repotted": "never or later",
    "turned": "not turned",
    "rewatered": "not dry",
    "dry": "not dry",
}
LABELS = {"dry (figs)": "dry, figs", "dry (others)": "dry, other species"}
SEASON_TERM = "season: mid-January instead of mid-July, at the same humidity"


def model_findings(model: LeafFit, period: str) -> pd.DataFrame:
    """All findings of one fitted leaf model.

    Parameters
    ----------
    model : LeafFit
    period : str
        The name of the time that it was fitted on.

    Returns
    -------
    pandas.DataFrame
        Findings <outcome>_leaves_at by species and term (profile; a level without a single leaf has an estimate of 0
        and an upper limit), <outcome>_leaf_ratio by term, <outcome>_leaf_ratio_if_misclassified by term (see
        `misclassification`), <outcome>_humidity_ratio by term (species group), <outcome>_humidity_vif.
    """
    ratios = _ratios(model)
    ratio_rows = log_findings(model, ratios, "leaf_ratio", period, "times", by=["term"])
    about_topsoil = ratios["factor"].isin(misclassification.FACTORS)
    topsoil = ratio_rows[about_topsoil].assign(**ratios.loc[about_topsoil, ["factor", "level_name"]])
    parts = [
        log_findings(
            model, _profiles(model), "leaves_at", period, PER_PLANT_MONTH, ["species", "term"], DAYS_PER_MONTH
        ),
        _zero_levels(model, period),
        ratio_rows,
        misclassification.corrected_ratios(model, topsoil, period),
        humidity.humidity_ratios(model, period),
        humidity.separability(model, period),
    ]
    return pd.concat([part for part in parts if len(part)], ignore_index=True)


def ratio_term(factor: str, level: str) -> str:
    """Name in findings of the ratio of a level to the first of its factor.

    Parameters
    ----------
    factor : str
        A key of `FACTORS`.
    level : str
        One of its levels.

    Returns
    -------
    str

    Examples
    --------
    >>> ratio_term("light", "low")
    'light: low instead of medium'
    """
    reference = REFERENCE_LEVELS.get(factor, CONDITIONS[factor][0])
    return f"{FACTORS[factor]}: {LABELS.get(level, level)} instead of {reference}"


def _profiles(model: LeafFit) -> pd.DataFrame:
    t, air, rows, asked = model.table, humidity.recorded(model), [], []
    by_species = t.assign(plant_days=t["n"] * t["exposure"]).groupby("species", observed=True)
    sums, groups = by_species[["plant_days", "sum", "n"]].sum(), by_species["air_group"].first()
    reference = model.profile(str(sums.index[0])).to_dict("records")[0]
    for (species, group), (days, leaves, visits) in zip(groups.items(), sums.itertuples(index=False), strict=True):
        changes: dict[str, dict[str, object]] = {REFERENCE: {}}
        if STEPS[0] in model.table["new"].cat.categories:
            changes["first 30 days on site"] = {"new": STEPS[0]}
        if group in air.index and air.loc[group, "low"] <= DRY_AIR < model.humidity_limit:
            changes[f"settled, air at {DRY_AIR}%"] = {"dry_air": (model.humidity_limit - DRY_AIR) / 10}
        note = f"{int(leaves)} leaves at {int(visits)} visits in all situations"
        for term, changed in changes.items():
            asked.append({**reference, "species": species, "air_group": group, **changed})
            rows.append({"species": species, "term": term, "plant_days": days, "note": note})
    log_rate, se = model.fit.log_mean(pd.DataFrame(asked))
    return pd.DataFrame(rows).assign(log_ratio=log_rate, se=se)


def _zero_levels(model: LeafFit, period: str) -> pd.DataFrame:
    levels = model.zero_levels
    if levels.empty:
        return levels
    known = levels["high"].notna()
    is_species = levels["factor"].eq("species")
    named = [f"{FACTORS.get(f)}: {LABELS.get(v, v)}" for f, v in zip(levels["factor"], levels["level"], strict=True)]
    note = "not in the model: not one leaf at " + levels["n"].astype("str") + " visits"
    frame = levels[["plant_days"]].assign(
        species=levels["level"].where(is_species),
        term=np.where(is_species, "all situations", named),
        estimate=np.where(known, 0.0, np.nan),
        low=np.where(known, 0.0, np.nan),
        high=levels["high"] * DAYS_PER_MONTH,
        note=note.where(known, note + f"; {NO_LEAF} fails"),
    )
    return findings.rows(
        frame,
        f"{model.outcome}_leaves_at",
        period=period,
        unit=PER_PLANT_MONTH,
        method="none seen: exact upper limit at the model's dispersion",
        by=["species", "term"],
        conf_level=CONF_LEVEL,
    )


def _ratios(model: LeafFit) -> pd.DataFrame:
    """One row per ratio: factor, level_name, term, log_ratio, se, plant_days, note."""
    rows = []
    for factor, levels in CONDITIONS.items():
        for level in levels[1:]:
            weights = model.column(f"{factor}[{level}]")
            if level == "unknown" or not (model.fit.kept & (weights > 0)).any():
                continue
            table = model.table.loc[model.table[factor] == level, ["n", "exposure", "sum"]]
            days, leaves = float((table["n"] * table["exposure"]).sum()), int(table["sum"].sum())
            row: dict[str, object] = {"factor": factor, "level_name": level, "term": ratio_term(factor, level)}
            rows.append(row | {"weights": weights, "plant_days": days, "note": f"{leaves} leaves"})
    # Middle of January less middle of July.
    january, july = 2 * np.pi * (np.array([1, 7]) - 0.5) / 12
    cos, sin = model.column("cos_year"), model.column("sin_year")
    if cos.any():
        season = (np.cos(january) - np.cos(july)) * cos + (np.sin(january) - np.sin(july)) * sin
        rows.append({"factor": "season", "term": SEASON_TERM, "weights": season, "note": ""})
    frame = pd.DataFrame(rows, columns=["factor", "level_name", "term", "weights", "plant_days", "note"])
    if frame.empty:
        return frame.assign(log_ratio=[], se=[])
    log_ratio, se = model.fit.combine(np.vstack(frame.pop("weights")))
    return frame.assign(log_ratio=log_ratio, se=se)
