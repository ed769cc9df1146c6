"""The drying law: published values, the notes' own likelihood, and recovery of a known truth."""

from __future__ import annotations

import math
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import special

from plantstats import records, simulate
from plantstats.stats import turnbull
from plantstats.stats.intervals import quantile
from plantstats.validation.true_effects import season_kpa
from plantstats.watering import distribution, dry_down_table, fit_drying
from plantstats.watering.design import SEASONS
from plantstats.watering.estimation import NO_MISCLASSIFICATION, DryingError
from tests.reference import data, published

BLANK = {
    "site_id": "S1",
    "method": "topsoil word",
    "species": "Ficus lyrata",
    "light": "low",
    "pot": "15-24 cm",
    "planter": "direct",
    "heating": False,
    "n_moist": 0,
    "previous": 0,
}


def maximum(name: str, low: np.ndarray, high: np.ndarray) -> tuple[float, float, float]:
    """Scale, shape and log-likelihood of one law for plain intervals, by the module's own derivatives."""
    from scipy import optimize

    known = distribution.Observations(np.zeros_like(low), low, high, np.zeros_like(low), np.ones_like(low))

    def negative(theta: np.ndarray) -> tuple[float, np.ndarray]:
        d = distribution.log_likelihood(name, known, np.full(len(low), theta[0]), theta[1], NO_MISCLASSIFICATION)
        return -d.value.sum(), -d.first[:, :2].sum(axis=0)

    start = np.array([np.log(np.where(np.isinf(high), low, high).mean()), 0.0])
    done = optimize.minimize(negative, start, jac=True, method="BFGS", options={"gtol": 1e-9})
    return float(np.exp(done.x[0])), float(np.exp(done.x[1])), -float(done.fun)


@pytest.mark.parametrize(
    ("name", "check", "scale"),
    [("Weibull", "ic_weibull_rt", "scale eta"), ("log-logistic", "ic_loglogistic_rt", "median")],
)
def test_both_laws_give_the_values_that_r_gives_on_the_cosmesis_data(name: str, check: str, scale: str) -> None:
    # Finkelstein and Wolfe 1985, radiotherapy arm, 46 intervals (left, right]; values computed by R survreg.
    known, value = data("cosmesis_rt"), published(check)
    made = maximum(name, known["left"].to_numpy(float), known["right"].to_numpy(float))
    assert made == pytest.approx((value[scale], value["shape"], value["loglik"]), rel=1e-4)


@pytest.mark.parametrize(
    ("group", "name", "check", "scale"),
    [
        ("ce", "Weibull", "cs_mice_ce_cloglog", "eta=exp(-a/b)"),
        ("ce", "log-logistic", "cs_mice_ce_logit", "median=exp(-a/b)"),
        ("ge", "Weibull", "cs_mice_ge_cloglog", "eta=exp(-a/b)"),
        ("ge", "log-logistic", "cs_mice_ge_logit", "median=exp(-a/b)"),
    ],
)
def test_one_look_per_spell_gives_the_published_current_status_fits(
    group: str, name: str, check: str, scale: str
) -> None:
    # Hoel and Walburg 1972, lung tumours of 144 mice, one look each; values by R glm and survreg.
    known, value = data("hoel_walburg"), published(check)
    own = known[known["group"] == group]
    day, seen = own["day"].to_numpy(float), own["tumour"].to_numpy(bool)
    made = maximum(name, np.where(seen, 0.0, day), np.where(seen, day, np.inf))
    loglik = value.get("loglik")
    assert made[:2] == pytest.approx((value[scale], value["slope = shape"]), rel=1e-4)
    assert loglik is None or made[2] == pytest.approx(loglik, rel=1e-6)


def test_the_estimate_without_a_law_has_the_published_masses() -> None:
    # turnbull_rt: the masses that the page's check of the fit rests on; values by R npsurv.
    known, value = data("cosmesis_rt"), published("turnbull_rt")
    made = turnbull.fit_turnbull(known["left"].to_numpy(float), known["right"].to_numpy(float))
    masses = {f"mass ({a:g},{b:g}]": m for a, b, m in zip(made.left, made.right, made.mass, strict=True) if m > 1e-6}
    assert masses == pytest.approx({k: v for k, v in value.items() if k.startswith("mass")}, abs=2e-4)


