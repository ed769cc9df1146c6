"""The command line destroys nothing, says every failure in one line, and its exit code tells what happened."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import duckdb
import pytest

from plantstats import cli, quality, simulate
from plantstats.reporting import publish
from plantstats.reporting.errors import ReportError
from plantstats.writing import OutputError, check_folder, write_whole

POSIX = pytest.mark.skipif(os.name != "posix", reason="pipes, locales and limits of POSIX")
HOME = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def invented(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("invented") / "records"
    simulate.make(folder, 60, 1, 3)
    return folder


@pytest.fixture
def copy(invented: Path, tmp_path: Path) -> Path:
    """A folder of records of its own, without a cache."""
    folder = tmp_path / "records"
    folder.mkdir()
    for path in invented.iterdir():
        if path.is_file():
            (folder / path.name).write_bytes(path.read_bytes())
    return folder


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


def refused(arguments: list[str], capsys: pytest.CaptureFixture[str], code: int = 1) -> str:
    """The one line of a refusal."""
    assert cli.main(arguments) == code
    out, err = capsys.readouterr()
    assert out == "" and err.startswith(f"plantstats {arguments[0]}: ") and err.count("\n") == 1
    return err


def run(
    *arguments: str, limit: Callable[[], None] | None = None, **environment: str
) -> subprocess.CompletedProcess[bytes]:
    """The command in a process of its own."""
    full = {**os.environ, "PYTHONPATH": str(HOME), **environment}
    command = [sys.executable, "-m", "plantstats", *arguments]
    return subprocess.run(command, capture_output=True, env=full, preexec_fn=limit, check=False)


# --- nothing of the user's is overwritten -------------------------------------------------------------------------


def test_a_demo_is_never_written_into_a_folder_that_holds_anything(copy: Path, capsys: pytest.CaptureFixture[str]):
    before = contents(copy)
    assert "records holds contracts.csv and 8 more" in refused(["demo", str(copy), "--plants", "10"], capsys)
    assert contents(copy) == before
    (copy.parent / "other").mkdir()
    (copy.parent / "other" / ".note").write_text("x")
    assert "holds .note" in refused(["demo", str(copy.parent / "other")], capsys)


def test_a_demo_that_cannot_be_made_leaves_nothing(tmp_path: Path, capsys: pytest.CaptureFixture[str]):
    refused(["demo", str(tmp_path / "small"), "--plants", "10", "--years", "0.3", "--faults"], capsys)
    refused(["demo", str(tmp_path / "one"), "--plants", "1"], capsys)
    assert list(tmp_path.iterdir()) == []


def test_rows_set_aside_are_never_written_over_records(copy: Path, capsys: pytest.CaptureFixture[str]):
    before = contents(copy)
    link = copy.parent / "link.csv"
    link.symlink_to(copy / "plants.csv")
    for place in (copy / "plants.csv", copy / "records.toml", copy, link):
        refused(["check", str(copy), "--set-aside", str(place)], capsys)
    assert contents(copy) == before
    assert not (copy / ".plantstats_cache").exists()  # refused before anything was read


def test_rows_set_aside_replace_an_earlier_list_of_them(copy: Path, capsys: pytest.CaptureFixture[str]):
    place = copy.parent / "new" / "aside.csv"
    for _ in range(2):
        assert cli.main(["check", str(copy), "--set-aside", str(place)]) == 0
    assert place.read_bytes().startswith(b"\xef\xbb\xbftable,file,line,")
    assert [path.name for path in place.parent.iterdir()] == ["aside.csv"]


@pytest.mark.skipif(not Path("/proc/self").is_dir(), reason="a place where not even root may write")
@pytest.mark.parametrize(
    "arguments",
    [
        ["check", "RECORDS", "--set-aside", "/proc/self/aside.csv"],
        ["review", "RECORDS", "--out", "/proc/self"],
        ["review", "RECORDS", "--out", "/proc/self/new/reports"],
        ["demo", "/proc/self/new"],
        ["quote", "list.csv", "--records", "RECORDS", "--terms", "terms.toml", "--out", "/proc/self"],
        ["validate", "--out", "/proc/self"],
    ],
)
def test_a_place_that_cannot_be_written_to_is_refused_before_any_work(
    arguments: list[str], copy: Path, capsys: pytest.CaptureFixture[str]
):
    said = refused([str(copy) if part == "RECORDS" else part for part in arguments], capsys)
    assert "/proc/self" in said and "can be written there" in said
    assert not (copy / ".plantstats_cache").exists()


def test_a_report_folder_that_is_a_file_is_refused_before_any_work(copy: Path, capsys: pytest.CaptureFixture[str]):
    (copy.parent / "file").write_text("mine")
    for out in ("file", "file/below"):
        refused(["review", str(copy), "--out", str(copy.parent / out)], capsys)
    assert (copy.parent / "file").read_text() == "mine" and not (copy / ".plantstats_cache").exists()


def test_a_file_is_written_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch):
    place = write_whole(tmp_path / "list.csv", "old")

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", full)
    with pytest.raises(OutputError, match=r"list\.csv: cannot be written \(No space left on device\)"):
        write_whole(place, "new")
    assert place.read_text() == "old" and [path.name for path in tmp_path.iterdir()] == ["list.csv"]
    check_folder(tmp_path / "a" / "b")
    assert not (tmp_path / "a").exists()


def test_a_report_is_never_put_over_files_that_no_report_wrote(tmp_path: Path):
    complete, out = tmp_path / "complete", tmp_path / "2026-Q3"
    for folder in (complete, out):
        folder.mkdir()
    (complete / "findings.csv").write_text("new")
    (out / "findings.csv").write_text("mine")
    (out / "notes.txt").write_text("mine")
    with pytest.raises(ReportError, match=r"holds findings\.csv and no made_with\.json"):
        publish.publish(complete, out, {"files": {"findings.csv": ""}})
    assert contents(out) == {"findings.csv": b"mine", "notes.txt": b"mine"}
    (out / "findings.csv").unlink()
    publish.publish(complete, out, {"files": {"findings.csv": ""}})
    assert (out / "findings.csv").read_text() == "new" and (out / "notes.txt").read_text() == "mine"


# --- exit codes ---------------------------------------------------------------------------------------------------


def test_a_check_fails_when_rows_were_set_aside_unless_the_settings_allow_their_fault(
    copy: Path, capsys: pytest.CaptureFixture[str]
):
    assert cli.main(["check", str(copy)]) == 0
    visits = copy / "visits.csv"
    lines = visits.read_text().splitlines()
    rest = lines[5].partition(",")[2]
    lines[5] = "2025-02-30," + rest
    visits.write_text("\n".join(lines) + "\n")
    assert cli.main(["check", str(copy)]) == 1
    settings = (copy / "records.toml").read_text()
    (copy / "records.toml").write_text('allowed_faults = ["unreadable_date"]\n' + settings)
    assert cli.main(["check", str(copy)]) == 0
    (copy / "records.toml").write_text('allowed_faults = ["same_line_twice"]\n' + settings)
    assert cli.main(["check", str(copy)]) == 1
    (copy / "records.toml").write_text('allowed_faults = ["unreadable_dates"]\n' + settings)
    capsys.readouterr()
    said = refused(["check", str(copy)], capsys)
    assert "allowed_faults[0]: 'unreadable_dates' is not known; did you mean unreadable_date?" in said


def test_a_check_fails_when_no_row_of_a_table_could_be_used(copy: Path):
    (copy / "visits.csv").write_text("visited_on,plant_id\n30.02.2025,P1\n31.02.2025,P2\n")
    assert cli.main(["check", str(copy)]) == 1


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["review", "x", "--client", ""], "--client: is empty (an unset variable?)"),
        (["review", "x", "--client", "  "], "--client: is empty"),
        (["review", "x", "--as-of", "9999-12-31"], "outside the years 1900 to 2199"),
        (["check", "x", "--as-of", "0001-01-01"], "outside the years 1900 to 2199"),
    ],
)
def test_an_empty_client_and_an_impossible_day_are_not_understood(
    arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]
):
    with pytest.raises(SystemExit) as caught:
        cli.main(arguments)
    assert caught.value.code == 2 and said in capsys.readouterr().err


@pytest.mark.parametrize("quarter", ["9999-Q4", "0000-Q1", "FY0001-Q1"])
def test_a_quarter_beyond_every_calendar_is_refused(quarter: str, copy: Path, capsys: pytest.CaptureFixture[str]):
    out = str(copy.parent / "out")
    assert "outside the years 1900 to 2199" in refused(
        ["review", str(copy), "--quarter", quarter, "--out", out], capsys
    )


# --- pipes, terminals, disks --------------------------------------------------------------------------------------


@POSIX
def test_a_pipe_that_is_closed_ends_the_command_without_a_word(copy: Path):
    reader, writer = os.pipe()
    os.close(reader)
    full = {**os.environ, "PYTHONPATH": str(HOME)}
    command = [sys.executable, "-m", "plantstats", "check", str(copy)]
    done = subprocess.run(command, stdout=writer, stderr=subprocess.PIPE, env=full, check=False)
    os.close(writer)
    assert (done.returncode, done.stderr) == (141, b"")


@POSIX
@pytest.mark.parametrize("encoding", ["ascii", "cp1252"])
def test_a_terminal_of_few_letters_shows_what_it_can(encoding: str, copy: Path):
    plants = (copy / "plants.csv").read_text().replace("Dracaena", "Дracaena ü")
    (copy / "plants.csv").write_text(plants)
    done = run("check", str(copy), PYTHONIOENCODING=encoding)
    assert b"Traceback" not in done.stderr and b"rows read" in done.stdout
    assert "Д".encode() not in done.stdout and b"?racaena" in done.stdout


@POSIX
def test_a_locale_of_ascii_reads_a_folder_with_other_letters(copy: Path):
    folder = copy.rename(copy.parent / "Büro")
    done = run("check", str(folder), LC_ALL="C", PYTHONUTF8="0", PYTHONCOERCECLOCALE="0")
    assert b"Traceback" not in done.stderr and b"rows read" in done.stdout
    missing = run("check", str(copy.parent / "Ümlaut"), LC_ALL="C", PYTHONUTF8="0", PYTHONCOERCECLOCALE="0")
    assert missing.returncode == 1 and "Ümlaut is not a folder".encode() in missing.stderr


@POSIX
def test_a_full_disk_is_said_in_one_line_and_leaves_no_half_cache(copy: Path):
    def small() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))

    done = run("check", str(copy), limit=small)
    assert done.returncode == 1 and b"Traceback" not in done.stderr
    assert done.stderr.startswith(b"plantstats check: ") and done.stderr.count(b"\n") == 1
    cache = copy / ".plantstats_cache"
    assert not cache.exists() or list(cache.iterdir()) == []
    assert run("check", str(copy)).returncode == 0


def test_an_engine_without_room_is_said_in_one_line(
    copy: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
):
    def full(*_given: object) -> None:
        raise duckdb.OutOfMemoryException("failed to offload data block of size 256.0 KiB\nmore")

    monkeypatch.setattr(quality, "check", full)
    assert "no room left to work in, on the disk or in memory: failed to offload" in refused(
        ["check", str(copy)], capsys
    )


@pytest.mark.parametrize("at", [0.1, 0.5, 0.9])
def test_a_cache_damaged_without_a_change_of_length_is_made_afresh(at: float, copy: Path):
    assert cli.main(["check", str(copy)]) == 0
    (cache,) = (path for path in (copy / ".plantstats_cache").iterdir() if path.is_dir())
    for name in ("visits.parquet", "set_aside.parquet", "made.json"):
        content = bytearray((cache / name).read_bytes())
        content[int(len(content) * at)] ^= 0xFF
        (cache / name).write_bytes(content)
    assert cli.main(["check", str(copy)]) == 0
    (cache / "made.json").write_text("null")
    assert cli.main(["check", str(copy)]) == 0


def test_settings_in_a_folder_that_cannot_be_written_to_are_refused(
    copy: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
):
    (copy / "records.toml").unlink()
    opened = Path.open

    def read_only(path: Path, mode: str = "r", *more: object, **named: object):
        if mode == "x":
            raise PermissionError(13, "Permission denied", str(path))
        return opened(path, mode, *more, **named)

    monkeypatch.setattr(Path, "open", read_only)
    assert "records.toml: Permission denied" in refused(["settings", str(copy)], capsys)


def test_help_loads_no_model_library():
    code = "import sys; from plantstats import cli\ntry: cli.main(['--help'])\nexcept SystemExit: pass\n"
    code += "print(sorted({'pydantic', 'pandas', 'numpy', 'duckdb', 'matplotlib'} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"
