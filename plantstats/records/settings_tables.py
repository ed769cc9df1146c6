"""The parts of the settings that tell how tables are written: keys by name, tables, units, sites."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import PurePosixPath
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from plantstats.records.settings_shape import TableSettings, UnitSettings
from plantstats.schema.tables import TABLES
from plantstats.schema.units import UNITS
from plantstats.schema.words import nearest

DATE_ORDERS = ("dmy", "mdy", "ymd")


class Keys:
    """Takes keys out of a TOML table one by one; what is left over is unknown."""

    def __init__(self, where: str, data: dict[str, Any], faults: list[str]) -> None:
        """Keys of one TOML table; `where` begins each message."""
        self.where, self.data, self.faults, self.known = where, dict(data), faults, list[str]()

    def fault(self, key: str, what: str) -> None:
        """Note a fault of a key."""
        self.faults.append(f"{self.where}{key}: {what}")

    def take(self, key: str, kind: type | tuple[type, ...], default: Any, choices: tuple[Any, ...] = ()) -> Any:
        """The value of a key, or the default where it is missing or wrong (a fault is noted)."""
        self.known.append(key)
        if key not in self.data:
            return default
        value = self.data.pop(key)
        wrong = not isinstance(value, kind) or (isinstance(value, bool) and kind is not bool)
        if wrong:
            names = " or ".join(k.__name__ for k in (kind if isinstance(kind, tuple) else (kind,)))
            self.fault(key, f"wants {names}, has {value!r}")
            return default
        if choices and value not in choices:
            self.fault(key, f"wants one of {', '.join(map(str, choices))}, has {value!r}")
            return default
        return value

    def number(self, key: str, default: Any, low: float, high: float, whole: bool = False) -> Any:
        """A number between two limits; whole numbers stay whole."""
        value = self.take(key, int if whole else (int, float), default)
        if value is not None and not low <= value <= high:
            self.fault(key, f"wants a number from {low:g} to {high:g}, has {value!r}")
            return default
        return value if whole or value is None else float(value)

    def end(self) -> None:
        """Name every key that nobody asked for."""
        for key in self.data:
            near = nearest(key, self.known, cutoff=0.65)
            hint = f"did you mean {near}?" if near else f"known: {', '.join(sorted(self.known))}"
            self.fault(key, f"is not a setting; {hint}")


def texts(top: Keys, key: str) -> dict[str, str]:
    """Keys with text values."""
    given = top.take(key, dict, {})
    wrong = [k for k, v in given.items() if not isinstance(v, str)]
    for name in wrong:
        top.fault(f"{key}.{name}", f"wants text, has {given[name]!r}")
    return {k: v for k, v in given.items() if k not in wrong}


def parts(top: Keys, key: str, known: tuple[str, ...]) -> dict[str, dict[str, Any]]:
    """The tables under a key, by known names."""
    given = top.take(key, dict, {})
    good = {}
    for name, value in given.items():
        if name not in known:
            near = nearest(name, list(known), cutoff=0.5)
            top.fault(f"{key}.{name}", "is not known; " + (f"did you mean {near}?" if near else ", ".join(known)))
        elif not isinstance(value, dict):
            top.fault(f"{key}.{name}", f"wants a table, has {value!r}")
        else:
            good[name] = value
    return good


def table_settings(r: Keys, name: str | None, where: str, base: TableSettings | None = None) -> TableSettings:
    """How the files of one table (or, without a name, of all) are written."""
    base = base or TableSettings()
    languages = r.take("languages", list, list(base.languages))
    zone = r.take("timezone", str, base.timezone)
    if zone is not None:
        try:
            ZoneInfo(zone)
        except (ZoneInfoNotFoundError, ValueError):
            r.fault("timezone", f"{zone!r} is not a time zone name such as Europe/Rome")
    made = replace(
        base,
        encoding=r.take("encoding", str, base.encoding),
        delimiter=r.take("delimiter", str, base.delimiter),
        decimal=r.take("decimal", str, base.decimal, (".", ",")),
        thousands=r.take("thousands", str, base.thousands, (".", ",", " ", "'", "")),
        date_order=r.take("date_order", str, base.date_order, DATE_ORDERS),
        two_digit_years=r.number("two_digit_years", base.two_digit_years, 1800, 2100, whole=True),
        serial_dates=r.take("serial_dates", int, base.serial_dates, (1900, 1904)),
        languages=tuple(str(code) for code in languages),
        timezone=zone,
    )
    if made.delimiter is not None and len(made.delimiter) != 1:
        r.fault("delimiter", f"wants one character, has {made.delimiter!r}")
    if name is None:
        return made
    one = r.take("file", str, None)
    files = tuple(str(f) for f in r.take("files", list, [one] if one else []))
    for file in files:
        if not inside(file):
            r.fault("file", f"{file!r} must lie inside the folder of the records")
    columns = texts(r, "columns")
    for column in columns:
        if column not in TABLES[name].names:
            near = nearest(column, TABLES[name].names, cutoff=0.5)
            r.fault(f"columns.{column}", f"is not a column of {name}" + (f"; did you mean {near}?" if near else ""))
    codes = {}
    for column, given in parts(r, "codes", tuple(TABLES[name].names)).items():
        codes[column] = {
            str(raw): str(word).lower() if isinstance(word, bool) else str(word) for raw, word in given.items()
        }
    made = replace(
        made,
        files=files,
        columns=columns,
        codes=codes,
        sheet=r.take("sheet", str, None),
        header_row=r.number("header_row", None, 1, 100_000, whole=True),
        duplicates={k: v for k, v in texts(r, "duplicates").items()},
    )
    for column, rule in made.duplicates.items():
        if rule not in ("sum", "first", "last"):
            r.fault(f"duplicates.{column}", f"wants sum, first or last, has {rule!r}")
    r.end()
    return made


def inside(file: str) -> bool:
    """Whether a file name of the settings stays inside the folder: no drive, no root, no way up."""
    path = PurePosixPath(file.replace("\\", "/"))
    return bool(file) and not path.is_absolute() and ".." not in path.parts and ":" not in file and "\0" not in file


def observed(top: Keys, faults: list[str], where: str) -> dict[str, date]:
    """The day on which the records of a site begin."""
    observed = {}
    for site, given in top.take("sites", dict, {}).items():
        part = Keys(f"{where}: sites.{site}.", given if isinstance(given, dict) else {"": given}, faults)
        day = part.take("observed_from", date, None)
        part.end()
        if day is not None:
            observed[site] = day
    return observed


def unit_parts(top: Keys, faults: list[str], where: str) -> list[tuple[str, Any]]:
    """The units by column, for columns that have one."""
    known = {c.name for t in TABLES.values() for c in t.columns if c.unit in UNITS}
    parts = []
    for name, given in top.take("units", dict, {}).items():
        if name in known:
            parts.append((name, given))
        else:
            near = nearest(name, sorted(known), cutoff=0.5)
            faults.append(f"{where}: units.{name}: has no unit" + (f"; did you mean {near}?" if near else ""))
    return parts


def unit_settings(name: str, given: Any, where: str, faults: list[str]) -> UnitSettings:
    """Unit of one column."""
    if isinstance(given, str):
        given = {"default": given}
    if not isinstance(given, dict):
        faults.append(f"{where}: wants a unit, has {given!r}")
        return UnitSettings()
    dimension = next(c.unit for t in TABLES.values() for c in t.columns if c.name == name)
    known = UNITS[str(dimension)]
    # A unit may hang on who wrote the number or where: ids and names that stand in the same table.
    beside = sorted(
        {c.name for t in TABLES.values() if name in t.names for c in t.columns if c.kind in ("id", "label", "word")}
    )
    by: dict[str, dict[str, str]] = {}
    default = None
    for key, value in given.items():
        named = {"": value} if key == "default" else value
        if key != "default" and not (key.removeprefix("by_") in beside and isinstance(value, dict)):
            faults.append(f"{where}.{key}: is not a setting; known: default, by_{', by_'.join(beside)}")
            continue
        for unit in named.values():
            if not isinstance(unit, str) or unit not in known:
                faults.append(f"{where}.{key}: {unit!r} is not a unit of {dimension}; known: {', '.join(known)}")
        if key == "default":
            default = value
        else:
            by[key.removeprefix("by_")] = dict(value)
    return UnitSettings(default, by)
