"""How the files of each table are written: names, heads, codes, marks, dates, units."""

from __future__ import annotations

from pathlib import PurePosixPath
from typing import TYPE_CHECKING, Annotated, Any, Literal
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import AfterValidator, AliasChoices, BeforeValidator, Field, Strict, create_model

from plantstats.schema.months import LANGUAGES
from plantstats.schema.tables import PLANT_LIST, TABLES, Column, Table
from plantstats.schema.text import normalize_header
from plantstats.schema.units import UNITS
from plantstats.settings.toml import Section

HEAD_ROWS = 60  # the heads stand among the first rows of a file


def _inside(file: str) -> str:
    """A file name that stays inside the folder: no drive, no root, no way up."""
    path = PurePosixPath(file.replace("\\", "/"))
    if not file or path.is_absolute() or ".." in path.parts or ":" in file or "\0" in file:
        raise ValueError(f"{file!r} must lie inside the folder of the records")
    return file


def _zone(name: str) -> str:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise ValueError(f"{name!r} is not a time zone name such as Europe/Rome") from None
    return name


TimeZone = Annotated[str, AfterValidator(_zone)]


def _once(columns: dict[str, str]) -> dict[str, str]:
    """Two canonical columns never share a head."""
    by_head: dict[str, str] = {}
    for name, head in columns.items():
        if (other := by_head.setdefault(normalize_header(head), name)) != name:
            raise ValueError(f"{head!r} is given to {other} and to {name}; name one head for each")
    return columns


def _code(word: Any) -> Any:
    """A canonical word; true, false and numbers stand for their text."""
    return str(word).lower() if isinstance(word, bool) else str(word) if isinstance(word, int | float) else word


class FileFormat(Section):
    """How files are written; None means: proved by the file, or asked for."""

    encoding: str | None = None
    delimiter: str | None = Field(None, min_length=1, max_length=1)
    decimal: Literal[".", ","] | None = None
    thousands: Literal[".", ",", " ", "'", ""] | None = None
    date_order: Literal["dmy", "mdy", "ymd"] | None = None
    two_digit_years: int = Field(1950, ge=1800, le=2100)
    serial_dates: Literal[1900, 1904] | None = None
    languages: Annotated[tuple[Literal[LANGUAGES], ...], Strict(False)] = ()  # type: ignore[valid-type]
    timezone: TimeZone | None = None


class TableSettings(FileFormat):
    """How the files of one table are written; what it does not say, the top of the settings says for all tables.

    Attributes
    ----------
    columns : dict of str to str
        Canonical column to the head in the file.
    codes : dict of str to dict
        Canonical column to its codes: raw text to canonical word.
    duplicates : dict of str to str
        Canonical column that stands twice in the file to "sum", "first" or "last".
    """

    files: Annotated[
        tuple[Annotated[str, AfterValidator(_inside)], ...],
        Strict(False),
        BeforeValidator(lambda given: [given] if isinstance(given, str) else given),
    ] = Field((), validation_alias=AliasChoices("files", "file"))
    sheet: str | None = None
    header_row: int | None = Field(None, ge=1, le=HEAD_ROWS)
    columns: dict[str, str] = Field(default_factory=dict)
    codes: dict[str, dict[str, str]] = Field(default_factory=dict)
    duplicates: dict[str, str] = Field(default_factory=dict)


class UnitSettings(Section):
    """Unit of a measure whose cells name none: one for all, and others for values of a column beside it."""

    default: str | None = None

    @property
    def by(self) -> dict[str, dict[str, str]]:
        """Column beside the measure -> its value -> unit."""
        return {name.removeprefix("by_"): getattr(self, name) for name in self.model_fields_set - {"default"}}


def _table_model(table: Table) -> type[TableSettings]:
    """Settings of one table, closed over its columns."""
    names: Any = Literal[tuple(table.names)]
    adding: Any = Literal["sum", "first", "last"]
    code: Any = Annotated[str, BeforeValidator(_code)]
    return create_model(
        f"{table.name.capitalize()}Settings",
        __base__=TableSettings,
        columns=(Annotated[dict[names, str], AfterValidator(_once)], {}),
        codes=(dict[names, dict[str, code]], {}),
        duplicates=(dict[names, adding], {}),
    )


def _unit_model(column: Column) -> type[UnitSettings]:
    """Units of one column; they may hang on who wrote the number or where: ids and names in the same table."""
    units: Any = Literal[tuple(UNITS[str(column.unit)])]
    beside = {
        c.name
        for table in TABLES.values()
        if column.name in table.names
        for c in table.columns
        if c.kind in ("id", "label", "word")
    }
    by: Any = {f"by_{name}": (dict[str, units], {}) for name in sorted(beside)}
    return create_model(f"Unit_{column.name}", __base__=UnitSettings, default=(units | None, None), **by)


def _given(section: Section) -> dict[str, Any]:
    """The keys that the file gives, by name."""
    return {name: getattr(section, name) for name in type(section).model_fields if name in section.model_fields_set}


if TYPE_CHECKING:
    TablesByName = dict[str, TableSettings]
    UnitsByColumn = dict[str, UnitSettings]
else:
    _measures = {c.name: c for table in TABLES.values() for c in table.columns if c.unit in UNITS}
    _unit = BeforeValidator(lambda given: {"default": given} if isinstance(given, str) else given)
    TablesByName = Annotated[
        create_model(
            "Tables",
            __base__=Section,
            **{t.name: (_table_model(t) | None, None) for t in (*TABLES.values(), PLANT_LIST)},
        ),
        AfterValidator(_given),
    ]
    UnitsByColumn = Annotated[
        create_model(
            "Units",
            __base__=Section,
            **{n: (Annotated[_unit_model(c), _unit] | None, None) for n, c in sorted(_measures.items())},
        ),
        AfterValidator(_given),
    ]
