"""Findings on deliveries: standing against what should stand, ages, quarters and deliveries told apart."""

from __future__ import annotations

from functools import partial

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.losses.deliveries import Deliveries
from plantstats.losses.quarters import FEWEST_EXPECTED, chance_limits
from plantstats.periods import Period
from plantstats.stats import smr
from plantstats.stats.age_period_cohort import AgePeriodCohortError, deviations
from plantstats.stats.intervals import CONF_LEVEL

METHOD = "loss model of all plants, each delivery by its own plant-days"
APART = "Poisson model of age, quarter and delivery, straight lines taken out (Holford 1983)"
NAMES = {"cohort": "delivery_deviation", "period": "quarter_deviation", "age": "age_deviation"}


def delivery_findings(of: Deliveries, period: Period) -> pd.DataFrame:
    """Findings on the plants put in since the records began.

    Parameters
    ----------
    of : Deliveries
        Up to the end of the quarter.
    period : Period
        The quarter.

    Returns
    -------
    pandas.DataFrame
        Findings: delivery_standing, delivery_should_stand, delivery_ratio and, where chance is no likely reason,
        delivery_flagged, by quarter of delivery and by supplier_batch; delivery_losses by quarter and age (the term: in
        quarters, 0 for the one of delivery), estimate what was expected; delivery_deviation, quarter_deviation,
        age_deviation (the term names the levels joined), or one of them not available with the reason.
    """
    if of.put_in.empty:
        return findings.table([])
    parts = []
    for column, by in (("cohort", "quarter"), ("supplier_batch", "supplier_batch")):
        rows = of.by(column)
        if len(rows):
            named = rows[column].map(of.name) if column == "cohort" else rows[column]
            parts.append(_standing(rows.assign(**{by: named}), by, period))
    return findings.table(pd.concat([*parts, _triangle(of, period), _apart(of, period)], ignore_index=True))


def _standing(rows: pd.DataFrame, by: str, period: Period) -> pd.DataFrame:
    """Of each delivery or batch what stands, what should, and whether chance explains the difference."""
    rows = rows.assign(n_plants=rows["plants"])
    make = partial(findings.rows, period=period.name, by=[by], method=METHOD, conf_level=CONF_LEVEL)
    compared = smr.compare(rows[rows["expected"] > 0])
    # Over-dispersion between deliveries widens what chance does to each.
    extra = (smr.over_dispersion(rows["losses"], rows["expected"]) - 1) / np.maximum(rows["expected"], 1.0)
    chance = chance_limits(rows["expected"].to_numpy(), extra.to_numpy())
    left = rows["should_stand"] + rows["expected"]
    # Cumulative hazards may pass the plants of a small batch; fewer than none cannot stand.
    ends = {"estimate": left - rows["expected"], "low": left - chance.high, "high": left - chance.low}
    should = rows.assign(**{name: np.maximum(values, 0.0) for name, values in ends.items()})
    known = compared[compared["expected"] >= FEWEST_EXPECTED]
    known = known.assign(estimate=known["ratio"])
    out = known[smr.flagged(known["p"])]
    return pd.concat(
        [
            make(rows.assign(estimate=rows["standing"]), "delivery_standing", unit="plants"),
            make(should, "delivery_should_stand", unit="plants"),
            make(known, "delivery_ratio", unit="ratio"),
            make(out, "delivery_flagged", unit="ratio"),
        ],
        ignore_index=True,
    )


def _triangle(of: Deliveries, period: Period) -> pd.DataFrame:
    """Losses of each delivery by its age in quarters, beside those expected."""
    counts = of.counts.groupby(["cohort", "period"])[["losses", "expected", "plant_days"]].sum().reset_index()
    plants = of.put_in.groupby("cohort")["plants"].sum()
    rows = counts.assign(
        quarter=counts["cohort"].map(of.name),
        term=(counts["period"] - counts["cohort"]).astype("str"),
        n_plants=counts["cohort"].map(plants),
        estimate=counts["expected"],
    )
    return findings.rows(
        rows, "delivery_losses", period=period.name, by=["quarter", "term"], unit="losses expected", method=METHOD
    )


def _apart(of: Deliveries, period: Period) -> pd.DataFrame:
    """What is left of age, quarter and delivery when straight lines are taken out."""
    counts = of.counts.groupby(["cohort", "period"])[["losses", "expected"]].sum().reset_index()
    plants = of.put_in.groupby("cohort")["plants"].sum()
    make = partial(findings.rows, period=period.name, by=["term"], unit="ratio", method=APART, conf_level=CONF_LEVEL)
    try:
        table = deviations(counts)
    except AgePeriodCohortError as fault:
        row = pd.DataFrame({"term": ["all"], "estimate": [np.nan], "note": [f"not available: {fault}"]})
        return make(row, NAMES["cohort"])
    parts = []
    for axis, rows in table.groupby("axis"):
        names = [_levels(of, str(axis), first, last) for first, last in zip(rows["first"], rows["last"], strict=True)]
        n_plants = [
            plants[(plants.index >= first) & (plants.index <= last)].sum() if axis == "cohort" else pd.NA
            for first, last in zip(rows["first"], rows["last"], strict=True)
        ]
        note = np.where(rows["estimate"].isna(), "not available: too few losses", "")
        parts.append(make(rows.assign(term=names, n_plants=n_plants, note=note), NAMES[str(axis)]))
    return pd.concat(parts, ignore_index=True)


def _levels(of: Deliveries, axis: str, first: int, last: int) -> str:
    """Quarters, or ages in quarters, that stand in one level."""
    ends = [str(value) if axis == "age" else of.name(value) for value in (int(first), int(last))]
    text = ends[0] if first == last else f"{ends[0]} to {ends[1]}"
    return f"age {text} quarters" if axis == "age" else text
