"""A study gives each result once, from its own records, quarter and client."""

from __future__ import annotations

import shutil
import sys
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest

import plantstats
from plantstats import exposure, studies
from plantstats.guarantee import priced_quote
from plantstats.losses import loss_rates
from plantstats.reporting.display import RESULTS_FOLDER
from plantstats.studies import StudyError, progress

EXAMPLE = Path(__file__).parents[1] / "data_demo" / "worked_example"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    shutil.copytree(EXAMPLE, tmp_path / "records", ignore=shutil.ignore_patterns(".plantstats_cache"))
    return tmp_path / "records"


def test_results_are_those_of_the_rooms(folder):
    study = plantstats.study(folder, "2025-Q1", as_of="2025-03-31")
    time = exposure.build(study.records, date(2025, 3, 31))
    pd.testing.assert_frame_equal(study.loss_rates(), loss_rates.loss_rates(time, study.records, study.period))
    pd.testing.assert_frame_equal(
        study.exposure_table(["light"]), time.exposure_table(["light"], study.period.start, study.period.end)
    )


def test_a_second_study_reads_what_the_first_computed(folder, monkeypatch):
    first = plantstats.study(folder, "2025-Q1", as_of="2025-03-31").loss_rates()
    monkeypatch.setattr(loss_rates, "loss_rates", lambda *_: pytest.fail("computed again"))
    pd.testing.assert_frame_equal(plantstats.study(folder, "2025-Q1", as_of="2025-03-31").loss_rates(), first)


def test_a_second_study_reads_the_last_day_of_the_records_that_the_first_found(folder, monkeypatch):
    first = plantstats.study(folder)
    monkeypatch.setattr(exposure, "last_day", lambda *_: pytest.fail("asked again"))
    assert plantstats.study(folder).period == first.period


def test_a_changed_file_or_setting_is_another_study(folder):
    before = plantstats.study(folder, "2025-Q1", as_of="2025-03-31").loss_rates()
    plants = folder / "plants.csv"
    plants.write_text(plants.read_text().rsplit("\n", 2)[0] + "\n")
    after = plantstats.study(folder, "2025-Q1", as_of="2025-03-31").loss_rates()
    whole = [f[f["measure"].eq("loss_rate") & f["period"].eq("2025-Q1")]["n_plants"].max() for f in (before, after)]
    assert whole[1] == whole[0] - 1


def test_computing_is_told_by_name_and_only_once(folder):
    study, told = plantstats.study(folder, "2025-Q1", as_of="2025-03-31"), []
    study.on_compute = told.append
    study.losses()
    study.losses()
    assert told == ["losses", "exposure"]


def test_only_the_kernel_of_a_notebook_shows_a_bar_and_a_command_s_output_stays_its_own(folder, monkeypatch, capsys):
    monkeypatch.setattr(progress, "PATIENCE", 0.0)
    monkeypatch.delenv(RESULTS_FOLDER, raising=False)
    for kernel in (None, object()):
        monkeypatch.setitem(sys.modules, "ipykernel", SimpleNamespace())
        monkeypatch.setitem(sys.modules, "IPython", SimpleNamespace(get_ipython=lambda kernel=kernel: kernel))
        shutil.rmtree(folder / ".plantstats_cache", ignore_errors=True)
        plantstats.study(folder, "2025-Q1", as_of="2025-03-31").losses()
        assert ("results" in capsys.readouterr().out) is (kernel is not None)


def test_a_frame_that_a_caller_changes_is_not_the_studys(folder):
    study = plantstats.study(folder, "2025-Q1", as_of="2025-03-31")
    mine = study.exposure_table([])
    mine["losses"] = 99
    assert study.exposure_table([])["losses"].iloc[0] != 99


@pytest.mark.parametrize(
    ("asked", "why"),
    [
        ({"quarter": "2031-Q1"}, "not complete"),
        ({"client": "nobody"}, "no client"),
        ({"quarter": "2025-Q1", "as_of": "2025-02-01"}, "not complete|before the end"),
    ],
)
def test_what_the_records_do_not_hold_is_refused(folder, asked, why):
    with pytest.raises(StudyError, match=why):
        plantstats.study(folder, **asked)


def test_old_sets_of_results_go_and_strangers_stay(tmp_path):
    from plantstats.reporting.provenance import results_folder

    for n in range(6):
        results_folder(tmp_path, {"n": n}, 3).mkdir()
    (tmp_path / "mine").mkdir()
    results_folder(tmp_path, {"n": 5}, 3)
    assert len(list(tmp_path.iterdir())) == 3 + 1 + 1
    assert studies.KEPT_PROGRAMS == 3


def test_a_quote_is_priced_once_and_again_when_its_list_changes(tmp_path, monkeypatch):
    demo = EXAMPLE.parent
    listed, terms = (shutil.copy(demo / "quote" / name, tmp_path) for name in ("list.csv", "terms.toml"))
    calls = []

    def priced(path, records, terms, as_of):
        calls.append(path.read_text(encoding="utf-8"))
        return as_of.isoformat(), path.name

    monkeypatch.setattr(priced_quote, "priced_quote", priced)
    folder = shutil.copytree(EXAMPLE, tmp_path / "records", ignore=shutil.ignore_patterns(".plantstats_cache"))
    answers = [plantstats.study(folder, as_of="2025-03-31").quote(listed, terms) for _ in range(2)]
    assert answers == [("2025-03-31", "list.csv")] * 2
    assert len(calls) == 1
    Path(listed).write_text(calls[0] + "\n", encoding="utf-8")
    plantstats.study(folder, as_of="2025-03-31").quote(listed, terms)
    assert len(calls) == 2


def test_a_species_of_nearly_a_known_name_is_marked_wherever_it_is_named() -> None:
    # data_demo/README.md, fault 8: one Ficus lyrata is written Ficus lyratta.
    study = plantstats.study(EXAMPLE.parent)
    assert study.name_of("species", "Ficus lyratta") == "fiddle-leaf fig, misspelt? (Ficus lyratta)"
    assert study.name_of("species", "Ficus lyrata") == "fiddle-leaf fig (Ficus lyrata)"
