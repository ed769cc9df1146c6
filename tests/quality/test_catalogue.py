"""The catalogue of faults: whatever records can say has an entry, and each entry is reached by records that have it."""

from __future__ import annotations

import ast
import io
import re
from datetime import date
from pathlib import Path

import openpyxl
import pytest

import plantstats
from plantstats import quality
from plantstats.schema.faults import Code
from tests.builders.case_folder import folder, load

AS_OF = date(2025, 6, 30)
ROOMS = [Path(plantstats.__file__).parent / room for room in ("schema", "records")]
SITES = "site_id,client_id,planned_visit_days\nS1,C1,\nS2,C1,\n"
PLANT = "plant_id,site_id,position,species,installed_on,removed_on,quantity,guarantee_until,cost,pot_cm\n"
P1 = "P1,S1,A1,Ficus lyrata,2025-01-06,,,,,\n"
REPLACED = "plant_id,replaced_on,found_on,cause,replaced_by,quantity\n"
VISIT = "plant_id,site_id,visited_on,condition,temp_c,litres,leaves_dropped,watered,minutes,note\n"
P1_LOST = "P1,2025-03-01,,died,,\n"


def workbook(*rows: list[object]) -> bytes:
    book = openpyxl.Workbook()
    for row in rows:
        book.active.append(row)
    content = io.BytesIO()
    book.save(content)
    return content.getvalue()


def plants(*rows: str) -> dict[str, str | bytes]:
    return {"plants": PLANT + "".join(f"{row}\n" for row in rows)}


def visits(*rows: str) -> dict[str, str | bytes]:
    return {"visits": VISIT + "".join(f"{row}\n" for row in rows)}


def lost(*rows: str) -> dict[str, str | bytes]:
    return {"replacements": REPLACED + "".join(f"{row}\n" for row in rows)}


def daily(column: int, values: list[str]) -> dict[str, str | bytes]:
    """A visit to P1 every day to the 29th of June, with one of its cells filled."""
    rows = []
    for n, value in enumerate(reversed(values)):
        cells = ["P1", "", date.fromordinal(AS_OF.toordinal() - 1 - n).isoformat(), *[""] * 7]
        cells[column] = value
        rows.append(",".join(cells))
    return visits(*reversed(rows))


