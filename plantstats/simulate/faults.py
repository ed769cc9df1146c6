"""Plant a short list of faults in an invented company's files, and name each with its right treatment."""

from __future__ import annotations

import csv
import io
import itertools
from dataclasses import dataclass
from pathlib import Path

from plantstats.simulate.errors import DemoError


@dataclass(frozen=True)
class Fault:
    """One planted fault. `lines`: line numbers in the file (the header is line 1)."""

    name: str
    file: str
    lines: tuple[int, ...]
    text: str
    treatment: str


class _Sheet:
    """A CSV file as rows of text, to spoil by hand."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.header, *self.rows = csv.reader(io.StringIO(path.read_text(encoding="utf-8")))

    def get(self, row: int, column: str) -> str:
        return self.rows[row][self.header.index(column)]

    def column(self, column: str) -> list[str]:
        """All cells of a column."""
        return [row[self.header.index(column)] for row in self.rows]

    def put(self, row: int, column: str, text: str) -> None:
        self.rows[row][self.header.index(column)] = text

    def first(self, after: float, **wanted: object) -> int:
        """First row past this share of the file whose columns hold (callable) or equal what is wanted."""
        for row in range(int(len(self.rows) * after), len(self.rows)):
            if all(w(self.get(row, c)) if callable(w) else self.get(row, c) == w for c, w in wanted.items()):
                return row
        raise DemoError(f"{self.path.name}: no row can carry a planted fault; make the company larger")

    def fault(self, name: str, rows: tuple[int, ...], text: str, treatment: str) -> Fault:
        """A fault at these rows of this file, as lines of it."""
        return Fault(name, self.path.name, tuple(row + 2 for row in rows), text, treatment)

    def save(self) -> None:
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(self.header)
        writer.writerows(self.rows)
        self.path.write_text(out.getvalue(), encoding="utf-8", newline="\n")


def plant(folder: Path) -> list[Fault]:
    """Spoil the files of a folder in eight known ways.

    Parameters
    ----------
    folder : Path
        Holds visits.csv, plants.csv and replacements.csv of an invented company; they are written anew.

    Returns
    -------
    list of Fault
        One per planted fault, with its lines as they stand in the finished files.

    Raises
    ------
    DemoError
        When the company is too small to hold them.
    """
    visits, plants, replacements = (_Sheet(folder / f"{n}.csv") for n in ("visits", "plants", "replacements"))
    faults = [*_in_visits(visits), _in_replacements(replacements, plants), *_in_plants(plants)]
    for sheet in (visits, plants, replacements):
        sheet.save()
    return faults


def _filled(text: str) -> bool:
    return text != ""


def _in_visits(visits: _Sheet) -> list[Fault]:
    # The duplicate goes in first, at the latest place, so that the lines named before it stay true.
    row = visits.first(0.85, plant_id=_filled, watered="Y")
    visits.rows.insert(row + 1, list(visits.rows[row]))
    twice = visits.fault(
        "row exported twice", (row, row + 1), "two identical lines", "one is used, the second is set aside"
    )
    row = visits.first(0.30, plant_id=_filled, status="completed", rh_percent=_filled)
    visits.put(row, "plant_id", "P99999")
    unknown = visits.fault(
        "visit of an unknown plant", (row,), "P99999", "named and not used: plants.csv has no such plant"
    )
    row = visits.first(0.40, plant_id=_filled, status="completed", rh_percent="")
    visits.put(row, "plant_id", "")
    blank = visits.fault(
        "blank plant and site",
        (row,),
        "plant_id and site_id both empty",
        "set aside: nobody can tell what was looked at",
    )
    row = visits.first(0.50, plant_id=_filled, status="completed", rh_percent="")
    visits.put(row, "visited_on", "2025-02-30")
    date = visits.fault(
        "impossible date", (row,), "2025-02-30", "set aside: there is no such day; never moved to March"
    )
    row = visits.first(0.60, plant_id=_filled, rh_percent=_filled)
    visits.put(row, "temp_c", "72.5")
    fahrenheit = visits.fault(
        "temperature in Fahrenheit",
        (row,),
        "72.5 in temp_c",
        "that cell is set aside, likely Fahrenheit, not converted by guess; the rest of the row is used",
    )
    return [twice, unknown, blank, date, fahrenheit]


def _in_replacements(replacements: _Sheet, plants: _Sheet) -> Fault:
    installed_on = dict(zip(plants.column("plant_id"), plants.column("installed_on"), strict=True))
    known = {plant_id for plant_id, day in installed_on.items() if day}
    row = replacements.first(
        0.50, plant_id=known.__contains__, cause=lambda cause: cause.startswith("DEAD"), found_on=_filled
    )
    installed = installed_on[replacements.get(row, "plant_id")]
    replacements.put(row, "replaced_on", f"{int(installed[:4]) - 1}{installed[4:8]}15")
    return replacements.fault(
        "replaced before it was installed",
        (row,),
        f"{replacements.get(row, 'plant_id')}, installed {installed}, replaced {replacements.get(row, 'replaced_on')}",
        "named as impossible, never counted as negative days; removed_on in plants.csv tells the real end",
    )


def _in_plants(plants: _Sheet) -> list[Fault]:
    standing = [i for i in range(len(plants.rows)) if plants.get(i, "removed_on") == ""]
    one, two = next(
        (a, b)
        for a, b in itertools.pairwise(standing)
        if plants.get(a, "site_id") == plants.get(b, "site_id") and a > len(plants.rows) * 0.2
    )
    plants.put(two, "position", plants.get(one, "position"))
    position = plants.fault(
        "two plants in one position",
        (one, two),
        f"{plants.get(one, 'plant_id')} and {plants.get(two, 'plant_id')} both in "
        f"{plants.get(one, 'position')} of {plants.get(one, 'site_id')}",
        "both are used and named: one place cannot hold two at a time",
    )
    row = plants.first(0.10, species="Ficus lyrata")
    plants.put(row, "species", "Ficus lyratta")
    species = plants.fault(
        "misspelt species",
        (row,),
        "Ficus lyratta",
        "named with the likely name; a group of its own until the owner says what it is",
    )
    return [position, species]


def readme(
    listed: list[Fault], made_by: tuple[int, float, int], own_truth: bool, failure: tuple[str, str] | None
) -> str:
    """Text of the folder's README.md: what it is, how to make it again, the planted faults.

    Parameters
    ----------
    listed : list of Fault
        The planted faults.
    made_by : tuple[int, float, int]
        Plants, years, seed.
    own_truth : bool
        Whether coefficients are other than the usual ones.
    failure : tuple[str, str], optional
        Day and site of the building failure.

    Returns
    -------
    str
        Markdown.
    """
    plants, years, seed = made_by
    command = f"plantstats demo data_demo --plants {plants} --years {years:g} --seed {seed} --faults"
    if own_truth:
        command = f"simulate.make(folder, {plants}, {years:g}, {seed}, params, faults=True)  # params as in truth.toml"
    event = ""
    if failure:
        event = f"""
On {failure[0]} the heating of site {failure[1]} failed and many of its plants died at once: one event.
"""
    rows = "".join(
        f"| {i} | {f.name} | {f.file} | {', '.join(map(str, f.lines))} | {f.text} | {f.treatment} |\n"
        for i, f in enumerate(listed, 1)
    )
    return f"""\
# Records of an invented company

Clients, sites, plants, people and numbers are invented, by a program, from a seed. They are evidence for
nothing. `truth.toml` holds the coefficients from which they were drawn; `records.toml` is the settings file.

Made by this command, which gives the same bytes each time:

    {command}

Records run to 5 October 2026, so the third quarter of 2026 is the latest complete one. `plants.csv` gives
site, position and light as they were when the plant came; `moves.csv` says what changed. Lines of
`visits.csv` without a plant are for a whole site. A plant that was lost but not yet replaced when the
records end has no line in `replacements.csv` yet.
{event}
## Planted faults

Line 1 is the header.

| no. | fault | file | lines | what it looks like | right treatment |
|---|---|---|---|---|---|
{rows}"""
