"""Running: own Python, failing cells, dead processes, the request to end, whole files or none, what is saved."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import pytest

from plantstats import findings as results
from plantstats.records import RecordError
from plantstats.reporting import ReportError, processes, publish, save_results
from plantstats.reporting.errors import is_reason
from plantstats.reporting.forks import Forks, Task
from plantstats.reporting.runner import FOR_CLIENT, run
from plantstats.writing import OutputError
from tests.conftest import MakeNotebook

GIVEN = {"quarter": "2026-Q3", "client": "C01"}
SAVES = """\
from plantstats import findings, reporting
findings.define(test_rate="Losses per 100 plant-years, for the tests of the runner.")
rows = [findings.finding("test_rate", quarter, 3.0, 1.0, 5.0, unit="per 100 plant-years", method="by hand",
                         n_plants=70, plant_days=1000, losses=3, conf_level=0.95, light=light) for light in LIGHTS]
reporting.save_results(findings.table(rows), [f"{quarter} lost 3 plants."])"""
REFUSES = "from plantstats.losses import ModelError\nraise ModelError('12 losses are too few for a model')"
BUSY = "while time.process_time() < t:\n    pass"
BREAKS = "print('table 1 ok')\nraise ValueError('visits.csv row 7: bad date')"


def texts(page: Path) -> str:
    return page.read_text(encoding="utf-8")


def names(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.iterdir())


def test_a_plain_notebook_becomes_a_page_and_a_record_without_a_path_of_this_machine(
    make_notebook: MakeNotebook, tmp_path: Path
):
    path = make_notebook("print('done', records_dir)", parameters='quarter = ""\nrecords_dir = ""', reads="quarter")
    report = run(path, {"quarter": "2026-Q3", "records_dir": str(tmp_path / "mine")}, tmp_path / "out" / "2026-Q3")
    assert names(report.folder) == ["made_with.json", "report.html"]
    assert "done" in texts(report.pages[0])  # the value given, not the default
    record = json.loads(texts(report.folder / "made_with.json"))
    assert record["parameters"] == {"quarter": "2026-Q3", "records_dir": "mine"}
    assert record["versions"]["pandas"] == pd.__version__
    assert str(tmp_path) not in texts(report.folder / "made_with.json")
    assert names(tmp_path / "out") == ["2026-Q3"]


def test_a_kept_copy_holds_outputs_and_neither_times_nor_a_path_of_this_machine_and_is_the_same_again(
    make_notebook: MakeNotebook, tmp_path: Path
):
    code = "from plantstats.reporting import display\nassert records_dir\ndisplay.head(quarter)"
    path = make_notebook(code, parameters='quarter = ""\nrecords_dir = ""', reads="quarter")
    given = {"quarter": "2026-Q3", "records_dir": str(tmp_path / "mine")}
    copies = [run(path, given, tmp_path / name, copies=True).folder / path.name for name in ("one", "two")]
    content = copies[0].read_bytes()
    assert content == copies[1].read_bytes()
    text = content.decode("utf-8")
    assert '<p class=\\"verdict\\">2026-Q3</p>' in text and "<style>" in text
    assert "records_dir = 'mine'" in text
    assert str(tmp_path) not in text and "start_time" not in text
    assert names(run(path, given, tmp_path / "three").folder) == ["made_with.json", "report.html"]


def test_notebooks_run_in_the_tools_own_python_alone_and_on_one_thread(
    make_notebook: MakeNotebook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    # Kernels that would run something else under the names in question, and start-up files of the user.
    for name in ("python3", "plantstats"):
        spec = tmp_path / "jupyter" / "kernels" / name
        spec.mkdir(parents=True)
        (spec / "kernel.json").write_text(json.dumps({"argv": ["false"], "display_name": "x", "language": "python"}))
    monkeypatch.setenv("JUPYTER_PATH", str(tmp_path / "jupyter"))
    profile = tmp_path / "ipython" / "profile_default" / "startup"
    profile.mkdir(parents=True)
    for startup in (tmp_path / "startup.py", profile / "00.py"):
        startup.write_text("quarter = 'from the start-up file'\nprint('START-UP')")
    monkeypatch.setenv("PYTHONSTARTUP", str(tmp_path / "startup.py"))
    monkeypatch.setenv("IPYTHONDIR", str(tmp_path / "ipython"))
    monkeypatch.setenv("OMP_NUM_THREADS", "7")
    (tmp_path / "cwd").mkdir()
    (tmp_path / "cwd" / "pandas.py").write_text("raise ImportError('taken from the working folder')")
    monkeypatch.chdir(tmp_path / "cwd")
    looks = "import os, sys\nimport pandas\nprint(sys.executable, os.environ['OMP_NUM_THREADS'])"
    report = run(make_notebook(looks, kernel="plants-env-ida"), GIVEN, tmp_path / "out")
    assert f"{sys.executable} 1" in texts(report.pages[0])
    assert "START-UP" not in texts(report.pages[0])


def test_a_failing_notebook_leaves_the_earlier_report_alone_and_what_it_came_to(
    make_notebook: MakeNotebook, tmp_path: Path
):
    out = tmp_path / "2026-Q3"
    run(make_notebook(), GIVEN, out)
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    with pytest.raises(ReportError) as caught:
        run(make_notebook(BREAKS, "print('table 2')"), GIVEN, out)
    text = str(caught.value)
    assert "no page report: report.ipynb: cell 4: ValueError: visits.csv row 7: bad date" in text
    assert f"the earlier report in {out} is left as it was" in text
    assert "0 minutes ago" in text
    failed = texts(out / "report.failed.ipynb")
    assert "table 1 ok" in failed
    assert {path.name: path.read_bytes() for path in out.iterdir() if path.name in before} == before
    # The next good run clears the half notebook away.
    run(make_notebook(), GIVEN, out)
    assert names(out) == ["made_with.json", "report.html"]


def test_pages_that_cannot_be_made_say_why_in_their_place_and_the_others_stand(
    make_notebook: MakeNotebook, tmp_path: Path
):
    good = make_notebook("LIGHTS = ['low']", SAVES, name="good")
    thin = make_notebook(REFUSES, name="thin", title="# Which conditions cost plants?")
    broken = make_notebook(BREAKS, name="broken")
    report = run([good, thin, broken], GIVEN, tmp_path / "out")
    assert [page.name for page in report.pages] == ["broken.html", "good.html", "thin.html"]
    assert report.missing["thin"] == "12 losses are too few for a model"
    assert report.missing["broken"].startswith("broken.ipynb: cell 4: ValueError: visits.csv row 7")
    assert report.sentences == ["2026-Q3 lost 3 plants."]
    page = texts(tmp_path / "out" / "thin.html")
    assert "<h1>Which conditions cost plants?</h1>" in page
    assert "This page could not be made. 12 losses are too few for a model" in page
    assert "Traceback" not in page
    # A refusal needs no half notebook; a fault of the program does.
    assert names(tmp_path / "out") == [
        "broken.failed.ipynb",
        "broken.html",
        "findings.csv",
        "findings.parquet",
        "findings.xlsx",
        "good.html",
        "made_with.json",
        "thin.html",
    ]
    assert publish.record(tmp_path / "out")["missing"] == report.missing


def test_a_client_sees_no_reason_no_half_notebook_and_nothing_of_this_machine(
    make_notebook: MakeNotebook, tmp_path: Path
):
    loud = "import sys, warnings\nwarnings.warn('a library warns in ' + __import__('os').getcwd())"
    good = make_notebook("print('good')", loud, name="good")
    broken = make_notebook(BREAKS, name="broken")
    report = run([good, broken], GIVEN, tmp_path / "out", for_client=True)
    assert names(tmp_path / "out") == ["broken.html", "good.html", "made_with.json"]
    assert FOR_CLIENT in texts(tmp_path / "out" / "broken.html")
    for page in report.folder.iterdir():
        for private in ("row 7", "Traceback", "a library warns", os.getcwd(), str(tmp_path), sys.prefix):
            assert private not in texts(page), page
    # Whoever ran the command is told.
    assert "row 7" in report.missing["broken"]
    assert any("a library warns" in remark for remark in report.remarks)
    with pytest.raises(ReportError, match="row 7"):
        run([broken], GIVEN, tmp_path / "other", for_client=True)
    assert not (tmp_path / "other").exists()


def test_reports_are_used_again_unless_something_has_changed_or_broken(make_notebook: MakeNotebook, tmp_path: Path):
    out = tmp_path / "out"
    pair = [make_notebook(name="good"), make_notebook(REFUSES, name="thin")]
    first = run(pair, GIVEN, out, sources={"inputs": {"visits.csv": "1"}}, again=False)
    same = run(pair, GIVEN, out, sources={"inputs": {"visits.csv": "1"}}, again=False)
    assert "nothing has changed since" in same.remarks[0]
    assert (same.pages, same.missing) == (first.pages, first.missing)
    # As above, but an input, a parameter or a file in place is another one; or a page broke and is tried again.
    record = publish.record(out)
    (out / "good.html").write_text("changed", encoding="utf-8")
    assert publish.unchanged(out, record["made_from"]) is None
    for sources, given in (({"inputs": {"visits.csv": "2"}}, GIVEN), ({}, GIVEN | {"client": ""})):
        assert run(pair[:1], given, out, sources=sources, again=False).remarks == []
    broken = [make_notebook(name="good"), make_notebook(BREAKS, name="broken")]
    for _ in range(2):
        assert run(broken, GIVEN, out, again=False).remarks == []


def test_records_that_change_during_a_run_make_no_report(make_notebook: MakeNotebook, tmp_path: Path):
    with pytest.raises(ReportError, match="the records changed while the report was made; run again"):
        run(
            make_notebook(),
            GIVEN,
            tmp_path / "out",
            sources={"inputs": {"visits.csv": "1"}},
            digests=lambda: {"visits.csv": "2"},
        )
    assert not (tmp_path / "out").exists()


def test_notebooks_that_do_not_reach_their_end_give_no_page(
    make_notebook: MakeNotebook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    monkeypatch.setattr(processes, "NOTEBOOK_SECONDS", 20)
    died = "import os, signal\nos.kill(os.getpid(), signal.SIGKILL)"
    cells = {
        "left": "import sys\nsys.exit(0)",
        "raised": "raise SystemExit",
        "died": died,
        "syntax": "if True print(1)",
    }
    paths = [make_notebook("x = 1", cell, "print('the end')", name=name) for name, cell in cells.items()]
    slow = make_notebook("import time\ntime.sleep(600)", name="slow")
    with pytest.raises(ReportError) as caught:
        run([*paths, slow], GIVEN, tmp_path / "out" / "2026-Q3")
    lines = str(caught.value).splitlines()
    assert lines[0].startswith("no page left: left.ipynb: cell 5: SystemExit")
    assert lines[1].startswith("no page raised: raised.ipynb: cell 5: SystemExit")
    assert lines[2] == "no page died: died.ipynb: cell 5: ProcessError: its process was ended (out of memory?)"
    assert lines[3].startswith("no page syntax: syntax.ipynb: cell 5: SyntaxError")
    assert lines[4].startswith("no page slow: slow.ipynb: cell 4: TimeoutError: ran for more than")
    assert not list(tmp_path.glob("**/*.html"))


@pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGKILL, signal.SIGINT])
def test_a_run_stopped_from_outside_leaves_no_process_and_no_file(
    make_notebook: MakeNotebook, tmp_path: Path, number: signal.Signals
):
    pids = tmp_path / "pids"
    slow = make_notebook(
        f"import os, subprocess\nchild = subprocess.Popen(['sleep', '300'])\n"
        f"open({str(pids)!r}, 'w').write(f'{{os.getppid()}} {{os.getpid()}} {{child.pid}}')\nchild.wait()"
    )
    out = tmp_path / "out" / "2026-Q3"
    # Who starts the tests in the background of a script leaves them deaf to SIGINT, and their children too.
    code = (
        "import signal, sys; signal.signal(signal.SIGINT, signal.default_int_handler); from pathlib import Path; "
        f"from plantstats.reporting.runner import run; run(Path(sys.argv[1]), {GIVEN!r}, Path(sys.argv[2]))"
    )
    running = subprocess.Popen([sys.executable, "-c", code, str(slow), str(out)], stderr=subprocess.DEVNULL)
    wait_until(lambda: pids.exists() and len(pids.read_text().split()) == 3, 60)
    started = [int(pid) for pid in pids.read_text().split()]
    running.send_signal(number)
    code_given = running.wait(timeout=20)
    assert code_given == {signal.SIGTERM: 143, signal.SIGKILL: -signal.SIGKILL, signal.SIGINT: -signal.SIGINT}[number]
    wait_until(lambda: not any(alive(pid) for pid in started))
    wait_until(lambda: list((tmp_path / "out").iterdir()) == [])


def test_findings_of_all_notebooks_stand_in_one_table_and_two_runs_give_the_same_bytes(
    make_notebook: MakeNotebook, tmp_path: Path
):
    one = make_notebook("LIGHTS = ['low', 'high']", SAVES, name="one")
    two = make_notebook("LIGHTS = ['sun']", SAVES, name="two")
    reports = [run([one, two], GIVEN, tmp_path / place) for place in ("first", "second")]
    saved = pd.read_csv(tmp_path / "first" / "findings.csv")
    assert list(saved["light"]) == ["high", "low", "sun"]
    assert reports[0].sentences == ["2026-Q3 lost 3 plants."]  # said by both, told once
    for name in ("findings.csv", "findings.parquet", "findings.xlsx"):
        assert (tmp_path / "first" / name).read_bytes() == (tmp_path / "second" / name).read_bytes()


def test_findings_saved_twice_are_an_error(make_notebook: MakeNotebook, tmp_path: Path):
    path = make_notebook("LIGHTS = ['low']", SAVES, SAVES)
    with pytest.raises(ReportError, match="save_results was called twice"):
        run(path, GIVEN, tmp_path / "out")


def test_by_hand_the_findings_come_back_and_nothing_is_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    monkeypatch.chdir(tmp_path)
    results.define(by_hand="Something counted, for the tests of the runner.")
    table = results.table([results.finding("by_hand", "2026-Q3", 2.0, unit="plants", method="count")])
    saved = save_results(table, ["Two."])
    assert saved is not None
    pd.testing.assert_frame_equal(saved, table)
    assert list(tmp_path.iterdir()) == []


def test_a_parameters_text_arrives_letter_for_letter_and_is_never_run(make_notebook: MakeNotebook, tmp_path: Path):
    text = "\"; import os; os.abort() # a\nb\n'''{0.__class__.__mro__}é \u202e \x01{{ 7*7 }} %s $HOME"
    path = make_notebook(f"assert client == {text!r}, client")
    assert run(path, {"quarter": "2026-Q3", "client": text}, tmp_path / "out").missing == {}


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
    assert names(out) == ["made_with.json", "one.html", "remarks of the owner.txt"]
    assert (tmp_path / "outside.txt").exists()


@pytest.mark.parametrize("content", ["", "null", "[]", '{"files": 3}', '{"files": [1]}'])
def test_a_damaged_record_of_an_earlier_report_counts_as_none(tmp_path: Path, content: str):
    (tmp_path / "made_with.json").write_text(content)
    assert publish.record(tmp_path) == {}


def test_a_place_where_nothing_can_be_written_is_said_before_the_run(make_notebook: MakeNotebook, tmp_path: Path):
    (tmp_path / "file").write_text("")
    for out in (tmp_path / "file" / "2026-Q3", tmp_path / "file"):
        with pytest.raises(OutputError, match="nothing can be written there"):
            run(make_notebook(f"open({str(tmp_path / 'ran')!r}, 'w')"), GIVEN, out)
    assert names(tmp_path) == ["file", "report.ipynb"]


def test_tasks_come_first_and_nothing_runs_when_one_fails(make_notebook: MakeNotebook, tmp_path: Path):
    nowhere = {"records_dir": str(tmp_path / "none"), "quarter": "", "client": "", "as_of": "", "names": ["losses"]}
    refused = Task("losses", "plantstats.quarterly:compute", nowhere, tmp_path / "log")
    wrong = Task("wrong", "os:getpid", {}, tmp_path / "log")
    dies = make_notebook("import os\nos.kill(os.getpid(), 9)", name="dies")
    arguments = {"source": str(dies), "target": str(tmp_path / "ran.ipynb"), "parameters": GIVEN}
    killed = Task("killed", "plantstats.reporting.notebook:run", arguments, tmp_path / "log")
    path = make_notebook(f"open({str(tmp_path / 'ran')!r}, 'w')")
    # An error of ours arrives as what it is; what nobody foresaw names the task.
    for task, error, text in (
        (refused, RecordError, "none is not a folder"),
        (wrong, RuntimeError, "wrong: TypeError: .*getpid"),
        (killed, RuntimeError, "killed: its process was ended"),
    ):
        with pytest.raises(error, match=text):
            run(path, GIVEN, tmp_path / "out", tasks=[task])
    assert not (tmp_path / "ran").exists()
    assert not list((tmp_path / "out").glob("*"))


def test_a_page_begins_when_what_it_rests_on_is_made_and_others_wait_for_the_task(
    make_notebook: MakeNotebook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    # The task makes one thing, then waits for the page that rests on it: page after task would be a task that fails.
    made, read, ended = (tmp_path / name for name in ("made", "read", "ended"))
    (tmp_path / "a_task.py").write_text(
        "import pathlib, time\n"
        "def work(report, made, read, ended):\n"
        "    pathlib.Path(made).touch()\n"
        "    report(completed='one')\n"
        "    until = time.monotonic() + 60\n"
        "    while not pathlib.Path(read).exists():\n"
        "        assert time.monotonic() < until, 'the page did not begin'\n"
        "        time.sleep(0.05)\n"
        "    pathlib.Path(ended).touch()\n",
        encoding="utf-8",
    )
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    places = {"made": str(made), "read": str(read), "ended": str(ended)}
    task = Task("work", "a_task:work", places, tmp_path / "log", makes=("one", "two"))
    asks = "import pathlib\nassert pathlib.Path({!r}).exists()"
    pages = [
        make_notebook(asks.format(str(ended)), name="whole"),
        make_notebook(asks.format(str(ended)), name="second"),
        make_notebook(asks.format(str(made)), f"pathlib.Path({str(read)!r}).touch()", name="early"),
    ]
    report = run(pages, GIVEN, tmp_path / "out", tasks=[task], rests_on={"early": ["one"], "second": ["two"]})
    assert not report.missing


def test_where_memory_holds_one_process_no_page_is_made_beside_a_task(
    make_notebook: MakeNotebook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    ended = tmp_path / "ended"
    (tmp_path / "a_task.py").write_text(
        "import pathlib, time\n"
        "def work(report, ended):\n"
        "    report(completed='one')\n"
        "    time.sleep(3)\n"
        "    pathlib.Path(ended).touch()\n",
        encoding="utf-8",
    )
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    task = Task("work", "a_task:work", {"ended": str(ended)}, tmp_path / "log", makes=("one",))
    page = make_notebook(f"import pathlib\nassert pathlib.Path({str(ended)!r}).exists()")
    report = run(page, GIVEN, tmp_path / "out", tasks=[task], at_a_time=1, rests_on={"report": ["one"]})
    assert not report.missing


def test_what_is_begun_once_holds_for_all_processes_and_its_error_stops_none(
    make_notebook: MakeNotebook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    text = "done = []\ndef begin(what):\n    done.append(what)\n    assert what != 'wrong'\n"
    (tmp_path / "a_begin.py").write_text(text, encoding="utf-8")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    with Forks() as forks:
        for what in ("wrong", "right"):
            forks.begin("a_begin:begin", {"what": what})
        asks = "import a_begin\nassert a_begin.done == ['wrong', 'right']"
        assert not run(make_notebook(asks), GIVEN, tmp_path / "out", forks=forks).missing


def test_files_that_a_notebook_leaves_are_made_for_the_report(
    make_notebook: MakeNotebook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    text = "from pathlib import Path\ndef make(report, folder, text):\n    Path(folder, 'left.txt').write_text(text)\n"
    (tmp_path / "a_maker.py").write_text(text, encoding="utf-8")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    leaves = "from plantstats.reporting.outputs import leave_files\n"
    leaves += "assert leave_files('a_maker:make', {'text': quarter})"
    report = run(make_notebook(leaves, SAVES.replace("LIGHTS", "['low']")), GIVEN, tmp_path / "out")
    assert texts(report.folder / "left.txt") == "2026-Q3"
    assert "left.txt" in publish.record(report.folder)["files"]


@pytest.mark.parametrize(
    ("fault", "why"),
    [
        ("raise ValueError('no such route')", "report.ipynb: its files: ValueError: no such route"),
        ("os._exit(9)", "report.ipynb: its files: ProcessError: its process was ended (out of memory?)"),
        ("raise errors.PlantstatsError('no route')", "no route"),
    ],
)
def test_an_error_in_files_that_a_notebook_leaves_costs_its_page_alone(
    make_notebook: MakeNotebook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, fault: str, why: str
):
    text = "import os\nfrom pathlib import Path\nfrom plantstats import errors\ndef make(report, folder):\n"
    (tmp_path / "a_maker.py").write_text(f"{text}    Path(folder, 'left.txt').touch()\n    {fault}", encoding="utf-8")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    leaves = "from plantstats.reporting.outputs import leave_files\nleave_files('a_maker:make', {})"
    pages = [
        make_notebook(leaves, SAVES.replace("LIGHTS", "['low']")),
        make_notebook(SAVES.replace("LIGHTS", "['high']"), name="other"),
    ]
    report = run(pages, GIVEN, tmp_path / "out", copies=True)
    assert report.missing == {"report": why}
    assert why in texts(report.folder / "report.html")
    assert "left.txt" not in names(report.folder) and "report.ipynb" not in names(report.folder)
    assert {"other.html", "other.ipynb", "findings.xlsx"} <= set(names(report.folder))
    assert ("report.failed.ipynb" in names(report.folder)) == (why != "no route")


def test_a_rehearsal_leaves_the_shell_as_new():
    asks = (
        "from plantstats.reporting import notebook\n"
        "notebook.rehearse()\n"
        "shell = notebook.open_shell()\n"
        "assert shell.execution_count == 1 and 'axes' not in shell.user_ns and not notebook.OUTPUTS.clear()\n"
        "cell = notebook.new_code_cell(notebook.REHEARSED)\n"
        "assert notebook.run_cell(shell, cell) is None and 'svg' in cell.outputs[0].data['text/html']\n"
    )
    subprocess.run([sys.executable, "-c", asks], check=True)


def test_what_tasks_and_notebooks_used_stands_in_the_record(make_notebook: MakeNotebook, tmp_path: Path):
    run(
        make_notebook("x = bytearray(300 * 2**20)", "import time\nt = time.process_time() + 1", BUSY),
        GIVEN,
        tmp_path / "o",
    )
    (used,) = publish.record(tmp_path / "o")["processes"]
    assert used["name"] == "report"
    assert used["seconds"] >= 1
    assert used["peak_mib"] > 300


def test_values_and_what_cells_display_and_print_reach_the_page(make_notebook: MakeNotebook, tmp_path: Path):
    shown = "from IPython.display import display\ndisplay('displayed')"
    frame = "import pandas as pd\npd.DataFrame({'lost': [7]})"
    both = "import sys\nprint('one')\nprint('two')\nprint('three', file=sys.stderr)"
    report = run(make_notebook(shown, frame, both), GIVEN, tmp_path / "out")
    page = texts(report.pages[0])
    assert "displayed" in page
    assert "<th>lost</th>" in page
    assert "one\ntwo" in page
    assert report.remarks == ["report.ipynb: three"]


def test_reasons_are_the_errors_that_a_user_can_put_right():
    assert is_reason("RecordError") and is_reason("CountModelError")
    assert not is_reason("ValueError") and not is_reason("ProcessError")


def wait_until(true, seconds: float = 20) -> None:
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "waited too long"
        time.sleep(0.1)


def alive(pid: int) -> bool:
    try:
        os.kill(pid, 0)
        # A process that has ended and waits to be collected still has its number.
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except (ProcessLookupError, FileNotFoundError):
        return False


def test_a_pdf_that_cannot_be_made_in_its_process_is_a_remark(
    make_notebook: MakeNotebook, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
):
    # As on a system without Pango: the import fails in the process that makes the PDF.
    (tmp_path / "weasyprint.py").write_text("raise OSError('no library')", encoding="utf-8")
    monkeypatch.setenv("PYTHONPATH", str(tmp_path))
    report = run(make_notebook(), GIVEN, tmp_path / "out", as_pdf=["report"])
    assert report.pages
    assert [("Pango" in line, line.partition(":")[0]) for line in report.remarks] == [(True, "no report.pdf")]
    assert not list((tmp_path / "out").glob("*.pdf"))
