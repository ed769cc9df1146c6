"""Promises of one invented company against what came of them: quotes for its own plants and for new sites, a provision.

A quote of a year ago for the plants then in place; a quote for the plants of a twin company, whose sites it has never
seen; and what was provided for the guarantees in force a year ago, as far as they have run since.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import date
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import NamedTuple

import numpy as np
import pandas as pd

from plantstats import records, simulate
from plantstats.exposure import PlantTime
from plantstats.guarantee import back_test, provision, roll_forward
from plantstats.guarantee.fitted_hazards import FittedHazards
from plantstats.guarantee.hazard_fits import HazardFits
from plantstats.guarantee.hazards import Exits
from plantstats.guarantee.in_force import in_force
from plantstats.guarantee.terms import Terms
from plantstats.guarantee.year_error import YearError
from plantstats.losses import ModelError
from plantstats.periods import Period, previous_quarters, quarter
from plantstats.records import Records
from plantstats.validation.design import Case
from plantstats.validation.rows import alarms, costs, refusal

DRAWS = 100
EXCLUDED = ("pest",)  # of a second quote for new sites
POINTS = (80, 95)
# A contractor's rule: 10% of the installed cost a year, so at like cost a plant in forty each quarter (common practice,
# no source).
THUMB = 0.10 / 4
# Another, by light: of 100 plants 50 to 60, 30 to 40, 10 to 20 in two years; its middle as a rate a year (common
# practice, no source).
THUMB_BY_LIGHT: Mapping[str, float] = {"low": 0.40, "medium": 0.22, "high": 0.08, "sun": 0.08, "unknown": 0.22}
DAYS_PER_YEAR = 365.25


def validate(case: Case, records: Records, period: Period, time: PlantTime) -> list[pd.DataFrame]:
    """Rows of all promises of a year before the end of the period.

    Parameters
    ----------
    case : Case
        The company of the design.
    records : Records
        The company's records, as `records.load` gives them.
    period : Period
        The quarter, half-open.
    time : PlantTime
        Plant-time of the records.

    Returns
    -------
    list of pandas.DataFrame
        Rows (see `rows`): quote_<point>_covered_company and _site, list_<point>_covered_company and _site, the same
        of quotes that exclude a cause (excluded_...),
        provision_<point>_covered, and of the rules of thumb <rule>_covered and more_by_<rule>.
    """
    year_before = previous_quarters(period, back_test.QUARTERS)[0]
    year_ago = year_before.last_day
    terms = Terms(period.end, draws=DRAWS, seed=case.seed % 1_000_000)
    try:
        fits = HazardFits.of(records, year_ago)
        fitted = fits.under(terms.covered, terms.excluded), fits.exits(terms.covered, terms.excluded)
    except ModelError as fault:
        return [refusal("quote_80_covered_company", fault)]
    earlier = back_test.back_tests(records, year_before, terms, with_distributions=False)
    own = back_test.back_test(records, period, terms, fitted, earlier)
    parts = (
        [refusal("quote_80_covered_company", "no quote could be made a year ago")]
        if own is None
        else [*_covered("quote", own), *_rules(own, time)]
    )
    offers = {"list": _Offer(terms, fitted, earlier)}
    without = replace(terms, excluded=EXCLUDED)
    try:
        offers["excluded"] = _Offer(
            without,
            (fits.under(without.covered, without.excluded), fits.exits(without.covered, without.excluded)),
            back_test.back_tests(records, year_before, without, with_distributions=False),
        )
    except ModelError as fault:
        parts.append(refusal("excluded_80_covered_company", fault))
    year_error = back_test.learn_from(earlier, fitted[0])
    parts += _new_sites(case, offers, period)
    try:
        return [*parts, *_provision(records, fits, year_ago, period, year_error)]
    except ModelError as fault:  # a guarantee on a plant in conditions that no record of a year ago knows
        return [*parts, refusal("provision_80_covered", fault)]


class _Offer(NamedTuple):
    """Terms, what is quoted from under them, and the back-tests that move the price."""

    terms: Terms
    fitted: tuple[FittedHazards, Exits]
    earlier: Sequence[back_test.BackTest] = ()


def _covered(name: str, test: back_test.BackTest) -> list[pd.DataFrame]:
    """Whether losses stayed within the points of quotes, by quarter: of all sites, and of each."""
    parts = []
    for share in POINTS:
        for of, counted in (("company", test.totals), ("site", test.site_quarters)):
            within = counted["losses"].to_numpy() <= counted[f"point_{share}"].to_numpy()
            # Counts are whole: the point holds a little more than its own percentage.
            chance = counted[f"chance_{share}"].to_numpy(float)
            parts.append(
                alarms(f"{name}_{share}_covered_{of}", counted["site_id"] + " " + counted["period"], within, chance)
            )
    return parts


def _rules(test: back_test.BackTest, time: PlantTime) -> list[pd.DataFrame]:
    """The same quarters by two rules of thumb, and how much more these set aside than the 80% point."""
    totals = test.totals
    by_light = np.array(
        [_by_light(time, quarter(name), n) for name, n in zip(totals["period"], totals["plants"], strict=True)]
    )
    parts = []
    for name, amount in (("rule_of_thumb", THUMB * totals["plants"].to_numpy(float)), ("rule_by_light", by_light)):
        parts.append(alarms(f"{name}_covered", totals["period"], totals["losses"].to_numpy() <= amount))
        quoted = float(totals["point_80"].sum())
        if quoted > 0:
            parts.append(costs(f"more_by_{name}", float(amount.sum()) / quoted - 1))
    return parts


def _by_light(time: PlantTime, one: Period, plants: int) -> float:
    """Losses of so many plants by the rule, at the lights that plants stood in."""
    days = time.exposure_table(["light"], one.start, one.end).set_index("light")["plant_days"].astype("float64")
    rate = days.index.map(THUMB_BY_LIGHT).to_numpy("float64") @ days.to_numpy() / days.sum()
    return float(rate * plants * (one.end - one.start).days / DAYS_PER_YEAR)


def _new_sites(case: Case, offers: Mapping[str, _Offer], period: Period) -> list[pd.DataFrame]:
    """Quotes for the plants of a twin: the same truth, other sites and plants, drawn with another seed."""
    parts: list[pd.DataFrame] = []
    with TemporaryDirectory() as folder:
        simulate.make(folder, case.plants, case.years, case.seed + 1, case.params)
        twin = records.load(Path(folder))
        for name, offer in offers.items():
            model, exits = offer.fitted
            # The twin's sites bear the names of ours, and are not: no past may be theirs.
            others = tuple(f"ours {site}" for site in model.model.sites)
            stranger = replace(model, model=replace(model.model, sites=others))
            try:
                test = back_test.back_test(twin, period, offer.terms, (stranger, exits), offer.earlier)
            except ModelError as fault:
                parts.append(refusal(f"{name}_80_covered_company", fault))
                continue
            none = refusal(f"{name}_80_covered_company", "no quote could be made")
            parts += [none] if test is None else _covered(name, test)
    return parts


def _provision(
    records: Records, fits: HazardFits, year_ago: date, period: Period, year_error: YearError
) -> list[pd.DataFrame]:
    """Whether the guarantees in force a year ago cost no more since than the points of what was provided for them.

    Up to the end of the period: those of two and three years still run.
    """
    force = in_force(records, fits.time, year_ago).truncated_at(period.end)
    if force.plants.empty:
        return []
    stated = provision.provision(force, fits, year_ago, provision.Method(n_samples=DRAWS), year_error)
    done = records.table("replacements")
    mine = done["plant_id"].isin(force.plants["plant_id"]) & done["covered"].eq("guaranteed")
    since = done[mine & (done["replaced_on"] < pd.Timestamp(period.end))]
    used = roll_forward.cost_of(since, records.settings.wage_per_hour).sum()
    return [
        alarms(
            f"provision_{share}_covered",
            pd.Series(["all clients"]),
            [used <= stated.cost.quantile(share / 100)],
            [stated.cost.cdf(stated.cost.quantile(share / 100))],
        )
        for share in POINTS
    ]
