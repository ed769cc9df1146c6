"""Plants watered, read, shedding and dying by a known law, in the tables that drought effects are learned from."""

from __future__ import annotations

from datetime import date, timedelta

import duckdb
import numpy as np
import pandas as pd

from plantstats.exposure.engines import DuckDBEngine
from plantstats.watering.dry_down_table import DryDowns
from plantstats.watering.drying import DryingModel

DAY_ZERO = date(1970, 1, 1)
SHAPE = 3.0
SCALES = {"Ficus lyrata": 9.0, "Aspidistra elatior": 14.0}
TYPES = {
    "days": 'plant_id varchar, "at" bigint, dry bigint, watered bigint, inspections bigint, dead bigint',
    "dry_downs": 'plant_id varchar, "at" bigint, site_id varchar, species varchar, light varchar, pot varchar, '
    "planter varchar, heating boolean",
    "visits": "plant_id varchar, visited_on date, leaves_dropped bigint",
    "replacements": "plant_id varchar, found_on date, replaced_on date, outcome varchar, cause varchar",
    "follow": "plant_id varchar, species varchar, n_listed bigint",
}


def engine(tables: dict[str, list[tuple[object, ...]]], as_of: int = 100_000) -> DryDowns:
    """Tables as the chain of dry-downs leaves them, from rows in the order of TYPES; days count from 1970-01-01."""
    made = duckdb.connect()
    for name, columns in TYPES.items():
        made.execute(f"create table {name} ({columns})")
        rows = pd.DataFrame(tables.get(name, []), columns=[c.split()[0] for c in columns.split(", ")])
        if len(rows):
            made.register("rows", rows)
            made.execute(f"insert into {name} select * from rows")
            made.unregister("rows")
    made.execute("""
        create or replace table days as
        select *, lead("at") over by_day as next, lead(dead) over by_day as next_dead,
               lead(dry) over by_day as next_dry,
               max(case when watered = 1 then "at" end)
                   over (partition by plant_id order by "at" rows between unbounded preceding and current row) as wetted
        from days window by_day as (partition by plant_id order by "at")""")
    return DryDowns(DuckDBEngine(made), DAY_ZERO + timedelta(days=as_of))


def true_drying() -> DryingModel:
    """The distribution by which the simulated plants dry."""
    return DryingModel.known({"species": {name: np.log(scale) for name, scale in SCALES.items()}}, SHAPE)


def simulated(
    seed: int,
    *,
    sites: int = 20,
    plants: int = 20,
    days: int = 730,
    loss_rate: float = 0.0,
    loss_ratio: float = 1.0,
    leaf_rate: float = 0.0,
    leaf_ratio: float = 1.0,
    given_up: float = 0.0,
) -> DryDowns:
    """Sites visited every 7, 14 or 21 days; a plant found dry is watered; a lost one is found and replaced at a visit.

    Rates are per day on days that are not too dry, and times as much on days that are. given_up: chance, at an
    inspection that finds a plant dry, that it is left dry from then on, and dies at 20 times the rate of others, dry or
    not. Leaves of figs fall in the interval after the one that was dry. Numbers of leaves are gamma-Poisson.
    """
    rng = np.random.default_rng(seed)
    out: dict[str, list[tuple[object, ...]]] = {name: [] for name in TYPES}
    for site in range(sites):
        every, site_id = (7, 14, 21)[site % 3], f"S{site:02d}"
        risk = loss_rate * (2.0, 1.0, 0.5)[site % 3]  # frequent visits where it is hard
        for position in range(plants):
            species = list(SCALES)[position % 2]
            number, plant, begun, dries_on = 0, "", None, 0.0
            for day in range(int(rng.integers(1, every + 1)), days, every):
                if not plant:
                    plant, gone, dry_before = f"{site_id}-{position}-{number}", False, 0.0
                    number += 1
                    out["follow"].append((plant, species, 1))
                    watered = True
                    begun = None
                if begun is not None:
                    dry_days = float(np.clip(day - max(dries_on, day - every), 0, every))
                    weighed = every + (loss_ratio - 1) * dry_days
                    hazard = risk * (20 * every if gone else weighed)
                    shed = dry_before if species.startswith("Ficus") else dry_days
                    mean = leaf_rate * max(every + (leaf_ratio - 1) * shed, 0.0)
                    dry_before = dry_days
                    on = DAY_ZERO + timedelta(days=day)
                    if rng.random() < -np.expm1(-hazard):
                        out["days"].append((plant, day, None, 0, 1, 1))
                        out["replacements"].append((plant, on, on, "died", "unknown"))
                        plant = ""
                        continue
                    out["visits"].append((plant, on, int(rng.poisson(mean * rng.gamma(2, 0.5)))))
                    dry = dries_on <= day
                    gone = gone or bool(dry and rng.random() < given_up)
                    watered = bool(dry and not gone)
                    out["days"].append((plant, day, int(dry), int(watered), 1, 0))
                else:
                    out["days"].append((plant, day, 1, 1, 1, 0))
                if watered:
                    begun, dries_on = day, day + SCALES[species] * rng.weibull(SHAPE)
                    out["dry_downs"].append((plant, day, site_id, species, "low", "15-24 cm", "direct", False))
    return engine(out, days)