@pytest.mark.parametrize("name", distribution.FAMILIES)
def test_derivatives_are_those_of_finite_differences(name: str) -> None:
    known = distribution.Observations(
        np.array([0, 0, 7, 3, 0, 7.0]),
        np.array([0, 7, 14, 7, 0, 14.0]),
        np.array([7, 14, 21, np.inf, 3, np.inf]),
        np.array([0, 1, 2, 2, 0, 2.0]),
        np.ones(6),
    )

    def at(theta: np.ndarray) -> distribution.Derivatives:
        return distribution.log_likelihood(name, known, np.full(6, theta[0]), theta[1], theta[2])

    middle, step = np.array([2.3, 0.8, -3.0]), 1e-5
    for n in range(3):
        up, down = at(middle + step * np.eye(3)[n]), at(middle - step * np.eye(3)[n])
        assert (up.value - down.value) / (2 * step) == pytest.approx(at(middle).first[:, n], abs=1e-7)
        assert (up.first - down.first) / (2 * step) == pytest.approx(at(middle).second[:, n], abs=1e-6)


def test_the_likelihood_of_notes_is_their_frequency_in_a_simulation() -> None:
    # A million spells looked at on days 7, 14, 21 and misread 5 times in 100: how often is the first "dry" noted
    # on each day? Three looks are few enough for the formula to be exact but for m^2 x P(dry within 7 days).
    rng, m, n = np.random.default_rng(5), 0.05, 1_000_000
    dried = 12 * rng.weibull(3.0, n)
    noted = (dried[:, None] <= np.array([7, 14, 21])) ^ (rng.random((n, 3)) < m)
    first = np.where(noted.any(axis=1), noted.argmax(axis=1), 3)
    known = distribution.Observations(
        np.array([0, 0, 7, 14.0]),
        np.array([0, 7, 14, 21.0]),
        np.array([7, 14, 21, np.inf]),
        np.array([0, 1, 2, 3.0]),
        np.ones(4),
    )
    made = np.exp(
        distribution.log_likelihood("Weibull", known, np.full(4, np.log(12)), np.log(3.0), special.logit(m)).value
    )
    assert made == pytest.approx(np.bincount(first, minlength=4) / n, abs=0.0025)


def spells_of(
    rng: np.random.Generator, n: int, scale: np.ndarray, shape: float, every: np.ndarray, misread: float
) -> pd.DataFrame:
    """Spells as notes give them: looked at every so many days until noted dry."""
    dried = scale * rng.weibull(shape, n)
    wet = np.zeros(n, dtype=int)
    going = np.ones(n, dtype=bool)
    for _ in range(60):
        noted = (dried <= (wet + 1) * every) ^ (rng.random(n) < misread)
        going &= ~noted
        wet += going
        if not going.any():
            break
    return pd.DataFrame(
        {"n_moist": wet, "previous": np.maximum(wet - 1, 0) * every, "lower": wet * every, "upper": (wet + 1) * every}
    )


def cells_of(rows: pd.DataFrame, **labels: object) -> pd.DataFrame:
    table = rows.assign(**{k: v for k, v in (BLANK | labels).items() if k not in rows})
    return table.groupby([*BLANK, "lower", "upper"], dropna=False).size().rename("n").reset_index()


@pytest.mark.parametrize("name", distribution.FAMILIES)
def test_the_likelihood_of_kinds_together_is_that_of_each_alone(name: str) -> None:
    rng, n = np.random.default_rng(3), 200
    lower, kind = 7.0 * rng.integers(0, 4, n), rng.integers(0, 5, n)
    upper = np.where(rng.random(n) < 0.2, np.inf, lower + 7)
    known = distribution.Observations(np.maximum(lower - 7, 0), lower, upper, lower / 7, np.ones(n))
    times, scale = distribution.times_of(known, kind), np.array([2.0, 2.2, 2.4, 2.6, 2.8])
    assert len(times.t) < n
    whole = distribution.log_likelihood(name, known, scale[kind], 1.1, -3.0, times)
    density = distribution.log_density(name, known, scale[kind], 1.1, -3.0, times)
    for number in range(5):
        of = kind == number
        own = distribution.Observations(*(each[of] for each in known))
        alone = distribution.log_likelihood(name, own, np.full(of.sum(), scale[number]), 1.1, -3.0)
        for part, one in zip(whole, alone, strict=True):
            assert part[of].tolist() == one.tolist()
        assert density[of] == pytest.approx(alone.value, rel=1e-12)


