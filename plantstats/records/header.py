"""Column heads: which row holds them, and which canonical column each one is."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import zip_longest

from plantstats.records.errors import RecordError
from plantstats.schema.tables import Table
from plantstats.schema.text import clean_text, nearest, normalize_header
from plantstats.settings import TableSettings

MOST_COLUMNS = 2000
LEAST_HITS = 2  # a row that names fewer canonical columns is a title, unless it names nothing else


@dataclass
class HeaderMap:
    """Where the canonical columns stand in a file.

    Attributes
    ----------
    columns : dict of str to list of int
        Canonical column -> positions, several only where a rule for duplicates asks for it.
    unused : list of str
        Heads that no column takes.
    faults : list of str
        Missing required columns, doubled heads, names that the settings give in vain.
    """

    columns: dict[str, list[int]] = field(default_factory=dict)
    unused: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)


def find_header(rows: list[tuple[int, list[str]]], table: Table, options: TableSettings) -> tuple[int, list[str], int]:
    """Find the header among the first rows of a file.

    Parameters
    ----------
    rows : list of (int, list of str)
        Line and cells of each.
    table : Table
    options : TableSettings
        Whose header_row names the line of the header.

    Returns
    -------
    line : int
        Of the last row of the header.
    header : list of str
        Heads as written; those merged over two rows are put together: the lower row, its gaps filled from the row
        above.
    n_above : int
        Rows above the header.

    Raises
    ------
    RecordError
        Where header_row names a line that is not there.
    """
    wanted = {normalize_header(c) for c in table.names} | {normalize_header(h) for h in options.columns.values()}

    def hits(cells: list[str]) -> int:
        return len({normalize_header(cell) for cell in cells} & wanted)

    if options.header_row is not None:
        lines = [line for line, _ in rows]
        if options.header_row not in lines:
            raise RecordError(
                [
                    f"tables.{table.name}.header_row is {options.header_row}, but none of the first {len(rows)} rows "
                    f"stands there (lines {lines[0]} to {lines[-1]}); correct it, or leave it out"
                ]
            )
        at = lines.index(options.header_row)
        return rows[at][0], rows[at][1], at
    at, most = 0, 0
    for n, (_, cells) in enumerate(rows):
        filled = sum(1 for cell in cells if cell.strip())
        if hits(cells) > most and (hits(cells) >= LEAST_HITS or hits(cells) == filled):
            at, most = n, hits(cells)
    header = rows[at][1]
    for upper in (at - 1, at):
        if 0 <= upper < len(rows) - 1:
            above, below = rows[upper][1], rows[upper + 1][1]
            both = [low if low.strip() else high for high, low in zip_longest(above, below, fillvalue="")]
            if hits(both) > most:
                at, header, most = upper + 1, both, hits(both)
    return rows[at][0], header, at


def map_header(header: list[str], table: Table, options: TableSettings) -> HeaderMap:
    """Give each canonical column its place in the file.

    Parameters
    ----------
    header : list of str
        Heads as written.
    table : Table
    options : TableSettings

    Returns
    -------
    HeaderMap
    """
    mapping = HeaderMap()
    positions: dict[str, list[int]] = {}
    for position, head in enumerate(header):
        if head.strip():
            positions.setdefault(normalize_header(head), []).append(position)
    taken: set[int] = set()
    for name in table.names:
        asked = options.columns.get(name)
        places = positions.get(normalize_header(asked if asked is not None else name), [])
        exact = [p for p in places if clean_text(header[p]) == clean_text(asked or name)]
        if asked is not None and not places:
            near = nearest(asked, [h for h in header if h.strip()], cutoff=0.5)
            mapping.faults.append(
                f"columns.{name} names {asked!r}, which is no head of the file"
                + (f"; did you mean {near!r}?" if near else "")
            )
        if asked is not None and len(exact) == 1:
            places = exact
        rule = options.duplicates.get(name)
        if len(places) > 1 and rule is None:
            shown = " and ".join(f"{header[p]!r} (column {p + 1})" for p in places)
            mapping.faults.append(
                f"{len(places)} columns could be {name}: {shown}; name one under columns, "
                f'or say duplicates.{name} = "sum", "first" or "last"'
            )
        if places:
            mapping.columns[name] = places
            taken |= set(places)
        elif name == "plant_id" and table.place and _by_place(table, positions, options):
            continue
        elif table.column(name).required:
            spare = [h for p, h in enumerate(header) if p not in taken and h.strip()]
            near = nearest(name, spare, cutoff=0.6)
            shown = ", ".join(h for h in header if h.strip())[:300]
            mapping.faults.append(
                f"no column {name}"
                + (f"; is it {near!r}?" if near else "")
                + f" (say so under tables.{table.name}.columns; heads: {shown})"
            )
    if table.either and not any(name in mapping.columns for name in table.either):
        mapping.faults.append(f"no column {' or '.join(table.either)}")
    mapping.unused = [h for p, h in enumerate(header) if p not in taken and h.strip()]
    return mapping


def _by_place(table: Table, positions: dict[str, list[int]], options: TableSettings) -> bool:
    """Whether the heads name the place of each plant, which stands for a plant id where there is none."""
    return all(normalize_header(options.columns.get(name, name)) in positions for name in table.place)
