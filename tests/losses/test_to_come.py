"""Losses still to come to light: worked by hand on a small company, and held against what truly came."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta

import pandas as pd
import pytest

from plantstats import exposure
from plantstats.findings import pick
from plantstats.losses.to_come import come_since, to_come, to_come_findings
from plantstats.periods import previous_quarters, quarter
from plantstats.simulate import CompanyParams
from plantstats.stats.reporting_delay import still_to_come
from plantstats.validation import to_come as proof
from tests.builders.invented_records import InventedRecords
from tests.builders.tiny_records import TinyRecords

Q1 = quarter("2025-Q1")
LAST = Q1.last_day
SEEN = "2025-03-21"  # ten days before the end
SITE = {"site_id": "S1", "client_id": "C1", "observed_from": "2024-12-31"}


def company(folder, n=20, replacements=(), condition=None, seen=SEEN):
    plants = [
        {"plant_id": f"P{k}", "site_id": "S1", "species": "Ficus lyrata", "installed_on": "2024-12-31"}
        for k in range(n)
    ]
    gone = {row["plant_id"] for row in replacements}
    visits = [
        {"plant_id": row["plant_id"], "visited_on": seen, "condition": (condition or {}).get(row["plant_id"], 4)}
        for row in plants
        if seen and row["plant_id"] not in gone
    ]
    tables = {"sites": [SITE], "plants": plants, "visits": visits, "replacements": list(replacements)}
    return exposure.build(TinyRecords(folder, [], ((10, 1), (5, 1)), **tables), LAST, "found")


def lost(plant, found, **more):
    return {"plant_id": plant, "found_on": found, "replaced_on": found, "cause": "unknown", "outcome": "died"} | more


def test_deaths_since_the_last_visit_are_the_rate_times_the_days_since(tmp_path):
    # 18 plants stood for 90 days, two to 15 February (46 days): 1,712 plant-days, 2 losses. 18 were last seen ten days
    # before the end: 180 plant-days out of sight.
    time = company(tmp_path, replacements=[lost("P0", "2025-02-15"), lost("P1", "2025-02-15")])
    estimate = to_come(time, Q1, LAST)
    assert (estimate.on_record, estimate.happened, estimate.noted_dead) == (2, 2, 0)
    assert estimate.hidden == pytest.approx(still_to_come(2, 1712.0, 180.0))
    assert estimate.hidden.estimate == pytest.approx(2.5 * 180 / 1712)


def test_a_plant_noted_dead_is_counted_and_not_estimated(tmp_path):
    time = company(tmp_path, replacements=[lost("P0", "2025-02-15")], condition={"P5": 1})
    estimate = to_come(time, Q1, LAST)
    # 19 x 90 + 46 = 1,756 plant-days; 18 plants out of sight for ten days, and the one that is known.
    assert estimate.noted_dead == 1
    assert estimate.values["estimate"] == pytest.approx(1 + 1.5 * 180 / 1756)
    assert estimate.values["low"] == 1


@pytest.mark.parametrize("column", ["entered_on", "replaced_on"])
def test_losses_found_and_not_yet_written_down_are_estimated_from_the_delays(tmp_path, column):
    # Twelve losses found on 1 to 12 January, each on record ten days later: of those found in the last ten days of the
    # quarter (ages 0 to 9) none could be on record; 10 of the 31 days of March.
    rows = [lost(f"P{k}", f"2025-01-{k + 1:02d}", **{column: f"2025-01-{k + 11:02d}"}) for k in range(12)]
    time = company(tmp_path, n=40, replacements=rows)
    months = time.exposure_table(["month"], Q1.start, Q1.end).set_index("month")["plant_days"]
    march = float(months.iloc[2])
    assert march == 28 * 31
    in_view, hidden = months.sum() - march * 10 / 31, march * 10 / 31 + 28 * 10
    assert to_come(time, Q1, LAST).hidden == pytest.approx(still_to_come(12, in_view, hidden))
    # Ten days later all would be on record: only deaths since the last visit are left.
    assert to_come(time, Q1, LAST + timedelta(days=10)).hidden == pytest.approx(still_to_come(12, months.sum(), 280.0))


def test_what_was_entered_after_the_day_of_the_review_is_not_used_and_came_since(tmp_path):
    rows = [lost("P0", "2025-02-15"), lost("P1", "2025-03-25", entered_on="2025-04-09")]
    time = company(tmp_path, replacements=rows)
    assert to_come(time, Q1, LAST).on_record == 1
    assert to_come(time, Q1, date(2025, 4, 9)).on_record == 2
    assert come_since(time, Q1, LAST, date(2025, 4, 9)) == 1
    assert come_since(time, Q1, LAST, date(2025, 4, 8)) == 0


def test_no_estimate_without_visits_or_long_after_the_quarter(tmp_path):
    time = company(tmp_path, replacements=[lost("P0", "2025-02-15")], seen="")
    assert "no visit" in to_come(time, Q1, LAST).why_not
    assert "60 days after" in to_come(time, Q1, LAST + timedelta(days=60)).why_not
    rows = to_come_findings(time, Q1, LAST)
    row = pick(rows, "losses_to_come", period="2025-Q1").iloc[0]
    assert pd.isna(row["estimate"])
    assert row["note"].startswith("not available: no visit")


@pytest.fixture(scope="module")
def invented(tmp_path_factory):
    params = replace(
        CompanyParams(), base_rate=40.0, building_failure=False, over_dry=0.0, visit_days={14: 0.5, 28: 0.5}
    )
    records = InventedRecords(tmp_path_factory.mktemp("to_come"), 150, 31, params, 4)
    return exposure.build(records, date(2026, 9, 30), "found"), records.true["true_plants"]


def test_on_an_invented_company_the_limits_hold_what_truly_was_to_come(invented):
    # Twelve quarters; `python -m tests.benchmarks.losses_to_come` is the long proof.
    time, true_plants = invented
    rows = proof.validate(true_plants, previous_quarters(quarter("2026-Q3"), 12), time)[0]
    held = rows["true_value"].between(rows["low"], rows["high"])
    assert len(rows) == 12
    assert held.sum() >= 10
    assert rows["estimate"].sum() == pytest.approx(rows["true_value"].sum(), rel=0.3)
    # Most of them are estimated: what is left out of sight is no rounding error.
    assert rows["true_value"].sum() > 40


def test_the_estimate_of_the_quarter_before_stands_beside_what_came_since(invented):
    time, _ = invented
    rows = to_come_findings(time, quarter("2026-Q3"), date(2026, 10, 5))
    before = rows[rows["period"].eq("2026-Q2")].set_index("measure")["estimate"]
    came = come_since(time, quarter("2026-Q2"), date(2026, 7, 5), date(2026, 10, 5))
    assert before["losses_come_since"] == came
    assert before["losses_with_to_come"] == pytest.approx(before["losses_happened"] + before["losses_to_come"])
    assert "losses_come_since" not in set(rows.loc[rows["period"].eq("2026-Q3"), "measure"])
