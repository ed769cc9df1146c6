"""Settings: what a company says about its records, and what holds when it is silent."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

from plantstats.records.assumed import Assumptions

HEATING = {"north": ((10, 1), (4, 15)), "south": ((4, 1), (10, 15))}


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
    leaf_words: dict[str, tuple[int, int]] = field(default_factory=dict)  # word -> least and most leaves
    guarantee_months: int | None = None
    guarantee_month_end: str = "clamp"
    guarantee_end_day: str = "inclusive"
    observed_from: dict[str, date] = field(default_factory=dict)
    watering: Assumptions = field(default_factory=Assumptions)
    watering_given: tuple[str, ...] = ()  # names of those that the file gives; the others are assumed
    tables: dict[str, TableSettings] = field(default_factory=dict)
    units: dict[str, UnitSettings] = field(default_factory=dict)
    given: tuple[str, ...] = ()

    def table(self, name: str) -> TableSettings:
        """Settings of a table, the defaults where it has none."""
        return self.tables.get(name, TableSettings())
