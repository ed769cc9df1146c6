"""Random dress and random damage: tables made by hypothesis load to the same records, and no file gives a traceback.

`make fuzz` sets PLANTSTATS_FUZZ=long for a longer run.
"""

from __future__ import annotations

import csv
import io
import os
import tempfile
from dataclasses import dataclass
from datetime import date, datetime, timedelta
from pathlib import Path

import openpyxl
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from plantstats import quality, records
from plantstats.schema.faults import Code
from tests.builders.case_folder import balanced, folder

LONG = os.environ.get("PLANTSTATS_FUZZ") == "long"
BOUND = settings(
    max_examples=3000 if LONG else 40,
    deadline=None,
    derandomize=not LONG,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
    print_blob=True,
)

PLANTS = [
    "007",
    "7",
    "1E5",
    "100000",
    "NA",
    "nan",
    "None",
    "P 1",
    "Ä-1",
    "90071992547409931",
    "=1+1",
    "#4",
    "TRUE",
    "3/4",
]
# A lost quote mark and a line that looks like a record are tested apart; here every note is properly written.
LETTERS = st.text(st.sampled_from("abcXYZ é ü ß ñ 09 ,;|\t\"'<>&=+-@%$#~`"), max_size=25)
NOTES = LETTERS | st.sampled_from(['8" pot', "one\ntwo", '"', '""', "N/A", "=cmd()", " spaced "])
DAYS = st.dates(date(2015, 1, 1), date(2030, 12, 31))


@dataclass
class Visit:
    """One true visit, before it is dressed."""

    plant_id: str
    visited_on: date
    litres: float | None
    watered: bool | None
    note: str


@dataclass
class Dress:
    """How a file writes its visits."""

    kind: str
    delimiter: str
    encoding: str
    day: str
    decimal: str
    yes: str
    no: str
    end: str
    order: list[str]
    heads: dict[str, str]
    quoting: int


VISITS = st.lists(
    st.builds(
        Visit,
        st.sampled_from(PLANTS),
        DAYS,
        st.none() | st.integers(0, 499).map(lambda n: n / 10),
        st.none() | st.booleans(),
        NOTES,
    ),
    min_size=1,
    max_size=12,
)
COLUMNS = ["plant_id", "visited_on", "litres", "watered", "note", "minutes"]
DRESSES = st.builds(
    Dress,
    st.sampled_from(["csv", "csv", "csv", "xlsx", "parquet"]),
    st.sampled_from([",", ";", "\t", "|"]),
    st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "cp1252"]),
    st.sampled_from(["%Y-%m-%d", "%d/%m/%Y", "%m/%d/%Y", "%d.%m.%Y", "%Y%m%d", "%d %b %Y", "%Y-%m-%dT%H:%M"]),
    st.sampled_from([".", ","]),
    st.sampled_from(["Y", "yes", "TRUE", "1", "x"]),
    st.sampled_from(["N", "no", "FALSE", "0"]),
    st.sampled_from(["\n", "\r\n", "\r"]),
    st.permutations(COLUMNS),
    st.fixed_dictionaries({c: st.sampled_from([c, c.upper(), f" {c.replace('_', ' ')} ", f"my {c}"]) for c in COLUMNS}),
    st.sampled_from([csv.QUOTE_MINIMAL, csv.QUOTE_ALL]),
)


def cell(visit: Visit, column: str, number: int, dress: Dress) -> str:
    if column == "minutes":
        return str(number)
    value = getattr(visit, column)
    if value is None:
        return ""
    if column == "visited_on":
        return value.strftime(dress.day)
    if column == "litres":
        return f"{value:.1f}".replace(".", dress.decimal)
    if column == "watered":
        return dress.yes if value else dress.no
    return value


def dressed(place: Path, visits: list[Visit], dress: Dress) -> None:
    if dress.kind == "csv":
        text = io.StringIO()
        writer = csv.writer(text, delimiter=dress.delimiter, lineterminator="\n", quoting=dress.quoting)
        writer.writerow([dress.heads[c] for c in dress.order])
        for number, visit in enumerate(visits):
            writer.writerow([cell(visit, c, number, dress) for c in dress.order])
        (place / "visits.csv").write_bytes(text.getvalue().replace("\n", dress.end).encode(dress.encoding))
    elif dress.kind == "xlsx":
        book = openpyxl.Workbook()
        book.active.append([dress.heads[c] for c in dress.order])
        for number, visit in enumerate(visits):
            book.active.append(
                [
                    number if c == "minutes" else cell(visit, c, number, dress) if c == "watered" else getattr(visit, c)
                    for c in dress.order
                ]
            )
            for c in book.active[number + 2]:
                if isinstance(c.value, str):
                    c.data_type = "s"  # not a formula
        book.save(place / "visits.xlsx")
    else:
        table = pa.table(
            {
                dress.heads[c]: [n if c == "minutes" else getattr(v, c) for n, v in enumerate(visits)]
                for c in dress.order
            }
        )
        pq.write_table(table, place / "visits.parquet")


