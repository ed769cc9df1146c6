"""Numbers: decimal mark and thousands proved by the column, units by cell or setting, limits by the contract."""

from __future__ import annotations

import math
import re
from typing import Any

from plantstats.records.parse.context import DATE_CELL, MISSING, NUMBER_CELL, Context, Parsed, strip_marker
from plantstats.schema.faults import Ambiguity, Code, Fault
from plantstats.schema.text import clean_text, normalize_header, normalize_key
from plantstats.schema.units import TABLE_UNIT, convert, unit_of_header, written_unit

PATTERN = re.compile(
    r"(?P<sign>[-+\u2212]?)\s*(?P<body>\d[\d.,'\u2019 ]*\d|\d|[.,]\d+)(?P<exp>[eE][-+]?\d{1,3})?\s*(?P<unit>.*)$"
)
ABOUT = re.compile(r"^\s*(?:[~<>≈±≤≥]|ca\.?|approx|about|circa)|\d\s*\+\s*$|^\d+\s*(?:-|to|–)\s*\d+$", re.IGNORECASE)
CURRENCY = re.compile(r"^(?P<sign>[-+]?)\s*(?P<mark>[$€£¥₹]|[A-Z]{3}\b)\s*")
SYMBOLS = {
    "$": ("USD", "CAD", "AUD", "NZD", "SGD", "HKD"),
    "€": ("EUR",),
    "£": ("GBP",),
    "¥": ("JPY", "CNY"),
    "₹": ("INR",),
}
# Units that a whole column can prove: no value can be in the table's unit, each is usual in this one.
# Air in buildings, 51 to 110 degrees Fahrenheit (11 to 43 C); humidity as a share (common practice, no source).
PROVABLE = {"temperature": ("F", 51.0, 110.0), "percent": ("share", 0.0, 1.0)}
LEAST_EVIDENCE = 10  # rows
NOT_A_NUMBER = Fault(Code.NOT_A_NUMBER, "not a number")
ESTIMATE = Fault(Code.ESTIMATE, "a limit or an estimate, not one number")
DATE_FOR_NUMBER = Fault(
    Code.NUMBER_TURNED_DATE, "not a number but a date cell: spreadsheets turn entries such as 1.5 into dates"
)
GROUPED = re.compile(r"\d{1,3}(?:(?P<mark>[.,' \u2019])\d{3})(?:(?P=mark)\d{3})*$")


def readings(body: str) -> dict[str, float]:
    """Values of a written number under each decimal mark that fits it; empty where neither does.

    Parameters
    ----------
    body : str
        Without unit.

    Returns
    -------
    dict of str to float
        Decimal mark to value.

    Examples
    --------
    >>> readings("1.234,5"), readings("1,5")
    ({',': 1234.5}, {',': 1.5})
    >>> readings("1.234")
    {'.': 1.234, ',': 1234.0}
    """
    if body.isdigit():
        value = float(body)
        return {".": value, ",": value}
    values_by_mark = {}
    for decimal in (".", ","):
        whole, _, fraction = body.partition(decimal)
        if fraction and not fraction.isdigit():
            continue
        marks = {mark for mark in whole if not mark.isdigit()}
        if (
            decimal in marks
            or (marks and not (len(marks) == 1 and GROUPED.match(whole)))
            or (decimal in body and not fraction)
        ):
            continue
        digits = "".join(d for d in whole if d.isdigit())
        values_by_mark[decimal] = float(f"{digits or '0'}.{fraction or '0'}")
    return values_by_mark


def marks_proved(texts: list[str]) -> set[str]:
    """Decimal marks under which every number of the texts can be read; evidence for a whole file.

    Parameters
    ----------
    texts : list of str
        Distinct texts of a column.

    Returns
    -------
    set of str
    """
    left = {".", ","}
    for text in texts:
        match = PATTERN.match(clean_text(text))
        if match and not text.startswith(NUMBER_CELL):
            fits = set(readings(match["body"]))
            if fits:
                left &= fits
    return left