# Code -> tables that have this fault and no other.
CASES: dict[str, dict[str, str | bytes]] = {
    Code.RAGGED_ROW: visits("P1,,2025-03-06,3"),
    Code.LOST_QUOTE: visits('P1,,2025-03-06,3,,,,,,"never closed'),
    Code.MISSING_VALUE: visits(",,2025-03-06,3,,,,,,"),
    Code.REPEATED_HEADER: {"sites": SITES + SITES.split("\n", maxsplit=1)[0] + "\n"},
    Code.TOTALS_ROW: visits("Total,,,3,,,,,,"),
    Code.UNREADABLE_DATE: visits("P1,,2025-02-30,3,,,,,,"),
    Code.PLACEHOLDER_DATE: plants("P1,S1,A1,Ficus lyrata,1900-01-01,,,,,"),
    Code.NOT_A_NUMBER: visits("P1,,2025-03-06,good,,,,,,"),
    Code.ESTIMATE: visits("P1,,2025-03-06,3,,~2,,,,"),
    Code.UNKNOWN_LEAF_WORD: visits("P1,,2025-03-06,3,,,few,,,"),
    Code.OTHER_DECIMAL_MARK: {
        **visits('P1,,2025-03-06,3,,"0,5",,,,', "P1,,2025-03-07,3,,0.5,,,,"),
        "records": '[tables.visits]\ndecimal = "."\n',
    },
    Code.FRACTION: visits("P1,,2025-03-06,3.5,,,,,,"),
    Code.NUMBER_TURNED_DATE: {
        "visits__xlsx": workbook(["plant_id", "visited_on", "litres"], ["P1", date(2025, 3, 6), date(2025, 5, 1)])
    },
    Code.BEYOND_LIMITS: visits("P1,,2025-03-06,6,,,,,,"),
    Code.UNCLEAR_UNIT: visits("P1,,2025-03-06,3,,1 gal,,,,"),
    Code.UNKNOWN_UNIT: visits("P1,,2025-03-06,3,,1 cup,,,,"),
    Code.OTHER_CURRENCY: plants("P1,S1,A1,Ficus lyrata,2025-01-06,,,,USD 30,"),
    Code.UNKNOWN_CODE: visits("P1,,2025-03-06,3,,,,perhaps,,"),
    Code.SPREADSHEET_ERROR: visits("P1,,2025-03-06,3,,#DIV/0!,,,,"),
    Code.DOUBTFUL_ID: {
        "visits__xlsx": workbook(["plant_id", "visited_on"], ["P1", date(2025, 3, 6)], [1.5, date(2025, 3, 6)])
    },
    Code.DUPLICATE_KEY: plants("P1,S1,A1,Ficus lyrata,2025-01-06,,,,,", "P1,S1,A2,Ficus lyrata,2025-01-06,,,,,"),
    Code.SAME_LINE_TWICE: visits("P1,,2025-03-06,3,,,,,,", "P1,,2025-03-06,3,,,,,,"),
    Code.SENT_TWICE: visits("P1,,2025-03-06 08:15,3,,,,,,", "P1,,2025-03-06 08:18,3,,,,,,"),
    "replaced_before_installed": lost("P1,2025-01-01,,died,,"),
    "found_after_replaced": lost("P1,2025-03-01,2025-03-05,died,,"),
    "entered_before_found": {
        "replacements": "plant_id,replaced_on,found_on,entered_on,cause\nP1,2025-03-09,2025-03-05,2025-03-01,died\n"
    },
    "removed_before_installed": plants("P1,S1,A1,Ficus lyrata,2025-01-06,2024-12-01,,,,"),
    "guarantee_before_installed": plants("P1,S1,A1,Ficus lyrata,2025-01-06,,,2024-06-01,,"),
    "contract_ends_before_start": {"contracts": "client_id,starts_on,ends_on\nC1,2025-01-01,2024-01-01\n"},
    "two_in_one_position": plants("P1,S1,A1,Ficus lyrata,2025-01-06,,,,,", "P4,S1,A1,Ficus lyrata,2025-03-06,,,,,"),
    "chain_circle": {
        **plants("P1,S1,,Ficus lyrata,2025-03-01,,,,,", "P4,S1,,Ficus lyrata,2025-03-01,,,,,"),
        **lost("P1,2025-03-20,,died,P4,", "P4,2025-03-20,,died,P1,"),
    },
    "chain_self": lost("P1,2025-03-01,,died,P1,"),
    "chain_unknown": lost("P1,2025-03-01,,died,P99,"),
    "chain_shared": {
        **plants(
            "P1,S1,,Ficus lyrata,2025-01-06,,,,,",
            "P2,S1,,Ficus lyrata,2025-01-06,,,,,",
            "P4,S1,,Ficus lyrata,2025-03-01,,,,,",
        ),
        **lost("P1,2025-03-01,,died,P4,", "P2,2025-03-01,,died,P4,"),
    },
    "chain_jump": {
        **plants("P1,S1,A1,Ficus lyrata,2025-01-06,,,,,", "P4,S1,A9,Ficus lyrata,2025-03-01,,,,,"),
        **lost("P1,2025-03-01,,died,P4,"),
    },
    "chain_gap": {
        **plants("P1,S1,A1,Ficus lyrata,2025-01-06,,,,,", "P4,S1,A1,Ficus lyrata,2025-06-01,,,,,"),
        **lost("P1,2025-03-01,,died,P4,"),
    },
    "replaced_twice": lost(P1_LOST.strip(), "P1,2025-04-01,,pest,,"),
    "more_lost_than_there": {
        **plants("P1,S1,,Ficus lyrata,2025-01-06,,3,,,"),
        **lost("P1,2025-03-01,,died,,2", "P1,2025-04-01,,died,,2"),
    },
    "visit_before_installed": visits("P1,,2025-01-05,,,,,,,"),
    "visit_after_removal": {
        **plants("P1,S1,A1,Ficus lyrata,2025-01-06,2025-03-05,,,,"),
        **visits("P1,,2025-03-06,,,,,,,"),
    },
    "still_visited": {**lost(P1_LOST.strip()), **visits("P1,,2025-03-06,,,,,,,")},
    "orphan_plant": visits("P99,,2025-03-06,,,,,,,"),
    "orphan_site": plants("P1,S9,A1,Ficus lyrata,2025-01-06,,,,,"),
    "orphan_client": {"contracts": "client_id,starts_on\nC9,2025-01-01\n"},
    "far_future": visits("P1,,2052-03-06,,,,,,,"),
    "after_the_cut": visits("P1,,2025-07-06,,,,,,,"),
    "second_visit": visits("P1,,2025-03-06,3,,,,,,", "P1,,2025-03-06,4,,,,,,"),
    "removed_and_replaced": {**plants("P1,S1,A1,Ficus lyrata,2025-01-06,2025-03-05,,,,"), **lost(P1_LOST.strip())},
    "visit_elsewhere": visits("P1,S2,2025-03-06,,,,,,,"),
    "silent_swap": visits("P1,,2025-03-06,2,,,,,,", "P1,,2025-03-13,5,,,,,,"),
    "missed_visits": {
        **visits("P1,,2025-03-06,,,,,,,", "P1,,2025-03-26,,,,,,,"),
        "sites": SITES.replace("S1,C1,", "S1,C1,7"),
    },
    "never_visited": {
        **plants("P1,S1,A1,Ficus lyrata,2025-01-06,,,,,", "P2,S1,A2,Ficus lyrata,2025-01-06,,,,,"),
        **visits("P1,,2025-04-06,3,,,,,,"),
    },
    "heaped_readings": daily(8, ["5", "10", "15", "20"] * 30),
    # Of 112 days with a visit the last 23 have none.
    "late_entry": {"visits": "\n".join(str(daily(3, ["3"] * 112)["visits"]).split("\n")[:-24]) + "\n"},
    "unusual_value": visits("P1,,2025-03-06,3,39,,,,,"),
    # Of two numbers beyond the limits, the mean of the one that counts would move.
    "moved_mean": visits("P1,,2025-03-06,,,500,,,,", "P1,,2025-03-13,,,1,,,,"),
    "old_plant": plants(*(f"P{n},S1,,Ficus lyrata,{y}-01-06,,,,," for n, y in enumerate((2025, 2025, 1985)))),
    "records_begin_late": {
        **plants(*(f"P{n},S1,,Ficus lyrata,2024-01-06,,,,," for n in (1, 2))),
        **visits("P1,,2025-03-06,,,,,,,", "P2,,2025-03-06,,,,,,,"),
    },
    "unknown_cause": lost("P1,2025-03-01,,zapped,,"),
    "unknown_species": plants("P1,S1,A1,Ficus lyratta,2025-01-06,,,,,"),
}
# The mean moves because a value was set aside, so that fault stands beside it.
TOGETHER = {"moved_mean": {"moved_mean", Code.BEYOND_LIMITS}}


