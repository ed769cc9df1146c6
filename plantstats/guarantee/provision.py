"""The provision for guarantees that are running: expected cost by client.

A management estimate. What is booked, and how, is for an accountant to decide.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from plantstats.guarantee.distribution import Distribution, Integers, total_cost
from plantstats.guarantee.hazard_fits import HazardFits
from plantstats.guarantee.hazards import PROFILE, effects_of
from plantstats.guarantee.in_force import InForce
from plantstats.guarantee.money import whole
from plantstats.guarantee.projection import Cohorts, Cover, HazardSamples, project
from plantstats.guarantee.time_grid import Array, TimeGrid, monthly_grid
from plantstats.guarantee.year_error import YearError

LEAD_DAYS = 14.0
KINDS = [*PROFILE, "planted", "enter", "out", "site_id", "cap", "covered", "excluded"]


@dataclass(frozen=True)
class Provision:
    """A provision on one day, in whole cents.

    Parameters
    ----------
    as_of : datetime.date
    by_client : pandas.DataFrame
        client_id, plants, expected (replacements), undiscounted, discounted, point_80, point_95; the sums of the
        clients are the totals.
    cost : Distribution
        Of the whole.
    plants : int
    notes : tuple of str
    year_error : YearError or None
        How far a year strays from what was expected of it; None where it was left out.
    """

    as_of: date
    by_client: pd.DataFrame
    cost: Distribution
    plants: int
    notes: tuple[str, ...]
    year_error: YearError | None = None

    @property
    def undiscounted(self) -> int:
        """Expected cost of all clients."""
        return int(self.by_client["undiscounted"].sum())

    @property
    def discounted(self) -> int:
        """Expected cost of all clients, discounted to the day."""
        return int(self.by_client["discounted"].sum())


@dataclass(frozen=True)
class Method:
    """How a provision is worked out: yearly discount rates in percent, samples, seed, rounding rule."""

    discount_percent: tuple[float, ...] = (0.0,)
    n_samples: int = 100
    seed: int = 1
    rounding: str = "half-up"


@dataclass(frozen=True)
class Valued:
    """Guarantees with what is expected of them.

    number, cost, discounted: shape (plant rows,); pmf: samples x kinds x (n + 1), kind: the kind of each plant row.
    """

    plants: pd.DataFrame
    number: Array
    cost: Array
    discounted: Array
    pmf: Array
    kind: npt.NDArray[np.integer[Any]]
    notes: tuple[str, ...] = ()

    def lines(self) -> pd.DataFrame:
        """Kind, cents per replacement and positions of each plant row.

        Returns
        -------
        pandas.DataFrame
            kind, unit, quantity.
        """
        return self.plants[["unit", "quantity"]].reset_index(drop=True).assign(kind=self.kind)


def provision(
    guarantees: InForce, fits: HazardFits, as_of: date, method: Method, year_error: YearError | None = None
) -> Provision:
    """The provision for guarantees that run on beyond a day.

    Parameters
    ----------
    guarantees : InForce
    fits : HazardFits
        On the records up to that day.
    as_of : datetime.date
    method : Method
    year_error : YearError, optional
        As in `value`.

    Returns
    -------
    Provision
    """
    valued = value(guarantees, fits, as_of + timedelta(days=1), method, year_error)
    rows = amounts(valued, method)
    lines = valued.lines()
    by_client = lines.assign(client_id=valued.plants["client_id"].to_numpy())
    by_client = by_client.groupby(["client_id", "kind", "unit"], as_index=False)["quantity"].sum()
    costs = [_distribution(valued, by_client.iloc[at]) for at in by_client.groupby("client_id").indices.values()]
    rows["point_80"] = [cost.quantile(0.80) for cost in costs]
    rows["point_95"] = [cost.quantile(0.95) for cost in costs]
    return Provision(
        as_of,
        by_client=rows,
        cost=_distribution(valued, lines.groupby(["kind", "unit"], as_index=False)["quantity"].sum()),
        plants=int(valued.plants["quantity"].sum()),
        notes=tuple(dict.fromkeys([*guarantees.notes, *valued.notes])),
        year_error=year_error,
    )


def amounts(valued: Valued, method: Method) -> pd.DataFrame:
    """Expected cost of guarantees by client.

    Parameters
    ----------
    valued : Valued
    method : Method

    Returns
    -------
    pandas.DataFrame
        client_id, plants, expected, undiscounted, discounted: see `Provision`.
    """
    each = pd.DataFrame({"plants": valued.plants["quantity"], "expected": valued.number})
    each = each.assign(undiscounted=valued.cost, discounted=valued.discounted)
    rows = each.groupby(valued.plants["client_id"], sort=True).sum().rename_axis("client_id").reset_index()
    rows["plants"] = rows["plants"].astype("int64")
    for column in ("undiscounted", "discounted"):
        rows[column] = [whole(float(amount), method.rounding) for amount in rows[column]]
        rows[column] = rows[column].astype("int64")
    return rows


def value(
    guarantees: InForce,
    fits: HazardFits,
    start: date,
    method: Method,
    year_error: YearError | None = None,
    *,
    with_pmf: bool = True,
) -> Valued:
    """Expected cost of each guarantee from a day on.

    Parameters
    ----------
    guarantees : InForce
    fits : HazardFits
    start : datetime.date
        First day that is provided for.
    method : Method
    year_error : YearError, optional
        Its factor multiplies every covered hazard of ordinary losses, the same for all guarantees and all the time that
        they run on, as in `quote.make_quote`.
    with_pmf : bool
        Whether probabilities are asked for beside expected cost.

    Returns
    -------
    Valued
    """
    plants, day = guarantees.plants, pd.Timestamp(start)
    planted = (plants["installed_on"] - day).dt.days.astype("float64")
    # What ended before that day, and what begins after its contract has ended, promises nothing.
    out = (plants["leave"] - day).dt.days.astype("float64").clip(lower=0)
    rows = plants.assign(
        planted=planted, enter=planted.clip(lower=0).fillna(0.0), out=out, cap=plants["cap"].fillna(-1)
    )
    kind = rows.groupby(KINDS, dropna=False, sort=True).ngroup().to_numpy()
    kinds = rows.assign(kind=kind).drop_duplicates("kind").sort_values("kind").reset_index(drop=True)
    grid = monthly_grid(start, start + timedelta(days=int(out.max()) if len(rows) else 0))
    # Numbers, and numbers each at what one unit paid then is worth on the day.
    expected, pmf, notes = np.zeros((len(kinds), 2)), np.ones((method.n_samples, len(kinds), 1)), list[str]()
    if len(kinds):
        cover = Cover(LEAD_DAYS, 1, "ends") if guarantees.own else Cover(LEAD_DAYS)
        expected, pmf, notes = _project_by_terms(kinds, fits, cover, grid, method, year_error, with_pmf)
    quantity = rows["quantity"].to_numpy()
    cost = rows["unit"].to_numpy() * quantity
    number, discounted = expected[kind, 0], expected[kind, 1]
    return Valued(plants, number * quantity, number * cost, discounted * cost, pmf, kind, tuple(notes))


def _project_by_terms(
    kinds: pd.DataFrame,
    fits: HazardFits,
    cover: Cover,
    grid: TimeGrid,
    method: Method,
    year_error: YearError | None,
    with_pmf: bool,
) -> tuple[Array, Array, list[str]]:
    """Expected losses (kinds x (all, discounted)) and pmf by sample of each kind of guarantee, by group of terms."""
    parts = np.stack([np.ones(grid.steps), grid.discount_factors(method.discount_percent)], axis=1)
    sites = sorted(kinds["site_id"].unique())
    site = kinds["site_id"].map({name: n for n, name in enumerate(sites)}).to_numpy()
    expected, notes = np.zeros((len(kinds), 2)), list[str]()
    factor = np.ones(method.n_samples) if year_error is None else year_error.samples(method.n_samples, method.seed)
    pieces: list[tuple[Integers, Array]] = []
    known: dict[tuple[str, str], tuple[HazardSamples, list[str], Integers]] = {}
    for (cap, *texts), group in kinds.groupby(["cap", "covered", "excluded"]):
        at, causes = group.index.to_numpy(), (texts[0], texts[1])
        if causes not in known:
            alike = kinds[kinds["covered"].eq(causes[0]) & kinds["excluded"].eq(causes[1])]
            known[causes] = *_samples(alike, fits, sites, grid, method, factor), alike.index.to_numpy()
        samples, remarks, rows = known[causes]
        capped = cover if cover.once else replace(cover, cap=None if cap < 0 else int(cap))
        samples = replace(samples, intercept=samples.intercept[:, np.searchsorted(rows, at)])
        cohorts = Cohorts(group["planted"].to_numpy(), group["enter"].to_numpy(), group["out"].to_numpy(), site[at])
        projection = project(grid, cohorts, capped, samples, parts, with_pmf=with_pmf)
        expected[at] = projection.by_part.mean(axis=0)
        pieces.append((at, projection.pmf))
        notes += remarks
    pmf = np.zeros((method.n_samples, len(kinds), max(one.shape[-1] for _, one in pieces)))
    for at, one in pieces:
        pmf[:, at, : one.shape[-1]] = one
    return expected, pmf, notes


def _samples(
    kinds: pd.DataFrame, fits: HazardFits, sites: list[str], grid: TimeGrid, method: Method, factor: Array
) -> tuple[HazardSamples, list[str]]:
    """Hazards of kinds under one set of causes, and what a reader must be told of them."""
    causes = _causes(kinds["covered"].iloc[0]), _causes(kinds["excluded"].iloc[0])
    model, events = fits.under(*causes), fits.event_hazard(*causes)
    hazards = model.for_lines(kinds, method.n_samples, method.seed)
    effect = effects_of(model, hazards.frailty_variance, sites, method.seed) * factor[:, None]
    common = events.samples(float(grid.edges[-1]), sites, method.n_samples, method.seed)
    samples = HazardSamples.of(hazards, effect, fits.exits(*causes), common=common)
    return samples, [*model.notes, events.describe()]


def _causes(text: str) -> tuple[str, ...]:
    """Causes in a cell of the contracts: "all" or a blank cell for every one."""
    words = tuple(text.replace(",", " ").replace(";", " ").split())
    return () if words in ((), ("all",)) else words


def _distribution(valued: Valued, lines: pd.DataFrame) -> Distribution:
    """Distribution of the cost of lines that differ in kind or unit."""
    pmf = valued.pmf[:, lines["kind"].to_numpy()]
    return total_cost(pmf, lines["quantity"].to_numpy(), lines["unit"].to_numpy(), points=2048)[0]
