"""The settings file `records.toml`: what it may say, what holds when it is silent, and its faults by name."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from pathlib import Path, PurePosixPath
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from plantstats.records.causes import CAUSES, OUTCOMES
from plantstats.records.errors import RecordError
from plantstats.records.light import SCHEMES
from plantstats.records.tables import TABLES
from plantstats.records.units import UNITS
from plantstats.records.words import fold_head, nearest

HEATING = {"north": ((10, 1), (4, 15)), "south": ((4, 1), (10, 15))}
DATE_ORDERS = ("dmy", "mdy", "ymd")


@dataclass(frozen=True)
class TableSettings:
    """How the files of one table are written; None means: proved by the file, or asked for."""

    files: tuple[str, ...] = ()
    sheet: str | None = None
    header_row: int | None = None
    encoding: str | None = None
    delimiter: str | None = None
    decimal: str | None = None
    thousands: str | None = None
    date_order: str | None = None
    two_digit_years: int = 1950
    serial_dates: int | None = None
    languages: tuple[str, ...] = ()
    timezone: str | None = None
    columns: dict[str, str] = field(default_factory=dict)
    codes: dict[str, dict[str, str]] = field(default_factory=dict)
    duplicates: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True)
class UnitSettings:
    """Unit of a measure where the cell names none; by: condition column -> its value -> unit."""

    default: str | None = None
    by: dict[str, dict[str, str]] = field(default_factory=dict)


@dataclass(frozen=True)
class Settings:
    """What the company says about its records. Each default is the one that holds when the file is silent."""

    company: str = ""
    currency: str = "EUR"
    wage_per_hour: float = 30.0
    visit_cost: float = 15.0
    fiscal_year_starts: int = 1
    hemisphere: str = "north"
    heating_season: tuple[tuple[int, int], tuple[int, int]] = HEATING["north"]
    small_group: int = 5
    causes: dict[str, tuple[str, str | None]] = field(default_factory=dict)
    light_scheme: str = "georgia"
    gallon: str | None = None
    species: dict[str, str] = field(default_factory=dict)
    guarantee_months: int | None = None
    guarantee_month_end: str = "clamp"
    guarantee_end_day: str = "inclusive"
    observed_from: dict[str, date] = field(default_factory=dict)
    tables: dict[str, TableSettings] = field(default_factory=dict)
    units: dict[str, UnitSettings] = field(default_factory=dict)
    given: tuple[str, ...] = ()

    def table(self, name: str) -> TableSettings:
        return self.tables.get(name, TableSettings())


class _Reader:
    """Takes keys out of a TOML table one by one; what is left over is unknown."""

    def __init__(self, where: str, data: dict[str, Any], faults: list[str]) -> None:
        self.where, self.data, self.faults, self.known = where, dict(data), faults, list[str]()

    def fault(self, key: str, what: str) -> None:
        self.faults.append(f"{self.where}{key}: {what}")

    def take(
        self, key: str, kind: type | tuple[type, ...], default: Any, choices: tuple[Any, ...] = ()
    ) -> Any:
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
        value = self.take(key, int if whole else (int, float), default)
        if value is not None and not low <= value <= high:
            self.fault(key, f"wants a number from {low:g} to {high:g}, has {value!r}")
            return default
        return value if whole or value is None else float(value)

    def end(self) -> None:
        for key in self.data:
            near = nearest(key, self.known, cutoff=0.65)
            hint = f"did you mean {near}?" if near else f"known: {', '.join(sorted(self.known))}"
            self.fault(key, f"is not a setting; {hint}")


def read_settings(path: Path) -> Settings:
    """Read `records.toml`.

    Takes:  path of a TOML file; a missing file means every default.
    Gives:  Settings.
    Raises: RecordError naming every unknown key (with the nearest known one) and every value out of its range.
    """
    if not path.exists():
        return Settings()
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, OSError) as error:
        raise RecordError([f"{path.name}: cannot be read as TOML: {error}"]) from None
    return settings_from(data, path.name)


def settings_from(data: dict[str, Any], where: str) -> Settings:
    """Settings from a parsed TOML table; `where` begins each message."""
    faults: list[str] = []
    top = _Reader(f"{where}: ", data, faults)
    plain = Settings()
    hemisphere = top.take("hemisphere", str, plain.hemisphere, ("north", "south"))
    settings = replace(
        plain,
        company=top.take("company", str, plain.company),
        currency=_currency(top),
        wage_per_hour=top.number("wage_per_hour", plain.wage_per_hour, 0, 1e6),
        visit_cost=top.number("visit_cost", plain.visit_cost, 0, 1e6),
        fiscal_year_starts=top.number("fiscal_year_starts", plain.fiscal_year_starts, 1, 12, whole=True),
        hemisphere=hemisphere,
        heating_season=_season(top, hemisphere),
        small_group=top.number("small_group", plain.small_group, 1, 1000, whole=True),
        light_scheme=top.take("light_scheme", str, plain.light_scheme, tuple(SCHEMES)),
        gallon=top.take("gallon", str, None, ("us", "imperial")),
        causes=_causes(top),
        species=_texts(top, "species"),
        given=tuple(sorted(data)),
        **_guarantee(top),
    )
    shared = _table(top, None, where)
    tables = {
        name: _table(_Reader(f"{where}: tables.{name}.", given, faults), name, where, shared)
        for name, given in _parts(top, "tables", tuple(TABLES)).items()
    }
    tables = {name: tables.get(name, shared) for name in TABLES}
    observed = _observed(top, faults, where)
    units = {
        name: _unit(name, given, f"{where}: units.{name}", faults)
        for name, given in _unit_parts(top, faults, where)
    }
    top.end()
    if faults:
        raise RecordError(faults)
    return replace(settings, tables=tables, units=units, observed_from=observed)


def _currency(top: _Reader) -> str:
    code = top.take("currency", str, Settings.currency)
    if not (len(code) == 3 and code.isascii() and code.isalpha() and code.isupper()):
        top.fault("currency", f"wants three capital letters (ISO 4217), has {code!r}")
    return code


def _season(top: _Reader, hemisphere: str) -> Any:
    given = top.take("heating_season", dict, None)
    if given is None:
        return HEATING[hemisphere]
    part = _Reader(f"{top.where}heating_season.", given, top.faults)
    days = []
    for key, what in (("starts", "first day"), ("ends", "day after the last")):
        text = part.take(key, str, "")
        try:
            day = datetime.strptime(f"2001-{text}", "%Y-%m-%d")
        except ValueError:
            part.fault(key, f'wants the {what} as "month-day", such as "10-01", has {text!r}')
            return HEATING[hemisphere]
        days.append((day.month, day.day))
    part.end()
    return (days[0], days[1])


def _texts(top: _Reader, key: str) -> dict[str, str]:
    given = top.take(key, dict, {})
    wrong = [k for k, v in given.items() if not isinstance(v, str)]
    for name in wrong:
        top.fault(f"{key}.{name}", f"wants text, has {given[name]!r}")
    return {k: v for k, v in given.items() if k not in wrong}


def _causes(top: _Reader) -> dict[str, tuple[str, str | None]]:
    causes: dict[str, tuple[str, str | None]] = {}
    for raw, value in top.take("causes", dict, {}).items():
        cause, outcome = (
            (value.get("cause"), value.get("outcome")) if isinstance(value, dict) else (value, None)
        )
        extra = set(value) - {"cause", "outcome"} if isinstance(value, dict) else set()
        if cause not in CAUSES:
            near = nearest(str(cause), list(CAUSES), cutoff=0.5)
            hint = f"did you mean {near}?" if near else f"known: {', '.join(CAUSES)}"
            top.fault(f'causes."{raw}"', f"{cause!r} is not a cause; {hint}")
        elif outcome is not None and outcome not in OUTCOMES:
            top.fault(f'causes."{raw}"', f"{outcome!r} is not an outcome; known: {', '.join(OUTCOMES)}")
        elif extra:
            top.fault(f'causes."{raw}"', f"{sorted(extra)[0]} is not a setting; known: cause, outcome")
        else:
            causes[fold_head(raw)] = (cause, outcome)
    return causes


def _guarantee(top: _Reader) -> dict[str, Any]:
    part = _Reader(f"{top.where}guarantee.", top.take("guarantee", dict, {}), top.faults)
    made = {
        "guarantee_months": part.number("months", None, 0, 600, whole=True),
        "guarantee_month_end": part.take("month_end", str, "clamp", ("clamp", "next_day")),
        "guarantee_end_day": part.take("end_day", str, "inclusive", ("inclusive", "exclusive")),
    }
    part.end()
    return made


def _parts(top: _Reader, key: str, known: tuple[str, ...]) -> dict[str, dict[str, Any]]:
    given = top.take(key, dict, {})
    good = {}
    for name, value in given.items():
        if name not in known:
            near = nearest(name, list(known), cutoff=0.5)
            top.fault(
                f"{key}.{name}", "is not known; " + (f"did you mean {near}?" if near else ", ".join(known))
            )
        elif not isinstance(value, dict):
            top.fault(f"{key}.{name}", f"wants a table, has {value!r}")
        else:
            good[name] = value
    return good


def _table(r: _Reader, name: str | None, where: str, base: TableSettings | None = None) -> TableSettings:
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
    columns = _texts(r, "columns")
    for column in columns:
        if column not in TABLES[name].names:
            near = nearest(column, TABLES[name].names, cutoff=0.5)
            r.fault(
                f"columns.{column}",
                f"is not a column of {name}" + (f"; did you mean {near}?" if near else ""),
            )
    codes = {}
    for column, given in _parts(r, "codes", tuple(TABLES[name].names)).items():
        codes[column] = {
            str(raw): str(word).lower() if isinstance(word, bool) else str(word)
            for raw, word in given.items()
        }
    made = replace(
        made,
        files=files,
        columns=columns,
        codes=codes,
        sheet=r.take("sheet", str, None),
        header_row=r.number("header_row", None, 1, 100_000, whole=True),
        duplicates={k: v for k, v in _texts(r, "duplicates").items()},
    )
    for column, rule in made.duplicates.items():
        if rule not in ("sum", "first", "last"):
            r.fault(f"duplicates.{column}", f"wants sum, first or last, has {rule!r}")
    r.end()
    return made


def inside(file: str) -> bool:
    """Whether a file name of the settings stays inside the folder: no drive, no root, no way up."""
    path = PurePosixPath(file.replace("\\", "/"))
    return (
        bool(file)
        and not path.is_absolute()
        and ".." not in path.parts
        and ":" not in file
        and "\0" not in file
    )


def _observed(top: _Reader, faults: list[str], where: str) -> dict[str, date]:
    observed = {}
    for site, given in top.take("sites", dict, {}).items():
        part = _Reader(f"{where}: sites.{site}.", given if isinstance(given, dict) else {"": given}, faults)
        day = part.take("observed_from", date, None)
        part.end()
        if day is not None:
            observed[site] = day
    return observed


def _unit_parts(top: _Reader, faults: list[str], where: str) -> list[tuple[str, Any]]:
    known = {c.name for t in TABLES.values() for c in t.columns if c.unit in UNITS}
    parts = []
    for name, given in top.take("units", dict, {}).items():
        if name in known:
            parts.append((name, given))
        else:
            near = nearest(name, sorted(known), cutoff=0.5)
            faults.append(f"{where}: units.{name}: has no unit" + (f"; did you mean {near}?" if near else ""))
    return parts


def _unit(name: str, given: Any, where: str, faults: list[str]) -> UnitSettings:
    if isinstance(given, str):
        given = {"default": given}
    if not isinstance(given, dict):
        faults.append(f"{where}: wants a unit, has {given!r}")
        return UnitSettings()
    dimension = next(c.unit for t in TABLES.values() for c in t.columns if c.name == name)
    known = UNITS[str(dimension)]
    by: dict[str, dict[str, str]] = {}
    default = None
    for key, value in given.items():
        named = {"": value} if key == "default" else value
        if key != "default" and not (key.startswith("by_") and isinstance(value, dict)):
            faults.append(f"{where}.{key}: is not a setting; known: default, by_technician, by_site_id")
            continue
        for raw, unit in named.items():
            if unit not in known:
                faults.append(
                    f"{where}.{key}: {unit!r} is not a unit of {dimension}; known: {', '.join(known)}"
                )
        if key == "default":
            default = value
        else:
            by[key.removeprefix("by_")] = dict(value)
    return UnitSettings(default, by)