def test_a_yes_or_no_regression_per_look_misses_the_truth_and_the_spells_do_not() -> None:
    # Truth: shape 3; in low light drying takes exp(0.5) = 1.65 times as long. The usual shortcut regresses "dry
    # today?" on log days since watering, each look by itself (complementary log-log, whose slope is the shape).
    rng, n, true_ratio = np.random.default_rng(3), 20_000, math.exp(0.5)
    dim = rng.random(n) < 0.5
    rows = spells_of(rng, n, np.where(dim, 9 * true_ratio, 9.0), 3.0, np.full(n, 3), 0.0)
    rows = rows.assign(light=np.where(dim, "low", "medium"), site_id=rng.integers(0, 50, n).astype(str))
    made = fit_drying(cells_of(rows), "Weibull", misclassified=0.0)
    assert made.shape == pytest.approx(3.0, rel=0.03)
    assert made.ratio("light", "low", "medium")[0] == pytest.approx(true_ratio, rel=0.02)

    looks = rows.loc[rows.index.repeat(rows["n_moist"] + 1)]
    number = looks.groupby(level=0).cumcount() + 1
    dry = number == looks["n_moist"] + 1
    design = np.column_stack([np.ones(len(looks)), np.log(3.0 * number), looks["light"].eq("low")])
    naive = sm.GLM(dry.to_numpy(dtype=float), design, family=sm.families.Binomial(sm.families.links.CLogLog())).fit()
    assert naive.params[1] < 2.4  # instead of 3: plants still moist at a late look are the slow ones
    assert math.exp(-naive.params[2] / naive.params[1]) > 1.05 * true_ratio


def test_misread_looks_pull_the_shape_down_and_are_learned_from_the_spells() -> None:
    # 4 in 100 looks noted the wrong way round. Taken as true they make the soil look more uneven than it is.
    rng, n = np.random.default_rng(7), 30_000
    every = np.where(rng.random(n) < 0.5, 7, 14)
    scale = np.where(rng.random(n) < 0.5, 9.0, 20.0)
    rows = spells_of(rng, n, scale, 3.0, every, 0.04).assign(
        species=np.where(scale < 10, "Ficus lyrata", "Ficus elastica"), site_id=rng.integers(0, 60, n).astype(str)
    )
    cells = cells_of(rows)
    taken, learned = fit_drying(cells, "Weibull", misclassified=0.0), fit_drying(cells, "Weibull")
    assert taken.shape < 2.7
    assert learned.shape == pytest.approx(3.0, rel=0.04)
    assert learned.misclassified == pytest.approx(0.04, abs=0.006)
    # Half dry: the middle moves by less than 7 in 100 even when the notes are taken as true.
    middles = [float(one.days_until_dry(cells.iloc[[0]], 0.5).estimate[0]) for one in (taken, learned)]
    assert abs(middles[0] / middles[1] - 1) < 0.07


@pytest.fixture(scope="module")
def companies(tmp_path_factory: pytest.TempPathFactory) -> list[pd.DataFrame]:
    """Spells of three invented companies whose drying does not hang on humidity, so that its shape is exactly 3."""
    made = []
    for seed in (21, 22, 23):
        folder = tmp_path_factory.mktemp(f"drying{seed}")
        simulate.make(folder, plants=500, years=2, seed=seed, params=simulate.CompanyParams(dry_per_kpa=0.0))
        cells = dry_down_table.build(records.load(folder), date(2026, 9, 30)).distinct()
        made.append(cells[cells["planter"] != "sub_irrigated"])
    return made


