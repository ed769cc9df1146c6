"""The review: which quarter, which findings, what its sentences, tables and charts say of them."""

from __future__ import annotations

import csv
import shutil
import tomllib
from collections.abc import Callable
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

from plantstats import exposure, findings, records, studies
from plantstats.losses import loss_rates
from plantstats.periods import Period, quarter
from tests.remake_expected import EXPECTED, demo_findings

EXAMPLE = Path(__file__).parents[2] / "data_demo" / "worked_example"
Edit = Callable[[Path], None]


def made(folder: Path, name: str, client: str = "", as_of: date | None = None) -> tuple[pd.DataFrame, Period]:
    loaded = records.load(folder)
    period = studies.choose_quarter(loaded, name, as_of)
    time = exposure.build(loaded, studies.last_day(period, as_of))
    return loss_rates.loss_rates(time, loaded, period, client), period


@pytest.fixture
def example(tmp_path: Path) -> Path:
    """A copy of the six plants, to be changed."""
    return Path(shutil.copytree(EXAMPLE, tmp_path / "six", ignore=shutil.ignore_patterns(".plantstats_cache")))


def change(file: Path, old: str, new: str) -> None:
    text = file.read_text(encoding="utf-8")
    assert old in text
    file.write_text(text.replace(old, new), encoding="utf-8")


END = date(2025, 3, 31)


def test_the_latest_complete_quarter_ends_by_the_last_day_of_the_records(example: Path) -> None:
    loaded = records.load(example)
    assert exposure.last_day(loaded) == date(2025, 3, 25)
    assert studies.choose_quarter(loaded).name == "2024-Q4"
    assert studies.choose_quarter(loaded, as_of=END).name == "2025-Q1"


def test_an_incomplete_quarter_is_refused_with_what_to_do(example: Path) -> None:
    with pytest.raises(
        studies.StudyError, match=r"2025-Q1 is not complete: it ends on 2025-03-31, the records on 2025-03-25"
    ):
        studies.choose_quarter(records.load(example), "2025-Q1")


def test_a_date_mistyped_into_a_later_year_does_not_move_the_end_of_the_records(example: Path) -> None:
    change(example / "visits.csv", "P5,2025-03-25", "P5,2052-03-25")
    assert exposure.last_day(records.load(example)) == date(2025, 3, 12)


def test_a_quarter_before_the_records_is_refused(example: Path) -> None:
    with pytest.raises(loss_rates.PeriodNotOnRecordError, match="no plant was under observation in 2023-Q1"):
        made(example, "2023-Q1")


def test_records_without_a_visit_or_replacement_are_refused(example: Path) -> None:
    for name in ("visits", "replacements"):
        file = example / f"{name}.csv"
        file.write_text(file.read_text(encoding="utf-8").splitlines()[0] + "\n", encoding="utf-8")
    with pytest.raises(studies.StudyError, match="nothing to review"):
        studies.choose_quarter(records.load(example))


def test_a_client_that_is_not_known_is_refused_with_the_nearest(example: Path) -> None:
    with pytest.raises(studies.StudyError, match=r"no client 'C3' in sites \(2 clients; nearest: C"):
        studies.check_client(records.load(example), "C3")


def test_a_page_date_before_the_end_of_the_quarter_is_refused() -> None:
    with pytest.raises(studies.StudyError, match="lies before the end of 2025-Q1"):
        studies.last_day(quarter("2025-Q1"), date(2025, 3, 30))


def test_one_client_sees_its_own_plants_only(example: Path) -> None:
    # C1 holds North: P1 40 days, P2 89, P3 82 = 211; one loss.
    found, period = made(example, "2025-Q1", "C1", END)
    whole = findings.pick(found, "loss_rate", period=period.name).iloc[0]
    assert (whole["n_plants"], whole["plant_days"], whole["losses"]) == (3, 211, 1)
    assert "client_id" not in found.columns
    assert set(found["site_id"].dropna()) == {"North"}


def test_a_clients_losses_under_other_dates_are_its_own(example: Path) -> None:
    # P1 is C1's; P4 (lost) and P6 (stolen, replaced) are C2's.
    for client, lost, replaced in (("", 2, 3), ("C1", 1, 1), ("C2", 1, 2)):
        found, period = made(example, "2025-Q1", client, END)
        counts = [("losses_found", lost), ("losses_at_midpoint", lost), ("replacements_done", replaced)]
        for measure, count in counts:
            assert findings.pick(found, measure, period=period.name)["losses"].item() == count, (client, measure)


def test_every_plant_stands_in_every_split_once(example: Path) -> None:
    found, period = made(example, "2025-Q1", as_of=END)
    for by in loss_rates.SPLITS:
        rows = findings.pick(found, "loss_rate", by, period.name)
        assert rows["plant_days"].sum() == 332 and rows["losses"].sum() == 2, by


@pytest.fixture(scope="module")
def demo_rates() -> pd.DataFrame:
    return demo_findings()


def test_the_demo_quarter_reconciles_with_its_files_by_another_route(demo_rates: pd.DataFrame) -> None:
    # Losses found in the quarter, counted straight from the CSV files by the words of the demo's technicians.
    folder = EXAMPLE.parent
    causes = tomllib.loads((folder / "records.toml").read_text(encoding="utf-8"))["causes"]
    lost, told = 0, set()
    with (folder / "replacements.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            told.add(row["plant_id"])
            outcome = causes[row["cause"]]["outcome"]
            upgrade = row["covered"] in ("upgrade", "rotation")
            day = row["found_on"] or row["replaced_on"]
            lost += "2026-07-01" <= day <= "2026-09-30" and outcome in ("died", "declined") and not upgrade
    with (folder / "plants.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            outcome = causes.get(row["removal_reason"], {}).get("outcome")
            if row["plant_id"] not in told and outcome in ("died", "declined"):
                lost += "2026-07-01" <= row["removed_on"] <= "2026-09-30"
    assert findings.pick(demo_rates, "loss_rate", period="2026-Q3")["losses"].item() == lost


def test_the_demo_review_is_the_stored_one(demo_rates: pd.DataFrame) -> None:
    # Whole-report back test: counts exactly, estimates to the last digits of arithmetic. When a change of the method
    # or of the demo is meant, remake with: python -m tests.remake_expected
    stored = pd.read_csv(EXPECTED, dtype={"period": str})
    now = demo_rates
    assert now["measure"].tolist() == stored["measure"].tolist()
    for column in ("n_plants", "plant_days", "losses"):
        pd.testing.assert_series_equal(now[column].astype("float64"), stored[column].astype("float64"))
    for column in ("estimate", "low", "high"):
        pd.testing.assert_series_equal(now[column], stored[column], rtol=1e-9)
