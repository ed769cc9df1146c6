"""Dates: the whole column proves the order of day, month and year; what nothing proves is asked for."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta, timezone
from functools import lru_cache
from typing import Any
from zoneinfo import ZoneInfo

from plantstats.records.cells import DATE_CELL, MISSING, NUMBER_CELL, Context, Parsed
from plantstats.records.words import fold, tidy

TIME = r"(?:(?:[T ]|, ?)\s*(?P<clock>\d{1,2}:\d{2}(?::\d{2}(?:[.,]\d+)?)?)\s*(?P<half>[AaPp]\.?[Mm]\.?)?\s*(?P<zone>Z|UTC|GMT|[+-]\d{2}:?\d{2})?)?"
YEAR_FIRST = re.compile(rf"(?P<y>\d{{4}})[-/.](?P<m>\d{{1,2}})[-/.](?P<d>\d{{1,2}}){TIME}$")
COMPACT = re.compile(rf"(?P<y>(?:18|19|20|21)\d{{2}})(?P<m>\d{{2}})(?P<d>\d{{2}}){TIME}$")
THREE = re.compile(rf"(?P<a>\d{{1,2}})(?P<s>[-/.]\s?)(?P<b>\d{{1,2}})(?P=s)(?P<c>\d{{4}}|\d{{2}}){TIME}$")
NAMED = re.compile(
    rf"(?P<d>\d{{1,2}})(?:st|nd|rd|th|er)?[-. /]*(?P<name>[^\W\d_]+)\.?[-. /,]*(?P<y>\d{{4}}|\d{{2}}){TIME}$"
)
NAMED_US = re.compile(
    rf"(?P<name>[^\W\d_]+)\.?[-. /]*(?P<d>\d{{1,2}})(?:st|nd|rd|th)?,?[-. /]+(?P<y>\d{{4}}|\d{{2}}){TIME}$"
)
SERIAL = re.compile(r"-?\d+(?:\.\d+)?$")
WEEKDAY = re.compile(r"^[^\W\d_]{2,10}\.?,?\s+(?=\d)")

MONTHS: dict[str, str] = {
    "en": "january february march april may june july august september october november december",
    "de": "januar februar marz april mai juni juli august september oktober november dezember",
    "fr": "janvier fevrier mars avril mai juin juillet aout septembre octobre novembre decembre",
    "es": "enero febrero marzo abril mayo junio julio agosto septiembre octubre noviembre diciembre",
    "it": "gennaio febbraio marzo aprile maggio giugno luglio agosto settembre ottobre novembre dicembre",
    "pt": "janeiro fevereiro marco abril maio junho julho agosto setembro outubro novembro dezembro",
    "nl": "januari februari maart april mei juni juli augustus september oktober november december",
    "sv": "januari februari mars april maj juni juli augusti september oktober november december",
    "da": "januar februar marts april maj juni juli august september oktober november december",
    "nb": "januar februar mars april mai juni juli august september oktober november desember",
}
EXTRA = {
    "de": {"jan": 1, "janner": 1, "feb": 2, "mrz": 3, "sept": 9},
    "fr": {"sept": 9},
    "en": {"sept": 9},
    "nl": {"mrt": 3},
}
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
SHOWN = {"dmy": "day first", "mdy": "month first", "ymd": "year first"}
EPOCHS = {1900: date(1899, 12, 30), 1904: date(1904, 1, 1)}


@lru_cache(maxsize=64)
def month_names(languages: tuple[str, ...]) -> dict[str, int]:
    """Month names and their abbreviations of three letters and more, English always, others as declared."""
    names: dict[str, int] = {}
    for language in ("en", *languages):
        made: dict[str, set[int]] = {}
        for number, name in enumerate(MONTHS.get(language, "").split(), start=1):
            for length in range(3, len(name) + 1):
                made.setdefault(name[:length], set()).add(number)
        names.update({name: next(iter(found)) for name, found in made.items() if len(found) == 1})
        names.update(EXTRA.get(language, {}))
    return names


def month_of(name: str, languages: tuple[str, ...]) -> int | None:
    """Number of a month by its name; accents count unless a language that uses them is declared."""
    names = month_names(languages)
    return names.get(fold(name) if languages else name.casefold())


def parse(texts: list[str], context: Context) -> Parsed:
    """Read the different texts of a date column.

    Takes:  texts, each once; context (order, languages, time zone, window of two-digit years, epoch).
    Gives:  Parsed with dates (or date-times for a stamp column).
    """
    options = context.table
    out = Parsed([None] * len(texts), [None] * len(texts))
    waiting: dict[int, dict[str, tuple[int, int, int] | None]] = {}
    found: dict[int, re.Match[str]] = {}
    days: dict[int, tuple[int, int, int]] = {}
    two_digits: list[int] = []
    serials: list[int] = []
    for n, raw in enumerate(texts):
        text = tidy(raw.removeprefix(DATE_CELL))
        if text.casefold() in MISSING:
            continue
        if text.startswith(NUMBER_CELL) or (options.serial_dates and SERIAL.match(text) and len(text) < 8):
            _serial(n, text.removeprefix(NUMBER_CELL), context, out, serials)
            continue
        if (match := YEAR_FIRST.match(text) or COMPACT.match(text)) is not None:
            days[n], found[n] = (int(match["y"]), int(match["m"]), int(match["d"])), match
        elif (match := THREE.match(text)) is not None:
            found[n] = match
            waiting[n] = _orders(match, options.two_digit_years)
            if len(match["c"]) == 2:
                two_digits.append(n)
        elif (match := _named(text)) is not None:
            month = month_of(match["name"], options.languages)
            if month is None:
                out.reasons[n] = (
                    f"month name not understood: {match['name']}; declare its language under languages"
                )
                continue
            if len(match["y"]) == 2:
                two_digits.append(n)
            days[n], found[n] = (_year(match["y"], options.two_digit_years), month, int(match["d"])), match
        elif SERIAL.match(text):
            out.reasons[n] = (
                "a bare number in a date column; set serial_dates = 1900 or 1904 if it counts days"
            )
        else:
            out.reasons[n] = "not a date"
    _settle_order(waiting, found, days, context, out)
    for n, day in days.items():
        out.values[n], out.reasons[n] = _real(day)
        if out.reasons[n] is None:
            _clock(n, found[n], context, out)
    _notes(texts, two_digits, serials, found, context, out)
    return out


def _named(text: str) -> re.Match[str] | None:
    return NAMED.match(text) or NAMED_US.match(text) or NAMED.match(WEEKDAY.sub("", text))


def _year(text: str, window: int) -> int:
    if len(text) == 4:
        return int(text)
    year = window // 100 * 100 + int(text)
    return year if year >= window else year + 100


def _orders(match: re.Match[str], window: int) -> dict[str, tuple[int, int, int] | None]:
    """What the three numbers mean under each order, None where the order is impossible for them."""
    a, b, c = match["a"], match["b"], match["c"]
    readings = {"dmy": (_year(c, window), int(b), int(a)), "mdy": (_year(c, window), int(a), int(b))}
    if len(c) == 2 and len(a) == 2:
        readings["ymd"] = (_year(a, window), int(b), int(c))
    return {
        order: day if 1 <= day[1] <= 12 and 1 <= day[2] <= 31 else None for order, day in readings.items()
    }


# With two-digit years, day and year look alike (25/04/17). In this many different dates, a number that takes
# hardly any values is the year and one that takes many is the day: years of visits always on the same few days of
# the month do not occur.
DATES_TO_TELL, FEW, MANY = 20, 5, 10


def _leave_out_years(found: dict[int, re.Match[str]], waiting: dict[int, Any]) -> None:
    """Drop the readings in which the year of a two-digit date would be its day, where the column shows which is."""
    short = [n for n in waiting if "ymd" in waiting[n]]
    first, last = {found[n]["a"] for n in short}, {found[n]["c"] for n in short}
    if len(short) < DATES_TO_TELL:
        return
    if len(last) <= FEW and len(first) >= MANY:
        for n in short:
            waiting[n]["ymd"] = None
    elif len(first) <= FEW and len(last) >= MANY:
        for n in short:
            waiting[n]["dmy"] = waiting[n]["mdy"] = None


def _settle_order(
    waiting: dict[int, Any],
    found: dict[int, re.Match[str]],
    days: dict[int, Any],
    context: Context,
    out: Parsed,
) -> None:
    if not waiting:
        return
    name = context.column.name
    given = context.table.date_order
    _leave_out_years(found, waiting)
    fits = {n: {order for order, day in readings.items() if day} for n, readings in waiting.items()}
    proving = {n: orders for n, orders in fits.items() if orders}
    if given:
        order = given
        for n in waiting:
            if given not in fits[n]:
                other = " or ".join(sorted(fits[n])) or "no order"
                out.reasons[n] = f"no date under date_order {given} (fits {other})"
    else:
        left = set.intersection({"dmy", "mdy", "ymd"}, *proving.values()) if proving else {"dmy"}
        if not left:
            one, two = _witnesses(proving)
            out.questions.append(
                f"column {name}: @{one}@ is {_reads(fits[one])} but @{two}@ is {_reads(fits[two])}: "
                "no one order of day and month fits; set date_order, rows that do not fit are then set aside"
            )
            return
        doubtful = [n for n in proving if len({waiting[n][order] for order in left}) > 1]
        if len(left) > 1 and doubtful:
            count = (
                sum(int(context.counts[n]) for n in proving) if context.counts is not None else len(proving)
            )
            out.questions.append(
                f"column {name}: day and month cannot be told apart in any of {count} rows "
                f"(such as @{doubtful[0]}@); set date_order"
            )
            return
        order = sorted(left, key=["dmy", "mdy", "ymd"].index)[0]
        proof = next((n for n in proving if len(fits[n] & {"dmy", "mdy"}) == 1), None)
        if len(left) == 1:
            shown = f", proved by @{proof}@" if proof is not None else ""
            out.notes.append(("date order", [], f"read {SHOWN[order]} ({order}){shown}"))
        for n in waiting:
            if n not in proving:
                out.reasons[n] = "no date under any order of day and month"
    for n, readings in waiting.items():
        if readings.get(order):
            days[n] = readings[order]


def _witnesses(proving: dict[int, set[str]]) -> tuple[int, int]:
    items = sorted(proving.items(), key=lambda item: len(item[1]))
    for n, orders in items:
        for m, others in items:
            if not orders & others:
                return min(n, m), max(n, m)
    return items[0][0], items[-1][0]


def _reads(orders: set[str]) -> str:
    return " or ".join(SHOWN[o] for o in sorted(orders))


def _real(day: tuple[int, int, int]) -> tuple[date | None, str | None]:
    year, month, dom = day
    shown = f"{year:04d}-{month:02d}-{dom:02d}"
    if shown in SENTINELS:
        return None, f"{shown} is {SENTINELS[shown]}, not a date of the records"
    try:
        made = date(year, month, dom)
    except ValueError:
        return None, f"{shown} does not exist"
    if not FIRST_YEAR <= year <= LAST_YEAR:
        return None, f"the year {year} cannot be meant"
    return made, None


def _serial(n: int, text: str, context: Context, out: Parsed, serials: list[int]) -> None:
    epoch = context.epoch or context.table.serial_dates
    try:
        number = float(text)
    except ValueError:
        number = -1.0
    if epoch is None:
        out.reasons[n] = "a bare number in a date column; set serial_dates = 1900 or 1904 if it counts days"
    elif 19000101 <= number <= 21991231 and number == int(number):
        whole = int(number)
        out.values[n], out.reasons[n] = _real((whole // 10000, whole // 100 % 100, whole % 100))
    elif not 366 < number < 110_000:
        out.reasons[n] = f"the number {text} is no day count of a spreadsheet"
    else:
        made = datetime.combine(EPOCHS[epoch], datetime.min.time()) + timedelta(days=number)
        out.values[n] = made if context.column.kind == "stamp" else made.date()
        serials.append(n)


def _clock(n: int, match: re.Match[str], context: Context, out: Parsed) -> None:
    """Add the time of day, and bring a stamp with a zone to the site's local clock."""
    stamp = context.column.kind == "stamp"
    clock = match["clock"]
    if not clock:
        if stamp:
            out.values[n] = datetime.combine(out.values[n], datetime.min.time())
        return
    parts = clock.replace(",", ".").split(":")
    hour, minute, second = int(parts[0]), int(parts[1]), float(parts[2]) if len(parts) > 2 else 0.0
    half = (match["half"] or "").replace(".", "").lower()
    if half:
        if not 1 <= hour <= 12:
            out.values[n], out.reasons[n] = None, f"the time {clock} {half} does not exist"
            return
        hour = hour % 12 + (12 if half == "pm" else 0)
    if (hour, minute, second) == (24, 0, 0):
        hour, extra = 0, timedelta(days=1)
    else:
        extra = timedelta(0)
    if hour > 23 or minute > 59 or second >= 60:
        out.values[n], out.reasons[n] = None, f"the time {clock} does not exist"
        return
    whole = int(second)
    when = (
        datetime.combine(out.values[n], datetime.min.time()).replace(
            hour=hour, minute=minute, second=whole, microsecond=int(round((second - whole) * 1e6)) % 1_000_000
        )
        + extra
    )
    if match["zone"] and context.table.timezone:
        when = (
            when.replace(tzinfo=_offset(match["zone"]))
            .astimezone(ZoneInfo(context.table.timezone))
            .replace(tzinfo=None)
        )
    out.values[n] = when if stamp else when.date()


