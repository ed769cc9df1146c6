"""What must have one definition has one: completed visit, loss, dry air, pot classes, limits, air of a site."""

from __future__ import annotations

import re
from datetime import date, timedelta
from pathlib import Path

import duckdb
import ibis
import pandas as pd
import pytest

from plantstats import exposure
from plantstats.exposure import environment, inputs, visits
from plantstats.leaves.build import build as build_leaves
from plantstats.reporting import charts
from plantstats.schema.causes import LOSSES, OUTCOMES
from tests.builders.tiny_records import TinyRecords

PACKAGE = Path(__file__).parents[2] / "plantstats"
# The generator and the readers of files write or declare the words themselves.
ELSEWHERE = ("simulate/", "records/", "schema/")


def lines_with(pattern: str, *allowed: str) -> list[str]:
    """Lines of the package that match, outside the files named."""
    found = []
    for path in sorted(PACKAGE.rglob("*.py")):
        name = path.relative_to(PACKAGE).as_posix()
        if name.startswith(ELSEWHERE) or name in allowed:
            continue
        text = path.read_text(encoding="utf-8")
        found += [f"{name}: {line.strip()}" for line in text.splitlines() if re.search(pattern, line)]
    return found


@pytest.mark.parametrize(
    ("pattern", "allowed"),
    [
        (r"""(coalesce|fillna)\(['"]completed|'completed'\) = """, ("exposure/visits.py",)),
        (r"""['"]died['"], ['"]declined['"][)\]]""", ()),
        (r"\bPOT_CUTS\b", ("exposure/inputs.py",)),
        (r"proportion_confint|proportion_ci\(|confint_poisson|chi2\.(ppf|isf)\(\(1", ("stats/intervals.py",)),
        (r"log\(\(1 - (conf_)?level\) / 2\)", ("stats/intervals.py",)),
        (r"\(\w+ - 1\)\)? / \w+\.sum\(\)|\* (sites|groups|g|n) / \((sites|groups|g|n) - 1\)", ("stats/clusters.py",)),
        (r"^(CONF_)?LEVEL = 0\.95", ("stats/intervals.py",)),
        (r"^(DRY_AIR_BELOW|HINGE|HUMIDITY_THRESHOLD|MOIST)\b.* = ", ("exposure/environment.py",)),
        (r"^(VIF_LIMIT|MOST_INFLATION) = ", ("stats/collinearity.py",)),
        (r"range_window|rh_percent\.(sum|mean)\(", ("exposure/environment.py",)),
        # The care sheet is no page: its shades are those of paper that is written on.
        (r"""['"]#([0-9a-fA-F]{3}|[0-9a-fA-F]{6})['"]""", ("reporting/charts.py", "watering/care_workbook.py")),
    ],
    ids=lambda value: value if isinstance(value, str) else "",
)
def test_there_is_no_second_definition(pattern, allowed):
    assert lines_with(pattern, *allowed) == []


def test_pages_notebooks_and_charts_have_the_same_colours():
    def colours(sheet: str) -> set[str]:
        return set(re.findall(r"#[0-9a-f]{6}\b", (PACKAGE / "reporting" / sheet).read_text(encoding="utf-8")))

    assert colours("notebook.css") <= colours("page.css")
    assert {charts.INK, charts.SOFT, charts.FRAME, charts.GREEN, charts.WARN} <= colours("page.css")


def test_losses_are_outcomes():
    assert set(LOSSES) < set(OUTCOMES)


def test_both_forms_of_a_completed_visit_agree():
    frame = pd.DataFrame({"status": ["completed", None, "missed", "no_access", "late"]})
    engine = duckdb.connect()
    engine.register("log", frame)
    log = ibis.table({"status": "string"}, name="log")
    query = str(ibis.to_sql(log.select(done=visits.is_completed(log.status)), dialect="duckdb"))
    expression = engine.sql(query).df()["done"]
    assert frame.index[expression].tolist() == visits.completed(frame).index.tolist() == [0, 1]


def test_both_forms_of_a_pot_class_agree():
    cm = pd.Series([2.0, 14.99, 15.0, 24.9, 25.0, 34.9, 35.0, 120.0, None])
    engine = duckdb.connect()
    engine.register("pots", pd.DataFrame({"cm": cm}))
    pots = ibis.table({"cm": "float64"}, name="pots")
    query = str(ibis.to_sql(pots.select(pot=inputs.pot_class_of(pots.cm)), dialect="duckdb"))
    assert engine.sql(query).df()["pot"].tolist() == exposure.pot_class(cm).tolist()


def visit(plant_id: str | None, on: date, **more: object) -> dict[str, object]:
    return {"plant_id": plant_id, "visited_on": on.isoformat(), "condition": 4} | more


