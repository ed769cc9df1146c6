"""What the records say about drying, its harm and its price, up to one day."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from plantstats import exposure
from plantstats.errors import PlantstatsError
from plantstats.watering import collapse, drying, harm, leaf_drop, prices
from plantstats.watering.assumptions import Assumptions
from plantstats.watering.drying import Drying
from plantstats.watering.intervals import Cycle, Cycles
from plantstats.watering.law import Array

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.records import Records

RESERVOIR = "sub_irrigated"
# Steps over which the slope of cycles by log shape and misread logit is taken, at most: beyond them no straight line
# would do, and shares of misread looks near 1 would make no sense.
WIDEST = (0.2, 1.0)


class WateringError(PlantstatsError, ValueError):
    """Records from which no advice on watering can be made; the message says why."""


@dataclass(frozen=True)
class Learned:
    """Everything that the advice rests on."""

    as_of: date
    assumed: Assumptions
    spells: collapse.Spells
    method: str  # by which topsoil is measured
    cells: pd.DataFrame  # distinct spells by that method
    other_methods: dict[str, int]  # spells that another method measured: not used
    dryings: dict[bool, Drying]  # False: soil; True: reservoirs
    harm: harm.Harm
    price: prices.Prices
    rates: pd.DataFrame  # losses per plant-day by species and light, with the share of days left dry
    time: PlantTime
    leaves: leaf_drop.LeafDrop | None = None  # None: leaf drop has no price, or the records cannot tell
    tables: dict[tuple[bool, tuple[int, ...]], Cycles] = field(default_factory=dict, repr=False)


def learn(records: Records, as_of: date, assumed: Assumptions | None = None, time: PlantTime | None = None) -> Learned:
    """Learn from all records up to a day.

    Takes:  records; as_of: the last day that counts; assumed; time: plant-time to the same day, losses dated
            "found", where it is at hand.
    Gives:  Learned.
    Raises: WateringError when no watering was ever followed by a look at the topsoil.
    """
    assumed = assumed or records.settings.watering
    spells = collapse.build(records, as_of)
    every = spells.cells()
    if every.empty:
        raise WateringError(
            f"no dry-down spell up to {as_of}: no watering of a single plant was followed by a look at its topsoil; "
            "visits need plant_id, watered, and topsoil or dry_depth_cm"
        )
    by_method = every.groupby("method")["n"].sum().sort_values(ascending=False, kind="stable")
    method, *others = by_method.index
    cells = every[every["method"] == method].reset_index(drop=True)
    dryings = fit_kinds(cells)
    time = time or exposure.build(records, as_of, dated="found")
    gaps = harm.gaps(spells)
    dry_days = _dry_days(gaps, dryings)
    rates = _with_dry_share(prices.loss_rates(time), gaps, dry_days)
    return Learned(
        as_of,
        assumed,
        spells,
        str(method),
        cells,
        {str(m): int(by_method[m]) for m in others},
        dryings,
        harm.over_dry_effect(gaps, dry_days, assumed),
        prices.prices(records, spells, assumed),
        rates,
        time,
        _leaves(spells, dryings) if assumed.leaves_priced else None,
    )


def fit_kinds(cells: pd.DataFrame, misread: float | None = None) -> dict[bool, Drying]:
    """Fit the drying of soil and the emptying of reservoirs, each by itself.

    Takes:  cells of one method; misread: as `drying.fit`.
    Gives:  False: soil; True: sub-irrigated planters. A kind without spells is absent.
    """
    reservoir = cells["planter"] == RESERVOIR
    parts = {kind: cells[reservoir == kind] for kind in (False, True)}
    return {kind: drying.fit(part, misread=misread) for kind, part in parts.items() if len(part)}


def source(plants: pd.DataFrame, dryings: dict[bool, Drying]) -> pd.Series:
    """Which fit speaks for each plant; one of a kind without any spell is judged by the other kind's."""
    kind = plants["planter"].eq(RESERVOIR)
    return kind.where(kind.isin(list(dryings)), ~kind)


class Placed:
    """Some plants with the fit that speaks for each, ready to be asked for cycles many times."""

    def __init__(self, plants: pd.DataFrame, learned: Learned, every: tuple[int, ...]) -> None:
        """For plants (species, light, pot, planter, heating) at these look intervals."""
        kinds = source(plants, learned.dryings).to_numpy()
        self._number, self._parts = (len(plants), len(every)), []
        for kind, fitted in learned.dryings.items():
            rows = np.flatnonzero(kinds == kind)
            if len(rows):
                table = _table(learned, kind, every)
                self._parts.append((kind, rows, fitted.design(plants.iloc[rows]), fitted.estimate, table))

    def cycles(self, parameters: dict[bool, Array] | None = None) -> Cycle:
        """What looking at each plant every so many days leads to.

        Takes:  parameters: in place of the estimates, by kind.
        Gives:  Cycle, each part plants x intervals.
        """
        out = {name: np.empty(self._number) for name in Cycle._fields}
        for kind, rows, design, estimate, table in self._parts:
            theta = estimate if parameters is None else parameters[kind]
            made = table.at(np.asarray(design @ theta[:-2]), *(theta - estimate)[-2:])
            for name in Cycle._fields:
                out[name][rows] = getattr(made, name)
        return Cycle(**out)


def _table(learned: Learned, kind: bool, every: tuple[int, ...]) -> Cycles:
    """The table of cycles of one fit, worked out once."""
    key = (kind, every)
    if key not in learned.tables:
        fitted = learned.dryings[kind]
        se = np.sqrt(np.diag(fitted.covariance)[-2:])
        learned.tables[key] = Cycles(
            fitted.law,
            fitted.estimate[-2],
            fitted.estimate[-1],
            every,
            learned.assumed.too_dry_after,
            learned.price.missed,
            (min(float(se[0]), WIDEST[0]), min(float(se[1]), WIDEST[1])),
        )
    return learned.tables[key]


def _leaves(spells: collapse.Spells, dryings: dict[bool, Drying]) -> leaf_drop.LeafDrop | None:
    stretches = leaf_drop.stretches(spells)
    return leaf_drop.leaf_drop(stretches, _dry_days(stretches, dryings)) if len(stretches) else None


def _dry_days(gaps: pd.DataFrame, dryings: dict[bool, Drying]) -> Array:
    """Days of each gap that are expected to pass with topsoil left dry, by the fit that speaks for each plant."""
    kinds = source(gaps, dryings).to_numpy()
    dry = np.zeros(len(gaps))
    for kind, fitted in dryings.items():
        rows = np.flatnonzero(kinds == kind)
        dry[rows] = harm.over_dry_days(gaps.iloc[rows], fitted)
    return dry


def _with_dry_share(rates: pd.DataFrame, gaps: pd.DataFrame, dry_days: Array) -> pd.DataFrame:
    """Add the share of days left dry under the practice of the records; a group without gaps has that of all."""
    days = gaps["n"] * gaps["gap"]
    both = pd.DataFrame({"species": gaps["species"], "light": gaps["light"], "dry": gaps["n"] * dry_days, "days": days})
    sums = both.groupby(["species", "light"], as_index=False)[["dry", "days"]].sum()
    joined = rates.merge(sums, on=["species", "light"], how="left")
    overall = sums["dry"].sum() / max(sums["days"].sum(), 1.0)
    return rates.assign(dry_share=(joined["dry"] / joined["days"]).fillna(overall).to_numpy())
