"""A first records.toml for a folder, with what could be seen in its files; the user finishes it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from plantstats.records.cast import with_lines
from plantstats.records.detect import open_file
from plantstats.records.errors import RecordError
from plantstats.records.find import Source, find_files, table_files
from plantstats.records.header import find_header, map_header
from plantstats.records.parse import Context, Parsed, parse_column, strip_marker
from plantstats.records.scan import DictionaryColumn, record_test
from plantstats.schema.causes import CAUSES, map_cause
from plantstats.schema.faults import Code
from plantstats.schema.tables import TABLES, Table
from plantstats.schema.text import clean_text, nearest, normalize_header
from plantstats.settings import Settings, TableSettings

MOST_WORDS = 40  # codes of one column that are listed
FILE = "records.toml"


def propose_settings(folder: Path | str) -> Path:
    """Write a proposal for records.toml.

    Parameters
    ----------
    folder : Path or str
        Of the records.

    Returns
    -------
    Path
        Of the written file: records.toml, or records.proposed.toml where there is one already.

    Raises
    ------
    RecordError
        Where both stand there already; nothing is ever overwritten.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise RecordError([f"{folder} is not a folder"])
    path = next((folder / name for name in (FILE, "records.proposed.toml") if not (folder / name).exists()), None)
    if path is None:
        raise RecordError([f"{folder} holds {FILE} and records.proposed.toml already; move one away"])
    text = "\n".join([*_top(), *_tables(folder)]) + "\n"
    with path.open("x", encoding="utf-8") as file:
        file.write(text)
    return path


def _top() -> Iterator[str]:
    defaults = Settings()
    starts, ends = defaults.heating_season
    yield from (
        "# Settings of the records in this folder. A line that begins with # says nothing: take the # away to use it.",
        "# Everything here was seen in the files or is the default; nothing in this file is ever run.",
        "",
        '# company = "..."',
        f'currency = "{defaults.currency}"            # ISO 4217; all money is in this currency',
        f"wage_per_hour = {defaults.wage_per_hour}       # labour, in that currency",
        f"visit_cost = {defaults.visit_cost}          # travel per visit",
        f"fiscal_year_starts = {defaults.fiscal_year_starts}      # month",
        f'hemisphere = "{defaults.hemisphere}"',
        f'heating_season = {{ starts = "{starts[0]:02d}-{starts[1]:02d}", ends = "{ends[0]:02d}-{ends[1]:02d}" }}'
        "  # first day, and the day after the last",
        f"small_group = {defaults.small_group}             # groups of fewer plants are not shown",
        f'light_scheme = "{defaults.light_scheme}"    # light_lux to band; the published schemes differ',
        '# gallon = "us"              # or "imperial", where volumes are written in gallons or fluid ounces',
        "",
    )


def _tables(folder: Path) -> Iterator[str]:
    causes: list[str] = []
    words: list[str] = []
    for table in TABLES.values():
        paths = [path for path in table_files(folder) if normalize_header(path.stem) == table.name and path.is_file()]
        parts = [] if paths else _parts(folder, table)
        if len(paths) != 1 and not parts:
            yield from _absent(table, [p.name for p in paths], folder)
            continue
        seen = parts[0].path if parts else paths[0]
        yield f"[tables.{table.name}]"
        yield f"file = {_quoted(parts[0].parts.name if parts and parts[0].parts else seen.name)}"
        if parts:
            yield _comment(f"as seen in {seen.relative_to(folder).as_posix()}, the first of {len(parts)} parts")
        try:
            body, unmapped, strange = _one(seen, folder, table)
        except RecordError as error:
            yield from (_comment(line) for line in error.faults)
        else:
            causes += [c for c in unmapped if c not in causes]
            words += [w for w in strange if w not in words]
            yield from body
        yield ""
    if words:
        yield "# Words in counts of leaves, and from how many to how many leaves each means; else they are set aside."
        yield "[leaf_words]"
        yield from (f"# {_quoted(word)} = [least, most]" for word in words[:MOST_WORDS])
        yield ""
    yield "# Raw code to cause, and which are losses. Outcomes: died, declined (both are losses), client, withdrawn."
    yield f"# Causes: {', '.join(CAUSES)}."
    yield "[causes]"
    for raw in causes[:MOST_WORDS]:
        mapped = map_cause(raw, {})
        known = mapped or ("unknown", "declined")
        mark = "" if mapped else "# "
        yield f"{mark}{_quoted(raw)} = {{ cause = {_quoted(known[0])}, outcome = {_quoted(known[1])} }}"