@pytest.fixture(scope="module")
def records(tmp_path_factory: pytest.TempPathFactory) -> TinyRecords:
    """P1 moves from the dry site A to the moist site B on 1 March 2025; visit lines name no site."""
    days = [date(2025, 1, 7) + timedelta(7 * week) for week in range(24)]
    log = []
    for on in days:
        in_a = on <= date(2025, 3, 1)
        log += [
            visit(
                "P1", on, rh_percent=25.0 if in_a else 60.0, temp_c=20.0 if in_a else 24.0, watered=True, topsoil="dry"
            ),
            visit("P2", on, rh_percent=25.0, temp_c=20.0),
            visit(None, on, site_id="B", rh_percent=60.0, temp_c=24.0),
        ]
    return TinyRecords(
        tmp_path_factory.mktemp("moved"),
        [],
        ((10, 1), (4, 15)),
        sites=[{"site_id": s, "client_id": "C", "observed_from": "2025-01-01"} for s in "AB"],
        plants=[
            {"plant_id": p, "site_id": "A", "species": "Ficus lyrata", "installed_on": "2024-06-01"}
            for p in ("P1", "P2")
        ],
        moves=[{"plant_id": "P1", "moved_on": "2025-03-01", "to_site_id": "B"}],
        visits=log,
    )


@pytest.fixture(scope="module")
def moved(records: TinyRecords) -> exposure.PlantTime:
    return exposure.build(records, date(2025, 6, 30))


def test_a_visit_line_without_a_site_stands_at_the_plants_site_of_that_day(moved):
    sites = moved.query(
        "select distinct at_site, visited_on <= date '2025-03-01' as before from completed_visits "
        "where plant_id = 'P1' order by before desc"
    )
    assert sites.values.tolist() == [["A", True], ["B", False]]


def test_losses_leaves_and_a_question_of_ones_own_agree_on_the_air_of_a_site_and_week(moved):
    # Site A reads 25% and site B 60% on every day that was read, whichever plant or site line carries the reading.
    losses = moved.query(
        "select site_id, rh_tenths / rh_readings / 10 as rh from episodes where rh_readings > 0 "
        "and from_on >= date '2025-04-01' group by all order by 1"
    )
    build_leaves(moved)
    leaves = moved.query(
        "select distinct site_id, rh_tenths / rh_readings / 10 as rh from leaf_air where rh_readings > 0 "
        "and ends > date '2025-04-01' - date '1970-01-01' order by 1"
    )
    assert losses.values.tolist() == leaves.values.tolist() == [["A", 25.0], ["B", 60.0]]
    days = ibis.table(moved.steps["site_day_air"].schema(), name="site_day_air")
    asked = days.select("site_id", "at")
    week = environment.air_before(days, asked, window=7)
    mine = moved.query(str(ibis.to_sql(week, dialect="duckdb")))
    assert mine.groupby("site_id")[["coldest", "warmest"]].agg("max").values.tolist() == [[20.0, 20.0], [24.0, 24.0]]
    assert (mine["rh_tenths"] / mine["rh_readings"]).groupby(mine["site_id"]).unique().map(list).to_dict() == {
        "A": [250.0],
        "B": [600.0],
    }


def test_a_day_counts_once_and_both_halves_are_needed_where_that_is_asked_for():
    # Day 10 was read twice (20.0 and 30.0), day 1 once (40.0); window of 10 days up to day 10.
    engine = duckdb.connect()
    rows = pd.DataFrame(
        [("A", 1, 400, 1, 1.0, 1.0), ("A", 10, 500, 2, 2.0, 3.0)],
        columns=["site_id", "at", *environment.SUMS, "coldest", "warmest"],
    )
    engine.register("site_day_air", rows)
    numbers = dict.fromkeys(["at", *environment.SUMS], "int64") | {"coldest": "float64", "warmest": "float64"}
    days = ibis.table({"site_id": "string"} | numbers, name="site_day_air")

    def on_day_ten(**how: object) -> tuple[int, int]:
        query = environment.air_before(days, days.filter(days["at"] == 10), **how)  # type: ignore[arg-type]
        row = engine.sql(str(ibis.to_sql(query.filter(query["at"] == 10), dialect="duckdb"))).df().iloc[0]
        return int(row["rh_tenths"]), int(row["rh_readings"])

    assert on_day_ten(window=10) == (900, 3)
    assert on_day_ten(window=10, each_day_once=True) == (650, 2)
    assert on_day_ten(window=10, require_both_halves=True) == (900, 3)
    assert on_day_ten(window=9, require_both_halves=True) == (0, 0)
