"""Times of day, and times with a zone brought to the site's local clock."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

from plantstats.records.cells import Context, Parsed
from plantstats.schema.faults import Code, Fault


def set_clock(n: int, match: re.Match[str], context: Context, out: Parsed) -> None:
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
            out.values[n], out.faults[n] = None, _no_such_time(f"{clock} {half}")
            return
        hour = hour % 12 + (12 if half == "pm" else 0)
    if (hour, minute, second) == (24, 0, 0):
        hour, extra = 0, timedelta(days=1)
    else:
        extra = timedelta(0)
    if hour > 23 or minute > 59 or second >= 60:
        out.values[n], out.faults[n] = None, _no_such_time(clock)
        return
    whole = int(second)
    when = (
        datetime.combine(out.values[n], datetime.min.time()).replace(
            hour=hour, minute=minute, second=whole, microsecond=round((second - whole) * 1e6) % 1_000_000
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


def _no_such_time(shown: str) -> Fault:
    return Fault(Code.UNREADABLE_DATE, f"the time {shown} does not exist")


def _offset(zone: str) -> timezone:
    if not zone.startswith(("+", "-")):
        return UTC
    minutes = int(zone[1:3]) * 60 + int(zone[-2:])
    return timezone(timedelta(minutes=-minutes if zone[0] == "-" else minutes))
