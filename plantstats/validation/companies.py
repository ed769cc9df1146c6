"""One invented company put through the reports' own steps: every printed interval beside its truth."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pandas as pd

from plantstats import exposure, losses, records, simulate
from plantstats.exposure import PlantTime
from plantstats.findings import pick
from plantstats.guarantee import run_off
from plantstats.losses import as_expected, deliveries, delivery_findings, expected, loss_rates, terms
from plantstats.losses.common_cause import ordinary
from plantstats.losses.drivers import profiles
from plantstats.losses.lifetime_findings import incidence_findings, survival_findings
from plantstats.periods import Period, previous_quarters, quarter, quarter_of, same_quarter_last_year
from plantstats.records import Records, species_table
from plantstats.simulate.run import FAILURE_DAY
from plantstats.stats import competing_risks, smr, survival
from plantstats.stats.chain_ladder import TriangleError
from plantstats.validation import (
    arithmetic,
    pests,
    slow_pages,
    to_come,
    trials,
    true_effects,
    true_values,
    weekly_charts,
)
from plantstats.validation.design import Case
from plantstats.validation.kinds import AS_MODELLED
from plantstats.validation.rows import COLUMNS, PAGE_STOPS, alarms, intervals, refusal

QUARTER, AS_OF = "2026-Q3", date(2026, 9, 30)
AGE = 365
MORE = 0.5  # Half as many losses again: the worsening that a quarter is tried with.
ORDINARY = (0.8, 1.25)  # Times as many losses as an average site.
FAILURE_QUARTER = quarter_of(FAILURE_DAY).name


@dataclass(frozen=True)
class Company:
    """Records of one invented company as they were read from its files, and what is true of it."""

    case: Case
    records: Records
    known: true_values.KnownCompany
    period: Period


def validate_company(case: Case) -> pd.DataFrame:
    """Make a company, write its files, read them back, make what the reports print, and hold it against the truth.

    Parameters
    ----------
    case : Case
        The company of the design.

    Returns
    -------
    pandas.DataFrame
        One row per printed interval, alarm or refusal: company, plants, situation, kind, sort ("interval", "alarm",
        "refusal"), of (what it is about), estimate, low, high, true_value, stated (see `rows`).
    """
    with tempfile.TemporaryDirectory() as folder:
        tables_made = simulate.make(folder, case.plants, case.years, case.seed, case.params).frames()
        known = true_values.KnownCompany(case.params, tables_made)
        company = Company(case, records.load(Path(folder)), known, quarter(QUARTER))
        tables = [*_with_found(company), *_with_midpoint(company), *trials.validate(case.seed)]
    table = pd.concat([rows for rows in tables if len(rows)], ignore_index=True)
    return table.assign(company=case.number, plants=case.plants, situation=case.situation)[list(COLUMNS)]


def _with_found(company: Company) -> list[pd.DataFrame]:
    """Pages whose losses are dated on the day found."""
    time = exposure.build(company.records, AS_OF, "found")
    return [
        *_rates(company, time),
        *_expected(company, time),
        *_to_come(company, time),
        *weekly_charts.validate(company.records, time, company.case.seed),
        *_deliveries(company, time),
        *pests.validate(time, company.case.params),
        *slow_pages.validate(company.case, company.records, company.known, company.period, time),
    ]


def _with_midpoint(company: Company) -> list[pd.DataFrame]:
    """Pages whose losses are dated half-way between last seen alive and found."""
    time = exposure.build(company.records, AS_OF, "midpoint")
    return [*_effects(company, time), *_lifetimes(company, time)]


def _rates(company: Company, time: PlantTime) -> list[pd.DataFrame]:
    """Rates of the review: the company in each quarter that its trend shows, groups in the last; the ratio."""
    period, known = company.period, company.known
    findings = loss_rates.loss_rates(time, company.records, period)
    whole = pick(findings, "loss_rate")
    true_rates = np.array([float(true_values.rate(known, quarter(name)).iloc[0]) for name in whole["period"]])
    kinds = whole["period"].eq(FAILURE_QUARTER) & bool(company.case.params.building_failure)
    tables = [
        _rate(
            "loss_rate_with_event" if has_event else "loss_rate", rows, rows["period"], true_rates[kinds.eq(has_event)]
        )
        for has_event, rows in whole.groupby(kinds)
    ]
    for by in ("site_id", "species"):
        rows = pick(findings, "loss_rate", [by], period.name)
        # Rates of smaller groups are not printed.
        rows = rows[rows["n_plants"].ge(company.records.settings.small_group)]
        tables.append(
            _rate(f"loss_rate_by_{by}", rows, rows[by], true_values.rate(known, period, by).reindex(rows[by]))
        )
    before = same_quarter_last_year(period)
    rows = pick(findings, "loss_rate_ratio", period=period.name)
    now, then = (true_values.risk(known, one).iloc[0] for one in (period, before))
    true_ratio = now["expected"] / now["plant_days"] / (then["expected"] / then["plant_days"])
    chance = arithmetic.of_ratio(now["expected"], then["expected"])
    tables.append(intervals("loss_rate_ratio", rows, rows["period"], np.full(len(rows), true_ratio), chance))
    return tables


def _rate(kind: str, rows: pd.DataFrame, of: pd.Series, true_value: npt.ArrayLike) -> pd.DataFrame:
    """Rates beside their truth, and the chance that exact limits of such counts hold it."""
    true = np.asarray(true_value, dtype=float)
    mean = true * rows["plant_days"].to_numpy(float) / true_values.DAYS_PER_100_YEARS
    return intervals(kind, rows, of, true, arithmetic.of_rate(mean))


def _expected(company: Company, time: PlantTime) -> list[pd.DataFrame]:
    """Observed against expected: the quarter, its sites, false alarms, and a worsening that should be seen."""
    period = company.period
    try:
        expectation = expected.expect(ordinary(time), period, species_table())
    except PAGE_STOPS as fault:
        return [refusal("observed_expected", fault)]
    findings = as_expected.expected_findings(expectation)
    whole = pick(findings, "observed_expected", period=period.name)
    sites = pick(findings, "observed_expected", ["site_id"], period.name)
    sites = sites[sites["n_plants"].ge(company.records.settings.small_group)]
    true_ratio = true_values.site_ratio(company.known, period)
    ratio = true_ratio.reindex(sites["site_id"]).to_numpy()
    flagged = sites["site_id"].isin(pick(findings, "flagged", ["site_id"], period.name)["site_id"]).to_numpy()
    usual = (ratio > ORDINARY[0]) & (ratio < ORDINARY[1])
    shrunk = pick(findings, "shrunk_ratio", ["site_id"], period.name)
    shrunk = shrunk[shrunk["n_plants"].ge(company.records.settings.small_group)]
    chance, by_site = _chances(company, expectation)
    return [
        # Nothing has changed since the earlier quarters: what should be expected is what was.
        intervals("observed_expected", whole, whole["period"], np.ones(len(whole)), chance),
        intervals("observed_expected_by_site_id", sites, sites["site_id"], ratio, by_site.reindex(sites["site_id"])),
        intervals("shrunk_ratio_by_site_id", shrunk, shrunk["site_id"], true_ratio.reindex(shrunk["site_id"])),
        alarms("quarter_called_worse", whole["period"], whole["low"] > 1),
        alarms("ordinary_site_flagged", sites["site_id"][usual], flagged[usual]),
        alarms("worse_quarter_seen", whole["period"], [_is_worsening_seen(company, expectation)]),
    ]


def _to_come(company: Company, time: PlantTime) -> list[pd.DataFrame]:
    """Losses not on record at the end of each quarter but those of the first year, from which rates are learned."""
    quarters = [*previous_quarters(company.period, 4 * company.case.years - 5), company.period]
    return to_come.validate(company.known.tables["true_plants"], quarters, time)


def _chances(company: Company, expectation: expected.Expected) -> tuple[float, pd.Series]:
    """Chance that limits of observed / expected hold the true ratio: of the company, and of each site."""
    true = true_values.risk(company.known, company.period, "site_id")["expected"]
    past = expected.groups(expectation, ["site_id"])
    dispersion = smr.over_dispersion(past["losses"], past["expected"])
    whole = arithmetic.of_expected(
        true.sum(), expected.groups(expectation, [])["variance"], dispersion, expectation.model
    )
    # Sites stand against an average site.
    sites = expected.groups(expectation, ["site_id"], own_past=False)
    site_dispersion = smr.over_dispersion(sites["losses"], sites["expected"])
    mean = true.reindex(sites["site_id"]).fillna(0.0).to_numpy()
    return float(whole[0]), pd.Series(
        arithmetic.of_expected(mean, sites["variance"], site_dispersion, expectation.model), sites["site_id"].to_numpy()
    )


def _deliveries(company: Company, time: PlantTime) -> list[pd.DataFrame]:
    """Deliveries of which none is bad: their ratios, those flagged, and what was projected half the records ago."""
    period = company.period
    alone = ordinary(time)
    try:
        table = alone.exposure_table(list(losses.EXPOSURE_BY), count_plants=False)
        of = deliveries.deliveries(alone, losses.fit(table, species_table()), period, 1)
    except PAGE_STOPS as fault:
        return [refusal("delivery_ratio", fault)]
    findings = delivery_findings.delivery_findings(of, period)
    rows = pick(findings, "delivery_ratio", ["quarter"], period.name)
    rows = rows[rows["n_plants"].ge(company.records.settings.small_group)]
    flagged = rows["quarter"].isin(pick(findings, "delivery_flagged", ["quarter"], period.name)["quarter"])
    return [
        intervals("delivery_ratio", rows, rows["quarter"], np.ones(len(rows))),
        alarms("ordinary_delivery_flagged", rows["quarter"], flagged),
        _run_off(company, alone, of.last),
    ]


def _run_off(company: Company, time: PlantTime, last: int) -> pd.DataFrame:
    """Losses to come of deliveries as projected half the records ago, and those that came up to the same age."""
    put_in = run_off.put_in_by_quarter(time, company.period, 1)
    n = (last - int(put_in["cohort"].min()) + 1) // 2
    then = quarter_of(deliveries.first_day(last - n, 1))
    lost = run_off.lost_of_deliveries(time, company.period, company.records.settings.wage_per_hour)
    cohort, quarter_lost = (deliveries.quarter_number(lost[c], 1) for c in ("installed_on", "lost_on"))
    before = lost[quarter_lost <= last - n]
    try:
        projected = run_off.project(before, put_in[put_in["cohort"] <= last - n], "plants", then)
    except TriangleError as fault:
        return refusal("run_off_plants", fault)
    steps = len(projected.rows) * projected.step
    later = (cohort > last - n - steps) & (cohort <= last - n) & (quarter_lost > last - n)
    # Ages are counted in steps: a delivery of several quarters is as old as its last one.
    age = (quarter_lost - (last - n)) // projected.step + (last - n - cohort) // projected.step
    came = float(lost.loc[later & (age < len(projected.rows)), "plants"].sum())
    limits = pd.DataFrame({name: values for name, values in projected.fit.limits()._asdict().items()})
    return intervals("run_off_plants", limits, pd.Series([then.name]), np.array([came]))


def _is_worsening_seen(company: Company, expectation: expected.Expected) -> bool:
    """Whether the quarter is called worse when half as many losses again are thrown in at the true risk."""
    rng = np.random.Generator(np.random.PCG64(np.random.SeedSequence([company.case.seed, 1])))
    true = true_values.risk(company.known, company.period, "plant_id")["expected"]
    plants = expectation.plants
    # A plant that was moved has a row at each place.
    share = plants["plant_days"] / plants.groupby("plant_id")["plant_days"].transform("sum")
    mean = MORE * true.reindex(plants["plant_id"]).fillna(0.0).to_numpy() * share.to_numpy(float)
    # Clients and species apart are not asked for.
    plants = plants.drop(columns=["client_id", "species"])
    worse = expectation._replace(plants=plants.assign(losses=plants["losses"] + rng.poisson(mean)))
    whole = pick(as_expected.expected_findings(worse), "observed_expected", period=company.period.name)
    return bool(whole["low"].iloc[0] > 1)


def _effects(company: Company, time: PlantTime) -> list[pd.DataFrame]:
    """Rate ratios and adjusted rates of the loss-drivers page, which stands or falls as a whole."""
    if company.case.situation == AS_MODELLED and company.case.params.over_dry > 0:
        return []  # Days left dry share in every contrast, and their truth has no one number.
    exposure_table = ordinary(time).exposure_table(list(losses.EXPOSURE_BY), end=terms.settled(AS_OF))
    try:
        check = losses.check_collinearity(exposure_table, species_table())
        findings = losses.effects(check.model, QUARTER)
        situations = profiles(check)
        adjusted = losses.adjusted_rates(check.model, situations, QUARTER)
    except PAGE_STOPS as fault:
        return [refusal("effect_on_losses", fault)]
    params = company.case.params
    rows = pick(findings, "effect_on_losses", ["term"])
    true = np.array([true_effects.loss_effect(params, term) for term in rows["term"]])
    if not check.separable:  # Season then stands for both, and the page says so.
        true[rows["term"].str.contains("season|humidity")] = np.nan
    species = pick(findings, "species_effect", ["species"])
    of_species = true_effects.species_effects(params, check.model).reindex(species["species"]).to_numpy()
    tables = [
        intervals("effect_on_losses", rows, rows["term"], true),
        intervals("species_effect", species, species["species"], of_species),
    ]
    # Without humidity in the situation, or with days left dry in every rate, there is no one truth.
    if check.separable and params.over_dry == 0:
        by_words = {row["words"]: row for row in situations.to_dict("records")}
        rate = [true_effects.adjusted_rate(params, check.model, by_words[term]) for term in adjusted["term"]]
        tables.append(intervals("adjusted_loss_rate", adjusted, adjusted["term"], np.array(rate)))
    return tables


def _lifetimes(company: Company, time: PlantTime) -> list[pd.DataFrame]:
    """Survival by light and incidence of causes at twelve months."""
    lifetimes, known = time.lifetimes, company.known
    by_light = true_values.at_ages(known, lifetimes, AS_OF, "light")
    curves = survival.curves(lifetimes, ["light"])
    findings = survival_findings(curves, lifetimes, ["light"], ages=[AGE], horizon=2 * AGE, period=QUARTER)
    rows = pick(findings, "survival", ["light", "age_days"])
    true = [true_values.survival(by_light[light], AGE) if light in by_light else np.nan for light in rows["light"]]
    true_incidence = true_values.incidence(true_values.at_ages(known, lifetimes, AS_OF)["all"], AGE)
    # The true share of each single cause hangs on the day; all losses together, with clients' acts competing, do not.
    merged = lifetimes.assign(cause=lifetimes["cause"].mask(lifetimes["event"].eq(1), "losses"))
    curve = competing_risks.incidence(merged, [])
    incidence = incidence_findings(curve, merged, [], ages=[AGE], period=QUARTER)
    incidence = incidence[incidence["cause"].isin(list(true_incidence))]
    return [
        intervals("survival_12_months", rows, rows["light"], np.array(true)),
        intervals(
            "incidence_12_months", incidence, incidence["cause"], incidence["cause"].map(true_incidence).to_numpy()
        ),
    ]
