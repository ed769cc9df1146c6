"""The slower pages of one invented company beside their truth: leaf loss and watch list, watering, promises."""

from __future__ import annotations

import pandas as pd

from plantstats.exposure import PlantTime
from plantstats.findings import pick
from plantstats.leaves.build import build
from plantstats.leaves.effects import model_findings
from plantstats.leaves.model import fit_leaves
from plantstats.periods import Period
from plantstats.records import Records
from plantstats.simulate import CompanyParams
from plantstats.stats.counts import CountModelError
from plantstats.validation import decisions, promises, true_effects, watch_lists
from plantstats.validation.design import Case
from plantstats.validation.rows import intervals, refusal
from plantstats.validation.true_values import KnownCompany
from plantstats.watering.advice import advise
from plantstats.watering.estimation import DryingError
from plantstats.watering.fit import WateringError, fit_watering
from plantstats.watering.profiles import profiles


def validate(case: Case, records: Records, known: KnownCompany, period: Period, time: PlantTime) -> list[pd.DataFrame]:
    """Rows of the slow pages that this company is put to.

    Parameters
    ----------
    case : Case
        The company of the design.
    records : Records
        The company's records, as `records.load` gives them.
    known : KnownCompany
        The invented company's tables and parameters.
    period : Period
        The quarter, half-open.
    time : PlantTime
        Plant-time of the records.

    Returns
    -------
    list of pandas.DataFrame
    """
    if case.extra == "leaves":
        # The quickest of the pages has room for the watch list.
        return _leaves(case.params, time) + watch_lists.validate(records, known, period, time)
    if case.extra == "watering":
        return _watering(case.params, known, records, period, time)
    return promises.validate(case, records, period, time)


def _leaves(params: CompanyParams, time: PlantTime) -> list[pd.DataFrame]:
    try:
        model = fit_leaves(build(time), "green")
    except CountModelError as fault:
        return [refusal("leaf_ratio", fault)]
    findings = model_findings(model, "all")
    ratios, true = pick(findings, "green_leaf_ratio", ["term"]), true_effects.leaf_ratios(params, model)
    humid = pick(findings, "green_humidity_ratio", ["term"])
    return [
        intervals("leaf_ratio", ratios, ratios["term"], ratios["term"].map(true).to_numpy()),
        intervals(
            "leaf_humidity_ratio",
            humid,
            humid["term"],
            [true_effects.leaf_humidity(params, term) for term in humid["term"]],
        ),
    ]


def _watering(
    params: CompanyParams, known: KnownCompany, records: Records, period: Period, time: PlantTime
) -> list[pd.DataFrame]:
    try:
        model = fit_watering(records, period.last_day, time=time)
    except (WateringError, DryingError) as fault:
        return [refusal("dry_half", fault)]
    advice = advise(model, records, heating=True)
    if advice is None:
        return [refusal("dry_half", "no plant stands")]
    table = profiles(model, advice)
    table = table[table["dry_downs"] > 0]
    rows = table.to_dict("records")
    of = table[["species", "light", "pot", "planter", "season"]].agg(", ".join, axis=1)
    parts = []
    for measure, share in (("dry_half", 0.5), ("dry_80", 0.8)):
        printed = pd.DataFrame(
            {"estimate": table[measure], "low": table[f"{measure}_low"], "high": table[f"{measure}_high"]}
        )
        true = [true_effects.drying_days(params, known.tables["true_sites"], row, share) for row in rows]
        parts.append(intervals(measure, printed, of, true))
    return parts + decisions.validate(model, advice, records, known)