def test_shape_ratios_and_misread_share_of_invented_companies_are_recovered(companies: list[pd.DataFrame]) -> None:
    params, fits = simulate.CompanyParams(), [fit_drying(cells) for cells in companies]
    assert {one.family for one in fits} == {"Weibull"}
    covered = []
    for one in fits:
        se = np.sqrt(np.diag(one.covariance))
        covered.append(abs(one.estimate[-2] - math.log(params.dry_shape)) < quantile(df=one.df) * se[-2])
        pairs = [("light", level, "medium", params.dry_light) for level in ("low", "high")]
        pairs += [("pot", level, "15-24 cm", params.dry_pot) for level in ("under 15 cm", "25-34 cm", "35 cm and more")]
        pairs += [("planter", "double_potted", "direct", params.dry_planter)]
        for term, level, to, table in pairs:
            true = math.exp(table[level] - table[to])
            estimate, low, high = one.ratio(term, level, to)
            assert estimate == pytest.approx(true, rel=0.05)
            covered.append(low <= true <= high)
        estimate, low, high = one.ratio("heating", "heating season", "rest of the year")
        covered.append(low <= math.exp(params.dry_heating) <= high)
        assert one.shape == pytest.approx(3.0, rel=0.03)
        assert one.misclassified == pytest.approx(0.04, abs=0.01)
    # 24 intervals of 95%: all but two or three hold (fixed seeds; far fewer would hold with the wrong errors).
    assert sum(covered) >= 21


def test_days_until_dry_are_those_of_the_truth(companies: list[pd.DataFrame]) -> None:
    params, cells = simulate.CompanyParams(dry_per_kpa=0.0), companies[0]
    one = fit_drying(cells, "Weibull")
    asked = pd.DataFrame(
        {
            "species": [s.name for s in params.species],
            "light": "medium",
            "pot": "15-24 cm",
            "planter": "direct",
            "heating": False,
        }
    )
    for share in (0.5, 0.8):
        true = np.array([simulate.drying_quantile(params, name, share) for name in asked["species"]])
        made = one.days_until_dry(asked, share)
        assert made.estimate == pytest.approx(true, rel=0.10)
        assert ((made.low <= true) & (true <= made.high)).sum() >= 13  # of 16


def test_the_drier_air_of_the_heating_season_dries_sooner(tmp_path: Path) -> None:
    # Sign: evapotranspiration is higher at 25% than at 60% relative humidity (published experiment, see the trade
    # brief's KER). Here the season does nothing by itself, so its whole effect is that of its air.
    params = simulate.CompanyParams(dry_heating=0.0, dry_per_kpa=-0.3)
    sites = simulate.make(tmp_path, plants=500, years=2, seed=31, params=params).true_sites
    cells = dry_down_table.build(records.load(tmp_path), date(2026, 9, 30)).distinct()
    made = fit_drying(cells[cells["planter"] != "sub_irrigated"], "Weibull")
    _, low, high = made.ratio("heating", SEASONS[True], SEASONS[False])
    assert high < 1
    assert low <= math.exp(params.dry_per_kpa * (season_kpa(sites, True) - season_kpa(sites, False))) <= high


def test_a_rare_species_is_drawn_to_its_group_and_a_common_one_stands_by_itself() -> None:
    # Palms dry in 9 days, figs in 15. A palm with 3 spells of about 8, 15 and 15 days is not yet a slow palm.
    rng, parts = np.random.default_rng(13), []
    names = [
        ("Howea forsteriana", 9.0, 3000),
        ("Rhapis excelsa", 9.5, 3000),
        ("Ficus elastica", 15.0, 3000),
        ("Ficus benjamina", 16.0, 3000),
    ]
    for name, scale, n in names:
        rows = spells_of(rng, n, np.full(n, scale), 3.0, np.full(n, 7), 0.0)
        parts.append(rows.assign(species=name, site_id=rng.integers(0, 40, n).astype(str)))
    rare = pd.DataFrame(
        {
            "n_moist": [1, 2, 2],
            "previous": [0, 7, 7],
            "lower": [7, 14, 14],
            "upper": [14, 21, 21],
            "species": "Chamaedorea elegans",
            "site_id": "1",
        }
    )
    made = fit_drying(cells_of(pd.concat([*parts, rare], ignore_index=True)), "Weibull", misclassified=0.0)
    at = pd.DataFrame([{**BLANK, "species": name} for name in ("Howea forsteriana", "Chamaedorea elegans")])
    half = made.days_until_dry(at, 0.5)
    assert half.estimate[0] == pytest.approx(9 * math.log(2) ** (1 / 3), rel=0.04)
    # By itself it would be about 14 days; its kin have 8.
    assert half.estimate[0] * 1.02 < half.estimate[1] < 12
    width = np.log(half.high / half.low)
    assert width[1] > 5 * width[0]


