"""Times of day, and times with a zone brought to the site's local clock."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

from plantstats.records.parse.context import Context, Parsed
from plantstats.schema.faults import Code


def set_clock(n: int, match: re.Match[str], zone: str | None, context: Context, parsed: Parsed) -> None:
    """Add the time of day to the date of text n, and bring a stamp with a zone to the site's local clock.

    Parameters
    ----------
    n : int
        Position of the text, whose value is a date.
    match : re.Match
        With the groups clock, half (am or pm) and zone.
    zone : str or None
        Of the site; None leaves the clock as written.
    context : Context
    parsed : Parsed
        Changed: the value of text n becomes a date-time for a column of stamps, else the local date; or a fault.
    """
    day = datetime.combine(parsed.values[n], datetime.min.time())
    stamp, clock = context.column.kind == "stamp", match["clock"]
    if not clock:
        parsed.values[n] = day if stamp else day.date()
        return
    half = (match["half"] or "").replace(".", "").lower()
    time = _time_of_day(clock, half)
    if time is None:
        parsed.refuse(n, Code.UNREADABLE_DATE, f"the time {' '.join([clock, half]).strip()} does not exist")
        return
    when = day + time
    if match["zone"] and zone:
        local = when.replace(tzinfo=_offset(match["zone"])).astimezone(ZoneInfo(zone))
        when = local.replace(tzinfo=None)
    parsed.values[n] = when if stamp else when.date()
    parsed.minutes[n] = when.hour * 60 + when.minute


def _time_of_day(clock: str, half: str) -> timedelta | None:
    """Time since midnight, 24:00 included; None for one that does not exist."""
    hour, minute, second = (*map(float, clock.replace(",", ".").split(":")), 0.0)[:3]
    if half:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if half == "pm" else 0)
    if (hour > 23 or minute > 59 or second >= 60) and (hour, minute, second) != (24, 0, 0):
        return None
    return timedelta(hours=hour, minutes=minute, seconds=second)


def _offset(zone: str) -> timezone:
    if not zone.startswith(("+", "-")):
        return UTC
    minutes = int(zone[1:3]) * 60 + int(zone[-2:])
    return timezone(timedelta(minutes=-minutes if zone[0] == "-" else minutes))
