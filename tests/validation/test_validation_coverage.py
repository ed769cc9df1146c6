"""A small, fixed-seed part of the proving ground, with bounds that a broken method fails; each is broken once here.

The long version is `plantstats validate`. Four companies of 400 plants over three years; and for the clustering many
small tables of cells, since the invented companies' sites each hold all lights.
"""

from __future__ import annotations

import dataclasses
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from plantstats import exposure, records, simulate
from plantstats import losses as loss_model
from plantstats.exposure import PlantTime
from plantstats.findings import pick
from plantstats.losses import clusters, likelihood, loss_rates, rate_findings
from plantstats.periods import quarter
from plantstats.records import Records
from plantstats.stats import intervals
from plantstats.validation import companies, coverage, design, kinds, true_values

COMPANIES, AS_OF = 4, date(2026, 9, 30)


@dataclasses.dataclass(frozen=True)
class Made:
    company: companies.Company
    records: Records
    found: PlantTime
    midpoint: PlantTime


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> list[Made]:
    params = dataclasses.replace(simulate.CompanyParams(), base_rate=14.0, over_dry=0.0, building_failure=False)
    out = []
    for seed in range(COMPANIES):
        folder = tmp_path_factory.mktemp("company")
        known = true_values.KnownCompany(params, simulate.make(folder, 400, 3, 100 + seed, params).frames())
        loaded = records.load(Path(folder))
        case = design.Case(seed, 400, 3, 100 + seed, params, kinds.AS_MODELLED, "")
        times = [exposure.build(loaded, AS_OF, dated) for dated in ("found", "midpoint")]
        out.append(Made(companies.Company(case, loaded, known, quarter("2026-Q3")), loaded, *times))
    return out


def share(parts: list[pd.DataFrame], kind: str) -> float:
    rows = pd.concat(parts, ignore_index=True)
    return float(coverage.covered(rows[rows["kind"].eq(kind)]).mean())


def rate_rows(made: list[Made]) -> list[pd.DataFrame]:
    """The company's rate in each quarter of the trend, as the review prints it."""
    parts = []
    for one in made:
        whole = pick(loss_rates.trend(one.found, one.company.period, {}), "loss_rate")
        true = [float(true_values.rate(one.company.known, quarter(name)).iloc[0]) for name in whole["period"]]
        parts.append(companies.intervals("loss_rate", whole, whole["period"], true))
    return parts


def test_intervals_of_loss_rates_hold_the_true_rate(made):
    # 44 quarters with about 18 losses each; exact limits hold in 95 to 97 of 100, standard error of 44: 3.
    parts = rate_rows(made)
    assert sum(map(len, parts)) == 11 * COMPANIES
    assert share(parts, "loss_rate") >= 0.90


def test_a_wrong_offset_is_seen(made, monkeypatch):
    # Plants once on the list taken for plants at risk all quarter long, a fault easily made: here about 1.4 times the
    # days, so that rates come out too low.
    def by_head(losses, plant_days, level=intervals.CONF_LEVEL):
        return right(losses, 1.4 * np.asarray(plant_days, dtype=float), level)

    right = rate_findings.loss_rate
    monkeypatch.setattr(rate_findings, "loss_rate", by_head)
    assert share(rate_rows(made), "loss_rate") < 0.90


def test_survival_at_twelve_months_holds_the_truth_of_the_plants_that_were_watched(made):
    # Four companies, about three lights each; losses of all causes with clients' acts competing, and those acts.
    parts = [part for one in made for part in companies._lifetimes(one.company, one.midpoint)]
    assert share(parts, "survival_12_months") >= 0.80
    assert share(parts, "incidence_12_months") >= 0.80


def test_forgotten_late_entry_is_seen(made):
    # Plants that were old when the records began then count as watched from planting on: immortal time.
    parts = []
    for one in made:
        lives = one.midpoint.lifetimes.assign(entry_age=0)
        wrong = dataclasses.replace(one.midpoint)
        wrong.__dict__["lifetimes"] = lives
        parts += companies._lifetimes(one.company, wrong)
    assert share(parts, "survival_12_months") < 0.60


def test_a_quiet_quarter_is_hardly_ever_called_worse(made):
    # The intervals of observed / expected are to hold 1 in all but 5 of 100; of four, one may miss.
    parts = [part for one in made for part in companies._expected(one.company, one.found)]
    assert share(parts, "observed_expected") >= 3 / 4
    alarmed = pd.concat(parts).query("kind == 'ordinary_site_flagged'")
    assert len(alarmed) > 40
    assert alarmed["estimate"].mean() <= 0.02


def lights_by_site(seed: int) -> pd.DataFrame:
    """Cells of 30 sites, half of them dark: 400 plant-years each, sites that differ by 60%."""
    rng = np.random.default_rng([11, seed])
    effect = rng.gamma(1 / 0.36, 0.36, 30)
    light = np.where(np.arange(30) % 2 == 0, "low", "medium")
    rate = 8 / 36_525 * np.where(light == "low", 1.5, 1.0) * effect
    days = np.full(30, 40_000.0)
    return pd.DataFrame(
        {
            "site_id": [f"S{n:02d}" for n in range(30)],
            "species": "Rhapis excelsa",
            "light": light,
            "pot": "15-24 cm",
            "planter": "direct",
            "age_band": "days 91-365",
            "month": pd.Timestamp("2026-05-01"),
            "heating": False,
            "repotted": "never",
            "moved": "never",
            "rh_band": "missing",
            "n_plants": 400,
            "plant_days": days,
            "losses": rng.poisson(rate * days),
            "rh_tenths": 0,
            "rh_readings": 0,
        }
    )


def light_covered(tables: int = 40) -> float:
    """Share of tables in which the interval of dark against medium sites holds 1.5."""
    held = []
    for seed in range(tables):
        model = loss_model.fit(lights_by_site(seed), terms=["light"], pseudo_events=0.0)
        row = pick(loss_model.effects(model, "all"), "effect_on_losses", ["term"]).iloc[0]
        held.append(row["low"] <= 1.5 <= row["high"])
    return float(np.mean(held))


def test_an_effect_that_differs_between_sites_holds_its_truth():
    # 40 tables: standard error of a true 95 in 100 is 3.4.
    assert light_covered() >= 0.85


def test_forgotten_clustering_is_seen(monkeypatch):
    # Poisson errors alone: standard error 0.10 of the log ratio where sites alone make 0.22.
    def poisson_alone(counts, fit):
        information = likelihood.Derivatives(counts, fit.beta, 0.0).information
        return np.linalg.inv(information), "as if all plants were alike", np.zeros(len(fit.beta))

    monkeypatch.setattr(clusters, "covariance", poisson_alone)
    assert light_covered() < 0.80