def _parts(folder: Path, table: Table) -> list[Source]:
    """Parts of a table, where a folder of its name holds some that can be used."""
    try:
        return find_files(folder, table, TableSettings())
    except RecordError:
        return []


def _absent(table: Table, names: list[str], folder: Path) -> Iterator[str]:
    others = [path.name for path in table_files(folder)]
    near = nearest(table.name, [Path(n).stem for n in others], cutoff=0.6)
    likely = next((n for n in others if Path(n).stem == near), None)
    text = f"several files: {', '.join(names)}" if names else "no file of this name"
    yield f"# [tables.{table.name}]                 # {text}" + (" (required)" if table.must_exist else "")
    yield f"# file = {_quoted(likely or (names[0] if names else table.name + '.csv'))}"
    yield ""


def _one(path: Path, folder: Path, table: Table) -> tuple[list[str], list[str], list[str]]:
    """The lines of one table, the raw causes that it holds, and its words for counts of leaves."""
    options = TableSettings()
    file = open_file(path, folder, table, options)
    rows = file.preview()
    if not rows:
        raise RecordError([f"{file.name} holds no rows"])
    line, header, _ = find_header(rows, table, options)
    lines = [_comment(text) for _, text in file.notes]
    mapping = map_header(header, table, options)
    guesses = {
        name: near
        for name in table.names
        if name not in mapping.columns
        and (near := nearest(name, [h for h in mapping.unused if h.strip()], cutoff=0.65)) is not None
    }
    wanted = {p: True for name, places in mapping.columns.items() if table.column(name).kind != "text" for p in places}
    coded = {p: DictionaryColumn() for p in wanted}
    for block in file.blocks(line, len(header), wanted, record_test(table, mapping.columns, len(header))):
        for place in wanted:
            coded[place].add(block.columns[place], block.lines)
    codes: list[str] = []
    causes: list[str] = []
    words: list[str] = []
    for name, places in mapping.columns.items():
        for place in (p for p in places if p in coded):
            column = table.column(name)
            context = Context(column, options, Settings(), file.epoch, coded[place].counts, None, header[place])
            texts = coded[place].texts
            parsed = parse_column(texts, context)
            lines += [_comment(with_lines(q.text, texts, coded[place].first_lines)) for q in parsed.ambiguities]
            if any(q.setting == "date_order" for q in parsed.ambiguities):
                lines.append('# date_order = "dmy"        # or "mdy", "ymd"')
            if column.kind == "cause":
                causes += [clean_text(t) for t in texts if clean_text(t)]
            elif column.between:
                words += [
                    clean_text(strip_marker(t))
                    for t, fault in zip(texts, parsed.faults, strict=True)
                    if fault and fault.code is Code.UNKNOWN_LEAF_WORD
                ]
            elif column.kind in ("word", "flag", "light"):
                codes += _codes(table, name, texts, parsed)
            elif column.kind == "species":
                lines += [
                    _comment(with_lines(text, texts, coded[place].first_lines))
                    for kind, _, text in parsed.notes
                    if kind == "unknown species"
                ]
    lines += ["", f"[tables.{table.name}.columns]", "# canonical column = your head"]
    lines += [f"{name} = {_quoted(header[places[0]])}" for name, places in mapping.columns.items()]
    lines += [f"# {name} = {_quoted(near)}        # a guess" for name, near in guesses.items()]
    lines += [f"# not used: {_quoted(head)}" for head in mapping.unused]
    return lines + codes, causes, words


def _codes(table: Table, name: str, texts: list[str], parsed: Parsed) -> list[str]:
    strange = [t for t, fault in zip(texts, parsed.faults, strict=True) if fault]
    if not strange:
        return []
    column = table.column(name)
    allowed = {"flag": "true, false", "light": "low, medium, high, sun, unknown"}.get(
        column.kind, ", ".join(word for word, _ in column.words)
    )
    return [
        "",
        f"[tables.{table.name}.codes.{name}]",
        f"# your code = one of: {allowed}",
        *(f'# {_quoted(text)} = "..."' for text in strange[:MOST_WORDS]),
    ]


def _comment(text: str) -> str:
    """A comment of one line, whatever the data hold."""
    return "# " + "".join(letter if letter.isprintable() else " " for letter in text)


def _quoted(text: str) -> str:
    """Text as a TOML string on one line."""
    out = []
    for letter in text:
        if letter in '"\\':
            out.append("\\" + letter)
        elif letter.isprintable():
            out.append(letter)
        else:
            out.append(f"\\u{ord(letter):04x}" if ord(letter) < 0x10000 else f"\\U{ord(letter):08x}")
    return '"' + "".join(out) + '"'
