"""Costs are sums of what was recorded, apart by who pays, and say what they lack."""

import numpy as np
import pandas as pd
import pytest

from plantstats.losses.costs import not_replaced, replacement_costs
from plantstats.periods import quarter

Q3 = quarter("2026-Q3")


def losses(*rows):
    columns = ["lost_on", "covered", "quantity", "plant_cost", "labour_minutes"]
    frame = pd.DataFrame(rows, columns=columns)
    # A row without cover is taken for a replacement all the same; only plants' own removals are not.
    return frame.assign(source="replacements", outcome="died", lost_on=pd.to_datetime(frame["lost_on"]))


def costs(*rows):
    made = replacement_costs(losses(*rows), Q3, wage_per_hour=30.0, currency="EUR")
    made = made[made["measure"].eq("replacement_cost")]
    assert set(made["unit"]) == {"EUR"}
    return made.assign(covered=made["covered"].fillna("all")).set_index("covered")


def test_costs_are_added_by_who_pays_and_the_parts_make_the_whole():
    # Guaranteed: 40 + 30 min at 30 an hour = 55, and 3 plants for 90 + 0. Chargeable: 20 + 15 min = 27.50.
    # An upgrade and an unmarked row are "other": 10 and 5. The loss of 1 October is the next quarter's.
    made = costs(
        ("2026-07-01", "guaranteed", 1, 40.0, 30.0),
        ("2026-09-30", "guaranteed", 3, 90.0, 0.0),
        ("2026-08-01", "chargeable", 1, 20.0, 15.0),
        ("2026-08-01", "upgrade", 1, 10.0, 0.0),
        ("2026-08-01", None, 1, 5.0, 0.0),
        ("2026-10-01", "guaranteed", 1, 999.0, 0.0),
    )
    payers = ["all", "guaranteed", "chargeable", "other"]
    assert made.loc[payers, "estimate"].to_list() == [187.5, 145.0, 27.5, 15.0]
    assert made.loc[payers, "losses"].to_list() == [7, 4, 1, 2]
    assert (made.loc[payers, "note"] == "").all()


def test_a_missing_amount_makes_the_sum_a_minimum_and_is_counted():
    rows = ("2026-07-01", "guaranteed", 1, 40.0, np.nan), ("2026-07-02", "guaranteed", 1, np.nan, np.nan)
    whole = ("2026-07-03", "guaranteed", 1, 0.0, 15.0)
    results = replacement_costs(losses(*rows, whole), Q3, wage_per_hour=30.0, currency="EUR").set_index("measure")
    assert results.loc["rows_without_amount", "estimate"] == 2
    made = costs(*rows)
    assert made.loc["all", "estimate"] == 40.0
    assert made.loc["all", "note"] == (
        "plant cost missing in 1 of 2 rows; labour missing in 2 of 2 rows; the sum is a minimum"
    )


def test_losses_without_any_amount_have_no_cost_rather_than_a_cost_of_nothing():
    made = costs(("2026-07-01", "guaranteed", 2, np.nan, np.nan))
    assert np.isnan(made.loc["all", "estimate"])
    assert made.loc["all", "note"] == "not available: no costs recorded"
    assert made.loc["chargeable", "estimate"] == 0.0


@pytest.mark.parametrize("dtype", ["float64", "object"])
def test_a_quarter_without_losses_costs_nothing(dtype):
    empty = losses().astype({"plant_cost": dtype, "labour_minutes": dtype})
    made = replacement_costs(empty, Q3, wage_per_hour=30.0, currency="EUR")
    made = made[made["measure"].eq("replacement_cost")]
    assert list(made["estimate"]) == [0.0] * 5
    assert list(made["losses"]) == [0] * 5
    assert list(not_replaced(empty, Q3)["losses"]) == [0] * 2


def removed_for_good():
    """Three replaced for 50, of whom one is dead; a removed dead plant and a removed line of two alive."""
    made = losses(
        ("2026-07-01", "guaranteed", 3, 50.0, 0.0),
        ("2026-07-02", None, 1, np.nan, np.nan),
        ("2026-07-03", None, 2, np.nan, np.nan),
        ("2026-10-01", None, 9, np.nan, np.nan),
    )
    made["source"] = ["replacements", "plants", "plants", "plants"]
    return made.assign(outcome=["died", "died", "declined", "declined"])


def test_a_plant_removed_for_good_has_no_replacement_cost_and_none_is_missing():
    made = replacement_costs(removed_for_good(), Q3, wage_per_hour=30.0, currency="EUR")
    made = made[made["measure"].eq("replacement_cost")]
    made = made.assign(covered=made["covered"].fillna("all")).set_index("covered")
    assert made.loc[["all", "guaranteed", "other", "not_replaced"], "losses"].to_list() == [6, 3, 0, 3]
    assert made.loc[["all", "guaranteed", "other", "not_replaced"], "estimate"].to_list() == [50.0, 50.0, 0.0, 0.0]
    assert made.loc["all", "note"] == "" and made.loc["not_replaced", "note"].startswith("removed without")


def test_plants_removed_for_good_are_counted_dead_and_alive():
    made = not_replaced(removed_for_good(), Q3)
    counts = dict(zip(made["measure"], made["losses"], strict=True))
    assert counts == {"losses_not_replaced": 3, "losses_taken_away_alive": 2}
