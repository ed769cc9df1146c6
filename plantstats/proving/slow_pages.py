"""The slower pages of one invented company beside their truth: leaf loss, watering, last year's quotes."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats.demo import Truth
from plantstats.findings import pick
from plantstats.guarantee import back_test
from plantstats.guarantee.terms import Terms
from plantstats.leaf_loss.build import build
from plantstats.leaf_loss.counts import LeafModelError
from plantstats.leaf_loss.model import fit_leaves
from plantstats.leaf_loss.results import model_findings
from plantstats.periods import Period
from plantstats.plant_time import PlantTime
from plantstats.proving import decisions, true_effects
from plantstats.proving.design import Case
from plantstats.proving.rows import alarms, intervals, refusal
from plantstats.proving.truths import Known
from plantstats.records import Records
from plantstats.watering.advise import advise
from plantstats.watering.drying import DryingError
from plantstats.watering.learn import WateringError, learn
from plantstats.watering.situations import situations

DRAWS = 100
POINTS = (80, 95)
# A contractor's rule: 10% of the installed cost a year, so at like cost a plant in forty each quarter.
THUMB = 0.10 / 4


def made(case: Case, records: Records, known: Known, period: Period, time: PlantTime) -> list[pd.DataFrame]:
    """Rows of the one slow page that this company is put to.

    Takes:  case; its records; what is known; period; time: losses dated "found".
    """
    if case.extra == "leaves":
        return _leaves(case.truth, time)
    if case.extra == "watering":
        return _watering(case.truth, known, records, period, time)
    return _last_years_quotes(case, records, period)


def _leaves(truth: Truth, time: PlantTime) -> list[pd.DataFrame]:
    try:
        model = fit_leaves(build(time), "green")
    except LeafModelError as fault:
        return [refusal("leaf_ratio", fault)]
    found = model_findings(model, "all")
    ratios, true = pick(found, "green_leaf_ratio", ["term"]), true_effects.leaf_ratios(truth, model)
    humid = pick(found, "green_humidity_ratio", ["term"])
    return [
        intervals("leaf_ratio", ratios, ratios["term"], ratios["term"].map(true).to_numpy()),
        intervals("leaf_humidity_ratio", humid, humid["term"],
                  [true_effects.leaf_humidity(truth, term) for term in humid["term"]])]


def _watering(
    truth: Truth, known: Known, records: Records, period: Period, time: PlantTime
) -> list[pd.DataFrame]:
    try:
        learned = learn(records, period.last_day, time=time)
    except (WateringError, DryingError) as fault:
        return [refusal("dry_half", fault)]
    advice = advise(learned, records, heated=True)
    if advice is None:
        return [refusal("dry_half", "no plant stands")]
    table = situations(learned, advice)
    table = table[table["spells"] > 0]
    rows = table.to_dict("records")
    of = table[["species", "light", "pot", "planter", "season"]].agg(", ".join, axis=1)
    parts = []
    for measure, share in (("dry_half", 0.5), ("dry_80", 0.8)):
        printed = pd.DataFrame({
            "estimate": table[measure], "low": table[f"{measure}_low"], "high": table[f"{measure}_high"]})
        true = [true_effects.drying_days(truth, known.tables["true_sites"], row, share) for row in rows]
        parts.append(intervals(measure, printed, of, true))
    return parts + decisions.made(learned, advice, records, known)


def _last_years_quotes(case: Case, records: Records, period: Period) -> list[pd.DataFrame]:
    """Whether the losses of the four quarters stayed within the points that quotes of a year ago named."""
    test = back_test.back_test(records, period, Terms(period.end, draws=DRAWS, seed=case.seed % 1_000_000))
    if test is None:
        return [refusal("quote_point", "no model a year ago")]
    totals = test.totals
    kept = totals["losses"] <= THUMB * totals["plants"]
    parts = [alarms("rule_of_thumb_held", totals["period"], kept)]
    for share in POINTS:
        for name, cells in (("company", test.totals), ("site", test.cells)):
            within = cells["losses"].to_numpy() <= cells[f"point_{share}"].to_numpy()
            part = alarms(f"quote_{share}_held_{name}", cells["site_id"] + " " + cells["period"], within)
            # Counts are whole: the point holds a little more than its own percentage. That chance is the truth here.
            parts.append(part.assign(truth=np.asarray(cells[f"chance_{share}"], dtype=float)))
    return parts