def test_sites_that_differ_widen_the_interval() -> None:
    # Each site has its own soil: log scale varies by 0.3 between 30 sites. Spells of one site are then no
    # independent evidence: an interval that ignores that would be several times too narrow.
    rng, n = np.random.default_rng(17), 12_000
    site = rng.integers(0, 30, n)
    scale = 12 * np.exp(0.3 * rng.standard_normal(30))[site]
    rows = spells_of(rng, n, scale, 3.0, np.full(n, 7), 0.0).assign(site_id=site.astype(str))
    alone = rows.assign(site_id=np.arange(n).astype(str))
    at = pd.DataFrame([BLANK])

    def width(of: pd.DataFrame) -> float:
        half = fit_drying(cells_of(of), "Weibull", misclassified=0.0).days_until_dry(at, 0.5)
        return float(np.log(half.high[0] / half.low[0]))

    # Expected half width: t(29) x 0.3 / sqrt(30) = 2.045 x 0.0548 = 0.112, whole 0.224.
    assert width(rows) == pytest.approx(0.224, rel=0.35)
    assert width(rows) > 5 * width(alone)


def test_two_measuring_methods_are_refused() -> None:
    rows = pd.DataFrame(
        [
            {**BLANK, "lower": 7, "upper": 14.0, "n": 5},
            {**BLANK, "method": "dry depth", "lower": 7, "upper": 14.0, "n": 5},
        ]
    )
    with pytest.raises(DryingError, match="fit each method apart"):
        fit_drying(rows)


def test_no_spell_is_refused() -> None:
    with pytest.raises(DryingError, match="no dry-down spell"):
        fit_drying(pd.DataFrame([{**BLANK, "lower": 7, "upper": 14.0, "n": 5}]).head(0))


@pytest.mark.parametrize("times", [1, 3])
def test_the_number_of_a_row_counts_as_that_many_rows(times: int) -> None:
    rng = np.random.default_rng(19)
    rows = spells_of(rng, 300, np.full(300, 10.0), 3.0, np.full(300, 7), 0.0).assign(
        site_id=rng.integers(0, 9, 300).astype(str)
    )
    many = pd.concat([rows] * times)
    collapsed, repeated = cells_of(many), cells_of(rows).assign(n=lambda t: t["n"] * times)
    one, other = (fit_drying(c, "Weibull", misclassified=0.0) for c in (collapsed, repeated))
    assert one.estimate[:-1] == pytest.approx(other.estimate[:-1], abs=1e-6)


def test_a_species_never_seen_is_judged_by_its_group() -> None:
    rng, n = np.random.default_rng(23), 2000
    rows = pd.concat(
        [
            spells_of(rng, n, np.full(n, scale), 3.0, np.full(n, 7), 0.0).assign(
                species=name, site_id=rng.integers(0, 20, n).astype(str)
            )
            for name, scale in (("Ficus elastica", 15.0), ("Howea forsteriana", 8.0))
        ]
    )
    made = fit_drying(cells_of(rows), "Weibull", misclassified=0.0)
    unseen = pd.DataFrame([{**BLANK, "species": s} for s in ("Ficus lyrata", "Rhapis excelsa")])
    half = made.days_until_dry(unseen, 0.5).estimate
    assert half == pytest.approx(np.array([15.0, 8.0]) * math.log(2) ** (1 / 3), rel=0.1)


def test_dry_downs_that_all_end_in_the_same_days_keep_a_finite_shape() -> None:
    # Found moist on day 6 and dry on day 7, eight times: the likelihood alone rises with the shape for ever.
    rows = pd.DataFrame([{**BLANK, "lower": 6.0, "upper": 7.0, "n": 8}, {**BLANK, "lower": 6.0, "upper": 7.5, "n": 8}])
    fitted = fit_drying(rows, "Weibull", misclassified=0.0)
    assert 10 < np.exp(fitted.estimate[-2]) < 200
    assert 6 < np.exp(fitted.estimate[0]) < 7.5
