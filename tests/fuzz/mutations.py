"""Ways in which files of records are spoiled: bytes, cells, columns, heads, dates, rows, tables, dress, settings."""

from __future__ import annotations

import gzip
import io
import zipfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd

TABLES = ("sites", "plants", "visits", "replacements", "contracts", "moves", "readings")
# Cells as people, programs and exports leave them.
CELLS = (
    *(
        "",
        " ",
        "\u00a0",
        "NA",
        "nan",
        "None",
        "NULL",
        "-",
        "?",
        "n/a",
        "#N/A",
        "#REF!",
        "unknown",
        "maybe",
        "few",
        "TRUE",
    ),
    *(
        "0",
        "-1",
        "1",
        "1e400",
        "-0",
        "inf",
        "1,5",
        "1.234,5",
        "1 000",
        "~2",
        "<1",
        "12+",
        "21 \u00b0C",
        "500 ml",
        "5 gal",
    ),
    *(
        "1899-12-30",
        "2026-02-30",
        "31/12/2025",
        "12/31/2025",
        "05-Jan",
        "45992",
        "9999-12-31",
        "0001-01-01",
        "2052-01-01",
    ),
    *("20260101", "2026-W05", "01.02.26", "3 M\u00e4r 2026", "2026-01-01T25:61", "2199-12-31", "0000-00-00"),
    *(
        "=1+1",
        "\uff1dcmd()",
        "@x",
        "'",
        '"',
        'a "b',
        "a,b;c\td",
        "two\nlines",
        "<b>x</b>",
        "\u4e2d\u6587",
        "\U0001f335",
        "\x07",
    ),
    *(
        "P1#1",
        "S0001 ",
        "s0001",
        "../../x",
        "C:\\x",
        "x" * 300,
        "upgrade",
        "died",
        "EUR 5",
        "USD",
        "50%",
        "0.45",
        "1904",
    ),
)
SETTINGS = (
    'plant_ids = "place"\n',
    'plant_ids = "plant"\n',
    'date_order = "mdy"\n',
    'decimal = ","\n',
    "small_group = 1\n",
    "small_group = 1000\n",
    'timezone = "Europe/Rome"\n',
    'languages = ["de", "fr"]\n',
    'hemisphere = "south"\nfiscal_year_starts = 7\n',
    "[guarantee]\nmonths = 12\n",
    "[watering]\nvisit_days = [1, 91]\n",
    "[leaf_words]\nfew = [1, 5]\n",
    '[tables.visits]\ndate_order = "dmy"\n',
    "no_such_key = 1\n",
    "[sites.S9999]\nobserved_from = 2026-01-01\n",
    "broken",
)
ENCODINGS = ("utf-8", "utf-8-sig", "utf-16", "cp1252", "latin-1", "mac_roman", "utf-16-le")
DAYS = ("%d/%m/%Y", "%m/%d/%Y", "%d.%m.%y", "%Y%m%d", "%d %b %Y", "%Y-%m-%dT08:15", "%d-%b", "%Y/%m/%d")


