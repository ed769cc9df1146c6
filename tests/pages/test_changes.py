"""The page on what changed: a loss entered late restates its quarter; unlike settings are not compared."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterator
from pathlib import Path

import pandas as pd
import pytest

import plantstats
from plantstats import findings, quarterly, simulate
from plantstats.findings import DEFINITIONS
from plantstats.pages import brief, changes, losses, records
from plantstats.reporting.errors import ReportError


@pytest.fixture(scope="module")
def company(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("records") / "company"
    simulate.make(folder, 40, 1.0, 5)
    return folder


@pytest.fixture(scope="module", autouse=True)
def quick_pages() -> Iterator[None]:
    """Pages that rest on no model: what is compared is the same, and takes a second."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(changes, "PAGES", (losses,))
        patch.setattr(brief, "SOURCES", (records,))
        yield


def write_pack(study: plantstats.studies.Study, folder: Path) -> Path:
    folder.mkdir(parents=True)
    findings.write(changes._results(study), folder)
    brief.write_decisions(study, folder)
    record = {
        "made_at": "2026-07-02T09:00:00+00:00",
        "parameters": {"quarter": study.period.name, "client": ""},
        "settings": study.settings(),
        "definitions": dict(DEFINITIONS),
        "files": {},
    }
    (folder / "made_with.json").write_text(json.dumps(record), encoding="utf-8")
    return folder


def with_one_loss_more(company: Path, folder: Path) -> Path:
    """The same records, and one plant that was lost in May and entered in October."""
    shutil.copytree(company, folder)
    replacements = pd.read_csv(folder / "replacements.csv", dtype="str")
    standing = plantstats.study(company, "2026-Q3").standing()
    plant = standing[standing["installed_on"].lt("2026-01-01")].iloc[0]
    lost = replacements[replacements["plant_id"].isin(plantstats.study(company, "2026-Q2").losses()["plant_id"])]
    late = lost.iloc[[0]].assign(
        plant_id=plant["plant_id"], site_id=plant["site_id"], found_on="2026-05-20", replaced_on="2026-05-20"
    )
    late = late.reindex(columns=replacements.columns)
    pd.concat([replacements, late]).to_csv(folder / "replacements.csv", index=False)
    return folder


@pytest.fixture(scope="module")
def before(company: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The pack of the quarter before, made once."""
    return write_pack(plantstats.study(company, "2026-Q2"), tmp_path_factory.mktemp("reports") / "2026-Q2")


@pytest.fixture
def pack(before: Path, tmp_path: Path) -> Path:
    """That pack, for a test to change."""
    return Path(shutil.copytree(before, tmp_path / "2026-Q2"))


@pytest.fixture(scope="module")
def after(company: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return with_one_loss_more(company, tmp_path_factory.mktemp("later") / "company")


def test_nothing_changed_is_said(company, pack):
    page = changes.page(plantstats.study(company, "2026-Q3"), str(pack))
    assert page._section("restated").message == "No number of 2026-Q2 or before has changed."
    assert page.verdict.startswith("Since the review of 2026-Q2: ")


def test_a_loss_entered_late_restates_its_quarter(company, pack, after):
    lost = len(plantstats.study(company, "2026-Q2").losses())
    page = changes.page(plantstats.study(after, "2026-Q3"), str(pack))
    table = page.frame("restated")
    row = table[table["Quarter"].eq("2026-Q2") & table["What"].eq("loss rate")].iloc[0]
    assert (row["Lost, then"], row["Lost, now"]) == (str(lost), str(lost + 1))
    assert row["Why"].startswith("1 more lost: found late, or entered since")
    assert page._repr_html_() == changes.page(plantstats.study(after, "2026-Q3"), str(pack))._repr_html_()


def test_unlike_settings_are_not_compared_and_named(company, pack):
    record = json.loads((pack / "made_with.json").read_text(encoding="utf-8"))
    record["settings"]["small_group"] = 3
    (pack / "made_with.json").write_text(json.dumps(record), encoding="utf-8")
    page = changes.page(plantstats.study(company, "2026-Q3"), str(pack))
    assert "Not compared" in page.verdict
    assert "small_group 3, now 5" in page.sentences[0]
    assert page.sections == []


def test_a_measure_that_means_something_else_now_is_named_and_left_out(pack, after):
    record = json.loads((pack / "made_with.json").read_text(encoding="utf-8"))
    record["definitions"]["loss_rate"] = "Losses per plant."
    (pack / "made_with.json").write_text(json.dumps(record), encoding="utf-8")
    page = changes.page(plantstats.study(after, "2026-Q3"), str(pack))
    assert "loss_rate" in page._section("definitions").sentences[0]
    assert "loss rate" not in set(page.frame("restated").get("What", []))


def test_the_review_beside_is_found_and_one_asked_for_must_be_earlier(company, before, tmp_path):
    study = plantstats.study(company, "2026-Q3")
    assert quarterly._earlier(study, tmp_path, None) is None
    pack = Path(shutil.copytree(before, tmp_path / "2026-Q2"))
    assert quarterly._earlier(study, tmp_path, None) == pack
    assert quarterly._earlier(study, tmp_path / "elsewhere", pack) == pack
    with pytest.raises(ReportError, match="not of a quarter before 2026-Q2"):
        quarterly._earlier(plantstats.study(company, "2026-Q2"), tmp_path, pack)
    with pytest.raises(ReportError, match="holds no review"):
        quarterly._earlier(study, tmp_path, tmp_path / "nowhere")
