"""The provision for guarantees that are running: expected cost by client, and how it moved over a quarter.

A management estimate. What is booked, and how, is for an accountant to decide.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from plantstats import findings
from plantstats.guarantee.distribution import Distribution, Integers, total_cost
from plantstats.guarantee.fitted_hazards import FittedHazards, fit_hazards
from plantstats.guarantee.hazards import PROFILE, Exits, covered_share, effects_of
from plantstats.guarantee.in_force import InForce, begun, in_force
from plantstats.guarantee.money import cents, units, whole
from plantstats.guarantee.projection import Cohorts, Cover, HazardSamples, project
from plantstats.guarantee.time_grid import Array, TimeGrid, monthly_grid
from plantstats.periods import Period, previous_quarters

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.records import Records

LEAD_DAYS = 14.0
KINDS = [*PROFILE, "planted", "enter", "out", "site_id", "cap", "covered", "excluded"]
METHOD = "expected value over site effects and models, management estimate"

findings.define(
    provision="Expected cost of replacements under the guarantees running on the last day of the period, until they "
    "end, in the currency named; a management estimate.",
    provision_discounted="The provision with each payment discounted to the last day of the period.",
    provision_point="Amount that the cost of the running guarantees stays within with the chance named in `term`.",
    provision_move="Line of the roll-forward named in `term`: closing = opening + charged - used + adjusted.",
)


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
    """

    as_of: date
    by_client: pd.DataFrame
    cost: Distribution
    plants: int
    notes: tuple[str, ...]

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
    """Guarantees with what is expected of them; number, cost, discounted: shape (plant rows,); pmf: samples x kinds x
    (n + 1), kind: the kind of each plant row."""

    plants: pd.DataFrame
    number: Array
    cost: Array
    discounted: Array
    pmf: Array
    kind: npt.NDArray[np.integer[Any]]


def provision(guarantees: InForce, model: FittedHazards, time: PlantTime, as_of: date, method: Method) -> Provision:
    """The provision for guarantees that run on beyond a day.

    Parameters
    ----------
    guarantees : InForce
    model : FittedHazards
    time : PlantTime
        Of the records up to that day, as is the model.
    as_of : datetime.date
    method : Method

    Returns
    -------
    Provision
    """
    valued = value(guarantees, model, time, as_of + timedelta(days=1), method)
    plants = valued.plants
    rows = []
    for client, group in plants.groupby("client_id", sort=True):
        at = group.index.to_numpy()
        cost = _distribution(valued, at)
        rows.append(
            {
                "client_id": client,
                "plants": int(group["quantity"].sum()),
                "expected": float(valued.number[at].sum()),
                "undiscounted": whole(float(valued.cost[at].sum()), method.rounding),
                "discounted": whole(float(valued.discounted[at].sum()), method.rounding),
                "point_80": cost.quantile(0.80),
                "point_95": cost.quantile(0.95),
            }
        )
    columns = ["client_id", "plants", "expected", "undiscounted", "discounted", "point_80", "point_95"]
    return Provision(
        as_of,
        by_client=pd.DataFrame(rows, columns=columns),
        cost=_distribution(valued, np.arange(len(plants))),
        plants=int(plants["quantity"].sum()),
        notes=(*guarantees.notes, *model.notes),
    )


def value(guarantees: InForce, model: FittedHazards, time: PlantTime, start: date, method: Method) -> Valued:
    """Expected cost of each guarantee from a day on.

    Parameters
    ----------
    guarantees : InForce
    model : FittedHazards
    time : PlantTime
        Of the same records as the model.
    start : datetime.date
        First day that is provided for.
    method : Method

    Returns
    -------
    Valued
    """
    plants, day = guarantees.plants, pd.Timestamp(start)
    planted = (plants["installed_on"] - day).dt.days.astype("float64")
    out = (plants["leave"] - day).dt.days.astype("float64")
    rows = plants.assign(
        planted=planted, enter=planted.clip(lower=0).fillna(0.0), out=out, cap=plants["cap"].fillna(-1)
    )
    kind = rows.groupby(KINDS, dropna=False, sort=True).ngroup().to_numpy()
    kinds = rows.assign(kind=kind).drop_duplicates("kind").sort_values("kind").reset_index(drop=True)
    grid = monthly_grid(start, start + timedelta(days=int(out.max()) if len(rows) else 0))
    # Numbers, and numbers each at what one unit paid then is worth on the day.
    expected, pmf = np.zeros((len(kinds), 2)), np.ones((method.n_samples, len(kinds), 1))
    if len(kinds):
        expected, pmf = _project_by_terms(kinds, model, time, guarantees.own, grid, method)
    quantity = rows["quantity"].to_numpy()
    cost = rows["unit"].to_numpy() * quantity
    number, discounted = expected[kind, 0], expected[kind, 1]
    return Valued(plants, number * quantity, number * cost, discounted * cost, pmf, kind)


