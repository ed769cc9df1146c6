"""Dates: the whole column proves the order of day, month and year; what nothing proves is asked for."""

from __future__ import annotations

import re
from datetime import date, datetime, timedelta
from typing import Any

from plantstats.records.parse.context import DATE_CELL, MISSING, NUMBER_CELL, Context, Parsed
from plantstats.records.parse.date_order import full_year, orders_of, settle_order
from plantstats.records.parse.times import set_clock
from plantstats.schema.faults import Ambiguity, Code, Fault
from plantstats.schema.months import month_of
from plantstats.schema.tables import Column
from plantstats.schema.text import clean_text

TIME = (
    r"(?:(?:[T ]|, ?)\s*(?P<clock>\d{1,2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?)\s*(?P<half>[AaPp]\.?[Mm]\.?)?"
    r"\s*(?P<zone>Z|UTC|GMT|[+-]\d{2}:?\d{2})?)?"
)
YEAR_FIRST = re.compile(rf"(?P<y>\d{{4}})[-/.](?P<m>\d{{1,2}})[-/.](?P<d>\d{{1,2}}){TIME}$")
COMPACT = re.compile(rf"(?P<y>(?:18|19|20|21)\d{{2}})(?P<m>\d{{2}})(?P<d>\d{{2}}){TIME}$")
THREE = re.compile(rf"(?P<a>\d{{1,2}})(?P<s>[-/.]\s?)(?P<b>\d{{1,2}})(?P=s)(?P<c>\d{{4}}|\d{{2}}){TIME}$")
NAMED = re.compile(
    rf"(?P<d>\d{{1,2}})(?:st|nd|rd|th|er)?[-. /]*(?P<name>[^\W\d_]+)\.?[-. /,]*(?P<y>\d{{4}}|\d{{2}}){TIME}$"
)
NAMED_US = re.compile(
    rf"(?P<name>[^\W\d_]+)\.?[-. /]*(?P<d>\d{{1,2}})(?:st|nd|rd|th)?,?[-. /]+(?P<y>\d{{4}}|\d{{2}}){TIME}$"
)
BARE_NUMBER = Fault(
    Code.UNREADABLE_DATE, "a bare number in a date column; set serial_dates = 1900 or 1904 if it counts days"
)
SERIAL = re.compile(r"-?\d+(?:\.\d+)?$")
DAY_COUNT = re.compile(r"\d{5}(?:[.,]\d+)?$")
WEEKDAY = re.compile(r"^[^\W\d_]{2,10}\.?,?\s+(?=\d)")

# Days that programs write when they have none.
SENTINELS = {
    "1899-12-30": "day 0 of a spreadsheet",
    "1899-12-31": "day 0 of a spreadsheet",
    "1900-01-00": "day 0",
    "1900-01-01": "a placeholder",
    "1904-01-01": "day 0 of a spreadsheet",
    "1970-01-01": "day 0 of many programs",
    "9999-12-31": "an open end",
    "0001-01-01": "a placeholder",
    "0000-00-00": "a placeholder",
    "1753-01-01": "a placeholder",
    "2999-12-31": "an open end",
}
FIRST_YEAR, LAST_YEAR = 1800, 2199
# Where a column may have an open end, these say so.
OPEN_ENDS = ("9999-12-31", "2999-12-31")
OPEN_WORDS = {"open", "open-ended", "open end", "unlimited", "indefinite", "lifetime", "for life", "permanent"}
EPOCHS = {1900: date(1899, 12, 30), 1904: date(1904, 1, 1)}


def parse_dates(texts: list[str], context: Context) -> Parsed:
    """Parse the different texts of a date column.

    Parameters
    ----------
    texts : list of str
        Each once.
    context : Context
        With order, languages, time zone, window of two-digit years and epoch.

    Returns
    -------
    Parsed
        Dates, or date-times for a column of stamps.
    """
    options = context.table
    parsed = Parsed.blank(len(texts))
    waiting: dict[int, dict[str, tuple[int, int, int] | None]] = {}
    matches: dict[int, re.Match[str]] = {}
    days: dict[int, tuple[int, int, int]] = {}
    two_digits: list[int] = []
    serials: list[int] = []
    for n, raw in enumerate(texts):
        text = clean_text(raw.removeprefix(DATE_CELL))
        if text.casefold() in MISSING:
            continue
        if context.column.open_end and text.casefold() in OPEN_WORDS:
            parsed.values[n] = context.column.open_end
            continue
        if text.startswith(NUMBER_CELL) or (options.serial_dates and DAY_COUNT.match(text)):
            _serial(n, text.removeprefix(NUMBER_CELL), context, parsed, serials)
            continue
        if (match := YEAR_FIRST.match(text) or COMPACT.match(text)) is not None:
            days[n], matches[n] = (int(match["y"]), int(match["m"]), int(match["d"])), match
        elif (match := THREE.match(text)) is not None:
            matches[n] = match
            waiting[n] = orders_of(match, options.two_digit_years)
            if len(match["c"]) == 2:
                two_digits.append(n)
        elif (match := _named(text)) is not None:
            month = month_of(match["name"], options.languages)
            if month is None:
                text = f"month name not understood: {match['name']}; declare its language under languages"
                parsed.refuse(n, Code.UNREADABLE_DATE, text)
                continue
            if len(match["y"]) == 2:
                two_digits.append(n)
            days[n], matches[n] = ((full_year(match["y"], options.two_digit_years), month, int(match["d"])), match)
        else:
            parsed.faults[n] = BARE_NUMBER if SERIAL.match(text) else _unreadable("not a date")
    settle_order(waiting, matches, days, context, parsed)
    _set_days(days, matches, options.timezone, context, parsed)
    zoned = [n for n in days if matches[n]["zone"] and parsed.faults[n] is None]
    for site, zone in context.settings.zones.items() if zoned else ():
        own = Parsed(list(parsed.values), list(parsed.faults))
        _set_days({n: days[n] for n in zoned}, matches, zone, context, own)
        parsed.by.setdefault("site_id", {})[site] = (own.values, own.faults)
        parsed.notes.append(("time zone", [], f"times with a zone brought to {zone} where site_id is {site!r}"))
    _notes(texts, two_digits, serials, matches, context, parsed)
    return parsed


