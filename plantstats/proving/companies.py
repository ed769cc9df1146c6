"""One invented company put through the reports' own steps: every printed interval beside its truth."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
from patsy import PatsyError

from plantstats import causes, demo, loss_model, plant_time, records, review, survival
from plantstats.demo.run import FAILURE_DAY
from plantstats.drivers.review import situations
from plantstats.findings import pick
from plantstats.loss_model import ModelError, expected, terms
from plantstats.periods import Period, quarter, quarter_of, same_quarter_last_year
from plantstats.plant_time import PlantTime
from plantstats.proving import slow_pages, true_effects, truths
from plantstats.proving.design import AS_MODELLED, Case
from plantstats.proving.rows import COLUMNS, alarms, intervals, refusal
from plantstats.records import Records, species_table

QUARTER, AS_OF = "2026-Q3", date(2026, 9, 30)
AGE = 365
MORE = 0.5  # Half as many losses again: the worsening that a quarter is tried with.
# A page that says no in its own words, or stops with those of a library: its reader has nothing either way.
PAGE_STOPS = (ModelError, PatsyError)
ORDINARY = (0.8, 1.25)  # Times as many losses as an average site.
FAILURE_QUARTER = quarter_of(FAILURE_DAY).name


@dataclass(frozen=True)
class Company:
    """Records of one invented company as they were read from its files, and what is true of it."""

    case: Case
    records: Records
    known: truths.Known
    period: Period


def prove_one(case: Case) -> pd.DataFrame:
    """Make a company, write its files, read them back, make what the reports print, and hold it against the truth.

    Takes:  case.
    Gives:  one row per printed interval, alarm or refusal: company, plants, situation, kind, sort ("interval",
            "alarm", "refusal"), of (what it is about), estimate, low, high, truth (see `rows`).
    """
    with tempfile.TemporaryDirectory() as folder:
        demo.make(folder, case.plants, case.years, case.seed, case.truth)
        tables = demo.company(case.plants, case.years, case.seed, case.truth)
        company = Company(case, records.load(Path(folder)), truths.Known(case.truth, tables), quarter(QUARTER))
        made = [*_with_found(company), *_with_midpoint(company)]
    table = pd.concat([part for part in made if len(part)], ignore_index=True)
    return table.assign(company=case.number, plants=case.plants, situation=case.situation)[list(COLUMNS)]


def _with_found(company: Company) -> list[pd.DataFrame]:
    """Pages whose losses are dated on the day found."""
    time = plant_time.build(company.records, AS_OF, "found")
    return [
        *_rates(company, time), *_expected(company, time),
        *slow_pages.made(company.case, company.records, company.known, company.period, time)]


def _with_midpoint(company: Company) -> list[pd.DataFrame]:
    """Pages whose losses are dated half-way between last seen alive and found."""
    time = plant_time.build(company.records, AS_OF, "midpoint")
    return [*_effects(company, time), *_lives(company, time)]


def _rates(company: Company, time: PlantTime) -> list[pd.DataFrame]:
    """Rates of the review: the company in each quarter that its trend shows, groups in the last; the ratio."""
    period, known = company.period, company.known
    found = review.loss_rates(time, company.records, period)
    whole = pick(found, "loss_rate")
    true = [float(truths.rate(known, quarter(name)).iloc[0]) for name in whole["period"]]
    kinds = whole["period"].eq(FAILURE_QUARTER) & bool(company.case.truth.building_failure)
    made = [
        intervals("loss_rate_with_event" if hit else "loss_rate", rows, rows["period"], np.array(true)[kinds.eq(hit)])
        for hit, rows in whole.groupby(kinds)
    ]
    for by in ("site_id", "species"):
        rows = pick(found, "loss_rate", [by], period.name)
        truth = truths.rate(known, period, by).reindex(rows[by]).to_numpy()
        made.append(intervals(f"loss_rate_by_{by}", rows, rows[by], truth))
    before = same_quarter_last_year(period)
    rows = pick(found, "loss_rate_ratio", period=period.name)
    true_ratio = truths.rate(known, period) / truths.rate(known, before)
    made.append(intervals("loss_rate_ratio", rows, rows["period"], true_ratio.to_numpy()))
    return made


def _expected(company: Company, time: PlantTime) -> list[pd.DataFrame]:
    """Observed against expected: the quarter, its sites, false alarms, and a worsening that should be seen."""
    period = company.period
    try:
        made = expected.expect(time, period, species_table())
    except PAGE_STOPS as fault:
        return [refusal("observed_expected", fault)]
    found = expected.expected_findings(made)
    whole = pick(found, "observed_expected", period=period.name)
    sites = pick(found, "observed_expected", ["site_id"], period.name)
    sites = sites[sites["n_plants"].ge(company.records.settings.small_group)]
    ratio = truths.site_ratio(company.known, period).reindex(sites["site_id"]).to_numpy()
    flagged = sites["note"].fillna("").str.startswith("stands out").to_numpy()
    ordinary = (ratio > ORDINARY[0]) & (ratio < ORDINARY[1])
    return [
        # Nothing has changed since the earlier quarters: what should be expected is what was.
        intervals("observed_expected", whole, whole["period"], np.ones(len(whole))),
        intervals("observed_expected_by_site_id", sites, sites["site_id"], ratio),
        alarms("quarter_called_worse", whole["period"], whole["low"] > 1),
        alarms("ordinary_site_flagged", sites["site_id"][ordinary], flagged[ordinary]),
        alarms("worse_quarter_seen", whole["period"], [_seen(company, made)]),
    ]


def _seen(company: Company, made: expected.Expected) -> bool:
    """Whether the quarter is called worse when half as many losses again are thrown in at the true risk."""
    rng = np.random.Generator(np.random.PCG64(np.random.SeedSequence([company.case.seed, 1])))
    true = truths.risk(company.known, company.period, "plant_id")["expected"]
    plants = made.plants
    # A plant that was moved has a row at each place.
    share = plants["plant_days"] / plants.groupby("plant_id")["plant_days"].transform("sum")
    mean = MORE * true.reindex(plants["plant_id"]).fillna(0.0).to_numpy() * share.to_numpy(float)
    # Clients and species apart are not asked for.
    plants = plants.drop(columns=["client_id", "species"])
    worse = made._replace(plants=plants.assign(losses=plants["losses"] + rng.poisson(mean)))
    whole = pick(expected.expected_findings(worse), "observed_expected", period=company.period.name)
    return bool(whole["low"].iloc[0] > 1)


def _effects(company: Company, time: PlantTime) -> list[pd.DataFrame]:
    """Rate ratios and adjusted rates of the loss-drivers page, which stands or falls as a whole."""
    if company.case.situation == AS_MODELLED and company.case.truth.over_dry > 0:
        return []  # Days left dry share in every contrast, and their truth has no one number.
    cells = time.cells(list(loss_model.CELLS_BY), end=terms.settled(AS_OF))
    try:
        apart = loss_model.tell_apart(cells, species_table())
        found = loss_model.effects(apart.model, QUARTER)
        asked = situations(apart)
        told = loss_model.adjusted_rates(apart.model, asked, QUARTER)
    except PAGE_STOPS as fault:
        return [refusal("effect_on_losses", fault)]
    truth = company.case.truth
    rows = pick(found, "effect_on_losses", ["term"])
    true = np.array([true_effects.loss_effect(truth, term) for term in rows["term"]])
    if not apart.told:  # Season then stands for both, and the page says so.
        true[rows["term"].str.contains("season|humidity")] = np.nan
    species = pick(found, "species_effect", ["species"])
    of_species = true_effects.species_effects(truth, apart.model).reindex(species["species"]).to_numpy()
    made = [
        intervals("effect_on_losses", rows, rows["term"], true),
        intervals("species_effect", species, species["species"], of_species)]
    # Without humidity in the situation, or with days left dry in every rate, there is no one truth.
    if apart.told and truth.over_dry == 0:
        by_words = {row["words"]: row for row in asked.to_dict("records")}
        rate = [true_effects.adjusted_rate(truth, apart.model, by_words[term]) for term in told["term"]]
        made.append(intervals("adjusted_loss_rate", told, told["term"], np.array(rate)))
    return made


def _lives(company: Company, time: PlantTime) -> list[pd.DataFrame]:
    """Survival by light and incidence of causes at twelve months."""
    lives, known = time.lives, company.known
    by_light = truths.at_ages(known, lives, AS_OF, "light")
    curves = survival.curves(lives, ["light"])
    told = survival.summaries(curves, lives, ["light"], ages=[AGE], horizon=2 * AGE, period=QUARTER)
    rows = pick(told, "survival", ["light", "age_days"])
    true = [truths.survival(by_light[light], AGE) if light in by_light else np.nan for light in rows["light"]]
    whole = truths.incidence(truths.at_ages(known, lives, AS_OF)["all"], AGE)
    # The true share of each single cause hangs on the day; all losses together, with clients' acts competing, do not.
    merged = lives.assign(cause=lives["cause"].mask(lives["event"].eq(1), "losses"))
    drawn = causes.incidence(merged, [])
    incidence = causes.summaries(drawn, merged, [], ages=[AGE], period=QUARTER)
    incidence = incidence[incidence["cause"].isin(list(whole))]
    return [
        intervals("survival_12_months", rows, rows["light"], np.array(true)),
        intervals("incidence_12_months", incidence, incidence["cause"], incidence["cause"].map(whole).to_numpy()),
    ]


