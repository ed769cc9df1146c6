"""Column heads: which row holds them, and which canonical column each one is."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import zip_longest

from plantstats.records.errors import RecordError
from plantstats.schema.tables import Table
from plantstats.schema.words import fold_head, nearest, tidy
from plantstats.settings import TableSettings

MAX_COLUMNS = 2000
LEAST_HITS = 2  # a row that names fewer canonical columns is a title, unless it names nothing else


@dataclass
class Mapping:
    """Canonical column -> positions in the file (several only where a duplicate rule asks for it)."""

    columns: dict[str, list[int]] = field(default_factory=dict)
    unused: list[str] = field(default_factory=list)
    faults: list[str] = field(default_factory=list)


def find_heads(rows: list[tuple[int, list[str]]], table: Table, options: TableSettings) -> tuple[int, list[str], int]:
    """Find the heads among the first rows of a file.

    Takes:  rows as (line, cells); the table; its settings (header_row names the line of the heads).
    Gives:  line of the last row of heads, the heads, how many rows stand above them. Heads merged over two
            rows are put together: the lower row, its gaps filled from the row above.
    """
    wanted = {fold_head(c) for c in table.names} | {fold_head(h) for h in options.columns.values()}

    def hits(cells: list[str]) -> int:
        return len({fold_head(cell) for cell in cells} & wanted)

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
    heads = rows[at][1]
    for upper in (at - 1, at):
        if 0 <= upper < len(rows) - 1:
            above, below = rows[upper][1], rows[upper + 1][1]
            both = [low if low.strip() else high for high, low in zip_longest(above, below, fillvalue="")]
            if hits(both) > most:
                at, heads, most = upper + 1, both, hits(both)
    return rows[at][0], heads, at


def map_heads(heads: list[str], table: Table, options: TableSettings) -> Mapping:
    """Give each canonical column its place in the file.

    Takes:  heads as written; table; its settings.
    Gives:  Mapping with the faults: missing required columns, doubled heads, names the settings give in vain.
    """
    made = Mapping()
    folded: dict[str, list[int]] = {}
    for position, head in enumerate(heads):
        if head.strip():
            folded.setdefault(fold_head(head), []).append(position)
    taken: set[int] = set()
    for name in table.names:
        asked = options.columns.get(name)
        places = folded.get(fold_head(asked if asked is not None else name), [])
        exact = [p for p in places if tidy(heads[p]) == tidy(asked or name)]
        if asked is not None and not places:
            near = nearest(asked, [h for h in heads if h.strip()], cutoff=0.5)
            made.faults.append(
                f"columns.{name} names {asked!r}, which is no head of the file"
                + (f"; did you mean {near!r}?" if near else "")
            )
        if asked is not None and len(exact) == 1:
            places = exact
        rule = options.duplicates.get(name)
        if len(places) > 1 and rule is None:
            shown = " and ".join(f"{heads[p]!r} (column {p + 1})" for p in places)
            made.faults.append(
                f"{len(places)} columns could be {name}: {shown}; name one under columns, "
                f'or say duplicates.{name} = "sum", "first" or "last"'
            )
        if places:
            made.columns[name] = places
            taken |= set(places)
        elif table.column(name).required:
            spare = [h for p, h in enumerate(heads) if p not in taken and h.strip()]
            near = nearest(name, spare, cutoff=0.6)
            shown = ", ".join(h for h in heads if h.strip())[:300]
            made.faults.append(
                f"no column {name}"
                + (f"; is it {near!r}?" if near else "")
                + f" (say so under tables.{table.name}.columns; heads: {shown})"
            )
    if table.either and not any(name in made.columns for name in table.either):
        made.faults.append(f"no column {' or '.join(table.either)}")
    made.unused = [h for p, h in enumerate(heads) if p not in taken and h.strip()]
    return made
