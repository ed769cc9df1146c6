"""A price for dropped leaves: by hand, on plants that shed by a known law, and on an invented company."""

from __future__ import annotations

import dataclasses
from datetime import date

import numpy as np
import pandas as pd
import pytest

from plantstats.watering import Assumptions, advise, costs, cycle, drought_effect, fit_watering, leaf_drop, sampling
from plantstats.watering.advice import Advice
from plantstats.watering.fit import WateringModel
from plantstats.watering.prices import Prices
from tests.builders.watering_company import CompanyRecords
from tests.builders.watering_simulated import engine, simulated, true_drying

AS_OF = date(2026, 9, 30)
LEAF = 0.5  # EUR
PRICE = Prices("EUR", 18.0, 24.0, {"15-24 cm": 1.5}, {"15-24 cm": 1.0}, 30.0, 0.04)


def stretches(rows: list[tuple[str, int, float, int]]) -> tuple[pd.DataFrame, np.ndarray]:
    """Stretches of one species (site, days, days left dry, leaves) of 40 plants each."""
    made = pd.DataFrame(rows, columns=["site_id", "length", "dry", "leaves"])
    made = made.assign(species="Ficus lyrata", light="low", pot="15-24 cm", planter="direct", heating=False, n=40)
    return made, made["dry"].to_numpy(dtype=float)


def test_the_ratio_and_its_limits_are_those_worked_by_hand() -> None:
    # Of each site one stretch all moist and one all dry, equally long. Site A: 100 of 400 leaves fell on moist days,
    # 300 on dry; site B: 80 and 320. On dry days 620 of 800, so ratio 620 / 180 = 3.4444.
    # Scores: 300 - 310 = -10 and 320 - 310 = 10; slope 800 x 0.775 x 0.225 = 139.5; variance of the logarithm
    # (100 + 100) x 2 / 1 / 139.5^2, its root 0.14337; t of 1 degree of freedom 12.706: factor exp(1.8217) = 6.182.
    rows = [("A", 10, 0.0, 100), ("A", 10, 10.0, 300), ("B", 10, 0.0, 80), ("B", 10, 10.0, 320)]
    made = leaf_drop.leaf_drop(*stretches(rows))
    assert made is not None
    assert made.ratio == pytest.approx(3.4444, abs=1e-4)
    assert made.log_se == pytest.approx(0.14337, abs=1e-5)
    assert made.high / made.ratio == pytest.approx(6.182, abs=0.002)
    assert (made.leaves, made.plant_days, made.sites) == (800, 1600.0, 2)


def test_records_that_cannot_tell_say_nothing() -> None:
    few = [(site, 10, dry, leaves) for site in "AB" for dry, leaves in ((0.0, 8), (10.0, 16))]
    assert leaf_drop.leaf_drop(*stretches(few)) is None  # 48 leaves, fewer than 50
    assert leaf_drop.leaf_drop(*stretches([*few, ("A", 10, 10.0, 2)])) is not None
    one_site = [("A", 10, 0.0, 100), ("A", 10, 10.0, 300)]
    assert leaf_drop.leaf_drop(*stretches(one_site)) is None
    # Every site has one kind of stretch only: nothing to compare within it.
    assert leaf_drop.leaf_drop(*stretches([("A", 10, 0.0, 100), ("B", 10, 10.0, 300)])) is None


def test_leaves_of_figs_are_held_against_the_stretch_before_they_fell() -> None:
    # Looks on days 0 (watered), 7 (moist), 21 (dry, watered), 28. Leaves counted: 4, 9 and 2.
    # The 14 days before day 21 dried the plant. An Aspidistra shed its 9 leaves in them; a fig sheds after rewatering,
    # so its 2 leaves of days 21 to 28 are held against the 14 days that began 7 days after watering, and its 9 against
    # the first 7. What fell before day 7 has no stretch before it.
    days = [(0, 1, 1), (7, 0, 0), (21, 1, 1), (28, 0, 0)]
    tables: dict[str, list[tuple[object, ...]]] = {name: [] for name in ("days", "dry_downs", "visits", "follow")}
    for plant, species in (("P1", "Ficus lyrata"), ("P2", "Aspidistra elatior")):
        tables["follow"].append((plant, species, 1))
        tables["days"] += [(plant, *day, 1, 0) for day in days]
        tables["dry_downs"] += [(plant, day, "S1", species, "low", "15-24 cm", "direct", False) for day in (0, 21)]
        counted = ((date(1970, 1, 8), 4), (date(1970, 1, 22), 9), (date(1970, 1, 29), 2))
        tables["visits"] += [(plant, on, leaves) for on, leaves in counted]
    made = leaf_drop.count_intervals(engine(tables))
    columns = ["since", "gap", "length", "leaves"]
    fig, other = (
        sorted(made.loc[made["species"].eq(name), columns].itertuples(index=False, name=None))
        for name in ("Ficus lyrata", "Aspidistra elatior")
    )
    assert fig == [(0, 7, 14, 9), (7, 14, 7, 2)]
    assert other == [(0, 7, 7, 4 + 2), (7, 14, 14, 9)]  # days 0 to 7 and 21 to 28 are alike: one row, two stretches


