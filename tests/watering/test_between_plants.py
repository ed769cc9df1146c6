"""Plants of one kind that differ: the fit against R, worked cases, recovery of a known variation, use in advice."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from plantstats.watering import between_plants, distribution, fit_drying
from plantstats.watering.between_plants import Members, Mixture, PlantVariation, plant_variation
from plantstats.watering.estimation import NO_MISCLASSIFICATION
from plantstats.watering.prices import NOT_MADE
from tests.builders.watering_simulated import simulated

KIND = {
    "method": "topsoil word",
    "species": "Ficus lyrata",
    "light": "low",
    "pot": "15-24 cm",
    "planter": "direct",
    "heating": False,
}
SD, SHAPE, SCALE = 0.25, 5.0, 10.0


def known(plants: dict[str, tuple[float, float]], sd: float = 0.2, shape: float = 1.0) -> PlantVariation:
    """Plants whose offset and its variance are given."""
    offsets = pd.DataFrame.from_dict(plants, orient="index", columns=["offset", "variance"], dtype=float)
    return PlantVariation(sd, 0.0, math.log(shape), offsets)


@pytest.fixture(scope="module")
def dry_downs() -> tuple[pd.DataFrame, pd.Series]:
    """Dry-downs of 150 plants of one kind, looked at every 2, 3 or 5 days, and their true offsets."""
    rng, parts, true = np.random.default_rng(3), [], {}
    for number in range(150):
        name, every = f"P{number:03d}", rng.choice([2, 3, 5])
        true[name] = rng.normal(0, SD)
        dried = SCALE * math.exp(true[name]) * rng.weibull(SHAPE, rng.choice([2, 10, 60]))
        n_moist = np.floor(dried / every)
        bounds = {"previous": np.maximum(n_moist - 1, 0) * every, "lower": n_moist * every, "n_moist": n_moist}
        parts.append(pd.DataFrame({**bounds, "upper": (n_moist + 1) * every}).assign(plant_id=name))
    rows = pd.concat(parts).groupby(["plant_id", "previous", "lower", "upper", "n_moist"]).size().rename("n")
    table = rows.reset_index().assign(**KIND)
    return table.assign(site_id="S" + table["plant_id"].str[-1]), pd.Series(true)


@pytest.mark.parametrize("family", distribution.FAMILIES)
def test_the_value_alone_is_that_of_the_likelihood_with_its_derivatives(family: str) -> None:
    rows = [[0, 0, 7, 3, 0, 7.0], [0, 7, 14, 7, 0, 14.0], [7, 14, 21, np.inf, 3, np.inf], [0, 1, 2, 2, 0, 2.0]]
    observed = distribution.Observations(*np.array(rows), np.ones(6))
    at = family, observed, np.full(6, 2.3), 0.8, -3.0
    assert distribution.log_density(*at) == pytest.approx(distribution.log_likelihood(*at).value, rel=1e-12)


def test_the_variation_between_plants_is_that_of_r() -> None:
    # 60 plants looked at once in each of 25 dry-downs, after 4, 7, 10 or 14 days: P(dry) = 1 - exp(-exp(a + k log t +
    # s z)), z standard normal by plant. R 4.2.2, integrate (adaptive quadrature) by plant and optim: k = 4.47286,
    # a = -9.43569, s = 1.12716; mgcv 1.8-41, gam(s(plant, bs = "re"), method = "ML"), by Laplace: s = 1.12299.
    rng, n, each = np.random.default_rng(17), 60, 25
    b = rng.normal(0, 0.25, n)
    plant = np.repeat(np.arange(n), each)
    t = rng.choice([4, 7, 10, 14], n * each).astype(float)
    dry = 9 * np.exp(b[plant]) * rng.weibull(4.0, n * each) <= t
    zero = np.zeros(n * each)
    observed = distribution.Observations(
        zero, np.where(dry, 0.0, t), np.where(dry, t, np.inf), (~dry).astype(float), zero + 1
    )
    log_scale = 2.3  # where the kind lies; the shift from it is learned
    made = plant_variation(
        "Weibull", observed, zero + log_scale, pd.Series(plant).astype(str), math.log(3.5), NO_MISCLASSIFICATION
    )
    shape = math.exp(made.log_shape)
    assert shape == pytest.approx(4.47286, rel=2e-3)
    assert -shape * (log_scale + made.shift) == pytest.approx(-9.43569, rel=2e-3)
    assert shape * made.sd == pytest.approx(1.12716, rel=3e-3)
    assert shape * made.sd == pytest.approx(1.12299, rel=1e-2)


def test_a_known_variation_is_recovered_and_each_plant_s_limits_hold_its_own(
    dry_downs: tuple[pd.DataFrame, pd.Series],
) -> None:
    table, true = dry_downs
    pooled = fit_drying(table, "Weibull", misclassified=0.0)
    model = pooled.with_plants(table)
    varied = model.plants
    assert varied is not None
    # All plants together are less alike than one plant's dry-downs among themselves.
    assert pooled.shape < 0.75 * SHAPE
    assert math.exp(varied.log_shape) == pytest.approx(SHAPE, rel=0.05)
    assert varied.sd == pytest.approx(SD, rel=0.15)
    middle = model.estimate[0] + sum(model.estimate[1:-2]) + varied.shift
    error = middle + varied.offsets["offset"] - math.log(SCALE) - true
    held = error.abs() < 1.96 * np.sqrt(varied.offsets["variance"])
    assert held.mean() == pytest.approx(0.95, abs=0.04)
    # A plant with many dry-downs stands by itself; one with two is drawn to its kind; one without is any plant.
    number = table.groupby("plant_id")["n"].sum()
    spread = varied.offsets["variance"].groupby(number).mean()
    assert spread[60] < spread[10] < spread[2] < varied.sd**2
    assert varied.of(pd.Series(["new"])) == (np.array([0.0]), np.array([varied.sd**2]))


def test_offsets_of_some_plants_after_others_are_those_of_all_together(
    dry_downs: tuple[pd.DataFrame, pd.Series], monkeypatch: pytest.MonkeyPatch
) -> None:
    model = fit_drying(dry_downs[0], "Weibull", misclassified=0.0)
    whole = model.with_plants(dry_downs[0]).plants
    monkeypatch.setattr(between_plants, "BLOCK", 7)
    some = model.with_plants(dry_downs[0]).plants
    assert whole is not None and some is not None and len(whole.offsets) > 14
    pd.testing.assert_frame_equal(some.offsets, whole.offsets, rtol=1e-9, atol=1e-12)


def test_days_until_half_of_some_plants_are_dry_hold_the_truth_of_those_plants(
    dry_downs: tuple[pd.DataFrame, pd.Series],
) -> None:
    # Kinds of one to three of the plants: the limits without what differs between plants hold 2 in 3 or fewer.
    table, true = dry_downs
    model = fit_drying(table, "Weibull", misclassified=0.0).with_plants(table)
    names = pd.Series(sorted(true.index))
    kind = np.sort(np.random.default_rng(1).integers(0, 75, len(names)))
    kinds = pd.DataFrame([KIND] * 75)
    mine = model.days_until_dry(kinds, 0.5, Members(kind, names))
    alike = model.days_until_dry(kinds, 0.5)
    scale = SCALE * np.exp(true[names].to_numpy())
    days = np.arange(0.0, 40, 0.01)
    moist = np.exp(-((days[:, None] / scale) ** SHAPE))
    has = np.unique(kind)
    half = np.array([days[(moist[:, kind == k].mean(axis=1) > 0.5).sum()] for k in has])
    held, without = ((each.low[has] < half) & (half < each.high[has]) for each in (mine, alike))
    assert held.mean() > 0.88
    assert without.mean() < 0.6


def test_half_of_two_unlike_plants_are_dry_at_the_golden_ratio() -> None:
    # Shape 1, scales 8 and 16: exp(-t/8) + exp(-t/16) = 1; with u = exp(-t/16), u^2 + u = 1, u = 0.618, t = 7.70.
    plants = known({"quick": (-math.log(2) / 2, 0.0), "slow": (math.log(2) / 2, 0.0)})
    members = Members(np.array([0, 0]), pd.Series(["quick", "slow"]))
    mixture = Mixture("Weibull", np.array([math.log(8 * math.sqrt(2))]), plants, members)
    log_days, se = mixture.log_days_until_dry(0.5, np.ones((1, 1)), np.diag([0.04, 0.0, 0.0]))
    assert math.exp(log_days[0]) == pytest.approx(-16 * math.log((math.sqrt(5) - 1) / 2), rel=1e-6)
    assert mixture.moist(np.exp(log_days))[0] == pytest.approx(0.5)
    # What each plant is is known for sure here, wherever its kind may lie.
    assert se[0] == 0.0


def test_the_error_of_an_unknown_plant_is_that_of_its_kind_and_of_the_variation() -> None:
    # One plant without dry-downs: se of log days = sqrt(0.3^2 of the kind + 0.4^2 between plants) = 0.5; of two such
    # plants, of which each moves the half by half: sqrt(0.3^2 + 0.4^2 / 2) = 0.4123.
    plants, covariance = known({}, sd=0.4, shape=3.0), np.diag([0.09, 0.0, 0.0])
    members = Members(np.array([0, 1, 1]), pd.Series(["a", "b", "c"]))
    mixture = Mixture("log-logistic", np.full(2, 2.0), plants, members)
    se = mixture.log_days_until_dry(0.5, np.ones((2, 1)), covariance)[1]
    assert se == pytest.approx([0.5, math.sqrt(0.09 + 0.08)], rel=1e-6)


def test_visits_that_left_no_line_are_seen_by_the_gaps() -> None:
    # S1 every 7 days with one gap of 14: of 9 planned gaps one was missed. S2 every 14 days, none; a pause of 100 days
    # is no missed visit. 1 of 9 + 4 = 13.
    made = simulated(1, sites=1, plants=1, days=30)
    days = {"S1": [0, 7, 14, 21, 35, 42, 49, 56, 63], "S2": [0, 14, 28, 128, 142, 156]}
    rows = pd.DataFrame([{"at_site": s, "plant_id": "P", "on_day": d} for s, each in days.items() for d in each])
    made.engine.connection.register("rows", rows)
    made.engine.connection.execute(
        "create or replace temp table completed_visits as "
        "select at_site, plant_id, date '2026-01-01' + on_day::int as visited_on from rows"
    )
    share = made.sql(NOT_MADE, ["2026-09-30", "2026-09-30"])["share"].iloc[0]
    assert share == pytest.approx(1 / 13)


def test_no_variation_leaves_the_days_as_they_were(dry_downs: tuple[pd.DataFrame, pd.Series]) -> None:
    table, _ = dry_downs
    model = fit_drying(table, "Weibull", misclassified=0.0)
    alike = replace(model, plants=known({}, sd=0.01, shape=model.shape))
    one = pd.DataFrame([KIND])
    with_plant = alike.days_until_dry(one, 0.8, Members(np.array([0]), pd.Series(["P000"])))
    assert with_plant.estimate == pytest.approx(model.days_until_dry(one, 0.8).estimate, rel=1e-3)
    assert with_plant.high == pytest.approx(model.days_until_dry(one, 0.8).high, rel=1e-2)