@BOUND
@given(VISITS, DRESSES)
def test_records_in_any_dress_are_the_same_records(visits: list[Visit], dress: Dress) -> None:
    # A day beyond the twelfth proves the order, one tenth the decimal mark.
    visits = [*visits, Visit("P9", date(2024, 12, 28), 0.5, True, "é proof")]
    with tempfile.TemporaryDirectory() as temporary:
        mapping = "\n".join(f'{c} = "{dress.heads[c]}"' for c in COLUMNS)
        place = folder(Path(temporary), records=f"[tables.visits.columns]\n{mapping}\n")
        dressed(place, visits, dress)
        made = records.load(place)
        balanced(made)
        table = made.table("visits").sort_values("minutes")
        assert table["plant_id"].tolist() == [v.plant_id for v in visits]
        assert [d.date() for d in table["visited_on"]] == [v.visited_on for v in visits]
        assert values(table["litres"]) == [v.litres for v in visits]
        assert values(table["watered"]) == [v.watered for v in visits]
        assert values(table["note"]) == [v.note if v.note.strip() else None for v in visits]


def values(column: pd.Series) -> list[object]:
    """The values of a column, None where missing."""
    return column.astype("object").where(column.notna(), None).tolist()


CHECKED: set[frozenset[tuple[str, str]]] = set()


def survives(place: Path) -> None:
    """Whatever the files hold: records whose account balances, or one refusal in words; and a text of the check.

    The check takes longer than the reading. Unless the run is long, it is made once for each set of faults that stand
    in the records and their tables, which is what its text is made of.
    """
    try:
        made, faults = records.survey(place)
        aside = made.set_aside
        kinds = frozenset(zip(aside["table"].astype("str"), aside["code"].astype("str"), strict=True))
        if LONG or (kinds and kinds not in CHECKED):
            CHECKED.add(kinds)
            text = quality.print_check(made, quality.check(made, date(2025, 6, 30)), faults)
            assert "Account" in text
    except records.RecordError as error:
        assert str(error)
        return
    assert set(made.set_aside["code"]) <= set(Code) and set(made.set_aside["scope"]) <= {"row", "cell"}
    for row in made.account.itertuples():
        assert row.rows_read == row.rows_used + row.rows_set_aside


NAMES = ["visits.csv", "visits.xlsx", "visits.parquet", "plants.csv", "replacements.csv", "records.toml", "visits.txt"]


@BOUND
@given(st.binary(max_size=400), st.sampled_from(NAMES))
def test_random_bytes_never_give_a_traceback(content: bytes, name: str) -> None:
    with tempfile.TemporaryDirectory() as temporary:
        place = folder(Path(temporary))
        (place / name).write_bytes(content)
        survives(place)


@BOUND
@given(
    st.text(st.sampled_from("P1S, ;\"'\t\n\r-/.:0123456789eEé\x00\u2028=%+"), max_size=300), st.sampled_from(NAMES[3:])
)
def test_random_text_behind_good_heads_never_gives_a_traceback(text: str, name: str) -> None:
    with tempfile.TemporaryDirectory() as temporary:
        place = folder(Path(temporary))
        heads = (place / name).read_text() if (place / name).exists() and name.endswith("csv") else ""
        (place / name).write_text(heads.split("\n")[0] + "\n" + text, encoding="utf-8", newline="")
        survives(place)


def _good_files() -> dict[str, bytes]:
    """A sound file of each kind, to be damaged."""
    with tempfile.TemporaryDirectory() as temporary:
        place = Path(temporary)
        visits = [
            Visit(f"P{n % 3 + 1}", date(2025, 3, 1) + timedelta(days=n), n / 10, n % 2 == 0, 'a "b"') for n in range(20)
        ]
        plain = Dress("csv", ",", "utf-8", "%d/%m/%Y", ".", "Y", "N", "\n", COLUMNS, {c: c for c in COLUMNS}, 0)
        for kind in ("csv", "xlsx", "parquet"):
            plain.kind = kind
            dressed(place, visits, plain)
        made = {p.name: p.read_bytes() for p in place.iterdir()}
    made["records.toml"] = (
        b'currency = "EUR"\nsmall_group = 5\n[causes]\n"x" = "pest"\n[tables.visits]\ndate_order = "dmy"\n'
        b'[tables.visits.columns]\nplant_id = "plant_id"\n[units.temp_c]\ndefault = "C"\n'
    )
    return made


GOOD = _good_files()


@BOUND
@given(st.sampled_from(sorted(GOOD)), st.data())
def test_damaged_files_never_give_a_traceback(name: str, data: st.DataObject) -> None:
    content = bytearray(GOOD[name])
    for _ in range(data.draw(st.integers(1, 4))):
        at = data.draw(st.integers(0, max(len(content) - 1, 0)))
        how = data.draw(st.sampled_from(["flip", "cut", "insert", "end"]))
        if how == "flip" and content:
            content[at] = data.draw(st.integers(0, 255))
        elif how == "cut":
            del content[at : at + data.draw(st.integers(1, 40))]
        elif how == "insert":
            content[at:at] = data.draw(st.binary(max_size=20))
        else:
            del content[at:]
    with tempfile.TemporaryDirectory() as temporary:
        place = folder(Path(temporary))
        (place / name).write_bytes(bytes(content))
        survives(place)


@pytest.mark.parametrize("moment", [datetime(2025, 3, 30, 2, 30), datetime(2025, 10, 26, 2, 30)])
def test_hours_that_a_clock_change_skips_or_doubles_are_read(tmp_path: Path, moment: datetime) -> None:
    made = records.load(
        folder(
            tmp_path,
            readings=f"site_id,read_at,rh_percent\nS1,{moment.isoformat()},40\n",
            records='timezone = "Europe/Rome"\n',
        )
    )
    assert made.table("readings")["read_at"][0] == moment
