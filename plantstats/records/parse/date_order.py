"""The order of day, month and year: every date of a column is a witness, and what nothing proves is asked for."""

from __future__ import annotations

import re
from typing import Any

from plantstats.records.parse.context import Context, Parsed
from plantstats.schema.faults import Ambiguity, Code, Fault

SHOWN = {"dmy": "day first", "mdy": "month first", "ymd": "year first"}


def full_year(text: str, window: int) -> int:
    """A year of four digits, or of two under a window that begins with `window`.

    Parameters
    ----------
    text : str
        Two or four digits.
    window : int
        First year of the window.

    Returns
    -------
    int

    Examples
    --------
    >>> full_year("26", 1970), full_year("75", 1970)
    (2026, 1975)
    """
    if len(text) == 4:
        return int(text)
    year = window // 100 * 100 + int(text)
    return year if year >= window else year + 100


def orders_of(match: re.Match[str], window: int) -> dict[str, tuple[int, int, int] | None]:
    """Readings of three numbers under each order.

    Parameters
    ----------
    match : re.Match[str]
        Of the three numbers.
    window : int
        First year of the window for years of two digits.

    Returns
    -------
    dict[str, tuple[int, int, int] | None]
        None where the order is impossible for them.
    """
    a, b, c = match["a"], match["b"], match["c"]
    readings = {"dmy": (full_year(c, window), int(b), int(a)), "mdy": (full_year(c, window), int(a), int(b))}
    if len(c) == 2 and len(a) == 2:
        readings["ymd"] = (full_year(a, window), int(b), int(c))
    return {order: day if 1 <= day[1] <= 12 and 1 <= day[2] <= 31 else None for order, day in readings.items()}


# With two-digit years, day and year look alike (25/04/17). In this many different dates, a number that takes
# hardly any values is the year and one that takes many is the day: years of visits always on the same few days of
# the month do not occur.
DATES_TO_TELL, FEW, MANY = 20, 5, 10


def _leave_out_years(matches: dict[int, re.Match[str]], waiting: dict[int, Any]) -> None:
    """Drop the readings in which the year of a two-digit date would be its day, where the column shows which is."""
    short = [n for n in waiting if "ymd" in waiting[n]]
    first, last = {matches[n]["a"] for n in short}, {matches[n]["c"] for n in short}
    if len(short) < DATES_TO_TELL:
        return
    if len(last) <= FEW and len(first) >= MANY:
        for n in short:
            waiting[n]["ymd"] = None
    elif len(first) <= FEW and len(last) >= MANY:
        for n in short:
            waiting[n]["dmy"] = waiting[n]["mdy"] = None


def settle_order(
    waiting: dict[int, Any], matches: dict[int, re.Match[str]], days: dict[int, Any], context: Context, parsed: Parsed
) -> None:
    """Settle the order of a column and move its readings to `days`, or ask.

    Parameters
    ----------
    waiting : dict of int to Any
        Number of a text to its readings.
    matches : dict[int, re.Match[str]]
        Number of a text to its three numbers.
    days : dict of int to Any
        Filled with the settled days.
    context : Context
        What is known of the column.
    parsed : Parsed
        Takes the faults and notes.
    """
    if not waiting:
        return
    name = context.column.name
    given = context.table.date_order
    _leave_out_years(matches, waiting)
    fits = {n: {order for order, day in readings.items() if day} for n, readings in waiting.items()}
    deciding = {n: orders for n, orders in fits.items() if orders}
    order: Any
    if given:
        order = given
        for n in waiting:
            if given not in fits[n]:
                other = " or ".join(sorted(fits[n])) or "no order"
                parsed.faults[n] = Fault(Code.UNREADABLE_DATE, f"no date under date_order {given} (fits {other})")
    else:
        left = set.intersection({"dmy", "mdy", "ymd"}, *deciding.values()) if deciding else {"dmy"}
        if not left:
            one, two = _witnesses(deciding)
            text = (
                f"column {name}: @{one}@ is {_reads(fits[one])} but @{two}@ is {_reads(fits[two])}: "
                "no one order of day and month fits; set date_order, rows that do not fit are then set aside"
            )
            parsed.ambiguities.append(Ambiguity("date_order", text))
            return
        doubtful = [n for n in deciding if len({waiting[n][order] for order in left}) > 1]
        if len(left) > 1 and doubtful:
            count = sum(int(context.counts[n]) for n in deciding) if context.counts is not None else len(deciding)
            text = (
                f"column {name}: day and month cannot be told apart in any of {count} rows "
                f"(such as @{doubtful[0]}@); set date_order"
            )
            parsed.ambiguities.append(Ambiguity("date_order", text))
            return
        order = sorted(left, key=["dmy", "mdy", "ymd"].index)[0]
        evidence = next((n for n in deciding if len(fits[n] & {"dmy", "mdy"}) == 1), None)
        if len(left) == 1:
            shown = f", proved by @{evidence}@" if evidence is not None else ""
            parsed.notes.append(("date order", [], f"read {SHOWN[order]} ({order}){shown}"))
        for n in waiting:
            if n not in deciding:
                parsed.faults[n] = Fault(Code.UNREADABLE_DATE, "no date under any order of day and month")
    for n, readings in waiting.items():
        if readings.get(order):
            days[n] = readings[order]


def _witnesses(deciding: dict[int, set[str]]) -> tuple[int, int]:
    items = sorted(deciding.items(), key=lambda item: len(item[1]))
    for n, orders in items:
        for m, others in items:
            if not orders & others:
                return min(n, m), max(n, m)
    return items[0][0], items[-1][0]


def _reads(orders: set[str]) -> str:
    return " or ".join(SHOWN[o] for o in sorted(orders))