def parse_numbers(texts: list[str], context: Context) -> Parsed:
    """Parse the different texts of a number column.

    Parameters
    ----------
    texts : list of str
        Each once.
    context : Context
        With decimal mark, units and limits.

    Returns
    -------
    Parsed
        Floats, or whole numbers for a column of counts; `by` holds other readings where the unit hangs on another
        column.
    """
    parsed = Parsed.blank(len(texts))
    seen: dict[int, tuple[dict[str, float], float, str]] = {}
    for n, raw in enumerate(texts):
        text = clean_text(raw)
        if text.startswith(DATE_CELL):
            parsed.faults[n] = DATE_FOR_NUMBER
            continue
        if text.startswith(NUMBER_CELL):
            shown = text[1:].removesuffix("%")
            seen[n] = ({"": float(shown)}, 1.0, "%" if text.endswith("%") else "")
            continue
        if text.casefold() in MISSING:
            continue
        if ABOUT.search(text):
            parsed.faults[n] = ESTIMATE
            continue
        text = _without_currency(n, text, context, parsed)
        match = PATTERN.match(text) if parsed.faults[n] is None else None
        values = readings(match["body"]) if match else {}
        if match is None or not values:
            parsed.faults[n] = parsed.faults[n] or NOT_A_NUMBER
            continue
        sign = -1.0 if match["sign"] in ("-", "\u2212") else 1.0
        seen[n] = (values, sign * float("1" + (match["exp"] or "")), match["unit"].strip())
    mark = _decimal(texts, seen, context, parsed)
    if mark is None:
        return parsed
    _note_style(texts, seen, mark, context, parsed)
    numbers: dict[int, tuple[float, str]] = {}
    for n, (values, factor, unit) in seen.items():
        if mark in values or "" in values:
            numbers[n] = (values.get(mark, values.get("", 0.0)) * factor, unit)
        else:
            parsed.faults[n] = Fault(Code.OTHER_DECIMAL_MARK, f"not a number with decimal mark {mark!r}")
    return _with_units(texts, numbers, context, parsed)


def _without_currency(n: int, text: str, context: Context, parsed: Parsed) -> str:
    if context.column.unit != "money":
        return text
    own = context.settings.currency
    front = CURRENCY.match(text)
    back = re.search(r"\s*(?P<mark>[$€£¥₹]|[A-Z]{3})$", text)
    for match in (front, back):
        if match is None:
            continue
        if match["mark"] != own and own not in SYMBOLS.get(match["mark"], ()):
            parsed.faults[n] = Fault(Code.OTHER_CURRENCY, f"currency {match['mark']} is not the {own} of the settings")
            return text
        text = match["sign"] + text[match.end() :] if match is front else text[: match.start()]
    return text


def _decimal(texts: list[str], seen: dict[int, Any], context: Context, parsed: Parsed) -> str | None:
    if context.table.decimal:
        return context.table.decimal
    if context.table.thousands in (".", ","):
        return "," if context.table.thousands == "." else "."
    left = {".", ","}
    evidence: dict[str, int] = {}
    for n, (values, _, _) in seen.items():
        if "" in values:
            continue
        left &= set(values)
        if len(values) == 1:
            evidence.setdefault(next(iter(values)), n)
    if not left:
        text = (
            f"column {context.column.name}: @{evidence['.']}@ has a decimal point but @{evidence[',']}@ a "
            "decimal comma; set decimal, cells that do not fit are then set aside"
        )
        parsed.ambiguities.append(Ambiguity("decimal", text))
        return None
    doubtful = [n for n, (values, _, _) in seen.items() if len(set(values.values())) > 1]
    if len(left) > 1 and doubtful:
        if context.decimal is None:
            text = (
                f"column {context.column.name}: @{doubtful[0]}@ may have a decimal mark or a thousands mark, and "
                "nothing in the file proves which; set decimal"
            )
            parsed.ambiguities.append(Ambiguity("decimal", text))
            return None
        return context.decimal
    return context.decimal if context.decimal in left else sorted(left)[-1]


