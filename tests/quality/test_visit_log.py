"""Visit logs that leave out what would be needed: recognised by their rule, and never on ordinary companies."""

from __future__ import annotations

import shutil
from datetime import date
from pathlib import Path

import pandas as pd
import pytest

import plantstats
from plantstats import simulate
from plantstats.pages import brief, losses, visits
from plantstats.quality.visit_log import EXCEPTIONS, FULL, NONE, WATERINGS
from plantstats.studies import Study, StudyError
from plantstats.watering import dry_down_table

AS_OF = date(2026, 9, 30)


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("log") / "records"
    simulate.make(folder, plants=120, years=2, seed=46)
    return folder


def spoiled(made: Path, target: Path, keep: str) -> Study:
    """The company with a visit log of another kind: only the lines that this query keeps."""
    folder = Path(shutil.copytree(made, target / "spoiled", ignore=shutil.ignore_patterns(".plantstats_cache")))
    log = pd.read_csv(folder / "visits.csv", dtype="str", keep_default_na=False)
    log.query(keep, engine="python").to_csv(folder / "visits.csv", index=False)
    return plantstats.study(folder)


WATERED = "watered == 'Y'"
WRONG = "topsoil == 'dry' or leaves_dropped not in ('', '0') or yellow_leaves not in ('', '0') or condition < '4'"


@pytest.fixture
def brief_on_visits(monkeypatch: pytest.MonkeyPatch) -> None:
    """A brief that asks the page on visits alone: what other pages want decided has no part in the log."""
    monkeypatch.setattr(brief, "SOURCES", (visits,))


def test_a_full_log_is_called_full_and_withholds_nothing(made: Path) -> None:
    study = plantstats.study(made)
    assert study.visit_log()["kind"].tolist() == [FULL, FULL]
    assert study.visit_log()["covered_share"].min() > 0.9
    assert len(study.site_advice())


@pytest.mark.usefixtures("brief_on_visits")
@pytest.mark.parametrize(
    ("keep", "kind", "words"),
    [
        (WATERED, WATERINGS, "the visit log holds waterings only"),
        (f"{WATERED} or {WRONG}", EXCEPTIONS, "the visit log holds a line only where something was done or wrong"),
    ],
)
def test_a_log_that_leaves_plants_out_is_named_on_the_brief_and_withholds_what_would_be_wrong(
    made: Path, tmp_path: Path, keep: str, kind: str, words: str
) -> None:
    study = spoiled(made, tmp_path, keep)
    log = study.visit_log().iloc[0]
    assert log["kind"] == kind
    for result in (study.visit_advice, study.leaf_loss, study.site_advice, study.visit_results):
        with pytest.raises(StudyError, match="cannot be learned from it"):
            result()
    state = next(section for section in brief.page(study).sections if section.key == "state")
    assert any(line.startswith(f"Could not be told. Visits: {words}") for line in state.sentences)


def test_a_log_that_changed_in_the_last_half_year_is_named_with_its_first_day(made: Path, tmp_path: Path) -> None:
    study = spoiled(made, tmp_path, f"visited_on < '2026-03-31' or {WATERED}")
    assert study.visit_log()["kind"].tolist() == [FULL, WATERINGS]
    with pytest.raises(StudyError, match="holds waterings only since 2026-03-31"):
        study.visit_advice()


def test_without_lines_about_plants_there_is_no_log(made: Path, tmp_path: Path) -> None:
    study = spoiled(made, tmp_path, "visited_on < '2000-01-01'")
    assert set(study.visit_log()["kind"]) == {NONE}
    with pytest.raises(StudyError, match="no visit to a single plant"):
        study.visit_advice()


def test_ordinary_companies_raise_no_false_alarm(tmp_path: Path) -> None:
    # Sites visited every 7, 14 or 28 days; at 28 nearly every look waters. Measured on more: see DEVELOPERS.md.
    for seed, every in ((61, {7: 1.0}), (62, {28: 1.0}), (63, {7: 0.3, 28: 0.7})):
        simulate.make(tmp_path / str(seed), 100, 1, seed, simulate.CompanyParams(visit_days=every))
        study = plantstats.study(tmp_path / str(seed))
        assert study.visit_log()["kind"].tolist() == [FULL, FULL]
        assert dry_down_table.build(study.records, AS_OF).sql("select * from technicians").empty


def test_sites_that_left_are_told_apart_from_those_that_stayed(made: Path, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(made, tmp_path / "left", ignore=shutil.ignore_patterns(".plantstats_cache")))
    plants = pd.read_csv(folder / "plants.csv", dtype="str", keep_default_na=False)
    site_of = plants.set_index("plant_id")["site_id"]
    gone = plantstats.study(made, "2025-Q3").losses()["site_id"].value_counts().index[0]
    ends = plants["site_id"].eq(gone) & plants["removed_on"].eq("")
    plants.loc[ends, "removed_on"] = "2026-01-31"
    plants[~(plants["site_id"].eq(gone) & (plants["installed_on"] > "2026-01-31"))].to_csv(
        folder / "plants.csv", index=False
    )
    for table, day in (("replacements", "replaced_on"), ("visits", "visited_on")):
        frame = pd.read_csv(folder / f"{table}.csv", dtype="str", keep_default_na=False)
        site = frame["plant_id"].map(site_of)
        frame[~(site.eq(gone) & (frame[day] > "2026-01-31"))].to_csv(folder / f"{table}.csv", index=False)
    study = plantstats.study(folder, "2026-Q3", as_of="2026-09-30")
    rows = study.same_sites()
    then = rows[rows["measure"].eq("loss_rate_of_sites") & rows["period"].eq("2025-Q3")].set_index("term")
    assert rows.loc[rows["measure"].eq("sites_left"), "estimate"].iloc[0] == 1
    assert then["losses"].sum() == plantstats.study(made, "2025-Q3").losses()["quantity"].sum()
    assert then.loc["sites that left", "losses"] > 0
    said = " ".join(losses.page(study).sentences)
    assert f"Of them {then.loc['sites that left', 'losses']} at 1 site that left since; where we stayed, " in said
    # Where all stay, nothing is said of it.
    assert plantstats.study(made).same_sites().empty


def test_another_way_to_note_topsoil_is_named_and_not_counted(made: Path, tmp_path: Path) -> None:
    folder = Path(shutil.copytree(made, tmp_path / "depth", ignore=shutil.ignore_patterns(".plantstats_cache")))
    log = pd.read_csv(folder / "visits.csv", dtype="str", keep_default_na=False)
    late = log["visited_on"] >= "2026-06-01"
    log["dry_depth_cm"] = log["topsoil"].map({"dry": "8"}).fillna("0").where(late & log["topsoil"].ne(""), "")
    log.loc[late, "topsoil"] = ""
    log.to_csv(folder / "visits.csv", index=False)
    study = plantstats.study(folder)
    methods = study.topsoil_methods().set_index("method")
    assert methods["used"].to_dict() == {"topsoil word": True, "dry depth": False}
    # Dated by the watering that a reading follows.
    assert "2026-04-15" < methods.loc["dry depth", "first_on"] < "2026-06-15"
    said = visits.notes_left_out(study)
    assert len(said) == 1 and "noted by dry depth (2026-0" in said[0]
    # The section of the brief that is called "state" above.
    assert said[0] in brief._state(study, []).sentences
