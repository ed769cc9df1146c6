"""Count intervals: the days over which leaves fell that were counted at their end, with the conditions of those days.

Conditions are whole numbers, the places of their levels; all of an interval's are one number, its combination.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats.leaves.inputs import (
    BOUNDS,
    COLD_C,
    CONDITIONS,
    ENDS,
    HOT_C,
    MAX_DAYS,
    NO_DATE,
    NO_RH,
    OUTCOMES,
    RH_STEP,
    RH_TOP,
    STEPS,
    TRANSIENT_CUTS,
    TURN_DAYS,
)
from plantstats.leaves.inspections import INSPECTIONS, REMOVED

USED = "used"
UNCOUNTED = "leaves not counted"
JOINED = "used, joined to another visit of that day"
MOST_PLANT_DAYS = 10**7  # of one interval
# How many values each part of a combination has, beside the species before them.
N_VALUES = {name: len(levels) for name, levels in CONDITIONS.items()}
N_VALUES |= {"month": 13, "rh": RH_TOP // RH_STEP + 2, "plant_days": MOST_PLANT_DAYS}


def _level(factor: str, *cases: tuple[str, str]) -> str:
    """Place of the first level whose test holds; without one, of the first level of all."""
    levels = CONDITIONS[factor]
    return f"case {' '.join(f'when {test} then {levels.index(level)}' for test, level in cases)} else 0 end"


def _since(factor: str, at: str, *cases: tuple[str, str]) -> str:
    steps = [(f"middle < {at} + {cut}", name) for cut, name in zip(TRANSIENT_CUTS, STEPS, strict=True)]
    return _level(factor, *cases, *steps)


def _dryness(factor: str, dry: str) -> str:
    unknown, figs, others = (f"{dry} is null", "unknown"), (f"{dry} and fig", "dry (figs)"), (dry, "dry (others)")
    return _level(factor, unknown, figs, others)


# Air of the month up to each day at a site: rh in steps of `RH_STEP`, from 1 on (0: missing), and warmth.
AIR = f"""
    select t.site_id, a.ends,
           case when coalesce(a.rh_readings, 0) > 0
                then least(floor(a.rh_tenths / (a.rh_readings * 10) / {RH_STEP}), {RH_TOP // RH_STEP})::int + 1
                else 0 end as rh,
           {
    _level(
        "warmth",
        (f"a.coldest < {COLD_C}", f"below {COLD_C} °C"),
        (f"a.warmest > {HOT_C}", f"above {HOT_C} °C"),
        ("a.coldest is null", "unknown"),
    )
} as warmth
    from leaf_air a join (select distinct site_id from leaf_stays) t on t.site_id = a.site_id"""
# Levels of what a combination holds, in the order of `CONDITIONS`.
LEVELS = {
    "light": _level("light", *((f"light = '{level}'", level) for level in CONDITIONS["light"])),
    "warmth": f"coalesce(warmth, {CONDITIONS['warmth'].index('unknown')})",
    "opening": "opening::int",
    # Of a plant of unknown age nobody knows whether it is new.
    "new": _since("new", "installed", ("installed is null", NO_DATE)),
    "moved": _since("moved", "moved_at"),
    "repotted": _since("repotted", "repotted_at"),
    # Of species that do not lean nobody expects anything from turning.
    "turned": f"coalesce(leans and turned_at >= ends - {TURN_DAYS}, false)::int",
    "rewatered": _dryness("rewatered", "dry_before"),
    "dry": _dryness("dry", "dry"),
    "month": "extract(month from date '1970-01-01' + middle)",
    "rh": "coalesce(rh, 0)",
    "plant_days": "(ends - begins) * plants",
}


def _combination() -> str:
    number = "species_number::bigint"
    for name, level in LEVELS.items():
        number = f"({number} * {N_VALUES[name]} + {level})"
    return number


# One row per inspection: plant_id, site_id, client_id, species, light, from_on, to_on
# (half-open dates), days, plants (of the line, that stood there), plant_days, green, yellow (leaves; missing = not
# counted in numbers), their ends (`BOUNDS`; missing = not even a word), leaf_count, age_days, moved_days, repotted_days
# (at the end), combination, exclusion_reason (missing where the interval is used), n_rows (of the visit log).
INTERVALS = f"""
    with inspected as ({INSPECTIONS}), ordered as (
        select *, lag("at") over by_day as before, lag(dry) over by_day as dry_before,
               lag(case when moved then "at" end ignore nulls) over by_day as move_noted_at,
               lag(case when repotted then "at" end ignore nulls) over by_day as repotted_at,
               lag(case when rotated then "at" end ignore nulls) over by_day as turned_at
        from inspected window by_day as (partition by plant order by "at")
    ), begun as (
        select o.*, o."at" as ends, coalesce(o.before, case when p.came < o."at" then p.came end) as begins
        from ordered o join leaf_plants p on p.plant_id = o.plant
    ), counted as (
        select *, (coalesce(begins, ends) + ends) // 2 as middle from begun
    ), removed as ({REMOVED}
    ), placed as (
        select c.begins, c.ends, c.middle, c.dry, c.dry_before, c.dead, c.repotted_at, c.turned_at, c.n_rows,
               c.leaf_count, {", ".join(f"c.{name}" for name in BOUNDS)}, s.plant_id, s.site_id, s.client_id, s.species,
               s.species_number, s.fig, s.leans, s.light, s.opening, s.installed,
               greatest(coalesce(c.move_noted_at, s.shifted), coalesce(s.shifted, c.move_noted_at)) as moved_at,
               greatest(s.n_entered - coalesce(r.n_removed, 0), 1) as plants, a.rh, a.warmth
        from counted c join leaf_stays s on s.plant_id = c.plant and c.middle >= s.since and c.middle < s.until
        left join removed r on r.plant_id = c.plant and c.begins >= r.exit_day and c.begins < r.until
        left join leaf_air_levels a on a.site_id = s.site_id and a.ends = c.ends
    )
    select plant_id, site_id, client_id, species, light, n_rows, plants, leaf_count, {", ".join(BOUNDS)},
           {", ".join(f"case when {name}_lower = {name}_upper then {name}_lower end as {name}" for name in OUTCOMES)},
           (date '1970-01-01' + (begins + 1))::date as from_on, (date '1970-01-01' + (ends + 1))::date as to_on,
           ends - begins as days, (ends - begins) * plants as plant_days, ends - installed as age_days,
           ends - moved_at as moved_days, ends - repotted_at as repotted_days, {_combination()} as combination,
           case when dead then 'the plant was found dead'
                when species is null then 'the plant has no species'
                when begins is null then 'first visit: since when leaves fell is unknown'
                when {" and ".join(f"{name}_{ENDS[0]} is null" for name in OUTCOMES)} then '{UNCOUNTED}'
                when ends - begins > {MAX_DAYS} then 'more than {MAX_DAYS} days since the visit before'
                end as exclusion_reason
    from placed"""


def conditions(combination: pd.Index, species: pd.DataFrame) -> pd.DataFrame:
    """What combinations stand for.

    Parameters
    ----------
    combination : pandas.Index
        Numbers.
    species : pandas.DataFrame
        As `CountIntervals.species`.

    Returns
    -------
    pandas.DataFrame
        One row each: combination, species_group and the `KEY`; levels as ordered categories, month (1 to 12, of the
        middle), rh (lower edge of a five-point band of percent, up to `RH_TOP`; `NO_RH` missing), plant_days.
    """
    shape = max(len(species), 1), *N_VALUES.values()
    number, *places = np.unravel_index(combination, shape)
    parts = {
        "combination": combination,
        "species_group": species["species_group"].to_numpy()[number],
        "species": pd.Categorical.from_codes(number, species["species"], ordered=True),
    }
    for name, place in zip(N_VALUES, places, strict=True):
        parts[name] = pd.Categorical.from_codes(place, CONDITIONS[name], ordered=True) if name in CONDITIONS else place
    parts["rh"] = np.where(parts["rh"] > 0, (parts["rh"] - 1) * RH_STEP, NO_RH)
    return pd.DataFrame(parts)
