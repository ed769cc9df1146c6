"""One company of the second generator put through the reports' own steps, beside its truth."""

from __future__ import annotations

import tempfile
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from plantstats import exposure, losses, records
from plantstats.exposure import PlantTime
from plantstats.findings import pick
from plantstats.losses import as_expected, expected, loss_rates, terms
from plantstats.losses.common_cause import ordinary
from plantstats.losses.standing import lost_within
from plantstats.losses.watch_list import watch
from plantstats.losses.watch_memory import Memory
from plantstats.periods import Period, previous_quarters, quarter, same_quarter_last_year
from plantstats.quality.visit_log import visit_log, withheld
from plantstats.records import Records, species_table
from plantstats.validation import arithmetic, days_dry, second_records, second_truth, watch_lists
from plantstats.validation.rows import COLUMNS, PAGE_STOPS, alarms, intervals, refusal
from plantstats.validation.second_days import SecondCompany, run
from plantstats.validation.second_layout import END, SecondParams
from plantstats.watering import plant_cycles
from plantstats.watering.advice import advise
from plantstats.watering.estimation import DryingError
from plantstats.watering.fit import WateringError, fit_watering
from plantstats.watering.profiles import profiles

SECOND = "second generator"
CASES: dict[str, dict[str, Any]] = {
    SECOND: {},
    f"{SECOND}, nothing spreads or fails, no site closes": {"mites": 0.0, "heating_failures": 0.0, "closing": 0.0},
    f"{SECOND}, one species a site": {"monoculture": 1.0},
    f"{SECOND}, log of exceptions": {"exception_log": True},
}
PLACES = (150, 250, 400)
QUARTERS = 4


def case(seed: int, number: int) -> tuple[str, SecondParams]:
    """Situation and parameters of a company; they depend on seed and number alone.

    Parameters
    ----------
    seed : int
        Seed of the whole design.
    number : int
        From 0; the situations in turn.

    Returns
    -------
    tuple[str, SecondParams]
    """
    sequence = np.random.SeedSequence([seed, number, 2])
    rng = np.random.Generator(np.random.PCG64(sequence))
    situation = list(CASES)[number % len(CASES)]
    of_case: dict[str, Any] = {
        "places": int(rng.choice(PLACES)),
        "years": float(rng.choice([2, 3])),
        "level": float(rng.choice([0.3, 0.5, 0.8])),
        "site_scale": float(rng.choice([0.2, 0.35, 0.5])),
        "seed": int(sequence.generate_state(1)[0]),
    }
    return situation, SecondParams(**{**of_case, **CASES[situation]})


def validate_company(seed: int, number: int) -> pd.DataFrame:
    """Make a company of the second generator and hold what the reports print against its truth.

    Parameters
    ----------
    seed, number : int
        As `case`.

    Returns
    -------
    pandas.DataFrame
        Rows as `rows.COLUMNS`.
    """
    situation, params = case(seed, number)
    company = run(params)
    with tempfile.TemporaryDirectory() as folder:
        second_records.write(company, Path(folder))
        loaded, period = records.load(Path(folder)), quarter("2026-Q3")
        time = exposure.build(loaded, END, "found")
        tables = [
            *_rates(company, loaded, period, time),
            *_effects(company, loaded),
            *_visits(company, loaded, time),
            *_watched(loaded, period, time),
        ]
    table = pd.concat([rows for rows in tables if len(rows)], ignore_index=True)
    return table.assign(company=f"second {number}", plants=params.places, situation=situation)[list(COLUMNS)]


