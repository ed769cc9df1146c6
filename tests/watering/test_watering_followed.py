"""What became of the last advice, what changed since, and what all sites together cost: by hand."""

from __future__ import annotations

from datetime import date
from types import SimpleNamespace
from typing import Any, cast

import numpy as np
import pandas as pd
import pytest

from plantstats.exposure.engines import DuckDBEngine
from plantstats.stats.clusters import ratio_of_sums
from plantstats.watering import follow_up, scenarios
from plantstats.watering.advice import LONGER, NO_CHANGE, Advice
from plantstats.watering.costs import Costs
from plantstats.watering.dry_down_table import DryDowns
from plantstats.watering.review import WateringReview


def advice(**sites: tuple[int, str]) -> Advice:
    """Advice of sites: days advised, decision."""
    table = pd.DataFrame(
        [(s, days, decision, 5) for s, (days, decision) in sites.items()],
        columns=["site_id", "advised", "decision", "plants"],
    )
    nothing = pd.DataFrame()
    return Advice(True, nothing, table, nothing, nothing, nothing)


def model() -> Any:
    """Three sites with visits since 30 June 2026: A every 14 days, B every 7, C every 7; what each lost since."""
    engine = DuckDBEngine()
    visits = [
        (f"P{site}", site, date(2026, 7, 1 + day), "completed")
        for site, every in (("A", 14), ("B", 7), ("C", 7))
        for day in range(0, 29, every)
    ]
    frames = {
        "completed_visits": pd.DataFrame(visits, columns=["plant_id", "at_site", "visited_on", "status"]),
        # Days before the advice was given do not count.
        "episodes": pd.DataFrame(
            [
                ("A", date(2026, 6, 1), 9, 300),
                ("A", date(2026, 7, 1), 1, 460),
                ("B", date(2026, 7, 1), 4, 460),
                ("C", date(2026, 8, 1), 2, 920),
            ],
            columns=["site_id", "from_on", "losses", "plant_days"],
        ),
    }
    for name, frame in frames.items():
        engine.add(name, frame)
    as_of = date(2026, 9, 30)
    return SimpleNamespace(dry_downs=DryDowns(engine, as_of), time=SimpleNamespace(engine=engine), as_of=as_of)


def test_sites_that_followed_the_advice_are_counted_apart_with_exact_limits() -> None:
    # A was advised 14 days and comes every 14: followed. B was advised 14 and still comes every 7: not. C: no change.
    before = advice(A=(14, LONGER), B=(14, LONGER), C=(7, NO_CHANGE))
    made = follow_up.followed(before, date(2026, 6, 30), model()).set_index("group")
    assert made["sites"].to_dict() == {"followed": 1, "not followed": 1, "no change advised": 1}
    assert made["losses"].to_dict() == {"followed": 1, "not followed": 4, "no change advised": 2}
    # 1 loss in 460 plant-days: 36525 / 460 = 79.40 per 100 plant-years; exact limits of a count of 1: 0.02532 and 5.572
    # (Garwood 1936), so 2.010 and 442.4.
    row = made.loc["followed"]
    assert row["loss_rate"] == pytest.approx(79.402, abs=0.001)
    assert row["loss_rate_low"] == pytest.approx(2.010, abs=0.001)
    assert row["loss_rate_high"] == pytest.approx(442.4, abs=0.05)


def review(before: Advice | None) -> WateringReview:
    made = follow_up.followed(before, date(2026, 6, 30), model())
    return cast(WateringReview, SimpleNamespace(followed=made, period=SimpleNamespace(name="2026-Q3")))


