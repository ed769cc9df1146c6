"""The guarantees that are running on a day: which plants, until when, under which terms, at what cost."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import TYPE_CHECKING

import pandas as pd

from plantstats.errors import PlantstatsError
from plantstats.exposure import LOSSES, pot_class
from plantstats.exposure.standing import standing
from plantstats.guarantee.money import cents, whole
from plantstats.periods import add_months

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.periods import Period
    from plantstats.records import Records

CONTRACT = ["ends_on", "cap", "covered_causes", "excluded"]
COLUMNS = ["plant_id", "site_id", "client_id", "light", "species", "pot", "planter", "installed_on", "guarantee_until"]
COLUMNS += ["leave", "quantity", "unit", "cap", "covered", "excluded"]
# A provision looks no further: no company's records tell what plants lose at such ages, and a mistyped year would hold
# up everything (design rule).
HORIZON_MONTHS = 60
NOTHING_EXCLUDED = "theft client_action"  # never a loss of ours; named so that a blank cell says so


class GuaranteeError(PlantstatsError, ValueError):
    """Running guarantees or accounts of which nothing can be said; the message says why."""


@dataclass(frozen=True)
class InForce:
    """Guarantees on a set of plants.

    Parameters
    ----------
    plants : pandas.DataFrame
        One row per plant row under guarantee: plant_id, site_id, client_id, light, species, pot, planter, installed_on,
        guarantee_until (last day of the guarantee), leave (the day after the last one covered), quantity, unit (cents
        per replacement), cap, covered, excluded (texts of the contract).
    own : bool
        Whether a replacement gets a guarantee of its own.
    notes : tuple of str
    """

    plants: pd.DataFrame
    own: bool
    notes: tuple[str, ...]

    def truncated_at(self, day: date) -> InForce:
        """Guarantees as far as they run before a day: what they promise in the meantime.

        Parameters
        ----------
        day : date
            The first day left out.

        Returns
        -------
        InForce
        """
        leave = self.plants["leave"].clip(upper=pd.Timestamp(day))
        return replace(self, plants=self.plants.assign(leave=leave))


def in_force(records: Records, time: PlantTime, as_of: date) -> InForce:
    """Find the guarantees that run on beyond a day.

    Parameters
    ----------
    records : Records
    time : PlantTime
        Up to `as_of`.
    as_of : datetime.date

    Returns
    -------
    InForce
        Plants in place on that day whose guarantee_until lies after it and whose contract has not ended. Each stands
        where the last moves took it.

    Notes
    -----
    Unknown costs are taken from plants of the same species, then of all (medians); labour is the median of recorded
    replacements at the settings' wage.
    """
    here = in_place(time)
    guaranteed = here["guarantee_until"].notna()
    plants, notes = _described(here[guaranteed], records, time)
    plants = plants[plants["leave"] > pd.Timestamp(as_of) + pd.Timedelta(days=1)].reset_index(drop=True)
    horizon = add_months(as_of, HORIZON_MONTHS)
    beyond = plants.loc[plants["leave"] > pd.Timestamp(horizon), "quantity"].sum()
    without = int((~guaranteed).sum())
    decided = (
        [f"Plants alive without an end of guarantee on record, which carry no provision: {without}"] if without else []
    )
    own = _own_guarantees(records)
    decided.append(
        "a replacement is taken to carry a guarantee of its own, so that each plant in force counts for one replacement"
        if own
        else "a replacement is taken to stand under the guarantee of the plant before it"
    )
    if beyond:
        decided.append(
            f"the guarantees of {beyond} plants run beyond {horizon}: the provision counts what they promise up to "
            f"that day, {HORIZON_MONTHS} months ahead, and no further"
        )
    return InForce(plants, own, (*decided, *notes)).truncated_at(horizon)


def begun(records: Records, time: PlantTime, period: Period) -> InForce:
    """Guarantees that began in a period: of plants installed in it, whether or not they still live at its end.

    Parameters
    ----------
    records : Records
        The company's records, as `records.load` gives them.
    time : PlantTime
        Plant-time of the records.
    period : Period
        The quarter, half-open.

    Returns
    -------
    InForce
    """
    plants = records.table("plants")
    new = plants["installed_on"].between(pd.Timestamp(period.start), pd.Timestamp(period.last_day))
    here = plants[new & plants["guarantee_until"].notna()]
    client = records.table("sites").set_index("site_id")["client_id"]
    here = here.assign(client_id=here["site_id"].map(client), quantity=here["quantity"].fillna(1))
    guaranteed, notes = _described(here.assign(pot=pot_class(here["pot_cm"])), records, time)
    guarantees = InForce(guaranteed.reset_index(drop=True), _own_guarantees(records), notes)
    return guarantees.truncated_at(add_months(period.start, HORIZON_MONTHS))


def in_place(time: PlantTime) -> pd.DataFrame:
    """Plants in place on the last day (see `exposure.standing`), their number as quantity.

    Parameters
    ----------
    time : PlantTime
        Plant-time of the records.

    Returns
    -------
    pandas.DataFrame
    """
    return standing(time).rename(columns={"plants": "quantity"})


def _described(here: pd.DataFrame, records: Records, time: PlantTime) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Plants with their terms and costs (the columns of InForce.plants), and notes on what was decided."""
    inclusive = records.settings.guarantee.end_day == "inclusive"
    leave = here["guarantee_until"] + pd.Timedelta(days=int(inclusive))
    plants, notes = _contracts(here.assign(leave=leave), records)
    unit, cost_notes = _units(plants, records, time)
    plants = plants.assign(
        unit=unit,
        light=plants["light"].fillna("unknown"),
        planter=plants["planter"].fillna("unknown"),
        quantity=plants["quantity"].astype("int64"),
    )
    last_day = "the last day of a guarantee is " + ("covered" if inclusive else "not covered")
    return plants[COLUMNS], (last_day, *notes, *cost_notes)


