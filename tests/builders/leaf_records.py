"""Records with leaf counts: written by hand, and of invented companies."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import pandas as pd

from plantstats import exposure, records, simulate
from plantstats import leaves as leaf_loss
from plantstats.leaves.intervals import conditions

# Without observed_from, what came before the first visit would be no time at risk.
SITES = "site_id,client_id,observed_from\nS1,C1,{observed}\nS2,C2,2020-01-01\n"


PLANTS = "plant_id,site_id,position,species,pot_cm,light,installed_on,quantity\n"


HEAD = "plant_id,site_id,visited_on,status,topsoil,leaves_dropped,yellow_leaves,leaf_count,rh_percent,temp_c,"


HEAD += "condition,repotted,moved,rotated\n"


def visit(plant: str, on: str, leaves: object = 0, **more: object) -> str:
    values = {"plant_id": plant, "visited_on": on, "leaves_dropped": leaves, "yellow_leaves": 0, "topsoil": "moist"}
    values |= more
    return ",".join(str(values.get(name, "")) for name in HEAD.strip().split(","))


def leaf_time(
    folder: Path,
    plants: list[str],
    visits: list[str],
    as_of: str = "2025-12-31",
    observed: str = "2020-01-01",
    moves: tuple[str, ...] = (),
    replacements: tuple[str, ...] = (),
    readings: tuple[str, ...] = (),
) -> leaf_loss.CountIntervals:
    texts = {
        "sites": SITES.format(observed=observed),
        "plants": PLANTS + "\n".join(plants),
        "visits": HEAD + "\n".join(visits),
        "replacements": "\n".join(["plant_id,replaced_on,found_on,cause,outcome,quantity", *replacements]),
        "moves": "\n".join(["plant_id,moved_on,to_site_id,to_position,to_light", *moves]),
        "readings": "\n".join(["site_id,read_at,rh_percent,temp_c", *readings]),
    }
    for name, text in texts.items():
        (folder / f"{name}.csv").write_text(text + "\n", encoding="utf-8")
    time = exposure.build(records.load(folder), date.fromisoformat(as_of))
    return leaf_loss.build(time)


def used(time: leaf_loss.CountIntervals) -> pd.DataFrame:
    rows = time.sql("select * exclude (species, light, plant_days) from leaf_used order by plant_id, to_on")
    return rows.merge(conditions(pd.Index(rows["combination"].unique()), time.species), on="combination", how="left")


FIG = "P1,S1,A1,Ficus benjamina,17,medium,2025-01-06,1"


PARAMS = simulate.CompanyParams()


# Leaf drop by the truth's terms alone: no plant fails, none is counted late, no reading is wrong.
STEADY = replace(
    PARAMS,
    base_rate=0.01,
    building_failure=False,
    leaf_before_loss=0.0,
    misclassification=0.0,
    water_early=0.0,
    withdrawn_rate=0.5,
    client_rate=0.0,
    lease_end_rate=0.0,
    move_rate=25.0,
    repot_rate=60.0,
    extra_visits=0.0,
)


def company(folder: Path, params: simulate.CompanyParams, plants: int, seed: int, years: float = 2) -> tuple:
    simulate.make(folder, plants=plants, years=years, seed=seed, params=params)
    found = records.load(folder)
    time = exposure.build(found, date(2026, 9, 30))
    return found, time, leaf_loss.build(time)


def near(fit, name: str, params: float, room: float = 0.06) -> bool:
    """Within three standard errors, and never further than that plus the rounding of bands."""
    return abs(fit.params[name] - params) < 3 * fit.se[name] + room
