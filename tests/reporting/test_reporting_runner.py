"""Running: own Python, failing cells, dead kernels, the request to end, whole files or none, what is handed over."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import psutil
import pytest

from plantstats import findings as results
from plantstats.reporting import ReportError, keep, run

from .conftest import PARAMETERS, MakeNotebook

GIVEN = {"quarter": "2026-Q3", "client": "C01"}
KEEPS = """\
from plantstats import findings, reports
findings.define(test_rate="Losses per 100 plant-years, for the tests of the runner.")
rows = [findings.finding("test_rate", quarter, 3.0, 1.0, 5.0, unit="per 100 plant-years", method="by hand",
                         n_plants=70, plant_days=1000, losses=3, level=0.95, light=light) for light in LIGHTS]
reports.keep(findings.table(rows), [f"{quarter} lost 3 plants."])"""


def texts(page: Path) -> str:
    return page.read_text(encoding="utf-8")


def test_a_plain_notebook_becomes_a_page_and_a_record_of_its_making(make_notebook: MakeNotebook, tmp_path: Path):
    made = run(make_notebook("print('done')"), GIVEN, tmp_path / "out" / "2026-Q3", about="2026-Q3, client C01")
    assert sorted(path.name for path in made.folder.iterdir()) == ["made_with.json", "report.html"]
    assert "2026-Q3 C01" in texts(made.pages[0])  # given values, not the defaults
    record = json.loads(texts(made.folder / "made_with.json"))
    assert record["parameters"] == GIVEN
    assert record["versions"]["pandas"] == pd.__version__
    assert list((tmp_path / "out").iterdir()) == [made.folder]


@pytest.mark.parametrize("kernel", ["plants-env-ida", None])
def test_a_notebook_runs_in_the_tools_own_python_whatever_kernel_it_names(
    make_notebook: MakeNotebook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kernel: str | None
):
    # A kernel of the same name as ours that would run something else, and a start-up file of the user.
    spec = tmp_path / "jupyter" / "kernels" / "python3"
    spec.mkdir(parents=True)
    (spec / "kernel.json").write_text(json.dumps({"argv": ["false"], "display_name": "x", "language": "python"}))
    monkeypatch.setenv("JUPYTER_PATH", str(tmp_path / "jupyter"))
    startup = tmp_path / "startup.py"
    startup.write_text("quarter = 'from the start-up file'\nprint('START-UP')")
    monkeypatch.setenv("PYTHONSTARTUP", str(startup))
    made = run(make_notebook("import sys\nprint(sys.executable)", kernel=kernel), GIVEN, tmp_path / "out")
    assert sys.executable in texts(made.pages[0])
    assert "START-UP" not in texts(made.pages[0])
    assert [("plants-env-ida" in remark) for remark in made.remarks] == ([True] if kernel else [])


def test_a_failing_cell_ends_the_run_and_leaves_the_earlier_page_alone(make_notebook: MakeNotebook, tmp_path: Path):
    out = tmp_path / "2026-Q3"
    run(make_notebook(), GIVEN, out)
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    failing = make_notebook("print('table 1 ok')", "raise ValueError('visits.csv row 7: bad date')", "print('table 2')")
    with pytest.raises(ReportError) as caught:
        run(failing, GIVEN, out)
    said = str(caught.value)
    assert "report.ipynb: cell 5: ValueError: visits.csv row 7: bad date" in said
    assert f"the earlier report in {out} is left as it was" in said
    assert "minutes ago" in said
    half = json.loads(texts(out / "report.failed.ipynb"))
    assert "table 1 ok" in json.dumps(half["cells"])
    assert {path.name: path.read_bytes() for path in out.iterdir() if path.name in before} == before
    # The next good run clears the half notebook away.
    run(make_notebook(), GIVEN, out)
    assert sorted(path.name for path in out.iterdir()) == ["made_with.json", "report.html"]


@pytest.mark.parametrize("cell", ["import sys\nsys.exit(0)", "raise SystemExit"])
def test_a_notebook_that_leaves_early_gives_no_page(make_notebook: MakeNotebook, tmp_path: Path, cell: str):
    with pytest.raises(ReportError):
        run(make_notebook(cell, "print('the end')"), GIVEN, tmp_path / "out" / "2026-Q3")
    assert not list(tmp_path.glob("**/*.html"))


def test_a_kernel_that_dies_is_an_error_with_the_cell_named(make_notebook: MakeNotebook, tmp_path: Path):
    path = make_notebook("x = 1", "import os, signal\nos.kill(os.getpid(), signal.SIGKILL)")
    with pytest.raises(ReportError, match=r"report\.ipynb: the kernel died in cell 5 \(out of memory\?\)"):
        run(path, GIVEN, tmp_path / "out" / "2026-Q3")
    assert not list(tmp_path.glob("**/*.html"))


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGKILL, signal.SIGINT])
def test_a_run_stopped_from_outside_leaves_no_kernel_and_no_page(
    make_notebook: MakeNotebook, tmp_path: Path, number: signal.Signals
):
    pids = tmp_path / "pids"
    slow = make_notebook(
        f"import os, subprocess\nchild = subprocess.Popen(['sleep', '300'])\n"
        f"open({str(pids)!r}, 'w').write(f'{{os.getpid()}} {{child.pid}}')\nchild.wait()"
    )
    out = tmp_path / "out" / "2026-Q3"
    # Who starts the tests in the background of a script leaves them deaf to SIGINT, and their children too.
    code = (
        "import signal, sys; signal.signal(signal.SIGINT, signal.default_int_handler); from pathlib import Path; "
        f"from plantstats.reporting import run; run(Path(sys.argv[1]), {GIVEN!r}, Path(sys.argv[2]))"
    )
    running = subprocess.Popen([sys.executable, "-c", code, str(slow), str(out)], stderr=subprocess.DEVNULL)
    wait_until(lambda: pids.exists() and len(pids.read_text().split()) == 2)
    kernel, child = (int(pid) for pid in pids.read_text().split())
    running.send_signal(number)
    code_given = running.wait(timeout=20)
    assert code_given != 0
    if number == signal.SIGTERM:
        assert code_given == 143
    wait_until(lambda: not alive(kernel))
    if number == signal.SIGKILL:
        # Nobody is left to end what the kernel started; we started it here, so we end it.
        os.kill(child, signal.SIGKILL)
    else:
        wait_until(lambda: not alive(child))
        assert list((tmp_path / "out").iterdir()) == []
    # The next run works, takes nothing half-made for a result, and clears up.
    run(make_notebook(), GIVEN, out)
    assert list((tmp_path / "out").iterdir()) == [out]


def test_one_failing_notebook_of_two_means_no_report(make_notebook: MakeNotebook, tmp_path: Path):
    good = make_notebook("print('good')", name="good")
    bad = make_notebook("1/0", name="bad")
    with pytest.raises(ReportError, match=r"bad\.ipynb: cell 4: ZeroDivisionError"):
        run([good, bad], GIVEN, tmp_path / "out")
    assert [path.name for path in (tmp_path / "out").iterdir()] == ["bad.failed.ipynb"]


def test_findings_of_all_notebooks_stand_in_one_table_and_two_runs_give_the_same_bytes(
    make_notebook: MakeNotebook, tmp_path: Path
):
    one = make_notebook("LIGHTS = ['low', 'high']", KEEPS, name="one")
    two = make_notebook("LIGHTS = ['sun']", KEEPS, name="two")
    made = [run([one, two], GIVEN, tmp_path / place) for place in ("first", "second")]
    kept = pd.read_csv(tmp_path / "first" / "findings.csv")
    assert list(kept["light"]) == ["high", "low", "sun"]
    assert made[0].sentences == ["2026-Q3 lost 3 plants."] * 2
    assert "Losses per 100 plant-years, for the tests of the runner." in texts(made[0].pages[0])
    for name in ("findings.csv", "findings.parquet"):
        assert (tmp_path / "first" / name).read_bytes() == (tmp_path / "second" / name).read_bytes()


def test_findings_kept_twice_are_an_error(make_notebook: MakeNotebook, tmp_path: Path):
    path = make_notebook("LIGHTS = ['low']", KEEPS, KEEPS)
    with pytest.raises(ReportError, match=r"reports\.keep was called twice"):
        run(path, GIVEN, tmp_path / "out")


def test_by_hand_keep_gives_the_findings_back_and_writes_nothing(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.chdir(tmp_path)
    results.define(by_hand="Something counted, for the tests of the runner.")
    table = results.table([results.finding("by_hand", "2026-Q3", 2.0, unit="plants", method="count")])
    kept = keep(table, ["Two."])
    assert kept is not None
    pd.testing.assert_frame_equal(kept, table)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "value",
    ['"; import os; os.abort() #', "a\\nb\n'''", "{0.__class__.__mro__}", "é \u202e \x01", "{{ 7*7 }} %s $HOME"],
)
def test_a_parameters_text_arrives_letter_for_letter_and_is_never_run(
    make_notebook: MakeNotebook, tmp_path: Path, value: str
):
    path = make_notebook(f"assert client == {value!r}, client")
    run(path, {"quarter": "2026-Q3", "client": value}, tmp_path / "out")


def test_files_of_an_earlier_report_that_are_not_made_again_go_and_those_of_others_stay(
    make_notebook: MakeNotebook, tmp_path: Path
):
    out = tmp_path / "2026-Q3"
    run([make_notebook(name="one"), make_notebook(name="two")], GIVEN, out)
    (out / "remarks of the owner.txt").write_text("keep me")
    (tmp_path / "outside.txt").write_text("keep me")
    record = json.loads(texts(out / "made_with.json"))
    record["files"]["../outside.txt"] = "x"
    (out / "made_with.json").write_text(json.dumps(record))
    run(make_notebook(name="one"), GIVEN, out)
    assert sorted(path.name for path in out.iterdir()) == ["made_with.json", "one.html", "remarks of the owner.txt"]
    assert (tmp_path / "outside.txt").exists()


def test_a_place_where_nothing_can_be_written_is_said_in_words(make_notebook: MakeNotebook, tmp_path: Path):
    (tmp_path / "file").write_text("")
    with pytest.raises(ReportError, match="no report can be written there"):
        run(make_notebook(), GIVEN, tmp_path / "file" / "2026-Q3")


def test_five_thousand_flushes_and_a_progress_bar_make_a_small_page_with_the_last_line(
    make_notebook: MakeNotebook, tmp_path: Path, capfd: pytest.CaptureFixture[str]
):
    noise = (
        "import sys\nfor i in range(5000):\n    sys.stdout.write('.' * 100)\n    sys.stdout.flush()\n"
        "print('the last line')"
    )
    bar = "from tqdm.auto import tqdm\nfor i in tqdm(range(1000)):\n    pass"
    written_over = "for i in range(50):\n    print(f'\\r{i} of 50', end='', flush=True)"
    made = run(make_notebook(noise, bar, written_over), GIVEN, tmp_path / "out")
    page = texts(made.pages[0])
    assert len(page) < 30_000
    assert "the last line" in page
    # 5,000 x 100 dots and a line of 14 letters with its end are 500,014 + 1; 4,000 are shown.
    assert "[496,014 letters in the middle are not shown]" in page
    assert "49 of 50" in page
    assert "48 of 50" not in page
    assert "it/s" not in page
    assert capfd.readouterr().err == ""


def wait_until(true, seconds: float = 20) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "waited too long"
        time.sleep(0.1)


def alive(pid: int) -> bool:
    return psutil.pid_exists(pid) and psutil.Process(pid).status() != psutil.STATUS_ZOMBIE


def test_the_parameters_of_these_tests_are_declared():
    assert all(name in PARAMETERS for name in GIVEN)
