"""A few spoiled folders in every run of the tests; `make fuzz` spoils as many as half an hour holds."""

from __future__ import annotations

from pathlib import Path

import pytest

from plantstats import simulate
from tests.fuzz import mutations
from tests.fuzz.spoiled import Counts, run_one


@pytest.fixture(scope="module")
def sound(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sound") / "records"
    simulate.make(folder, 20, 0.6, 3)
    return folder


# Every folder is checked and its plant-time built; the first is read by every page.
@pytest.mark.parametrize("begin", [0])
def test_spoiled_files_give_no_traceback_and_lose_no_row_and_no_page_in_silence(sound: Path, begin: int) -> None:
    counts = Counts()
    for number in range(begin, begin + 8):
        run_one(sound, 7, number, counts, pages=number == begin)
    assert counts.outcomes["folders"] == 8 and counts.outcomes["rows read"] > 1000
    assert counts.faults == []


def test_a_fault_of_the_program_is_found(sound: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # A list of rows set aside that loses its first row is a fault that the search must see.
    from plantstats import quality

    write = quality.write_set_aside

    def lossy(records: object, path: Path) -> Path:
        made = write(records, path)  # type: ignore[arg-type]
        lines = made.read_text(encoding="utf-8-sig").splitlines(keepends=True)
        made.write_text("".join(lines[:1] + lines[2:]), encoding="utf-8-sig")
        return made

    monkeypatch.setattr(quality, "write_set_aside", lossy)
    monkeypatch.setattr(mutations, "MUTATIONS", (mutations.rows,))
    counts = Counts()
    for number in range(3):  # up to the first that sets a row aside
        run_one(sound, 7, number, counts, pages=False)
        if counts.faults:
            break
    assert any("not whole" in fault for fault in counts.faults)
