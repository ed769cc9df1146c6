"""What the records say about drying, the effect of drought days and prices, up to one day."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from plantstats import exposure
from plantstats.errors import PlantstatsError
from plantstats.losses.common_cause import CommonCause, common_cause
from plantstats.losses.technicians import pseudonyms
from plantstats.watering import drought_effect, dry_down_table, leaf_drop, prices
from plantstats.watering.assumptions import Assumptions
from plantstats.watering.cycle import CycleTable
from plantstats.watering.distribution import Array
from plantstats.watering.drying import DryingModel
from plantstats.watering.drying_fit import fit_drying

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.records import Records

RESERVOIR = "sub_irrigated"


class WateringError(PlantstatsError, ValueError):
    """Records from which no advice on watering can be made; the message says why."""


@dataclass(frozen=True)
class WateringModel:
    """Everything that the advice rests on.

    Attributes
    ----------
    as_of : datetime.date
    assumed : Assumptions
    dry_downs : DryDowns
        The engine that holds them.
    method : str
        By which topsoil is measured.
    distinct : pandas.DataFrame
        Distinct dry-downs by that method, as `DryDowns.distinct`.
    other_methods : dict of str to int
        Dry-downs that another method measured: not used.
    drying : dict of bool to DryingModel
        False: soil; True: reservoirs of sub-irrigated planters.
    drought_effect : RateRatio
    price : Prices
    loss_rates : pandas.DataFrame
        Losses per plant-day by species and light, with the share of days left dry.
    time : PlantTime
    leaf_drop : LeafDrop or None
        None: leaf drop has no price, or the records cannot tell.
    left_out : pandas.DataFrame
        Technicians whose notes on topsoil cannot be used: technician (a pseudonym), n_lines, reason.
    cycle_tables : dict
        Look-up tables of cycles, worked out once.
    """

    as_of: date
    assumed: Assumptions
    dry_downs: dry_down_table.DryDowns
    method: str
    distinct: pd.DataFrame
    other_methods: dict[str, int]
    drying: dict[bool, DryingModel]
    drought_effect: drought_effect.RateRatio
    price: prices.Prices
    loss_rates: pd.DataFrame
    time: PlantTime
    leaf_drop: leaf_drop.LeafDrop | None = None
    left_out: pd.DataFrame = field(default_factory=pd.DataFrame)
    cycle_tables: dict[tuple[bool, tuple[int, ...]], CycleTable] = field(default_factory=dict, repr=False)


def fit_watering(
    records: Records,
    as_of: date,
    assumed: Assumptions | None = None,
    time: PlantTime | None = None,
    events: CommonCause | None = None,
) -> WateringModel:
    """Learn from all records up to a day.

    Parameters
    ----------
    records : Records
    as_of : datetime.date
        The last day that counts.
    assumed : Assumptions, optional
        In place of those of the settings.
    time : PlantTime, optional
        Plant-time to the same day, losses dated "found", where it is at hand.
    events : CommonCause, optional
        The events in it, where they are at hand.

    Returns
    -------
    WateringModel

    Raises
    ------
    WateringError
        When no watering was ever followed by an inspection of the topsoil, or none that counts found it dry.
    """
    assumed = assumed or records.settings.watering
    dry_downs = dry_down_table.build(records, as_of)
    every, left_out = dry_downs.distinct(), _left_out(dry_downs)
    if every["upper"].isna().all() and len(every):
        raise WateringError(
            f"no look up to {as_of} that can be used found topsoil dry: how fast it dries cannot be learned from notes "
            f"that are all moist{_names(left_out)}. Ask technicians to note what the topsoil was before they water"
        )
    if every.empty and len(left_out):
        raise WateringError(
            f"no dry-down spell up to {as_of} can be used{_names(left_out)}. Ask technicians to note what the topsoil "
            "was before they water"
        )
    if every.empty:
        raise WateringError(
            f"no dry-down spell up to {as_of}: no watering of a single plant was followed by a look at its topsoil; "
            "visits need plant_id, watered, and topsoil or dry_depth_cm"
        )
    by_method = every.groupby("method")["n"].sum().sort_values(ascending=False, kind="stable")
    method, *others = by_method.index
    distinct = every[every["method"] == method].reset_index(drop=True)
    drying = _fit_by_planter(distinct)
    time = time or exposure.build(records, as_of, dated="found")
    events = events or common_cause(time)
    gaps = drought_effect.gaps(dry_downs, events.losses["plant_id"].tolist())
    dry_days = _dry_days(gaps, drying)
    return WateringModel(
        as_of,
        assumed,
        dry_downs,
        str(method),
        distinct,
        {str(m): int(by_method[m]) for m in others},
        drying,
        drought_effect.drought_effect(gaps, dry_days, assumed),
        prices.prices(records, dry_downs, assumed),
        _with_dry_share(prices.loss_rates(time.censored_at(events.losses)), gaps, dry_days),
        time,
        _leaf_drop(dry_downs, drying) if assumed.leaves_priced else None,
        left_out,
    )


def _fit_by_planter(distinct: pd.DataFrame) -> dict[bool, DryingModel]:
    """Fit the drying of soil (False) and the emptying of reservoirs (True) each by itself, and how plants differ."""
    reservoir = distinct["planter"] == RESERVOIR
    parts = {bool(key): distinct[reservoir == key] for key in sorted(reservoir.unique())}
    return {key: fit_drying(own).with_plants(own) for key, own in parts.items()}


def by_planter(plants: pd.DataFrame, drying: Mapping[bool, DryingModel]) -> Iterator[tuple[bool, Array, DryingModel]]:
    """The rows of plants that each fit speaks for; soil speaks for reservoirs where there is no fit of these.

    Parameters
    ----------
    plants : pandas.DataFrame
        Standing plants or profiles, one row each.
    drying : mapping of bool to DryingModel
        False: soil; True: reservoirs.

    Yields
    ------
    tuple of bool, numpy.ndarray, DryingModel
        Whether reservoirs, numbers of rows, the fit.
    """
    reservoir = plants["planter"].eq(RESERVOIR)
    key = reservoir.where(reservoir.isin(list(drying)), ~reservoir).to_numpy()
    for is_reservoir, fitted in drying.items():
        yield is_reservoir, np.flatnonzero(key == is_reservoir), fitted


def _left_out(dry_downs: dry_down_table.DryDowns) -> pd.DataFrame:
    """Technicians whose notes cannot be used, under pseudonyms among all of the visit log."""
    table = dry_downs.sql("select technician, n_lines, reason from technicians order by all")
    everyone = dry_downs.sql("select distinct technician from visits where technician is not null")["technician"]
    return table.assign(technician=table["technician"].map(pseudonyms(everyone)))


def _names(left_out: pd.DataFrame) -> str:
    named = [f"{row.technician} {row.reason}" for row in left_out.itertuples()]
    return f" ({'; '.join(named)})" if named else ""


def _leaf_drop(dry_downs: dry_down_table.DryDowns, drying: dict[bool, DryingModel]) -> leaf_drop.LeafDrop | None:
    intervals = leaf_drop.count_intervals(dry_downs)
    return leaf_drop.leaf_drop(intervals, _dry_days(intervals, drying)) if len(intervals) else None


def _dry_days(gaps: pd.DataFrame, drying: dict[bool, DryingModel]) -> Array:
    """Days of each gap that are expected to pass with topsoil left dry, by the fit that speaks for each plant."""
    dry = np.zeros(len(gaps))
    for _, rows, fitted in by_planter(gaps, drying):
        dry[rows] = drought_effect.dry_days(gaps.iloc[rows], fitted)
    return dry


def _with_dry_share(rates: pd.DataFrame, gaps: pd.DataFrame, dry_days: Array) -> pd.DataFrame:
    """Add the share of days left dry under the practice of the records; a group without gaps has that of all."""
    by = ["species", "light"]
    days = gaps[by].assign(dry=gaps["n"] * dry_days, days=gaps["n"] * gaps["gap"])
    sums = days.groupby(by, as_index=False)[["dry", "days"]].sum()
    joined = rates.merge(sums, on=by, how="left")
    overall = sums["dry"].sum() / max(sums["days"].sum(), 1.0)
    return rates.assign(dry_share=(joined["dry"] / joined["days"]).fillna(overall).to_numpy())
