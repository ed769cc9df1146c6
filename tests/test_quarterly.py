"""How the results of a review are shared out among processes, and which of them each page waits for."""

from __future__ import annotations

import importlib
import os
from pathlib import Path
from types import SimpleNamespace

import pandas as pd
import pytest

import plantstats
from plantstats import quarterly, studies
from plantstats.reporting.display import RESULTS_FOLDER
from plantstats.store import Store
from tests.builders.demo_review import DEMO, DemoReview

SMALL = (*quarterly.RESULTS, quarterly.WHERE_OPENED)


def test_two_processes_run_beside_each_other_only_where_memory_holds_both(monkeypatch) -> None:
    # By hand: 1.2 GB + 2,150 bytes x 1.8 million = 5.1 GB of 0.9 x 8.6 or 0.9 x 4.3; bounded 1.2 + 1,310 x 15 million
    # = 20.9 GB of 0.9 x 25.8 or 0.9 x 17.2; just not bounded 1.2 + 2,150 x 4.9 million = 11.7 GB of 0.9 x 12.9.
    cases = [(1_800_000, 8, 2), (1_800_000, 4, 1), (15_000_000, 24, 2), (15_000_000, 16, 1), (4_900_000, 12, 1)]
    for visits, gib, at_a_time in cases:
        pages = {"SC_PAGE_SIZE": 4096, "SC_PHYS_PAGES": gib * 2**30 // 4096}
        monkeypatch.setattr(os, "sysconf", pages.__getitem__)
        assert quarterly.side_by_side(visits) == at_a_time, (visits, gib)
    monkeypatch.delattr(os, "sysconf")
    assert quarterly.side_by_side(20_000_000) == 2


def test_large_records_have_the_same_results_made_in_more_processes() -> None:
    few, many = (sorted(sum(groups, ())) for groups in (SMALL, quarterly.RESULTS_OF_MANY))
    assert few == many
    assert len(many) == len(set(many))


@pytest.mark.parametrize("name", quarterly.RESTS_ON)
def test_a_page_asks_for_no_result_beyond_those_that_it_waits_for(
    demo: DemoReview, name: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked, get = set(), Store.get

    def noted(store: Store, result: str, *arguments: object) -> object:
        asked.add(result.removeprefix("_"))
        return get(store, result, *arguments)

    monkeypatch.setattr(Store, "get", noted)
    monkeypatch.setenv(RESULTS_FOLDER, str(tmp_path))
    study = plantstats.study(DEMO, demo.folder.name)
    room = importlib.import_module(f"plantstats.pages.{name}")
    shown = room.page(study)
    assert shown.head._repr_html_() and shown.rest._repr_html_()
    if hasattr(room, "write_files"):
        room.write_files(study, tmp_path)
    assert asked & set(sum(SMALL, ())) <= set(quarterly.RESTS_ON[name])


def test_only_pages_of_the_pack_wait_for_results_and_only_for_some_that_are_made() -> None:
    assert set(quarterly.RESTS_ON) <= set(quarterly.REVIEW_PACK)
    assert set(sum(quarterly.RESTS_ON.values(), ())) <= set(sum(SMALL, ()))


def test_the_process_that_opens_few_records_makes_what_rests_on_them_alone(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    forks = SimpleNamespace(completed=set(), begin=lambda *_: None)
    monkeypatch.setattr(quarterly, "run", lambda *_, **given: given["forks"].completed)
    for n_visits, made in ((1_000_000, {"faults"}), (1, set())):
        monkeypatch.setattr(quarterly, "MANY_VISITS", n_visits)
        forks.completed.clear()
        assert quarterly.review(DEMO, None, None, None, tmp_path, forks=forks) == made


def test_margins_of_a_year_before_are_made_with_those_of_the_quarter(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []
    visits = pd.DataFrame({"table": ["visits"], "rows_read": [1]})
    study = SimpleNamespace(
        period=quarterly.periods.quarter("2026-Q3"),
        account_margins=lambda quarter="": asked.append(quarter),
        records=SimpleNamespace(account=visits),
    )
    monkeypatch.setattr(studies, "open_study", lambda *_: study)
    quarterly.compute(lambda **_: None, "records", "2026-Q3", "", "", ["account_margins"])
    assert asked == ["", "2025-Q3"]


def test_texts_are_objects_in_pages_and_in_results_of_few_visits_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    kept: list[str] = []
    study = SimpleNamespace(
        faults=lambda: kept.append(pd.Series(["a"]).dtype.storage),
        records=SimpleNamespace(account=pd.DataFrame({"table": ["visits"], "rows_read": [9]})),
    )
    monkeypatch.setattr(studies, "open_study", lambda *_: study)
    monkeypatch.setattr(studies, "share", lambda _: None)
    with pd.option_context("mode.string_storage", "auto"):
        quarterly.share_study("records", "2026-Q3", "2026-09-30")
        assert pd.Series(["a"]).dtype.storage == "python"
        for many in (10, 9):
            monkeypatch.setattr(quarterly, "MANY_VISITS", many)
            quarterly.compute(lambda **_: None, "records", "2026-Q3", "", "", ["faults"])
    assert kept == ["python", "pyarrow"]