def _project_by_terms(
    kinds: pd.DataFrame, model: FittedHazards, time: PlantTime, own: bool, grid: TimeGrid, method: Method
) -> tuple[Array, Array]:
    """Expected losses (kinds x (all, discounted)) and pmf by sample of each kind of guarantee, by group of terms."""
    parts = np.stack([np.ones(grid.steps), grid.discount_factors(method.discount_percent)], axis=1)
    hazards = model.for_lines(kinds, method.n_samples, method.seed)
    sites = sorted(kinds["site_id"].unique())
    effect = effects_of(model, hazards.frailty_variance, sites, method.seed)
    site = kinds["site_id"].map({name: n for n, name in enumerate(sites)}).to_numpy()
    cells = time.cells([]).iloc[0]
    client, withdrawn = (float(cells[name]) / float(cells["plant_days"]) for name in ("client_exits", "withdrawn"))
    expected = np.zeros((len(kinds), 2))
    pieces: list[tuple[Integers, Array]] = []
    for (cap, covered, excluded), group in kinds.groupby(["cap", "covered", "excluded"]):
        at = group.index.to_numpy()
        share, losses = covered_share(time.losses, _causes(covered), _causes(excluded), method.n_samples, method.seed)
        cover = Cover(LEAD_DAYS, 1, "ends") if own else Cover(LEAD_DAYS, None if cap < 0 else int(cap))
        samples = HazardSamples.of(hazards, effect, Exits(share, client, withdrawn, losses), at)
        cohorts = Cohorts(group["planted"].to_numpy(), group["enter"].to_numpy(), group["out"].to_numpy(), site[at])
        projection = project(grid, cohorts, cover, samples, parts)
        expected[at] = projection.by_part.mean(axis=0)
        pieces.append((at, projection.pmf))
    pmf = np.zeros((method.n_samples, len(kinds), max(one.shape[-1] for _, one in pieces)))
    for at, one in pieces:
        pmf[:, at, : one.shape[-1]] = one
    return expected, pmf


def _causes(text: str) -> tuple[str, ...]:
    """Causes in a cell of the contracts: "all" or a blank cell for every one."""
    words = tuple(text.replace(",", " ").replace(";", " ").split())
    return () if words in ((), ("all",)) else words


def _distribution(valued: Valued, at: Integers) -> Distribution:
    rows = valued.plants.iloc[at].assign(kind=valued.kind[at])
    cells = rows.groupby(["kind", "unit"], as_index=False)["quantity"].sum()
    pmf = valued.pmf[:, cells["kind"]]
    return total_cost(pmf, cells["quantity"].to_numpy(), cells["unit"].to_numpy(), points=2048)[0]


@dataclass(frozen=True)
class RollForward:
    """How the provision moved over a quarter, whole cents: closing = opening + charged - used + adjusted.

    Parameters
    ----------
    opening, closing : int
    charged : int
        Expected cost of the guarantees that began in the quarter, as seen when it opened.
    used : int
        Recorded cost of replacements done under guarantee in the quarter.
    adjusted : int
        What is left, of which `chance` (expected use of the quarter less actual use) and the rest through changed
        rates, exits and corrections.
    chance : int
    """

    opening: int
    charged: int
    used: int
    adjusted: int
    closing: int
    chance: int

    def table(self) -> pd.DataFrame:
        """Line, Cents: in the order of the sum."""
        lines = {
            "Opening": self.opening,
            "Charged: guarantees begun in the quarter": self.charged,
            "Used: replacements under guarantee": -self.used,
            "Adjusted": self.adjusted,
            "of which chance: expected use less actual use": self.chance,
            "of which changed rates, exits, corrections": self.adjusted - self.chance,
            "Closing": self.closing,
        }
        return pd.DataFrame({"Line": list(lines), "Cents": list(lines.values())})


