"""The guarantees that are running on a day: which plants, until when, under which terms, at what cost."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

import pandas as pd

from plantstats.exposure import LOSSES, pot_class
from plantstats.guarantee.money import cents, whole

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.periods import Period
    from plantstats.records import Records

PLACE = ("site_id", "client_id", "light")
COLUMNS = [
    "plant_id",
    *PLACE,
    "species",
    "pot",
    "planter",
    "installed_on",
    "guarantee_until",
    "leave",
    "quantity",
    "unit",
    "cap",
    "covered",
    "excluded",
]
NOTHING_EXCLUDED = "theft client_action"  # never a loss of ours; named so that a blank cell says so


@dataclass(frozen=True)
class InForce:
    """plants: one row per plant row under guarantee: plant_id, client_id, site_id, species, light, pot, planter,
    installed_on, until (last day covered), leave (day after it), quantity, unit (cents per replacement), cap,
    covered, excluded (texts of the contract); own: whether a replacement gets a guarantee of its own; notes.
    """

    plants: pd.DataFrame
    own: bool
    notes: tuple[str, ...]


def in_force(records: Records, time: PlantTime, as_of: date) -> InForce:
    """Find the guarantees that run on beyond a day.

    Takes:  records; plant-time up to as_of; as_of.
    Gives:  InForce: plants alive on as_of whose guarantee_until lies after it and whose contract has not ended.
            Each stands where the last moves took it. Unknown costs are taken from plants of the same species,
            then of all (medians); labour is the median of recorded replacements at the settings' wage.
    """
    plants = records.table("plants")
    alive = alive_on(plants, time, as_of)
    here = plants[alive.gt(0) & plants["guarantee_until"].notna()].assign(quantity=alive)
    made, notes = described(places_on(here, records, time, as_of), records, time)
    made = made[made["leave"] > pd.Timestamp(as_of) + pd.Timedelta(days=1)].reset_index(drop=True)
    without = int((alive.gt(0) & plants["guarantee_until"].isna()).sum())
    told = [f"{without} plants alive have no guarantee_until and carry no provision"] if without else []
    own = own_guarantees(records)
    told.append(
        "a replacement is taken to carry a guarantee of its own, so that each plant in force counts for one replacement"
        if own
        else "a replacement is taken to stand under the guarantee of the plant before it"
    )
    return InForce(made, own, (*told, *notes))


def until(force: InForce, day: date) -> InForce:
    """The same guarantees as far as they run before a day: what they promise in the meantime."""
    leave, last = force.plants["leave"], pd.Timestamp(day)
    return replace(force, plants=force.plants.assign(leave=leave.where(leave < last, last)), notes=())


def begun(records: Records, time: PlantTime, period: Period) -> InForce:
    """The guarantees that began in a period: of plants installed in it, whether or not they still live at its end."""
    plants = records.table("plants")
    new = plants["installed_on"].between(pd.Timestamp(period.start), pd.Timestamp(period.last_day))
    here = plants[new & plants["guarantee_until"].notna()]
    client = records.table("sites").set_index("site_id")["client_id"]
    made, notes = described(
        here.assign(client_id=here["site_id"].map(client), quantity=here["quantity"].fillna(1)), records, time
    )
    return InForce(made.reset_index(drop=True), own_guarantees(records), notes)


def described(here: pd.DataFrame, records: Records, time: PlantTime) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Rows of plants with their terms and costs.

    Takes:  rows of plants with site_id, client_id, light, quantity as they are to be taken.
    Gives:  the columns of InForce.plants, and notes on what was decided.
    """
    inclusive = records.settings.guarantee.end_day == "inclusive"
    leave = here["guarantee_until"] + pd.Timedelta(days=int(inclusive))
    made, notes = _contracts(here.assign(leave=leave), records)
    unit, cost_notes = _units(made, records, time)
    made = made.assign(
        unit=unit,
        pot=pot_class(made["pot_cm"]),
        light=made["light"].fillna("unknown"),
        planter=made["planter"].fillna("unknown"),
        quantity=made["quantity"].astype("int64"),
    )
    said = "the last day of a guarantee is " + ("covered" if inclusive else "not covered")
    return made[COLUMNS], (said, *notes, *cost_notes)


