"""Columns that follow from others by a stated rule, filled where they are blank: each with a note and a count."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from plantstats.schema.light import band_of_lux
from plantstats.settings import Settings

Note = tuple[Any, ...]


def fill(target: Path, settings: Settings, supplied: dict[str, list[str]]) -> list[Note]:
    """Fill light bands from readings, records' beginnings from the settings, and guarantees from their terms.

    Takes:  folder of the typed Parquet files; settings; columns supplied by table.
    Gives:  the notes: table, file, kind, column, count, text.
    """
    notes: list[Note] = []
    plants = pq.read_table(target / "plants.parquet")
    sites = pq.read_table(target / "sites.parquet")
    changed, light_notes = _light(plants, settings)
    changed, until_notes = _guarantee(changed, settings)
    notes += light_notes + until_notes
    if changed is not plants:
        _replace(changed, target / "plants.parquet")
    begun, site_notes = _observed(sites, settings)
    notes += site_notes
    if begun is not sites:
        _replace(begun, target / "sites.parquet")
    notes += _covered(target, changed, settings, supplied)
    return notes


def _replace(table: pa.Table, path: Path) -> None:
    pq.write_table(table, path.with_suffix(".new"), compression="zstd")
    os.replace(path.with_suffix(".new"), path)


def _set(table: pa.Table, name: str, column: Any) -> pa.Table:
    return table.set_column(table.schema.get_field_index(name), table.schema.field(name), column)


def _light(plants: pa.Table, settings: Settings) -> tuple[pa.Table, list[Note]]:
    light, lux = plants.column("light"), plants.column("light_lux")
    blank = pc.is_null(light)
    count = pc.sum(pc.and_(blank, pc.is_valid(lux))).as_py() or 0
    if not pc.any(blank).as_py():
        return plants, []
    bands = [None if v is None else band_of_lux(v, settings.light_scheme) for v in lux.to_pylist()]
    filled = pc.fill_null(pc.coalesce(light, pa.chunked_array([bands], pa.string())), "unknown")
    notes: list[Note] = []
    if count:
        notes.append(
            (
                "plants",
                "",
                "light band",
                "light",
                count,
                f"light bands taken from light_lux by the scheme {settings.light_scheme!r}",
            )
        )
    rest = len(plants) and (pc.sum(blank).as_py() or 0) - count
    if rest:
        notes.append(("plants", "", "light band", "light", rest, "no light band given: unknown"))
    return _set(plants, "light", filled), notes


def until(installed: pd.Series, months: int, month_end: str) -> pd.Series:
    """The day of the month `months` on: the same day, or the last of a shorter month ("clamp"), or the day after
    it ("next_day")."""
    made = installed + pd.DateOffset(months=months)
    if month_end == "next_day":
        made = made.where(made.dt.day == installed.dt.day, made + pd.Timedelta(days=1))
    return made.astype("datetime64[us]")


def _guarantee(plants: pa.Table, settings: Settings) -> tuple[pa.Table, list[Note]]:
    months = settings.guarantee.months
    if months is None:
        return plants, []
    given = plants.column("guarantee_until").cast(pa.timestamp("us")).to_pandas()
    installed = plants.column("installed_on").cast(pa.timestamp("us")).to_pandas()
    wanted = given.isna() & installed.notna()
    if not wanted.any():
        return plants, []
    filled = given.where(~wanted, until(installed, months, settings.guarantee.month_end))
    column = pa.chunked_array([pa.array(filled, pa.timestamp("us"), from_pandas=True)]).cast(pa.date32())
    rule = {
        "clamp": "the same day, or the last day of a shorter month",
        "next_day": "the same day, or the day after a shorter month",
    }[settings.guarantee.month_end]
    note = (
        "plants",
        "",
        "guarantee",
        "guarantee_until",
        int(wanted.sum()),
        f"guarantee_until was blank: {months} months after installed_on ({rule})",
    )
    return _set(plants, "guarantee_until", column), [note]


def _observed(sites: pa.Table, settings: Settings) -> tuple[pa.Table, list[Note]]:
    ids = sites.column("site_id").to_pylist()
    known = [settings.observed_from.get(i) for i in ids]
    if not any(known):
        return sites, []
    filled = pc.coalesce(pa.chunked_array([known], pa.date32()), sites.column("observed_from"))
    note = (
        "sites",
        "",
        "settings",
        "observed_from",
        sum(k is not None for k in known),
        "observed_from taken from the settings",
    )
    return _set(sites, "observed_from", filled), [note]


def _covered(target: Path, plants: pa.Table, settings: Settings, supplied: dict[str, list[str]]) -> list[Note]:
    """Fill a blank `covered` from guarantee_until, where the settings state the guarantee's last day."""
    if settings.guarantee.months is None or len(plants) == 0:
        return []
    path = target / "replacements.parquet"
    table = pq.read_table(path)
    ends = dict(zip(plants.column("plant_id").to_pylist(), plants.column("guarantee_until").to_pylist(), strict=True))
    inclusive = settings.guarantee.end_day == "inclusive"
    made, count = [], 0
    for given, plant, day in zip(
        *(table.column(c).to_pylist() for c in ("covered", "plant_id", "replaced_on")), strict=True
    ):
        end = ends.get(plant)
        if given is None and end is not None and day is not None:
            made.append("guaranteed" if day < end or (inclusive and day == end) else "chargeable")
            count += 1
        else:
            made.append(given)
    if not count:
        return []
    _replace(_set(table, "covered", pa.chunked_array([made], pa.string())), path)
    return [
        (
            "replacements",
            "",
            "guarantee",
            "covered",
            count,
            f"covered was blank: taken from guarantee_until, that day {settings.guarantee.end_day}",
        )
    ]
