"""`records.toml`: the company, its money and seasons, its codes, and how its files are written."""

from __future__ import annotations

import calendar
import re
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BeforeValidator, Field, PlainValidator, Strict, model_validator

from plantstats.schema.causes import CAUSES, OUTCOMES
from plantstats.schema.faults import Code
from plantstats.schema.light import SCHEMES
from plantstats.schema.text import clean_text, normalize_header, normalize_key
from plantstats.settings.early_warning import WarningSettings
from plantstats.settings.tables import FileFormat, TablesByName, TableSettings, TimeZone, UnitsByColumn
from plantstats.settings.toml import Section, read_toml, validate
from plantstats.settings.watering import Assumptions

HEATING = {"north": ((10, 1), (4, 15)), "south": ((4, 1), (10, 15))}
# More leaves than this between two visits are counted or weighed, not put into a word (rule of thumb). It also bounds
# the work of the leaf model, which sums over every whole number that a word may stand for.
MOST_LEAVES = 1000
FAULTS = tuple(code.value for code in Code)
Currency = Annotated[str, Field(pattern=r"^[A-Z]{3}$", description="three capital letters (ISO 4217)")]


def _month_day(text: Any) -> tuple[int, int]:
    parts = re.fullmatch(r"(\d{2})-(\d{2})", text) if isinstance(text, str) else None
    month, day = map(int, parts.groups()) if parts else (0, 0)
    # A leap year, so that 29 February can be said.
    if not 1 <= month <= 12 or not 1 <= day <= calendar.monthrange(2000, month)[1]:
        raise ValueError(f'wants "month-day", such as "10-01", has {text!r}')
    return month, day


MonthDay = Annotated[tuple[int, int], BeforeValidator(_month_day)]


class HeatingSeason(Section):
    """First day of the heating season, and the day after its last; it may run over the turn of the year."""

    starts: MonthDay = Field(description='the first day, such as "10-01"')
    ends: MonthDay = Field(description='the day after the last, such as "04-15"')

    @model_validator(mode="after")
    def _has_days(self) -> HeatingSeason:
        if self.starts == self.ends:
            raise ValueError("starts and ends on one day, so it has no days; ends is the day after the last")
        return self


class CauseCode(Section):
    """What one raw code of the replacement log stands for; no outcome: that of the cause."""

    cause: Literal[tuple(CAUSES)] = Field(description=f"one of {', '.join(CAUSES)}")  # type: ignore[valid-type]
    outcome: Literal[OUTCOMES] | None = None  # type: ignore[valid-type]


TWICE = object()  # stands for the value of a code that was given before with another meaning


def _folded_once(normalized: Callable[[str], str]) -> BeforeValidator:
    """Mark codes that differ only in what does not count (capitals, accents) and yet mean different things."""

    def mark(codes: Any) -> Any:
        first: dict[str, Any] = {}
        if not isinstance(codes, dict):
            return codes
        return {raw: code if first.setdefault(normalized(raw), code) == code else TWICE for raw, code in codes.items()}

    return BeforeValidator(mark)


def _refuse_twice(given: Any) -> Any:
    if given is TWICE:
        raise ValueError("is given twice with two meanings: capitals and accents do not count")
    return given


def _cause_code(given: Any) -> Any:
    return {"cause": given} if isinstance(given, str) else _refuse_twice(given)


def _leaf_range(given: Any) -> tuple[int, int]:
    pair: Any = _refuse_twice(given) if isinstance(given, list | tuple) or given is TWICE else ()
    if len(pair) != 2 or any(type(n) is not int for n in pair) or not 0 <= pair[0] <= pair[1] <= MOST_LEAVES:
        raise ValueError(f"wants [least, most], whole numbers from 0 to {MOST_LEAVES:,}, such as [1, 5]; has {given!r}")
    return pair[0], pair[1]


def _leaf_word(word: str) -> str:
    if not normalize_key(word) or clean_text(word).isdigit():
        raise ValueError("is no word: a number means itself")
    return word


Causes = Annotated[
    dict[str, Annotated[CauseCode, BeforeValidator(_cause_code)]],
    _folded_once(normalize_header),
    AfterValidator(lambda codes: {normalize_header(raw): (code.cause, code.outcome) for raw, code in codes.items()}),
]
LeafWords = Annotated[
    dict[Annotated[str, AfterValidator(_leaf_word)], Annotated[tuple[int, int], PlainValidator(_leaf_range)]],
    _folded_once(normalize_key),
    AfterValidator(lambda words: {normalize_key(word): leaves for word, leaves in words.items()}),
]


class GuaranteeSettings(Section):
    """How the last day of a guarantee follows from the day of installation, where the records do not name it."""

    months: int | None = Field(None, ge=0, le=600)
    month_end: Literal["clamp", "next_day"] = "clamp"
    end_day: Literal["inclusive", "exclusive"] = "inclusive"