def alive_on(plants: pd.DataFrame, time: PlantTime, as_of: date) -> pd.Series:
    """How many plants of each row are in place: those under observation, less all that left."""
    start = as_of.replace(day=1)
    end = (pd.Timestamp(start) + pd.DateOffset(months=1)).date()
    cells = time.cells(["plant_id"], start, end)
    followed = set(cells.loc[cells["plant_days"] > 0, "plant_id"])
    fresh = plants["installed_on"].between(pd.Timestamp(start), pd.Timestamp(as_of))
    taken = time.exits.groupby("plant_id")["n_removed"].sum()
    left = plants["quantity"].fillna(1).astype("float64") - plants["plant_id"].map(taken).fillna(0).astype("float64")
    return left.where(plants["plant_id"].isin(followed) | fresh, 0.0).clip(lower=0).astype("int64")


def places_on(here: pd.DataFrame, records: Records, time: PlantTime, as_of: date) -> pd.DataFrame:
    """Site, client and light after the last move."""
    client = records.table("sites").set_index("site_id")["client_id"]
    start = as_of.replace(day=1)
    end = (pd.Timestamp(start) + pd.DateOffset(months=1)).date()
    now = time.cells(["plant_id", *PLACE], start, end).drop_duplicates("plant_id", keep="last").set_index("plant_id")
    here = here.assign(client_id=here["site_id"].map(client))
    return here.assign(**{name: here["plant_id"].map(now[name]).fillna(here[name]) for name in PLACE if name in here})


def _contracts(here: pd.DataFrame, records: Records) -> tuple[pd.DataFrame, list[str]]:
    """Terms of the contract of each plant's site, else of its client."""
    contracts = records.table("contracts").sort_values("starts_on")
    terms = ["ends_on", "cap", "covered_causes", "excluded"]
    by_site = contracts.dropna(subset=["site_id"]).drop_duplicates("site_id", keep="last").set_index("site_id")[terms]
    whole_client = contracts[contracts["site_id"].isna()]
    by_client = whole_client.drop_duplicates("client_id", keep="last").set_index("client_id")[terms]
    of_site = by_site.reindex(here["site_id"]).set_axis(here.index)
    of_client = by_client.reindex(here["client_id"]).set_axis(here.index)
    found = of_site.where(here["site_id"].isin(by_site.index), of_client)
    # A contract's last day is a day of cover.
    ends = pd.to_datetime(found["ends_on"]) + pd.Timedelta(days=1)
    none = ~here["site_id"].isin(by_site.index) & ~here["client_id"].isin(by_client.index)
    made = here.assign(
        leave=here["leave"].where(ends.isna() | (ends >= here["leave"]), ends),
        cap=found["cap"].astype("float64"),
        covered=found["covered_causes"].fillna("all").astype("str"),
        excluded=found["excluded"].fillna(NOTHING_EXCLUDED).astype("str"),
    )
    notes = [f"{int(none.sum())} plants under guarantee have no contract on record: every loss is taken as covered"]
    return made, notes if none.any() else []


def _units(here: pd.DataFrame, records: Records, time: PlantTime) -> tuple[pd.Series, list[str]]:
    """Cents that one replacement of each plant costs."""
    cost = here["cost"] / here["quantity"].where(here["quantity"] > 0, 1).astype("float64")
    every = records.table("plants")
    by_species = every.groupby("species")["cost"].median()
    filled = cost.fillna(here["species"].map(by_species)).fillna(every["cost"].median()).fillna(0.0)
    minutes = time.exits.loc[time.exits["outcome"].isin(LOSSES), "labour_minutes"].median()
    minutes = 0.0 if pd.isna(minutes) else float(minutes)
    labour = whole(minutes / 60 * records.settings.wage_per_hour * 100)
    notes = [f"labour of one replacement: {minutes:.0f} minutes (median on record)"]
    if cost.isna().any():
        notes.append(f"{int(cost.isna().sum())} plants have no cost on record: that of their species is taken")
    return pd.Series([cents(value) + labour for value in filled], index=here.index, dtype="int64"), notes


def own_guarantees(records: Records) -> bool:
    """Whether replacements on record got a guarantee of their own, later than that of the plant before."""
    until = records.table("plants").set_index("plant_id")["guarantee_until"]
    done = records.table("replacements").query("covered == 'guaranteed'")
    before, after = done["plant_id"].map(until), done["replaced_by"].map(until)
    known = before.notna() & after.notna()
    return not known.any() or float((after[known] > before[known]).mean()) >= 0.5
