"""The command: exit codes, plain words instead of tracebacks, nothing imported before it is needed."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest

from plantstats import __version__, cli, quarterly, simulate
from plantstats.reporting import publish
from tests.builders.demo_review import DemoReview
from tests.builders.html_page import Reading

HOME = Path(__file__).resolve().parent.parent
DATA = HOME / "data_demo"


def lines(capsys: pytest.CaptureFixture[str]) -> tuple[str, str]:
    captured = capsys.readouterr()
    return captured.out, captured.err


def test_asking_for_help_loads_no_data_library():
    code = "import sys; from plantstats import cli\ntry: cli.main(['--help'])\nexcept SystemExit: pass\n"
    code += "print(sorted({'pandas', 'duckdb', 'papermill', 'matplotlib'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"


@pytest.mark.parametrize(
    "given",
    [
        [],
        ["reveiw", "x"],
        ["review"],
        ["review", "x", "--as-of", "12/10/2026"],
        ["demo", "x", "--plants", "0"],
        ["review", "x", "--pdf"],
    ],
)
def test_arguments_that_cannot_be_understood_end_with_2(given: list[str], capsys: pytest.CaptureFixture[str]):
    with pytest.raises(SystemExit) as caught:
        cli.main(given)
    assert caught.value.code == 2
    assert "usage: plantstats" in lines(capsys)[1]


def test_the_version_is_that_of_the_package(capsys: pytest.CaptureFixture[str]):
    with pytest.raises(SystemExit) as caught:
        cli.main(["--version"])
    assert caught.value.code == 0
    assert lines(capsys)[0].strip() == f"plantstats {__version__}"


@pytest.mark.parametrize(
    ("more", "named"),
    [
        (["--quarter", "2026-Q7"], "2026-Q7"),
        (["--quarter", "1999-Q1"], "1999-Q1"),
        (["--quarter", "2031-Q1"], "2031-Q1 is not complete"),
        (["--client", "nobody"], "nobody"),
    ],
)
def test_a_review_that_cannot_be_made_ends_with_1_and_one_clear_message(
    more: list[str], named: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    assert cli.main(["review", str(DATA), "--out", str(tmp_path / "out"), *more]) == 1
    out, err = lines(capsys)
    assert out == ""
    assert err.startswith("plantstats review: ")
    assert named in err
    assert "Traceback" not in err
    assert list(tmp_path.glob("**/*.html")) == []


@pytest.mark.parametrize("command", ["review", "check"])
def test_a_folder_without_records_ends_with_1_and_names_what_is_missing(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    assert cli.main([command, str(tmp_path)]) == 1
    said = "".join(lines(capsys))
    assert "plants" in said
    assert "Traceback" not in said


def test_the_review_of_the_demo_gives_sentences_a_page_findings_and_the_record_of_its_making(
    demo: DemoReview, tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    folder = demo.folder  # 2026-Q3: the records run to 5 October 2026
    assert [path.name for path in demo.out.iterdir()] == ["2026-Q3"]
    assert any(line.startswith("2026-Q3: 13 plants lost of 386") for line in demo.said.splitlines()[:3])
    assert "/2026-Q3/index.html" in demo.said
    files = {"findings.csv", "findings.parquet", "made_with.json", "intervals.csv", "care_sheet.xlsx"}
    files |= {"drying.csv", "ways_out.csv", "decisions.csv"}
    files |= {"findings.xlsx", "index.pdf"} | {f"{name}.html" for name in quarterly.REVIEW_PACK}
    files |= {f"{number:02}_{name}.ipynb" for number, name in enumerate(quarterly.REVIEW_PACK, 1)}
    assert {path.name for path in folder.iterdir()} == files
    pages = {path.name: Reading(path.read_text(encoding="utf-8")).faults for path in folder.glob("*.html")}
    assert {name: faults for name, faults in pages.items() if faults} == {}
    record = json.loads((folder / "made_with.json").read_text(encoding="utf-8"))
    assert record["parameters"]["quarter"] == "2026-Q3"
    assert set(record["inputs"]) >= {"plants.csv", "visits.csv", "replacements.csv"}
    rows = pd.DataFrame(record["account"])
    assert (rows["rows_read"] == rows["rows_used"] + rows["rows_set_aside"]).all()
    # Asked again with nothing changed, it says so and leaves every file as it was.
    before = {path.name: (path.read_bytes(), path.stat().st_mtime_ns) for path in folder.iterdir()}
    assert cli.main(["review", str(DATA), "--out", str(demo.out)]) == 0
    again, remark = lines(capsys)
    assert f"Report: {folder / 'index.html'}" in again
    assert again.replace(str(demo.out), "") == re.sub("Report: .*(?=/2026-Q3/)", "Report: ", demo.said)
    assert "nothing has changed since" in remark
    assert {path.name: (path.read_bytes(), path.stat().st_mtime_ns) for path in folder.iterdir()} == before
    # A file that somebody touched makes it anew: here only the judgement, not the minute that it takes.
    touched = shutil.copytree(folder, tmp_path / "2026-Q3")
    assert publish.unchanged(touched, record["made_from"]) is not None
    (touched / "findings.csv").write_text("changed", encoding="utf-8")
    assert publish.unchanged(touched, record["made_from"]) is None


def test_the_review_of_one_client_lies_in_a_folder_of_its_own(demo: DemoReview):
    assert [path.name for path in demo.client.parent.iterdir()] == [demo.client.name]
    assert demo.client.name == "2026-Q3--C0005"
    assert "C0005" in (demo.client / "client.html").read_text(encoding="utf-8")
    assert {path.name for path in demo.client.iterdir()} == {"client.html", "client.pdf", "made_with.json"}


def test_demo_and_check_work_together_and_leave_the_rows_set_aside_in_a_file(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    folder = tmp_path / "invented"
    assert cli.main(["demo", str(folder), "--plants", "60", "--years", "1", "--seed", "3", "--faults"]) == 0
    assert "60 plants" in lines(capsys)[0]
    # The planted faults set rows aside, and nothing in the settings allows that.
    assert cli.main(["check", str(folder), "--set-aside", str(tmp_path / "aside.csv")]) == 1
    assert "visits" in lines(capsys)[0]
    assert {"table", "file", "line", "reason"} <= set(pd.read_csv(tmp_path / "aside.csv").columns)


def test_settings_are_proposed_for_a_folder_that_has_none(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    simulate.make(tmp_path, 30, 1, 3)
    (tmp_path / "records.toml").unlink(missing_ok=True)
    assert cli.main(["settings", str(tmp_path)]) == 0
    named = Path(lines(capsys)[0].strip().rpartition(": ")[2])
    assert named.suffix == ".toml"
    assert named.exists()


def test_records_that_do_not_carry_a_page_give_the_rest_of_the_review_and_say_why(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
):
    # The six plants of the worked example: too few losses and waterings for a model of either.
    asked = ["review", str(DATA / "worked_example"), "--as-of", "2025-03-31", "--out", str(tmp_path)]
    assert cli.main(asked) == 1
    out, err = lines(capsys)
    assert "2025-Q1: 2 plants lost of 6" in out
    assert "plantstats review: no page visits: no dry-down" in err
    made = {path.name for path in (tmp_path / "2025-Q1").iterdir()}
    assert made >= {f"{name}.html" for name in quarterly.REVIEW_PACK}
    page = (tmp_path / "2025-Q1" / "visits.html").read_text(encoding="utf-8")
    assert "This page could not be made. no dry-down" in page
    assert not {name for name in made if name.endswith(".failed.ipynb")}
