"""The column contracts: what each canonical table holds, in which type and between which limits.

One place per table. Limits are those outside which a value cannot be meant (a cell beyond them is set aside);
narrower limits of what is usual stand in `plantstats.quality`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date

import pyarrow as pa

ARROW: dict[str, pa.DataType] = {
    "id": pa.string(),
    "label": pa.string(),
    "text": pa.string(),
    "word": pa.string(),
    "species": pa.string(),
    "light": pa.string(),
    "cause": pa.string(),
    "date": pa.date32(),
    "stamp": pa.timestamp("us"),
    "flag": pa.bool_(),
    "measure": pa.float64(),
    "count": pa.int64(),
}


@dataclass(frozen=True)
class Column:
    """One canonical column.

    kind: id (kept letter for letter), label (look-alikes joined), text (free), word (closed list), species,
    light, cause, date, stamp (date and time), flag, measure, count. between: names of two columns that hold the
    least and the most of a cell whose word stands for more than one number. clock: name of a column that holds the
    minute of the day where a date is written with a time. open_end: the day that stands for "without end". kept:
    whether typed tables hold it; a column that only helps to read others is not kept.
    """

    name: str
    kind: str
    required: bool = False
    low: float | None = None
    high: float | None = None
    unit: str | None = None
    words: tuple[tuple[str, tuple[str, ...]], ...] = ()
    hint: str = ""
    between: tuple[str, ...] = ()
    clock: str = ""
    open_end: date | None = None
    kept: bool = True


@dataclass(frozen=True)
class Table:
    """One canonical table: its columns, its key, and columns of which one at least must be filled."""

    name: str
    columns: tuple[Column, ...]
    key: str | None = None
    either: tuple[str, ...] = ()
    must_exist: bool = False
    # A column that may tell rows of one key apart: the installations under an id that stays with the place.
    distinguished_by: str | None = None
    # Of rows of one key that differ in one of these none is used: money or place hangs on it.
    must_agree: tuple[str, ...] = ()
    # Columns that name a plant together, where a firm gives its plants no ids.
    place: tuple[str, ...] = ()

    def column(self, name: str) -> Column:
        """A column by its name.

        Parameters
        ----------
        name : str
            A canonical name.

        Returns
        -------
        Column
        """
        return next(c for c in self.columns if c.name == name)

    @property
    def names(self) -> list[str]:
        """Names of the columns, in order."""
        return [c.name for c in self.columns]

    @property
    def kept(self) -> tuple[Column, ...]:
        """Columns that typed tables hold."""
        return tuple(c for c in self.columns if c.kept)


def _id(name: str, required: bool = False) -> Column:
    return Column(name, "id", required)


def _names(*names: str) -> tuple[Column, ...]:
    """What people call a thing; shown in place of its code, never computed with."""
    return tuple(Column(name, "text") for name in names)


PLACE = ("site_id", "position")
# Ids that a branch gives by itself; with `ids_by_branch` its name stands before them.
OF_BRANCH = ("plant_id", "site_id", "client_id", "replaced_by", "to_site_id")


def _helps(*names: str) -> tuple[Column, ...]:
    """Ids that help to name a plant and are not kept."""
    return tuple(Column(name, "id", kept=False) for name in names)


def _date(name: str, required: bool = False) -> Column:
    return Column(name, "date", required)


def _minutes(name: str) -> Column:
    return Column(name, "measure", low=0, high=24 * 60, unit="minutes")


def _money(name: str) -> Column:
    return Column(name, "measure", low=0, high=1e9, unit="money")


# Air in buildings is never drier than this; a smaller number is a share or no reading (common practice, no source).
RH = Column("rh_percent", "measure", low=2, high=100, unit="percent", hint="likely a share, or no reading")
# Air in a building that people work in; beyond these the unit or the digit is wrong (common practice, no source).
TEMP = Column("temp_c", "measure", low=-5, high=50, unit="temperature", hint="likely degrees Fahrenheit")
OPEN_END = date(2199, 12, 31)
QUANTITY = Column("quantity", "count", low=0, high=100_000)
COVERED = Column(
    "covered",
    "word",
    words=(
        ("guaranteed", ("y", "yes", "true", "1", "x", "covered")),
        ("chargeable", ("n", "no", "false", "0", "not covered", "charged")),
        ("upgrade", ()),
        ("rotation", ()),
    ),
)
OUTCOME = Column("outcome", "word", words=(("died", ("dead",)), ("declined", ()), ("client", ()), ("withdrawn", ())))

TABLES: dict[str, Table] = {
    t.name: t
    for t in (
        Table(
            "sites",
            (
                _id("site_id", True),
                _id("client_id", True),
                Column("region", "label"),
                Column("setting", "label"),
                Column("planned_visit_days", "measure", low=1, high=400, unit="days"),
                _date("observed_from"),
                # What the records themselves tell, filled by `records.observation` where nobody said.
                _date("records_from"),
                _date("records_until"),
                *_names("site_name", "client_name", "address", "access_note"),
            ),
            key="site_id",
            must_exist=True,
            must_agree=("client_id",),
        ),
        Table(
            "plants",
            (
                _id("plant_id", True),
                _id("site_id", True),
                _id("position"),
                Column("species", "species", True),
                *_names("room", "common_name"),
                Column("cultivar", "label"),
                Column("pot_cm", "measure", low=2, high=120, unit="length", hint="likely millimetres"),
                Column("height_cm", "measure", low=1, high=2000, unit="length"),
                Column("light", "light"),
                Column("light_lux", "measure", low=0, high=150_000, unit="light"),
                Column(
                    "planter",
                    "word",
                    words=(
                        ("direct", ("direct planted", "direct_planted")),
                        ("double_potted", ("double potted", "double-potted")),
                        ("sub_irrigated", ("sub irrigated", "sub-irrigated", "self watering", "self-watering")),
                    ),
                ),
                _date("installed_on"),
                _date("removed_on"),
                Column("removal_reason", "cause"),
                OUTCOME,
                Column("guarantee_until", "date", open_end=OPEN_END),
                Column("ownership", "label"),
                _id("supplier_batch"),
                _money("cost"),
                QUANTITY,
            ),
            key="plant_id",
            must_exist=True,
            distinguished_by="installed_on",
            must_agree=("site_id", "quantity", "cost", "guarantee_until"),
            place=PLACE,
        ),
        Table(
            "visits",
            (
                Column("visited_on", "date", True, clock="visited_minute"),
                _id("plant_id"),
                _id("site_id"),
                *_helps("position"),
                Column("technician", "label"),
                Column(
                    "status",
                    "word",
                    words=(("completed", ("done", "complete")), ("missed", ()), ("no_access", ("no access",))),
                ),
                Column("topsoil", "word", words=(("dry", ()), ("moist", ()), ("wet", ()))),
                Column("dry_depth_cm", "measure", low=0, high=100, unit="length"),
                Column("watered", "flag"),
                # More than this in one line is a tank, or millilitres (common practice, no source).
                Column("litres", "measure", low=0, high=250, unit="volume", hint="likely millilitres"),
                Column("leaves_dropped", "count", low=0, high=100_000, between=("dropped_lower", "dropped_upper")),
                Column("leaf_count", "count", low=0, high=1_000_000),
                Column("yellow_leaves", "count", low=0, high=100_000, between=("yellow_lower", "yellow_upper")),
                RH,
                TEMP,
                Column("condition", "count", low=1, high=5),
                Column("repotted", "flag"),
                Column("moved", "flag"),
                Column("rotated", "flag"),
                Column("fed", "flag"),
                Column("pest", "label"),
                Column(
                    "pest_degree",
                    "word",
                    words=(("trace", ("light", "few")), ("moderate", ("some",)), ("severe", ("heavy", "many"))),
                ),
                _minutes("minutes"),
                Column("note", "text"),
            ),
            either=("plant_id", "site_id"),
            place=PLACE,
        ),
        Table(
            "replacements",
            (
                _id("plant_id", True),
                *_helps(*PLACE),
                _date("replaced_on", True),
                _date("found_on"),
                _date("entered_on"),
                Column("cause", "cause", True),
                OUTCOME,
                QUANTITY,
                _id("replaced_by"),
                COVERED,
                _money("plant_cost"),
                _minutes("labour_minutes"),
            ),
            must_exist=True,
            place=PLACE,
        ),
        Table(
            "contracts",
            (
                _id("client_id", True),
                _id("site_id"),
                _date("starts_on", True),
                _date("ends_on"),
                _money("monthly_fee"),
                Column("currency", "label"),
                Column("months", "measure", low=0, high=600),
                Column("covered_causes", "text"),
                Column("cap", "measure", low=0, high=1e9),
                Column("excluded", "text"),
            ),
        ),
        Table(
            "moves",
            (
                _id("plant_id", True),
                _date("moved_on", True),
                _id("to_site_id"),
                _id("to_position"),
                Column("to_light", "light"),
            ),
        ),
        Table("readings", (_id("site_id", True), Column("read_at", "stamp", True), RH, TEMP, _id("position"))),
    )
}

_PLANTS = TABLES["plants"]
# The plant list of a quote, read like a table of the records; `tables.quote` in the settings says how it is written.
PLANT_LIST = Table(
    "quote",
    (
        _id("position"),
        _id("site_id"),
        _PLANTS.column("species"),
        _PLANTS.column("cultivar"),
        _PLANTS.column("pot_cm"),
        _PLANTS.column("light"),
        _PLANTS.column("light_lux"),
        _PLANTS.column("planter"),
        QUANTITY,
        replace(_money("unit_cost"), required=True),
        _minutes("labour_minutes"),
        _PLANTS.column("installed_on"),
    ),
)

# The raw words of a cause are kept beside the cause that they were mapped to.
RAW_TEXT = {"cause": "cause_text", "removal_reason": "removal_text"}


def schema(table: Table) -> pa.Schema:
    """Arrow schema of a typed table: canonical columns, raw cause texts, limits of words, minutes, file and line.

    Parameters
    ----------
    table : Table
        A canonical table.

    Returns
    -------
    pyarrow.Schema
    """
    fields = [pa.field(c.name, ARROW[c.kind]) for c in table.kept]
    fields += [pa.field(RAW_TEXT[c.name], pa.string()) for c in table.columns if c.kind == "cause"]
    fields += [pa.field(limit, pa.int64()) for c in table.columns for limit in c.between]
    fields += [pa.field(c.clock, pa.int64()) for c in table.columns if c.clock]
    return pa.schema([*fields, pa.field("file", pa.string()), pa.field("line", pa.int64())])
