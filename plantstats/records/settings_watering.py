"""The section `[watering]` of the settings file: what the watering advice assumes beside the records."""

from __future__ import annotations

from dataclasses import fields
from typing import Any

from plantstats.records.assumed import LIMITS, WHOLE, Assumptions
from plantstats.records.settings_tables import Keys

SECTION = "watering"
MOST_INTERVALS = 8  # of visits: the time that the advice takes grows with them


def watering_settings(top: Keys) -> tuple[Assumptions, tuple[str, ...]]:
    """Read the section `[watering]`.

    Takes:  top: the keys of the whole file; every fault is noted there, with what holds when the line is left out.
    Gives:  Assumptions, and the names of those that the file gives.
    """
    given = top.take(SECTION, dict, {})
    faults: list[str] = []
    part = Keys(f"{top.where}{SECTION}.", given, faults)
    plain, made = Assumptions(), dict[str, Any]()
    for name in (field.name for field in fields(Assumptions)):
        otherwise, before = getattr(plain, name), len(faults)
        if name == "visit_days":
            made[name] = _visit_days(part, otherwise)
        else:
            made[name] = part.number(name, otherwise, *LIMITS[name], whole=name in WHOLE)
        faults[before:] = [f"{fault}; correct it, or leave it out: {_said(otherwise)}" for fault in faults[before:]]
    part.end()
    longest = max(made["visit_days"])
    if not faults and made["max_inspection_interval"] < longest:
        part.fault(
            "max_inspection_interval",
            f"is {made['max_inspection_interval']} days, but visit_days offers visits every {longest} days; "
            "lengthen the one or take out the other",
        )
    top.faults += faults
    return (Assumptions(**made) if not faults else plain), tuple(name for name in made if name in given)


def _visit_days(part: Keys, otherwise: tuple[int, ...]) -> tuple[int, ...]:
    days = part.take("visit_days", list, list(otherwise))
    low, high = LIMITS["visit_days"]
    whole = all(isinstance(day, int) and not isinstance(day, bool) and low <= day <= high for day in days)
    if not whole or not 1 <= len(set(days)) == len(days) <= MOST_INTERVALS:
        wanted = f"1 to {MOST_INTERVALS} different whole numbers of days, each from {low:g} to {high:g}"
        part.fault("visit_days", f"wants {wanted}, has {days!r}")
        return otherwise
    return tuple(sorted(days))


def _said(otherwise: object) -> str:
    """What holds when the line is left out."""
    if otherwise is None:
        return "nothing is then priced by it"
    shown = ", ".join(map(str, otherwise)) if isinstance(otherwise, tuple) else f"{otherwise:g}"
    return f"{shown} is then assumed"