def _contracts(here: pd.DataFrame, records: Records) -> tuple[pd.DataFrame, list[str]]:
    """Terms of the contract of each plant's site, else of its client."""
    contracts = records.table("contracts").sort_values("starts_on")
    by_site = contracts.dropna(subset=["site_id"]).drop_duplicates("site_id", keep="last").set_index("site_id")
    whole_client = contracts[contracts["site_id"].isna()]
    by_client = whole_client.drop_duplicates("client_id", keep="last").set_index("client_id")
    of_site = by_site[CONTRACT].reindex(here["site_id"]).set_axis(here.index)
    of_client = by_client[CONTRACT].reindex(here["client_id"]).set_axis(here.index)
    has_own = here["site_id"].isin(by_site.index)
    terms = of_site.where(has_own, of_client)
    # A contract's last day is a day of cover.
    ends = pd.to_datetime(terms["ends_on"]) + pd.Timedelta(days=1)
    plants = here.assign(
        leave=here["leave"].where(ends.isna() | (ends >= here["leave"]), ends),
        cap=terms["cap"].astype("float64"),
        covered=terms["covered_causes"].fillna("all").astype("str"),
        excluded=terms["excluded"].fillna(NOTHING_EXCLUDED).astype("str"),
    )
    none = int((~has_own & ~here["client_id"].isin(by_client.index)).sum())
    note = f"{none} plants under guarantee have no contract on record: every loss is taken as covered"
    return plants, [note] if none else []


def _units(here: pd.DataFrame, records: Records, time: PlantTime) -> tuple[pd.Series, list[str]]:
    """Cents that one replacement of each plant costs."""
    cost = here["cost"] / here["quantity"].where(here["quantity"] > 0, 1).astype("float64")
    all_plants = records.table("plants")
    by_species = all_plants.groupby("species")["cost"].median()
    known = cost.fillna(here["species"].map(by_species)).fillna(all_plants["cost"].median()).fillna(0.0)
    minutes = time.exits.loc[time.exits["outcome"].isin(LOSSES), "labour_minutes"].median()
    minutes = 0.0 if pd.isna(minutes) else float(minutes)
    labour = whole(minutes / 60 * records.settings.wage_per_hour * 100)
    notes = [f"labour of one replacement: {minutes:.0f} minutes (median on record)"]
    if cost.isna().any():
        notes.append(f"{int(cost.isna().sum())} plants have no cost on record: that of their species is taken")
    return pd.Series([cents(value) + labour for value in known], index=here.index, dtype="int64"), notes


def _own_guarantees(records: Records) -> bool:
    """Whether replacements on record got a guarantee of their own, later than that of the plant before."""
    until = records.table("plants").set_index("plant_id")["guarantee_until"]
    done = records.table("replacements").query("covered == 'guaranteed'")
    before, after = done["plant_id"].map(until), done["replaced_by"].map(until)
    known = before.notna() & after.notna()
    return not known.any() or float((after[known] > before[known]).mean()) >= 0.5
