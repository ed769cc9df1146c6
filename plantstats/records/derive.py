"""Columns that follow from others by a stated rule, filled where they are blank: each with a note and a count."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from plantstats.schema.light import band_of_lux
from plantstats.schema.tables import OPEN_END
from plantstats.settings import Settings
from plantstats.writing import whole_file

MONTH_ENDS = {
    "clamp": "the same day, or the last day of a shorter month",
    "next_day": "the same day, or the day after a shorter month",
}


def fill(target: Path, settings: Settings) -> list[tuple[Any, ...]]:
    """Fill light bands from readings, records' beginnings from the settings, and guarantees from their terms.

    Parameters
    ----------
    target : Path
        Folder of the typed Parquet files, which are written anew where they change.
    settings : Settings

    Returns
    -------
    list of tuple
        Notes: table, file, kind, column, count, text.
    """
    tables = {name: pq.read_table(target / f"{name}.parquet") for name in ("plants", "sites", "replacements")}
    filled = dict(tables)
    notes: list[tuple[Any, ...]] = []

    def note(table: str, kind: str, column: str, count: int, text: str) -> None:
        notes.append((table, "", kind, column, count, text))

    filled["plants"] = _fill_light(tables["plants"], settings, note)
    filled["plants"] = _fill_guarantee(filled["plants"], settings, note)
    _count_guarantees(filled["plants"], note)
    filled["sites"] = _fill_observed(tables["sites"], settings, note)
    filled["replacements"] = _fill_covered(tables["replacements"], filled["plants"], settings, note)
    for name, table in filled.items():
        if table is not tables[name]:
            path = target / f"{name}.parquet"
            with whole_file(path) as partial:
                pq.write_table(table, partial, compression="zstd")
    return notes


def _set(table: pa.Table, name: str, column: Any) -> pa.Table:
    return table.set_column(table.schema.get_field_index(name), table.schema.field(name), column)


def _fill_light(plants: pa.Table, settings: Settings, note: Any) -> pa.Table:
    """Bands from light_lux; unknown where there is no reading."""
    light, lux = plants.column("light"), plants.column("light_lux").to_pylist()
    blank = pc.is_null(light).to_pylist()
    if not any(blank):
        return plants
    bands = [None if value is None else band_of_lux(value, settings.light_scheme) for value in lux]
    read = sum(is_blank and band is not None for is_blank, band in zip(blank, bands, strict=True))
    if read:
        scheme = f"light bands taken from light_lux by the scheme {settings.light_scheme!r}"
        note("plants", "light band", "light", read, scheme)
    if sum(blank) > read:
        note("plants", "light band", "light", sum(blank) - read, "no light band given: unknown")
    return _set(plants, "light", pc.fill_null(pc.coalesce(light, pa.chunked_array([bands], pa.string())), "unknown"))


def _fill_guarantee(plants: pa.Table, settings: Settings, note: Any) -> pa.Table:
    """The guarantee's last day, from installed_on and the months of the settings."""
    months = settings.guarantee.months
    if months is None:
        return plants
    given, installed = (
        plants.column(name).cast(pa.timestamp("us")).to_pandas() for name in ("guarantee_until", "installed_on")
    )
    wanted = given.isna() & installed.notna()
    if not wanted.any():
        return plants
    ends = given.where(~wanted, add_months(installed, months, settings.guarantee.month_end))
    rule = MONTH_ENDS[settings.guarantee.month_end]
    text = f"guarantee_until was blank: {months} months after installed_on ({rule})"
    note("plants", "guarantee", "guarantee_until", int(wanted.sum()), text)
    column = pa.chunked_array([pa.array(ends, pa.timestamp("us"), from_pandas=True)]).cast(pa.date32())
    return _set(plants, "guarantee_until", column)


def _count_guarantees(plants: pa.Table, note: Any) -> None:
    """Say how many ends of guarantees are certain, open, unknown and in error."""
    until, installed = (plants.column(name) for name in ("guarantee_until", "installed_on"))
    known = int(pc.sum(pc.is_valid(until)).as_py() or 0)
    if not known:
        return
    opened = int(pc.sum(pc.equal(until, pa.scalar(OPEN_END))).as_py() or 0)
    wrong = int(pc.sum(pc.less(until, installed)).as_py() or 0)
    text = (
        f"last days of guarantees: {known - opened - wrong:,} certain, {opened:,} without end, {len(plants) - known:,} "
        f"unknown (blank or set aside), {wrong:,} in error (before the plant came)"
    )
    note("plants", "guarantee dates", "guarantee_until", 0, text)


def add_months(days: pd.Series, months: int, month_end: str) -> pd.Series:
    """The day of the month `months` on: the same day, or the last of a shorter month, or the day after it.

    Parameters
    ----------
    days : pandas.Series of datetime64
    months : int
    month_end : {"clamp", "next_day"}

    Returns
    -------
    pandas.Series of datetime64

    Examples
    --------
    >>> day = pd.Series(pd.to_datetime(["2024-08-31"]))
    >>> [add_months(day, 6, rule)[0].date().isoformat() for rule in ("clamp", "next_day")]
    ['2025-02-28', '2025-03-01']
    """
    ends = days + pd.DateOffset(months=months)
    if month_end == "next_day":
        ends = ends.where(ends.dt.day == days.dt.day, ends + pd.DateOffset(days=1))
    return ends


def _fill_observed(sites: pa.Table, settings: Settings, note: Any) -> pa.Table:
    """The day from which a site's records are complete, from the settings."""
    known = [settings.observed_from.get(site) for site in sites.column("site_id").to_pylist()]
    if not any(known):
        return sites
    count = sum(day is not None for day in known)
    note("sites", "settings", "observed_from", count, "observed_from taken from the settings")
    return _set(
        sites, "observed_from", pc.coalesce(pa.chunked_array([known], pa.date32()), sites.column("observed_from"))
    )


def _fill_covered(replacements: pa.Table, plants: pa.Table, settings: Settings, note: Any) -> pa.Table:
    """Who pays, from guarantee_until, where the settings state the guarantee's last day."""
    if settings.guarantee.months is None or not len(plants):
        return replacements
    ends = dict(zip(plants.column("plant_id").to_pylist(), plants.column("guarantee_until").to_pylist(), strict=True))
    inclusive = settings.guarantee.end_day == "inclusive"
    covered = replacements.column("covered").to_pylist()
    count = 0
    for n, (plant, day) in enumerate(
        zip(replacements.column("plant_id").to_pylist(), replacements.column("replaced_on").to_pylist(), strict=True)
    ):
        end = ends.get(plant)
        if covered[n] is None and end is not None and day is not None:
            covered[n] = "guaranteed" if day < end or (inclusive and day == end) else "chargeable"
            count += 1
    if not count:
        return replacements
    text = f"covered was blank: taken from guarantee_until, that day {settings.guarantee.end_day}"
    note("replacements", "guarantee", "covered", count, text)
    return _set(replacements, "covered", pa.chunked_array([covered], pa.string()))
