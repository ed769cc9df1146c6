"""The invented company's visit log: what technicians wrote down of what was so."""

from __future__ import annotations

import numpy as np
import pyarrow as pa

from plantstats.simulate.layout import REGIONS, Layout
from plantstats.simulate.log import VISIT_COLUMNS, Log
from plantstats.simulate.params import CompanyParams

TOPSOIL = ("dry", "moist", "wet")
PESTS = ("none", "mites", "mealybug", "scale")
# The first is for Ficus lyrata alone: edema, no pest (common practice, no source).
NOTES = ("reddish dots on newest leaves", "new growth", "dusty leaves wiped", "blinds closed", "desk moved")
SITE_NOTES = {"missed": "round not done", "no_access": "locked", "completed": "whole site topped up"}
LITRES = (0.3, 0.6, 1.2, 2.2)  # by pot band
FED_MONTHS = (4, 5, 6, 9)


def _coded(labels: tuple[str, ...] | list[str], codes: np.ndarray, missing: np.ndarray | None = None) -> pa.Array:
    return pa.array(list(labels)).take(pa.array(codes, mask=missing))


def visits(layout: Layout, params: CompanyParams, log: Log, rng: np.random.Generator) -> pa.Table:
    """One row per look at a plant, and per site for what was done or not done for a whole site.

    Gives:  typed Arrow table in order of day, site lines before plant lines, plants by position; measures
            rounded as they were written (humidity whole percent; temperature, litres tenths).
    """
    columns = {
        name: np.concatenate([v[i] for v in log.visits] or [np.array([], int)]) for i, name in enumerate(VISIT_COLUMNS)
    }
    n, days, site_count = len(columns["day"]), layout.days, len(layout.sites)
    day, site, plant = columns["day"], columns["site"], columns["plant"]
    pot = np.array([p["pot"] for p in log.plants])[plant]
    planter = np.array([p["planter"] for p in log.plants])[plant]
    u = rng.random((8, n), dtype=np.float32)

    region = layout.sites["region"].to_numpy()
    crews = max(1, site_count // 40)  # technicians to a region
    own = region * crews + layout.sites["stand_in"].to_numpy() % crews
    sick_leave = rng.random((site_count, days), dtype=np.float32) < 0.08
    technician = np.where(sick_leave[site, day], (own[site] + 1) % (crews * len(REGIONS)), own[site])
    unread = rng.random((site_count, days), dtype=np.float32) < params.humidity_missing
    off_by = rng.normal(0, 2, (site_count, days))
    humidity = np.rint(np.clip(layout.humidity + off_by, 5, 95)[site, day] + (u[0] < 0.2) - (u[0] > 0.8))
    temperature = np.round(layout.temperature[site, day] + (u[1] - 0.5), 1)
    air_missing = unread[site, day]

    watered = columns["watered"]
    litres = np.maximum(np.round(np.array(LITRES)[pot] * (0.75 + 0.5 * u[2]), 1), 0.1)
    deep = np.clip(1.5 + 0.5 * columns["dry_days"], 0, 12)
    depth = np.where(columns["topsoil"] == 0, np.round(2 * deep) / 2, np.round(2 * u[3]) / 2)
    no_depth = (u[4] > 0.15) | (planter == 2)
    pest = np.where(u[5] < 0.012, 1 + (u[5] * 1000).astype(int) % 3, 0)
    lyrata = np.array([params.species[p["species"]].name == "Ficus lyrata" for p in log.plants])[plant]
    note = np.where(lyrata & (u[6] < 0.5), 0, 1 + (u[6] * 1000).astype(int) % (len(NOTES) - 1))
    minutes = np.rint(0.6 + 0.4 * pot + watered + u[6] + 10 * columns["repotted"]).astype(np.int64)

    lines = log.site_lines
    line_day = np.array([d for d, _, _ in lines], dtype=np.int64)
    line_site = np.array([s for _, s, _ in lines], dtype=np.int64)
    m = len(lines)
    first = (np.datetime64(layout.first) - np.datetime64("1970-01-01")).astype(int)

    def joined(plant_values: pa.Array, line_values: pa.Array | None = None) -> pa.Array:
        line_values = pa.nulls(m, plant_values.type) if line_values is None else line_values
        return pa.concat_arrays([line_values, plant_values])

    def measured(values: np.ndarray, missing: np.ndarray | None = None) -> pa.Array:
        return joined(pa.array(values, mask=missing))

    ids = [f"P{i + 1:05d}" for i in range(len(log.plants))]
    site_ids = layout.sites["site_id"].to_list()
    crew_names = [f"T{i + 1:02d}" for i in range(crews * len(REGIONS))]
    statuses = ["completed", "missed", "no_access"]
    done = np.array([s == "completed" for _, _, s in lines], dtype=bool)
    table = pa.table(
        {
            "visited_on": joined(
                pa.array((first + day).astype(np.int32)).cast(pa.date32()),
                pa.array((first + line_day).astype(np.int32)).cast(pa.date32()),
            ),
            "plant_id": joined(_coded(ids, plant)),
            "site_id": joined(pa.nulls(n, pa.string()), _coded(site_ids, line_site)),
            "technician": joined(
                _coded(crew_names, technician), _coded(crew_names, own[line_site] if m else line_site)
            ),
            "status": joined(_coded(statuses, np.zeros(n, int)), pa.array([s for _, _, s in lines], pa.string())),
            "topsoil": joined(_coded(TOPSOIL, columns["topsoil"])),
            "dry_depth_cm": measured(depth.astype(float), no_depth),
            "watered": measured(watered.astype(bool)),
            "litres": measured(litres.astype(float), ~watered.astype(bool)),
            "leaves_dropped": measured(columns["dropped"].astype(np.int64)),
            "leaf_count": measured(columns["leaf_count"].astype(np.int64), u[7] > 0.10),
            "yellow_leaves": measured(columns["yellow"].astype(np.int64)),
            "rh_percent": measured(humidity, air_missing),
            "temp_c": measured(temperature, air_missing),
            "condition": measured(columns["condition"].astype(np.int64)),
            "repotted": measured(columns["repotted"].astype(bool)),
            "moved": measured(columns["moved"].astype(bool)),
            "rotated": measured(u[2] < 0.15),
            "fed": measured((u[3] < 0.10) & np.isin(layout.month[day], FED_MONTHS)),
            "pest": joined(_coded(PESTS, pest, u[5] > 0.2)),
            "minutes": joined(pa.array(minutes), pa.array(np.where(done, 15, 0), pa.int64())),
            "note": joined(
                _coded(NOTES, note, u[1] > 0.01), pa.array([SITE_NOTES[s] for _, _, s in lines], pa.string())
            ),
        }
    )
    order = np.argsort(np.concatenate([line_day, day]), kind="stable")
    return table.take(pa.array(order))