def _offset(zone: str) -> timezone:
    if not zone.startswith(("+", "-")):
        return UTC
    minutes = int(zone[1:3]) * 60 + int(zone[-2:])
    return timezone(timedelta(minutes=-minutes if zone[0] == "-" else minutes))


def _notes(
    texts: list[str], two: list[int], serials: list[int], found: dict[int, Any], context: Context, out: Parsed
) -> None:
    window = context.table.two_digit_years
    good = [n for n in two if out.reasons[n] is None]
    if good:
        out.notes.append(("two-digit years", good, f"two-digit years read as {window} to {window + 99}"))
    if serials:
        epoch = context.epoch or context.table.serial_dates
        out.notes.append(("serial dates", serials, f"bare numbers read as days of the {epoch} count"))
    zoned = [n for n, match in found.items() if match["zone"] and out.reasons[n] is None]
    if not zoned:
        return
    if context.table.timezone:
        out.notes.append(("time zone", zoned, f"times with a zone brought to {context.table.timezone}"))
    elif any(
        found[n]["zone"] in ("Z", "UTC", "GMT")
        and float(found[n]["clock"].replace(":", "").replace(",", "."))
        for n in zoned
    ):
        shown = next(n for n in zoned if found[n]["zone"] in ("Z", "UTC", "GMT"))
        out.questions.append(
            f"column {context.column.name}: times in UTC (such as @{shown}@) fall on the site's local date only "
            "if its time zone is known; set timezone"
        )
    else:
        out.notes.append(("time zone", zoned, "times with an offset read by the clock as written"))
