"""The settings file `records.toml`: read key by key, every fault told by name."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Any

from plantstats.records.errors import RecordError
from plantstats.records.leaf_words import leaf_words
from plantstats.records.settings_shape import HEATING, Settings, TableSettings
from plantstats.records.settings_tables import Keys, observed, parts, table_settings, texts, unit_parts, unit_settings
from plantstats.records.settings_watering import watering_settings
from plantstats.schema.causes import CAUSES, OUTCOMES
from plantstats.schema.light import SCHEMES
from plantstats.schema.tables import TABLES
from plantstats.schema.words import fold_head, nearest

__all__ = ["Settings", "TableSettings", "read_settings", "settings_from"]


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
    top = Keys(f"{where}: ", data, faults)
    plain = Settings()
    watering, watering_given = watering_settings(top)
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
        species=texts(top, "species"),
        leaf_words=leaf_words(top),
        watering=watering,
        watering_given=watering_given,
        given=tuple(sorted(data)),
        **_guarantee(top),
    )
    shared = table_settings(top, None, where)
    tables = {
        name: table_settings(Keys(f"{where}: tables.{name}.", given, faults), name, where, shared)
        for name, given in parts(top, "tables", tuple(TABLES)).items()
    }
    tables = {name: tables.get(name, shared) for name in TABLES}
    begun = observed(top, faults, where)
    units = {
        name: unit_settings(name, given, f"{where}: units.{name}", faults)
        for name, given in unit_parts(top, faults, where)
    }
    top.end()
    if faults:
        raise RecordError(faults)
    return replace(settings, tables=tables, units=units, observed_from=begun)


def _currency(top: Keys) -> str:
    code = top.take("currency", str, Settings.currency)
    if not (len(code) == 3 and code.isascii() and code.isalpha() and code.isupper()):
        top.fault("currency", f"wants three capital letters (ISO 4217), has {code!r}")
    return code


def _season(top: Keys, hemisphere: str) -> Any:
    given = top.take("heating_season", dict, None)
    if given is None:
        return HEATING[hemisphere]
    part = Keys(f"{top.where}heating_season.", given, top.faults)
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


def _causes(top: Keys) -> dict[str, tuple[str, str | None]]:
    causes: dict[str, tuple[str, str | None]] = {}
    for raw, value in top.take("causes", dict, {}).items():
        cause, outcome = (value.get("cause"), value.get("outcome")) if isinstance(value, dict) else (value, None)
        extra = set(value) - {"cause", "outcome"} if isinstance(value, dict) else set()
        if not isinstance(cause, str) or cause not in CAUSES:
            near = nearest(str(cause), list(CAUSES), cutoff=0.5)
            hint = f"did you mean {near}?" if near else f"known: {', '.join(CAUSES)}"
            top.fault(f'causes."{raw}"', f"{cause!r} is not a cause; {hint}")
        elif outcome is not None and (not isinstance(outcome, str) or outcome not in OUTCOMES):
            top.fault(f'causes."{raw}"', f"{outcome!r} is not an outcome; known: {', '.join(OUTCOMES)}")
        elif extra:
            top.fault(f'causes."{raw}"', f"{sorted(extra)[0]} is not a setting; known: cause, outcome")
        else:
            causes[fold_head(raw)] = (cause, outcome)
    return causes


def _guarantee(top: Keys) -> dict[str, Any]:
    part = Keys(f"{top.where}guarantee.", top.take("guarantee", dict, {}), top.faults)
    made = {
        "guarantee_months": part.number("months", None, 0, 600, whole=True),
        "guarantee_month_end": part.take("month_end", str, "clamp", ("clamp", "next_day")),
        "guarantee_end_day": part.take("end_day", str, "inclusive", ("inclusive", "exclusive")),
    }
    part.end()
    return made