def _note_style(texts: list[str], seen: dict[int, Any], mark: str, context: Context, parsed: Parsed) -> None:
    """Name the decimal mark wherever one was read, and what says so."""
    name = {".": "point", ",": "comma"}[mark]
    marked = [n for n, (values, _, _) in seen.items() if mark in values and not strip_marker(texts[n]).isdigit()]
    if not marked:
        return
    evidence = next((n for n in marked if len(seen[n][0]) == 1), None)
    if context.table.decimal or context.table.thousands in (".", ","):
        why = "by the settings"
    else:
        why = "as other columns of the file prove" if evidence is None else f"as @{evidence}@ proves"
    parsed.notes.append(("number style", marked, f"numbers with a decimal {name}, {why}"))


def _with_units(texts: list[str], numbers: dict[int, tuple[float, str]], context: Context, parsed: Parsed) -> Parsed:
    column = context.column
    dimension = column.unit or ""
    table_unit = TABLE_UNIT.get(dimension, "")
    written: dict[str, list[int]] = {}
    bare: dict[int, float] = {}
    for n, (value, unit) in numbers.items():
        if not unit:
            bare[n] = value
            continue
        name = written_unit(normalize_key(unit), dimension, context.settings.gallon)
        if isinstance(name, Fault):
            parsed.faults[n] = name
            continue
        written.setdefault(name, []).append(n)
        _set(parsed.values, parsed.faults, n, convert(value, dimension, name), context)
    for name, rows in written.items():
        read_as = "the table's unit" if name == table_unit else f"turned into {table_unit}"
        parsed.notes.append(("unit", rows, f"numbers written with the unit {name}: {read_as}"))
    default, evidence = _unit_of_bare(bare, context)
    for n, value in bare.items():
        _set(parsed.values, parsed.faults, n, convert(value, dimension, default) if table_unit else value, context)
    if bare and default != table_unit:
        text = f"numbers without a unit read as {default} ({evidence}), turned into {table_unit}"
        parsed.notes.append(("unit", list(bare), text))
    given = context.settings.units.get(column.name)
    for condition, units in (given.by if given else {}).items():
        for key, unit in units.items():
            values, faults = list(parsed.values), list(parsed.faults)
            for n, value in bare.items():
                _set(values, faults, n, convert(value, dimension, unit), context)
            parsed.by.setdefault(condition, {})[key] = (values, faults)
            parsed.notes.append(("unit", [], f"numbers without a unit where {condition} is {key!r} read as {unit}"))
    return parsed


def _unit_of_bare(bare: dict[int, float], context: Context) -> tuple[str, str]:
    """Unit of the numbers that name none, and what says so: the settings, the head, or the whole column."""
    column = context.column
    dimension = column.unit or ""
    table_unit = TABLE_UNIT.get(dimension, "")
    given = context.settings.units.get(column.name)
    if given and (given.default or given.by):
        return given.default or table_unit, "by the settings"
    named = unit_of_header(context.header, dimension) if normalize_header(context.header) != column.name else None
    if named is not None:
        return named, f"by the head {context.header!r}"
    other = PROVABLE.get(dimension)
    if other is None or context.rows(list(bare)) < LEAST_EVIDENCE:
        return table_unit, ""
    unit, low, high = other
    if all(low <= value <= high for value in bare.values()) and any(
        value != int(value) or value > 1 for value in bare.values()
    ):
        return unit, f"no number of the column can be {table_unit}, each is usual in {unit}"
    return table_unit, ""


def _set(values: list[Any], faults: list[Fault | None], n: int, value: float, context: Context) -> None:
    column = context.column
    values[n], faults[n] = None, None
    # Converted values carry binary dust; 12 significant digits are more than any instrument gives.
    value = float(f"{value:.12g}")
    if not math.isfinite(value):
        faults[n] = Fault(Code.BEYOND_LIMITS, "not a finite number")
    elif column.kind == "count" and value != int(value):
        faults[n] = Fault(Code.FRACTION, "not a whole number")
    elif column.low is not None and column.high is not None and not column.low <= value <= column.high:
        # The hint of a share is about numbers that are too small, that of a wrong unit about those too large.
        hint = f" ({column.hint})" if column.hint and (value < column.low) == (column.unit == "percent") else ""
        text = f"outside {column.low:g} to {column.high:g}, all that can be meant{hint}"
        faults[n] = Fault(Code.BEYOND_LIMITS, text)
    else:
        values[n] = int(value) if column.kind == "count" else value