def test_a_change_of_advice_is_put_down_to_the_season_only_where_last_quarters_records_say_the_same() -> None:
    # A: 14 before; last quarter's records say 7 for this season, and so do today's: the season. B: they say 14 for
    # this season too, today's say 7: new records. C: unchanged.
    before = advice(A=(14, NO_CHANGE), B=(14, NO_CHANGE), C=(7, NO_CHANGE))
    then_for_now = advice(A=(7, NO_CHANGE), B=(14, NO_CHANGE), C=(7, NO_CHANGE))
    made = follow_up.changes(before, then_for_now, advice(A=(7, NO_CHANGE), B=(7, NO_CHANGE), C=(7, NO_CHANGE)))
    assert made[["site_id", "before", "advised", "why"]].to_numpy().tolist() == [
        ["A", 14, 7, follow_up.SEASON_TURNS],
        ["B", 14, 7, follow_up.NEW_RECORDS],
    ]
    assert follow_up.changes(None, None, before).empty


def test_a_rate_of_leaves_has_limits_from_how_sites_differ() -> None:
    # 30 of 1000 days at one site, 50 of 1000 at the other: rate 0.04; residuals -10 and 10, so the variance of the
    # sum is 200 x 2 / 1 = 400, its root 20 of 80 leaves: 0.25 on the log scale; t of 1 degree of freedom 12.706.
    rate, _, low, high, _ = ratio_of_sums(np.array([30.0, 50.0]), np.array([1000.0, 1000.0]))
    assert rate == pytest.approx(0.04)
    assert high / rate == pytest.approx(np.exp(12.7062 * 0.25), rel=1e-4)
    assert rate / low == pytest.approx(high / rate)
    # A site where nothing was counted is no site; one alone has no spread, none at all no rate.
    assert np.isnan(ratio_of_sums(np.array([30.0, 0.0]), np.array([1000.0, 0.0])).low)
    assert np.isnan(ratio_of_sums(np.array([0.0]), np.array([0.0])).estimate)


def site_costs(factor: float = 1.0) -> Costs:
    """Two sites, visited every 7 or 14 days."""
    of_plants = {name: np.full((2, 2), factor * value) for name, value in (("labour", 10.0), ("losses", 5.0))}
    of_plants |= {"fee": factor * np.array([[2.0, 4.0], [2.0, 62.0]]), "leaves": np.full((2, 2), factor)}
    parts = {**of_plants, "visiting": np.array([[40.0, 20.0], [40.0, 20.0]])}
    waterings = np.array([[2.0, 2.0], [6.0, 6.0]])
    return {
        **parts,
        "cost": sum(parts.values(), np.zeros((2, 2))),
        "minutes": np.full((2, 2), 60.0 * factor),
        "waterings": waterings,
        "too_dry": waterings * np.array([[0.1, 0.3], [0.1, 0.5]]),
    }


def test_all_sites_together_cost_the_sum_of_their_parts_in_each_way() -> None:
    # As now both weekly: 2 x (40 + 10 + 5 + 2 + 1) = 116. Advised: the first every 14 days: 20 + 10 + 5 + 4 + 1 = 40,
    # so 98. The cheapest, dry or not, is the same. All every 14 days: 40 + 20 + 10 + 5 + 62 + 1 = 138; of 8 waterings
    # 0.3 x 2 + 0.5 x 6 = 3.6 too dry: 0.45.
    costs, days = site_costs(), (7, 14)
    columns = scenarios.scenarios(np.array([7, 7]), np.array([14, 7]), days, days, costs)
    table = scenarios.totals(costs, [site_costs(0.9), site_costs(1.1)], days, columns).set_index("scenario")
    assert table["cost"].to_dict() == {
        "as now": 116.0,
        "as advised": 98.0,
        "cheapest, dry or not": 98.0,
        "all every 7 days": 116.0,
        "all every 14 days": 138.0,
    }
    parts = table[["visiting", "labour", "losses", "fee", "leaves"]].sum(axis=1)
    assert parts.to_numpy() == pytest.approx(table["cost"].to_numpy())
    assert table.loc["all every 14 days", "too_dry"] == pytest.approx(0.45)
    assert table.loc["as now", "visits"] == pytest.approx(2 * 365.25 / 4 / 7)
    # Draws of 0.9 and 1.1 times all but the visits: 80 + 36 x 0.9 = 112.4 and 119.6; near these lie the limits.
    assert [table.loc["as now", "low"], table.loc["as now", "high"]] == pytest.approx([112.58, 119.42], abs=1e-6)