def test_every_entry_of_the_catalogue_is_reached_by_a_case() -> None:
    assert set(CASES) == set(quality.CATALOGUE)


@pytest.mark.parametrize("code", list(quality.CATALOGUE))
def test_each_fault_is_named_by_its_code_and_alone(tmp_path: Path, code: str) -> None:
    tables = {"sites": SITES, "plants": PLANT + P1, "replacements": REPLACED} | CASES[code]
    found = quality.check(load(folder(tmp_path, **tables)), AS_OF)
    assert set(found["code"]) == TOGETHER.get(code, {code})
    assert list(found.columns) == list(quality.COLUMNS)
    title, severity, remedy, _ = quality.CATALOGUE[code]
    assert severity in ("impossible", "suspected") and found["remedy"].eq(quality.CATALOGUE[found["code"][0]].remedy)[0]
    assert title and remedy


def test_whatever_records_can_say_has_an_entry_in_the_catalogue() -> None:
    """Each reason stands in a `Fault` beside a `Code`, which mypy holds; each code is used and has an entry."""
    used = {
        node.attr
        for room in ROOMS
        for path in sorted(room.rglob("*.py"))
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "Code"
    }
    assert used == {code.name for code in Code}
    assert set(Code) <= set(quality.CATALOGUE)


def test_every_code_that_a_rule_across_tables_writes_has_an_entry() -> None:
    written = set()
    for path in sorted((Path(plantstats.__file__).parent / "quality").glob("*.py")):
        source = path.read_text(encoding="utf-8")
        written |= set(re.findall(r"'([a-z_]+)' as code", source)) | set(re.findall(r"format\(\"'([a-z_]+)'", source))
    assert len(written) > 15
    assert written <= set(quality.CATALOGUE)


def test_a_number_that_became_a_date_is_not_told_to_mend_its_date_order(tmp_path: Path) -> None:
    tables = {"sites": SITES, "plants": PLANT + P1, "replacements": REPLACED} | CASES[Code.NUMBER_TURNED_DATE]
    found = quality.check(load(folder(tmp_path, **tables)), AS_OF)
    assert found["remedy"].tolist() == ["format the column as a number and enter the value again"]