class EngineSettings(Section):
    """Where plant-time is made: in this process, or on Spark; what of it does not fit into memory goes to `folder`."""

    address: Annotated[str, Field(pattern=r"^(duckdb|sc://[^\s/]+.*)$")] = Field(
        "duckdb", description='"duckdb", or the address of Spark Connect, such as "sc://host:15002"'
    )
    folder: str | None = Field(None, min_length=1)
    memory: Annotated[str, Field(pattern=r"^[1-9]\d*(\.\d+)? ?[MG]B$")] | None = Field(
        None, description='the most that DuckDB may take in a process, such as "8 GB"'
    )


class SiteSettings(Section):
    """What the settings say about one site."""

    observed_from: date | None = None
    timezone: TimeZone | None = None


class Settings(FileFormat):
    """What the company says about its records; each default holds where the file is silent.

    Attributes
    ----------
    causes : dict of str to (str, str or None)
        Raw code of the log, folded, to cause and outcome (None: that of the cause).
    leaf_words : dict of str to (int, int)
        Word for a count of leaves, folded, to the least and the most leaves that it may mean.
    ids_by_branch : bool
        Whether each branch numbers its plants, sites and clients by itself; a branch is the first folder of a part.
    allowed_faults : tuple of str
        Codes (column `code` of the list of rows set aside) for which `check` does not fail.

    Notes
    -----
    `model_fields_set` names the keys that the file gives. Keys of `FileFormat` at the top hold for every table that
    does not give its own.
    """

    company: str = ""
    currency: Currency = "EUR"
    wage_per_hour: float = Field(30.0, ge=0, le=1e6)
    visit_cost: float = Field(15.0, ge=0, le=1e6)
    fiscal_year_starts: int = Field(1, ge=1, le=12)
    hemisphere: Literal["north", "south"] = "north"
    season: HeatingSeason | None = Field(None, alias="heating_season")
    small_group: int = Field(5, ge=1, le=1000)
    light_scheme: Literal[tuple(SCHEMES)] = "georgia"  # type: ignore[valid-type]
    gallon: Literal["us", "imperial"] | None = None
    plant_ids: Literal["auto", "plant", "place"] = "auto"
    ids_by_branch: bool = False
    causes: Causes = Field(default_factory=dict)
    species: dict[str, str] = Field(default_factory=dict)
    leaf_words: LeafWords = Field(default_factory=dict)
    guarantee: GuaranteeSettings = GuaranteeSettings()
    # Where a number is worked out changes none: what is made of the records is not made anew for it.
    engine: EngineSettings = Field(EngineSettings(), repr=False, exclude=True)
    sites: dict[str, SiteSettings] = Field(default_factory=dict)
    watering: Assumptions = Assumptions()
    early_warning: WarningSettings = WarningSettings()
    tables: TablesByName = Field(default_factory=dict)
    units: UnitsByColumn = Field(default_factory=dict)
    allowed_faults: Annotated[tuple[Literal[FAULTS], ...], Strict(False)] = ()  # type: ignore[valid-type]

    @property
    def heating_season(self) -> tuple[tuple[int, int], tuple[int, int]]:
        """(month, day) of the first day of the heating season and of the day after its last."""
        return (self.season.starts, self.season.ends) if self.season else HEATING[self.hemisphere]

    @property
    def observed_from(self) -> dict[str, date]:
        """Site id -> the day on which its records begin."""
        return {site: given.observed_from for site, given in self.sites.items() if given.observed_from is not None}

    @property
    def zones(self) -> dict[str, str]:
        """Site id -> time zone of its own."""
        return {site: given.timezone for site, given in self.sites.items() if given.timezone is not None}

    def table(self, name: str) -> TableSettings:
        """Settings of a table: its own, else those at the top, else the defaults.

        Parameters
        ----------
        name : str
            A canonical table.

        Returns
        -------
        TableSettings
        """
        own = self.tables.get(name)
        keys = {field: getattr(self, field) for field in FileFormat.model_fields}
        keys |= {field: getattr(own, field) for field in own.model_fields_set} if own else {}
        return TableSettings.model_construct(**keys)


def read_settings(path: Path) -> Settings:
    """Read `records.toml`.

    Parameters
    ----------
    path : Path
        The file; a missing one means every default.

    Returns
    -------
    Settings

    Raises
    ------
    SettingsError
        Naming every fault of the file at once.
    """
    return settings_from(read_toml(path), path.name) if path.exists() else Settings()


def settings_from(data: dict[str, Any], where: str) -> Settings:
    """Settings from parsed TOML.

    Parameters
    ----------
    data : dict
        Parsed TOML.
    where : str
        Name of the file; begins each message.

    Returns
    -------
    Settings

    Raises
    ------
    SettingsError
        Naming every fault at once.

    Examples
    --------
    >>> settings_from({"currency": "CHF", "causes": {"DEAD DRY": "water_deficit"}}, "records.toml").causes
    {'dead_dry': ('water_deficit', None)}
    """
    return validate(Settings, data, where)