def test_the_leaf_drop_of_dry_days_is_found_again_on_plants_that_shed_by_it() -> None:
    # True ratio 2.5; leaves gamma-Poisson, visits more frequent where it is hard. Six companies.
    found = []
    for seed in range(6):
        made = leaf_drop.count_intervals(simulated(seed, leaf_rate=0.05, leaf_ratio=2.5))
        found.append(leaf_drop.leaf_drop(made, drought_effect.dry_days(made, true_drying())))
    told = [one for one in found if one is not None]
    assert len(told) == 6
    error = np.mean([np.log(one.ratio / 2.5) for one in told])
    assert abs(error) < 3 * np.mean([one.log_se for one in told]) / np.sqrt(6)
    assert sum(one.low < 2.5 < one.high for one in told) >= 5
    assert all(one.high / one.low < 1.6 for one in told)


def test_the_cost_of_dropped_leaves_is_the_sum_worked_by_hand() -> None:
    # 0.02 leaves a day are 91.3125 x 0.02 = 1.82625 a quarter; at 0.05 EUR and 0.5 minutes of 0.4 EUR each:
    # 1.82625 x (0.05 + 0.20) = 0.456563 EUR, and 0.913125 minutes, beside what the plant costs without.
    given = cycle.Cycle(*(np.array([[v]]) for v in (20.0, 0.3, 0.1, 0.05)))
    plants = pd.DataFrame({"plants": [1], "replacement": [60.0], "fee": [0.40]})
    plants = plants.assign(**costs.minutes_by_pot(pd.Categorical(["15-24 cm"]), PRICE))
    assumed = Assumptions(dropped_leaf_cost=0.05, dropped_leaf_minutes=0.5)
    losses = np.array([[0.00039]])
    without, priced = (
        costs.plant_costs(plants, given, (14,), PRICE, assumed, losses, np.array([[leaves]])) for leaves in (0.0, 0.02)
    )
    assert priced["cost"][0, 0] - without["cost"][0, 0] == pytest.approx(0.456563, abs=1e-6)
    assert priced["minutes"][0, 0] - without["minutes"][0, 0] == pytest.approx(0.913125, abs=1e-6)
    assert sum(priced[part][0, 0] for part in costs.MONEY) == pytest.approx(priced["cost"][0, 0])


@pytest.fixture(scope="module")
def company(tmp_path_factory: pytest.TempPathFactory) -> CompanyRecords:
    return CompanyRecords(tmp_path_factory.mktemp("leaves"), plants=120, years=2, seed=46)


@pytest.fixture(scope="module")
def priced(company: CompanyRecords) -> tuple[WateringModel, Advice]:
    """What is fitted and advised where a dropped leaf costs LEAF."""
    model = fit_watering(company, AS_OF, Assumptions(dropped_leaf_cost=LEAF))
    assert model.leaf_drop is not None
    advice = advise(model, company, heating=True)
    assert advice is not None
    return model, advice


def test_without_a_price_no_leaf_is_counted_and_with_one_the_costs_grow_by_it_alone(
    company: CompanyRecords, priced: tuple[WateringModel, Advice]
) -> None:
    plain = fit_watering(company, AS_OF)
    assert plain.leaf_drop is None
    before, after = advise(plain, company, heating=True), priced[1]
    assert before is not None
    assert (before.totals["leaves"] == 0).all()
    more = after.totals["cost"] - before.totals["cost"]
    kept = ~after.totals["scenario"].isin(["as advised", "cheapest, dry or not"])
    # Each plant's looks are the cheapest at the new prices, so the rest of its cost can only have grown, and little.
    assert (more[kept] >= after.totals["leaves"][kept] - 1e-6).all()
    assert (more[kept] <= 1.01 * after.totals["leaves"][kept]).all()
    # All other draws are as they were, so the spread of the costs hardly moves.
    assert (after.totals["high"] - after.totals["low"]).iloc[0] < 1.3 * (
        before.totals["high"] - before.totals["low"]
    ).iloc[0] + after.totals["leaves"].iloc[0]


def test_leaves_a_quarter_are_those_that_the_records_count(priced: tuple[WateringModel, Advice]) -> None:
    # As practised, the company's own rate: what is costed for present intervals lies near the leaves that its
    # technicians counted, here within a fifth (the plants that stand now are not those of all two years).
    told, made = priced
    assert told.leaf_drop is not None
    now = made.totals.set_index("scenario").loc["as now", "leaves"] / LEAF
    plants = made.sites["plants"].sum()
    counted = told.leaf_drop.leaves / told.leaf_drop.plant_days * plants * costs.QUARTER_DAYS
    assert now == pytest.approx(counted, rel=0.2)


def test_where_dry_days_shed_more_a_price_for_leaves_speaks_for_shorter_intervals(
    company: CompanyRecords, priced: tuple[WateringModel, Advice]
) -> None:
    told = priced[0]
    assert told.leaf_drop is not None
    shedding = dataclasses.replace(told, leaf_drop=told.leaf_drop._replace(ratio=4.0))
    made = advise(shedding, company, heating=True)
    assert made is not None
    leaves = made.totals.set_index("scenario")["leaves"]
    assert leaves["all every 7 days"] < leaves["all every 14 days"] < leaves["all every 28 days"]
    drawn = [sample.leaf_ratio for sample in sampling.samples(told, 400)]
    assert np.median(drawn) == pytest.approx(told.leaf_drop.ratio, rel=0.05)
    assert np.std(np.log(drawn)) == pytest.approx(told.leaf_drop.log_se, rel=0.2)