def _rates(company: SecondCompany, loaded: Records, period: Period, time: PlantTime) -> list[pd.DataFrame]:
    """Rates of the company in four quarters and of its groups in the last, the ratio, and false alarms."""
    findings = loss_rates.loss_rates(time, loaded, period)
    whole = pick(findings, "loss_rate")
    whole = whole[whole["period"].isin([period.name, *(p.name for p in previous_quarters(period, QUARTERS - 1))])]
    parts = [_rate("loss_rate", whole, whole["period"], [_true(company, quarter(p)) for p in whole["period"]])]
    for by in ("site_id", "species"):
        rows = pick(findings, "loss_rate", [by], period.name)
        rows = rows[rows["n_plants"].ge(loaded.settings.small_group)]
        true = second_truth.rate(company, period, by).reindex(rows[by]).to_numpy()
        parts.append(_rate(f"loss_rate_by_{by}", rows, rows[by], true))
    ratio = pick(findings, "loss_rate_ratio", period=period.name)
    before = same_quarter_last_year(period)
    true_ratio = _true(company, period) / _true(company, before)
    mean = [float(second_truth.risk(company, p)["expected"].sum()) for p in (period, before)]
    chance = arithmetic.of_ratio(*mean)
    parts.append(intervals("loss_rate_ratio", ratio, ratio["period"], np.full(len(ratio), true_ratio), chance))
    try:
        printed = as_expected.expected_findings(expected.expect(ordinary(time), period, species_table()))
    except PAGE_STOPS as fault:
        return [*parts, refusal("quarter_called_worse", fault)]
    called = pick(printed, "observed_expected", period=period.name)
    return [*parts, alarms("quarter_called_worse", called["period"], called["low"] > 1)]


def _watched(loaded: Records, period: Period, time: PlantTime) -> list[pd.DataFrame]:
    """The watch list that stood at the start of the period, and what came of it."""
    day, usual = period.start - timedelta(days=1), ordinary(time)
    try:
        listed = watch(loaded, day, species_table(), Memory(usual), with_reasons=False)
    except PAGE_STOPS as fault:
        return [refusal("watch_ratio", fault)]
    lost = listed.plants["plant_id"].map(lost_within(usual, day)).fillna(0.0)
    return watch_lists.compared(listed, lost)


def _true(company: SecondCompany, period: Period) -> float:
    return float(second_truth.rate(company, period).iloc[0])


def _rate(kind: str, rows: pd.DataFrame, of: pd.Series, true: list[float] | np.ndarray) -> pd.DataFrame:
    mean = np.asarray(true, dtype=float) * rows["plant_days"].to_numpy(float) / second_truth.DAYS_PER_100_YEARS
    return intervals(kind, rows, of, true, arithmetic.of_rate(mean))


def _effects(company: SecondCompany, loaded: Records) -> list[pd.DataFrame]:
    """Rate ratios of the loss model against the nearest ones of the truth, term by term."""
    time = ordinary(exposure.build(loaded, END, "midpoint"))
    try:
        model = losses.check_collinearity(
            time.exposure_table(list(losses.EXPOSURE_BY), end=terms.settled(END)), species_table()
        ).model
        rows = pick(losses.effects(model, "2026-Q3"), "effect_on_losses", ["term"])
    except PAGE_STOPS as fault:
        return [refusal("effect_on_losses", fault)]
    true = second_truth.nearest_effects(company)
    return [intervals("effect_on_losses", rows, rows["term"], rows["term"].map(true).to_numpy(float))]


def _visits(company: SecondCompany, loaded: Records, time: PlantTime) -> list[pd.DataFrame]:
    """Drying times, and the advice by days left dry; a log that leaves plants out has neither."""
    if reason := withheld(visit_log(time)):
        return [refusal("dry_half", reason), refusal("dry_days_advised", reason)]
    try:
        model = fit_watering(loaded, END, time=time)
    except (WateringError, DryingError) as fault:
        return [refusal("dry_half", fault)]
    advice = advise(model, loaded, heating=True)
    if advice is None:
        return [refusal("dry_half", "no plant stands")]
    table = profiles(model, advice)
    table = table[table["dry_downs"] > 0]
    of = table[["species", "light", "pot", "planter", "season"]].agg(", ".join, axis=1)
    parts = []
    for measure, share in (("dry_half", 0.5), ("dry_80", 0.8)):
        printed = pd.DataFrame(
            {n: table[measure + e] for n, e in (("estimate", ""), ("low", "_low"), ("high", "_high"))}
        )
        true = [second_truth.drying_days(company, row, share) for row in table.to_dict("records")]
        parts.append(intervals(measure, printed, of, true))
    every = days_dry.intervals_asked(advice, model.assumed)
    tolerated = plant_cycles.tolerated_days(advice.plants["species"], model.assumed)
    names = advice.plants["plant_id"].str.extract(r"^(S\d+-\d+)")[0]
    true_dry = days_dry.LeftDry(every, *second_truth.left_dry(company, names, every, tolerated))
    return [*parts, *days_dry.score(advice, true_dry, model.assumed)]