def _set_days(
    days: dict[int, tuple[int, int, int]],
    matches: dict[int, re.Match[str]],
    zone: str | None,
    context: Context,
    parsed: Parsed,
) -> None:
    """Write the days with their times, by the clock of a zone."""
    for n, day in days.items():
        parsed.values[n], parsed.faults[n] = _real(day, context.column)
        if parsed.values[n] is not None:
            set_clock(n, matches[n], zone, context, parsed)


def _unreadable(text: str) -> Fault:
    return Fault(Code.UNREADABLE_DATE, text)


def _named(text: str) -> re.Match[str] | None:
    return NAMED.match(text) or NAMED_US.match(text) or NAMED.match(WEEKDAY.sub("", text))


def _real(day: tuple[int, int, int], column: Column) -> tuple[date | None, Fault | None]:
    year, month, dom = day
    shown = f"{year:04d}-{month:02d}-{dom:02d}"
    if column.open_end and shown in OPEN_ENDS:
        return column.open_end, None
    if shown in SENTINELS:
        return None, Fault(Code.PLACEHOLDER_DATE, f"{shown} is {SENTINELS[shown]}, not a date of the records")
    try:
        value = date(year, month, dom)
    except ValueError:
        return None, _unreadable(f"{shown} does not exist")
    if not FIRST_YEAR <= year <= LAST_YEAR:
        return None, _unreadable(f"the year {year} cannot be meant")
    return value, None


def _serial(n: int, text: str, context: Context, parsed: Parsed, serials: list[int]) -> None:
    epoch = context.epoch or context.table.serial_dates
    try:
        number = float(text.replace(",", "."))
    except ValueError:
        number = -1.0
    if epoch is None:
        parsed.faults[n] = BARE_NUMBER
    elif 19000101 <= number <= 21991231 and number == int(number):
        whole = int(number)
        day = (whole // 10000, whole // 100 % 100, whole % 100)
        parsed.values[n], parsed.faults[n] = _real(day, context.column)
    elif not 366 < number < 110_000:
        parsed.faults[n] = _unreadable(f"the number {text} is no day count of a spreadsheet")
    else:
        value = datetime.combine(EPOCHS[epoch], datetime.min.time()) + timedelta(days=number)
        parsed.values[n] = value if context.column.kind == "stamp" else value.date()
        if number != int(number):
            parsed.minutes[n] = value.hour * 60 + value.minute
        serials.append(n)


def _notes(
    texts: list[str], two: list[int], serials: list[int], matches: dict[int, Any], context: Context, parsed: Parsed
) -> None:
    window = context.table.two_digit_years
    good = [n for n in two if parsed.faults[n] is None]
    if good:
        parsed.notes.append(("two-digit years", good, f"two-digit years read as {window} to {window + 99}"))
    if serials:
        epoch = context.epoch or context.table.serial_dates
        parsed.notes.append(("serial dates", serials, f"bare numbers read as days of the {epoch} count"))
    zoned = [n for n, match in matches.items() if match["zone"] and parsed.faults[n] is None]
    if not zoned:
        return
    if context.table.timezone:
        parsed.notes.append(("time zone", zoned, f"times with a zone brought to {context.table.timezone}"))
    elif context.settings.zones:
        parsed.notes.append(
            ("time zone", zoned, "times with a zone read by the clock as written where no site has one")
        )
    elif any(
        matches[n]["zone"] in ("Z", "UTC", "GMT") and float(matches[n]["clock"].replace(":", "").replace(",", "."))
        for n in zoned
    ):
        shown = next(n for n in zoned if matches[n]["zone"] in ("Z", "UTC", "GMT"))
        text = (
            f"column {context.column.name}: times in UTC (such as @{shown}@) fall on the site's local date only "
            "if its time zone is known; set timezone"
        )
        parsed.ambiguities.append(Ambiguity("timezone", text))
    else:
        parsed.notes.append(("time zone", zoned, "times with an offset read by the clock as written"))