class Folder:
    """A folder of records on its way to being spoiled.

    Attributes
    ----------
    path : Path
    rows : dict of str to int
        Rows that each table must be said to have, where what was done leaves no doubt of it.
    done : list of str
        What was done, in words.
    """

    def __init__(self, path: Path, rng: np.random.Generator) -> None:
        self.path, self.rng = path, rng
        self.done: list[str] = []
        self.rows = {name: len(self.read(name)) for name in self.tables()}

    def tables(self) -> list[str]:
        """Tables that still stand as plain CSV files."""
        paths = {name: self.path / f"{name}.csv" for name in TABLES}
        return [name for name, path in paths.items() if path.is_file() and path.stat().st_size]

    def pick(self) -> str:
        """A table; those on which most rests come most often."""
        names = self.tables()
        weights = np.array([{"readings": 1.0, "moves": 1.0, "contracts": 1.5}.get(name, 3.0) for name in names])
        return str(self.rng.choice(names, p=weights / weights.sum()))

    def read(self, name: str) -> pd.DataFrame:
        """A table, every cell as text."""
        return pd.read_csv(self.path / f"{name}.csv", dtype="str", keep_default_na=False)

    def write(self, name: str, frame: pd.DataFrame, **how: object) -> None:
        """Put a table back, one row as one row."""
        frame.to_csv(self.path / f"{name}.csv", index=False, **how)  # type: ignore[call-overload]

    def unsure(self, name: str) -> None:
        """From here on the number of rows of a table is not known."""
        self.rows.pop(name, None)

    def some_rows(self, frame: pd.DataFrame) -> np.ndarray:
        """One row, a few, half or all of them."""
        n = int(self.rng.choice([1, 3, max(len(frame) // 2, 1), len(frame)]))
        return self.rng.choice(len(frame), min(n, len(frame)), replace=False)


Mutation = Callable[[Folder], str]


def cells(folder: Folder) -> str:
    """Some cells of a column, each or all with another text."""
    name = folder.pick()
    frame = folder.read(name)
    if not len(frame):
        return "nothing"
    column, at = str(folder.rng.choice(frame.columns)), folder.some_rows(frame)
    one = folder.rng.random() < 0.5
    texts = folder.rng.choice(CELLS, 1 if one else len(at))
    frame.loc[at, column] = texts[0] if one else texts
    folder.write(name, frame)
    if not frame.drop(columns=column).ne("").any(axis=1).all():
        folder.unsure(name)  # a row without any value is no row
    return f"{len(at)} cells of {name}.{column}: {texts[0]!r}"


def shuffled_column(folder: Folder) -> str:
    """The values of a column, each in another row."""
    name = folder.pick()
    frame = folder.read(name)
    column = str(folder.rng.choice(frame.columns))
    frame[column] = folder.rng.permutation(frame[column].to_numpy())
    folder.write(name, frame)
    return f"{name}.{column} shuffled"


def without_column(folder: Folder) -> str:
    """A column less."""
    name = folder.pick()
    frame = folder.read(name)
    column = str(folder.rng.choice(frame.columns))
    frame = frame.drop(columns=column)
    folder.write(name, frame)
    if not len(frame.columns) or not frame.ne("").any(axis=1).all():
        folder.unsure(name)
    return f"{name} without {column}"


def head(folder: Folder) -> str:
    """A head misspelt, blank, doubled, in capitals, with a unit, or swapped with another."""
    name = folder.pick()
    frame = folder.read(name)
    heads = list(frame.columns)
    at = int(folder.rng.integers(len(heads)))
    how = int(folder.rng.integers(6))
    other = int(folder.rng.integers(len(heads)))
    new = [heads[at][:-1], "", heads[other], heads[at].upper().replace("_", " "), f"{heads[at]} (in)", heads[at]][how]
    if how == 5:
        heads[other], new = heads[at], heads[other]
    heads[at] = new
    folder.write(name, frame.set_axis(heads, axis=1))
    return f"{name}: heads {heads}"


def dates(folder: Folder) -> str:
    """A column of dates written in another way, or moved by years."""
    name = folder.pick()
    frame = folder.read(name)
    columns = [c for c in frame.columns if c.endswith(("_on", "_from", "_until", "_at"))]
    if not columns:
        return "nothing"
    column = str(folder.rng.choice(columns))
    days = pd.to_datetime(frame[column], errors="coerce")
    at = folder.some_rows(frame) if len(frame) else np.array([], dtype=int)
    how = int(folder.rng.integers(len(DAYS) + 3))
    if how < len(DAYS):
        texts, what = days.dt.strftime(DAYS[how]), DAYS[how]
    elif how == len(DAYS):
        texts, what = (days - pd.Timestamp("1899-12-30")).dt.days.astype("Int64").astype("str"), "day numbers"
    else:
        years = int(folder.rng.choice([-1000, -100, -10, -1, 1, 27, 150]))
        moved = [f"{day.year + years:04d}{day:-%m-%d}" if pd.notna(day) else "" for day in days]
        texts, what = pd.Series(moved), f"{years} years"
    known = [n for n in at if pd.notna(days.iloc[n])]
    frame.loc[known, column] = texts.iloc[known].astype("str").to_numpy()
    folder.write(name, frame)
    return f"{len(known)} dates of {name}.{column} as {what}"


def rows(folder: Folder) -> str:
    """Rows doubled, doubled with a difference, lost, shuffled, or heads and totals among them."""
    name = folder.pick()
    frame = folder.read(name)
    if not len(frame):
        return "nothing"
    at = folder.some_rows(frame)
    how = int(folder.rng.integers(6))
    copies = frame.iloc[at].copy()
    if how == 1:
        copies[str(folder.rng.choice(frame.columns))] = str(folder.rng.choice(CELLS))
    if how == 3:
        copies = frame.iloc[:0]
        frame = frame.drop(index=at)
    if how == 4:
        copies = pd.DataFrame([list(frame.columns)], columns=frame.columns)
    if how == 5:
        copies = pd.DataFrame([["Total", *[""] * (len(frame.columns) - 1)]], columns=frame.columns)
    whole = pd.concat([frame, copies])
    if how == 2:
        whole = whole.sample(frac=1, random_state=int(folder.rng.integers(2**31)))
    folder.write(name, whole)
    if how in (1, 4, 5):
        folder.unsure(name)
    else:
        folder.rows[name] = len(whole)
    words = ("doubled", "doubled with a difference", "doubled and shuffled", "lost", "heads among them", "totals")
    return f"{len(at)} rows of {name} {words[how]}"


def table(folder: Folder) -> str:
    """A table missing, empty, of one row, without content, packed, or in a folder of its own."""
    name = folder.pick()
    path = folder.path / f"{name}.csv"
    how = int(folder.rng.integers(7))
    content = path.read_bytes()
    if how == 0:
        path.unlink()
        folder.unsure(name)
    elif how in (1, 2):
        frame = folder.read(name).head(how - 1)
        folder.write(name, frame)
        folder.rows[name] = len(frame)
    elif how == 3:
        path.write_bytes(b"")
        folder.unsure(name)
    else:
        path.unlink()
        folder.unsure(name)
        if how == 4:
            with zipfile.ZipFile(folder.path / f"{name}.zip", "w") as packed:
                packed.writestr(f"{name}.csv", content)
        elif how == 5:
            (folder.path / f"{name}.csv.gz").write_bytes(gzip.compress(content))
        else:
            (folder.path / "2026").mkdir(exist_ok=True)
            (folder.path / "2026" / f"{name}.csv").write_bytes(content)
    return f"{name}: " + ("gone", "heads alone", "one row", "no byte", "zipped", "gzipped", "in a folder")[how]


def dress(folder: Folder) -> str:
    """A table in another encoding, with another delimiter, other line ends, or every cell in quotes."""
    name = folder.pick()
    frame = folder.read(name)
    encoding = str(folder.rng.choice(ENCODINGS))
    delimiter = str(folder.rng.choice([",", ";", "\t", "|"]))
    end = str(folder.rng.choice(["\n", "\r\n", "\r"]))
    text = frame.to_csv(index=False, sep=delimiter, quoting=int(folder.rng.integers(2)), lineterminator=end)
    (folder.path / f"{name}.csv").write_bytes(text.encode(encoding, errors="replace"))
    content = (folder.path / f"{name}.csv").read_bytes()
    # What comes after reads the file as plain CSV; one in another dress takes no more part.
    if delimiter != "," or content != text.encode("utf-8"):
        (folder.path / f"{name}.csv").rename(folder.path / f"{name}.txt")
    return f"{name} in {encoding}, {delimiter!r}, {end!r}"


def workbook(folder: Folder) -> str:
    """A table as a workbook: cells as text, or numbers and dates as a spreadsheet has them."""
    name = folder.pick()
    frame = folder.read(name)
    book, typed = openpyxl.Workbook(), bool(folder.rng.integers(2))
    sheet = book.active
    assert sheet is not None
    if folder.rng.random() < 0.3:
        sheet.append([f"Export of {name}"])
    sheet.append(list(frame.columns))
    for row in frame.itertuples(index=False):
        sheet.append([_typed(cell) if typed else _clean(cell) for cell in row])
    if folder.rng.random() < 0.3:
        at = int(folder.rng.integers(1, sheet.max_row + 1)), int(folder.rng.integers(1, sheet.max_column + 1))
        sheet.cell(*at).value = str(folder.rng.choice(["=1/0", "=A1", "=NOW()", "#REF!", "0.5"]))
        sheet.cell(*at).number_format = str(
            folder.rng.choice(["General", "0%", "yyyy-mm-dd", "[$\u20ac] 0.00", "d-mmm"])
        )
    content = io.BytesIO()
    book.save(content)
    (folder.path / f"{name}.csv").unlink()
    (folder.path / f"{name}.xlsx").write_bytes(content.getvalue())
    folder.unsure(name)
    return f"{name} as a workbook, {'typed' if typed else 'texts'}"


def _clean(cell: str) -> str:
    return "".join(letter for letter in cell if letter.isprintable() or letter == "\n")


def _typed(cell: str) -> object:
    """A cell as a spreadsheet would take it when it is typed in."""
    day = pd.to_datetime(cell, format="%Y-%m-%d", errors="coerce")
    if pd.notna(day):
        return day.to_pydatetime()
    try:
        number = float(cell)
    except ValueError:
        return _clean(cell)
    return number if abs(number) < 1e300 else _clean(cell)


def damage(folder: Folder) -> str:
    """Bytes of any file flipped, lost, put in, or the file cut short."""
    paths = sorted(path for path in folder.path.iterdir() if path.is_file())
    path = paths[int(folder.rng.integers(len(paths)))]
    content = bytearray(path.read_bytes())
    for _ in range(int(folder.rng.integers(1, 5))):
        at, how = int(folder.rng.integers(max(len(content), 1))), int(folder.rng.integers(4))
        if how == 0 and content:
            content[min(at, len(content) - 1)] = int(folder.rng.integers(256))
        elif how == 1:
            del content[at : at + int(folder.rng.integers(1, 200))]
        elif how == 2:
            content[at:at] = folder.rng.bytes(int(folder.rng.integers(1, 30)))
        elif folder.rng.random() < 0.3:
            del content[at:]
    path.write_bytes(bytes(content))
    if path.suffix == ".csv" and path.stem in TABLES:
        folder.unsure(path.stem)
        # What comes after reads the file as plain CSV.
        path.rename(path.with_suffix(".txt"))
    return f"bytes of {path.name}"


def ids(folder: Folder) -> str:
    """Ids of a column renamed, all made one, in other letters, or those of the place kept for the successor."""
    name = folder.pick()
    frame = folder.read(name)
    columns = [c for c in frame.columns if c.endswith("_id") or c == "replaced_by"]
    if not columns or not len(frame):
        return "nothing"
    column, how = str(folder.rng.choice(columns)), int(folder.rng.integers(4))
    at = folder.some_rows(frame)
    if how == 0:
        frame.loc[at, column] = "X" + frame.loc[at, column]
    elif how == 1:
        frame.loc[at, column] = frame[column].iloc[0]
    elif how == 2:
        frame.loc[at, column] = frame.loc[at, column].str.lower()
    elif (folder.path / "replacements.csv").is_file() and "replacements" in folder.tables():
        return _places(folder)
    folder.write(name, frame)
    return f"{len(at)} ids of {name}.{column}: " + ("with an X", "all one", "small letters", "as they are")[how]


def _places(folder: Folder) -> str:
    """Every successor under the id of the plant before it."""
    lost = folder.read("replacements")
    if not {"plant_id", "replaced_by"} <= set(lost.columns):
        return "nothing"
    first = {new: old for old, new in zip(lost["plant_id"], lost["replaced_by"], strict=True) if new and new != old}

    def place(plant: str) -> str:
        seen: set[str] = set()
        while plant in first and plant not in seen:
            seen.add(plant)
            plant = first[plant]
        return plant

    for name in ("plants", "visits", "moves", "replacements"):
        if name in folder.tables():
            frame = folder.read(name)
            if "plant_id" in frame:
                frame["plant_id"] = frame["plant_id"].map(place)
            if name == "replacements":
                frame["replaced_by"] = ""
            folder.write(name, frame)
    return "ids stay with the place"


def settings(folder: Folder) -> str:
    """Settings of another kind, sound or broken."""
    chosen = [str(text) for text in folder.rng.choice(SETTINGS, int(folder.rng.integers(1, 3)), replace=False)]
    # Keys of the top stand before the first section.
    text = "".join(sorted(chosen, key=lambda part: part.startswith("[")))
    (folder.path / "records.toml").write_text(text, encoding="utf-8")
    return f"settings {text!r}"


MUTATIONS: tuple[Mutation, ...] = (
    *(cells, cells, cells, cells),
    *(dates, dates, dates),
    *(rows, rows, ids, ids),
    *(table, table, without_column, without_column),
    *(shuffled_column, head, dress, workbook, damage, settings),
)


def spoil(path: Path, rng: np.random.Generator) -> Folder:
    """Spoil the files of a folder in one to four ways.

    Parameters
    ----------
    path : Path
        A folder of sound records in plain CSV.
    rng : numpy.random.Generator

    Returns
    -------
    Folder
        What was done, and how many rows each table has now.
    """
    folder = Folder(path, rng)
    for _ in range(int(rng.integers(1, 5))):
        if folder.tables():
            folder.done.append(MUTATIONS[int(rng.integers(len(MUTATIONS)))](folder))
    return folder