def roll_forward(records: Records, period: Period, method: Method | None = None) -> tuple[RollForward, Provision]:
    """How the provision moved from the end of the quarter before to the end of this one.

    Parameters
    ----------
    records : Records
    period : Period
    method : Method, optional

    Returns
    -------
    tuple of RollForward and Provision
        The provision is the closing one. Each end is worked out with the records known on that day.
    """
    method = method or Method()
    before = previous_quarters(period, 1)[0]
    model, time = fit_hazards(records, before.last_day)
    running = in_force(records, time, before.last_day)
    opening = provision(running, model, time, before.last_day, method)
    model_now, time_now = fit_hazards(records, period.last_day)
    closing = provision(in_force(records, time_now, period.last_day), model_now, time_now, period.last_day, method)
    new = begun(records, time_now, period)

    def opening_value(guarantees: InForce) -> float:
        return float(value(guarantees, model, time, period.start, method).cost.sum())

    charged = whole(opening_value(new), method.rounding)
    used = used_in(records, period)
    adjusted = closing.undiscounted - opening.undiscounted - charged + used
    within = sum(opening_value(one.truncated_at(period.end)) for one in (running, new))
    chance = whole(within, method.rounding) - used
    return RollForward(opening.undiscounted, charged, used, adjusted, closing.undiscounted, chance), closing


def used_in(records: Records, period: Period) -> int:
    """Recorded cost of the replacements done under guarantee in a period, plants and labour, in whole cents."""
    done = records.table("replacements")
    inside = done["replaced_on"].between(pd.Timestamp(period.start), pd.Timestamp(period.last_day))
    return int(cost_of(done[inside & done["covered"].eq("guaranteed")], records.settings.wage_per_hour).sum())


def cost_of(replacements: pd.DataFrame, wage_per_hour: float) -> pd.Series:
    """Recorded cost of each replacement, plant and labour, in whole cents.

    Examples
    --------
    >>> cost_of(pd.DataFrame({"plant_cost": [40.0, None], "labour_minutes": [20, 10]}), wage_per_hour=30.0).tolist()
    [5000, 500]
    """
    labour = replacements["labour_minutes"].fillna(0).astype("float64") / 60 * wage_per_hour
    plant = replacements["plant_cost"].fillna(0)
    amounts = [cents(p) + whole(100 * work) for p, work in zip(plant, labour, strict=True)]
    return pd.Series(amounts, index=replacements.index, dtype="int64")


def findings_of(closing: Provision, rolled: RollForward, period: Period, currency: str) -> pd.DataFrame:
    """All results about the provision.

    Returns
    -------
    pandas.DataFrame
        Findings: provision, provision_discounted, provision_point (in all and by client), provision_move.
    """
    total = {"undiscounted": closing.undiscounted, "discounted": closing.discounted, "plants": closing.plants}
    points = {"point_80": closing.cost.quantile(0.80), "point_95": closing.cost.quantile(0.95)}
    rows = pd.concat([pd.DataFrame([total | points]), closing.by_client], ignore_index=True)
    rows = rows.rename(columns={"plants": "n_plants"})
    shared: dict[str, Any] = {"period": period.name, "unit": currency, "method": METHOD}
    parts = [
        findings.rows(rows, measure, by=["client_id"], estimate=rows[column] / 100, **shared)
        for measure, column in (("provision", "undiscounted"), ("provision_discounted", "discounted"))
    ]
    parts += [
        findings.rows(rows, "provision_point", by=["client_id"], estimate=rows[column] / 100, term=name, **shared)
        for name, column in (("80%", "point_80"), ("95%", "point_95"))
    ]
    moves = {
        "opening": rolled.opening,
        "charged": rolled.charged,
        "used": -rolled.used,
        "adjusted": rolled.adjusted,
        "closing": rolled.closing,
    }
    moved = pd.DataFrame({"term": list(moves), "estimate": [units(amount) for amount in moves.values()]})
    parts.append(findings.rows(moved, "provision_move", by=["term"], **shared))
    return findings.table(pd.concat(parts, ignore_index=True))
