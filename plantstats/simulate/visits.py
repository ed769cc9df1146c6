"""The invented company's visit log: what technicians wrote down of what was so."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
import pyarrow as pa

from plantstats.simulate import pests
from plantstats.simulate.layout import REGIONS, Layout
from plantstats.simulate.log import VISIT_COLUMNS, Log
from plantstats.simulate.params import CompanyParams

TOPSOIL = ("dry", "moist", "wet")
PESTS = ("none", *pests.NAMES)
# The first is for Ficus lyrata alone: edema, no pest (common practice, no source).
NOTES = ("reddish dots on newest leaves", "new growth", "dusty leaves wiped", "blinds closed", "desk moved")
SITE_NOTES = {"missed": "round not done", "no_access": "locked", "completed": "whole site topped up"}
LITRES = (0.3, 0.6, 1.2, 2.2)  # by pot band
FED_MONTHS = (4, 5, 6, 9)
STATUSES = ("completed", "missed", "no_access")
COLUMNS: tuple[str, ...] = (
    "visited_on",
    "plant_id",
    "site_id",
    "technician",
    "status",
    "topsoil",
    "dry_depth_cm",
    "watered",
    "litres",
)
COLUMNS += ("leaves_dropped", "leaf_count", "yellow_leaves", "rh_percent", "temp_c", "condition", "repotted", "moved")
COLUMNS += ("rotated", "fed", "pest", "minutes", "note", "pest_degree")


class _Lines(NamedTuple):
    """Columns of the log by name, with what lines of plants and lines of whole sites have of their own."""

    columns: dict[str, np.ndarray]
    pot: np.ndarray
    planter: np.ndarray
    site_days: np.ndarray
    site_numbers: np.ndarray
    site_statuses: list[str]


def visits(
    layout: Layout, params: CompanyParams, log: Log, infested: pests.Infested, rng: np.random.Generator
) -> pa.Table:
    """Visit log: one row per inspection of a plant, and per site for what was done or not done for a whole site.

    Parameters
    ----------
    layout : Layout
        What stands where on the first day.
    params : CompanyParams
        Parameters of the simulation.
    log : Log
        What happened, day by day.
    infested : Infested
        What each plant had in each week.
    rng : numpy.random.Generator
        Source of chance for what is written down or left out.

    Returns
    -------
    pyarrow.Table
        Typed, in order of day, site lines before plant lines, plants by position; measures rounded as they were written
        (humidity whole percent; temperature, litres tenths).
    """
    lines = _lines(log)
    n, m = len(lines.columns["day"]), len(lines.site_days)
    u = rng.random((8, n), dtype=np.float32)
    who = _technicians(layout, lines, rng)
    air = _air(layout, params, lines, u, rng)
    of_plants = {**_keys(layout, log, lines, who), **_care(lines, u), **_leaves(lines, u), **air}
    of_plants |= _remarks(layout, params, log, lines, u)
    of_plants |= _pests(lines, infested, u)
    of_sites = _site_lines(layout, lines, who)
    table = pa.table(
        {
            name: pa.concat_arrays([of_sites.get(name, pa.nulls(m, of_plants[name].type)), of_plants[name]])
            for name in COLUMNS
        }
    )
    order = np.argsort(np.concatenate([lines.site_days, lines.columns["day"]]), kind="stable")
    return table.take(pa.array(order))


def _lines(log: Log) -> _Lines:
    columns = {
        name: np.concatenate([v[i] for v in log.visits] or [np.array([], int)]) for i, name in enumerate(VISIT_COLUMNS)
    }
    plant = columns["plant"]
    return _Lines(
        columns,
        np.array([p["pot"] for p in log.plants])[plant],
        np.array([p["planter"] for p in log.plants])[plant],
        np.array([d for d, _, _ in log.site_lines], dtype=np.int64),
        np.array([s for _, s, _ in log.site_lines], dtype=np.int64),
        [status for _, _, status in log.site_lines],
    )


class _Technicians(NamedTuple):
    """Names, the technician of each line of a plant, and the one who usually calls at each site."""

    names: list[str]
    of_line: np.ndarray
    of_site: np.ndarray


def _technicians(layout: Layout, lines: _Lines, rng: np.random.Generator) -> _Technicians:
    """Each site has its own technician; on one day in twelve the next of the region stands in."""
    n_sites = len(layout.sites)
    crews = max(1, n_sites // 40)  # technicians to a region
    own = layout.sites["region"].to_numpy() * crews + layout.sites["stand_in"].to_numpy() % crews
    sick_leave = rng.random((n_sites, layout.days), dtype=np.float32) < 0.08
    site, day = lines.columns["site"], lines.columns["day"]
    total = crews * len(REGIONS)
    of_line = np.where(sick_leave[site, day], (own[site] + 1) % total, own[site])
    return _Technicians([f"T{i + 1:02d}" for i in range(total)], of_line, own)


def _air(
    layout: Layout, params: CompanyParams, lines: _Lines, u: np.ndarray, rng: np.random.Generator
) -> dict[str, pa.Array]:
    """Readings of the hand-held meter, off by its own error at each site and day, some not taken."""
    site, day = lines.columns["site"], lines.columns["day"]
    shape = (len(layout.sites), layout.days)
    missing = (rng.random(shape, dtype=np.float32) < params.humidity_missing)[site, day]
    meter_error = rng.normal(0, 2, shape)
    humidity = np.rint(np.clip(layout.humidity + meter_error, 5, 95)[site, day] + (u[0] < 0.2) - (u[0] > 0.8))
    temperature = np.round(layout.temperature[site, day] + (u[1] - 0.5), 1)
    return {"rh_percent": pa.array(humidity, mask=missing), "temp_c": pa.array(temperature, mask=missing)}


def _keys(layout: Layout, log: Log, lines: _Lines, who: _Technicians) -> dict[str, pa.Array]:
    n, ids = len(lines.columns["day"]), [f"P{i + 1:05d}" for i in range(len(log.plants))]
    return {
        "visited_on": _dates(layout, lines.columns["day"]),
        "plant_id": _coded(ids, lines.columns["plant"]),
        "site_id": pa.nulls(n, pa.string()),
        "technician": _coded(who.names, who.of_line),
        "status": _coded(STATUSES, np.zeros(n, int)),
    }


def _care(lines: _Lines, u: np.ndarray) -> dict[str, pa.Array]:
    """Topsoil as it was read, and water given."""
    columns, watered = lines.columns, lines.columns["watered"].astype(bool)
    litres = np.maximum(np.round(np.array(LITRES)[lines.pot] * (0.75 + 0.5 * u[2]), 1), 0.1)
    deep = np.clip(1.5 + 0.5 * columns["dry_days"], 0, 12)
    depth = np.where(columns["topsoil"] == 0, np.round(2 * deep) / 2, np.round(2 * u[3]) / 2)
    no_depth = (u[4] > 0.15) | (lines.planter == 2)
    return {
        "topsoil": _coded(TOPSOIL, columns["topsoil"]),
        "dry_depth_cm": pa.array(depth.astype(float), mask=no_depth),
        "watered": pa.array(watered),
        "litres": pa.array(litres.astype(float), mask=~watered),
    }


def _leaves(lines: _Lines, u: np.ndarray) -> dict[str, pa.Array]:
    columns = lines.columns
    return {
        "leaves_dropped": pa.array(columns["dropped"].astype(np.int64)),
        "leaf_count": pa.array(columns["leaf_count"].astype(np.int64), mask=u[7] > 0.10),
        "yellow_leaves": pa.array(columns["yellow"].astype(np.int64)),
        "condition": pa.array(columns["condition"].astype(np.int64)),
    }


def _remarks(layout: Layout, params: CompanyParams, log: Log, lines: _Lines, u: np.ndarray) -> dict[str, pa.Array]:
    """What else was done and written: moves, feeding, minutes, notes."""
    columns, plant = lines.columns, lines.columns["plant"]
    lyrata = np.array([params.species[p["species"]].name == "Ficus lyrata" for p in log.plants])[plant]
    note = np.where(lyrata & (u[6] < 0.5), 0, 1 + (u[6] * 1000).astype(int) % (len(NOTES) - 1))
    minutes = np.rint(0.6 + 0.4 * lines.pot + columns["watered"] + u[6] + 10 * columns["repotted"]).astype(np.int64)
    return {
        "repotted": pa.array(columns["repotted"].astype(bool)),
        "moved": pa.array(columns["moved"].astype(bool)),
        "rotated": pa.array(u[2] < 0.15),
        "fed": pa.array((u[3] < 0.10) & np.isin(layout.month[columns["day"]], FED_MONTHS)),
        "minutes": pa.array(minutes),
        "note": _coded(NOTES, note, u[1] > 0.01),
    }


def _pests(lines: _Lines, infested: pests.Infested, u: np.ndarray) -> dict[str, pa.Array]:
    """Pests as they were noted: in one line of five somebody looked."""
    pest, degree = pests.noted(infested, lines.columns["plant"], lines.columns["day"])
    unseen = u[5] > 0.2
    return {"pest": _coded(PESTS, pest, unseen), "pest_degree": _coded(pests.DEGREES, degree, unseen | (pest == 0))}


def _site_lines(layout: Layout, lines: _Lines, who: _Technicians) -> dict[str, pa.Array]:
    """Columns that a line for a whole site has; the others are missing there."""
    statuses = lines.site_statuses
    technician = who.of_site[lines.site_numbers] if statuses else lines.site_numbers
    is_done = np.array([status == "completed" for status in statuses], dtype=bool)
    return {
        "visited_on": _dates(layout, lines.site_days),
        "site_id": _coded(layout.sites["site_id"].to_list(), lines.site_numbers),
        "technician": _coded(who.names, technician),
        "status": pa.array(statuses, pa.string()),
        "minutes": pa.array(np.where(is_done, 15, 0), pa.int64()),
        "note": pa.array([SITE_NOTES[status] for status in statuses], pa.string()),
    }


def _dates(layout: Layout, days: np.ndarray) -> pa.Array:
    first = (np.datetime64(layout.first) - np.datetime64("1970-01-01")).astype(int)
    return pa.array((first + days).astype(np.int32)).cast(pa.date32())


def _coded(labels: Sequence[str], codes: np.ndarray, missing: np.ndarray | None = None) -> pa.Array:
    return pa.array(list(labels)).take(pa.array(codes, mask=missing))
