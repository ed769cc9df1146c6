"""The provision for guarantees that are running: expected cost by client, and how it moved over a quarter.

A management estimate. What is booked, and how, is for an accountant to decide.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from plantstats.guarantee import spread
from plantstats.guarantee.from_records import FittedLosses, fit_losses
from plantstats.guarantee.grid import Array, Grid, grid
from plantstats.guarantee.hazards import CLASS, covered_share, effects_of
from plantstats.guarantee.in_force import InForce, begun, in_force, until
from plantstats.guarantee.money import cents, whole
from plantstats.guarantee.outlook import Drawn, Plants, Promise, look_ahead
from plantstats.guarantee.quote import discount
from plantstats.guarantee.spread import Whole
from plantstats.periods import Period, previous_quarters

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.records import Records

LEAD_DAYS = 14.0
KINDS = [*CLASS, "planted", "enter", "out", "site_id", "cap", "covered", "excluded"]


@dataclass(frozen=True)
class Provision:
    """A provision on one day, in whole cents.

    by_client: client_id, plants, expected (replacements), undiscounted, discounted, point_80, point_95; the sums of
    the clients are the totals. total: distribution of the whole; notes.
    """

    as_of: date
    by_client: pd.DataFrame
    total: spread.Spread
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
    """How a provision is worked out: yearly discount rates in percent, draws, seed, rounding rule."""

    discount_percent: tuple[float, ...] = (0.0,)
    draws: int = 100
    seed: int = 1
    rounding: str = "half-up"


@dataclass(frozen=True)
class Valued:
    """Guarantees with what is expected of them; arrays by plant row, chances by kind of row."""

    plants: pd.DataFrame
    number: Array
    cost: Array
    discounted: Array
    chance: Array
    kind: npt.NDArray[np.integer[Any]]


def of_guarantees(force: InForce, model: FittedLosses, time: PlantTime, as_of: date, method: Method) -> Provision:
    """The provision for guarantees that run on beyond a day.

    Takes:  guarantees in force; model and plant-time of the records up to that day; as_of: the day; method.
    Gives:  Provision.
    """
    made = _summed(value(force, model, time, as_of + timedelta(days=1), method), as_of, method)
    return replace(made, notes=(*force.notes, *model.notes))


def value(force: InForce, model: FittedLosses, time: PlantTime, start: date, method: Method) -> Valued:
    """Expected cost of each guarantee from a day on.

    Takes:  guarantees; model and plant-time of the same records; start: first day that is provided for; method.
    Gives:  Valued.
    """
    plants = force.plants
    day = pd.Timestamp(start)
    rows = plants.assign(
        planted=(plants["installed_on"] - day).dt.days.astype("float64"),
        enter=(plants["installed_on"] - day).dt.days.clip(lower=0).fillna(0).astype("float64"),
        out=(plants["leave"] - day).dt.days.astype("float64"),
    )
    rows = rows.assign(planted=rows["planted"].where(rows["installed_on"].notna()), cap=rows["cap"].fillna(-1))
    kind = rows.groupby(KINDS, dropna=False, sort=True).ngroup().to_numpy()
    kinds = rows.assign(kind=kind).drop_duplicates("kind").sort_values("kind").reset_index(drop=True)
    end = start + timedelta(days=int(rows["out"].max()) if len(rows) else 0)
    cut = grid(start, end)
    # Numbers, and numbers each at what one unit paid then is worth on the day.
    expected, chance = np.zeros((len(kinds), 2)), np.ones((method.draws, len(kinds), 1))
    if len(kinds):
        parts = np.stack([np.ones(cut.steps), discount(cut, method.discount_percent)], axis=1)
        expected, chance = _by_terms(kinds, model, time, own=force.own, cut=cut, method=method, parts=parts)
    unit = rows["unit"].to_numpy() * rows["quantity"].to_numpy()
    return Valued(
        plants,
        expected[kind, 0] * rows["quantity"].to_numpy(),
        expected[kind, 0] * unit,
        expected[kind, 1] * unit,
        chance,
        kind,
    )


def _by_terms(
    kinds: pd.DataFrame, model: FittedLosses, time: PlantTime, *, own: bool, cut: Grid, method: Method, parts: Array
) -> tuple[Array, Array]:
    """Mean losses by part of the steps, and chances by draw, of each kind of guarantee, group of terms by group."""
    hazards = model.for_lines(kinds, method.draws, method.seed)
    sites = sorted(kinds["site_id"].unique())
    effect = effects_of(model, hazards.site_variance, sites, method.seed)
    site = kinds["site_id"].map({name: n for n, name in enumerate(sites)}).to_numpy()
    whole_time = time.cells([]).iloc[0]
    gone = float(whole_time["withdrawn"]) / float(whole_time["plant_days"])
    client = float(whole_time["client_exits"]) / float(whole_time["plant_days"])
    expected_of = np.zeros((len(kinds), parts.shape[1]))
    pieces: list[tuple[Whole, Array]] = []
    for _, group in kinds.groupby(["cap", "covered", "excluded"]):
        at = group.index.to_numpy()
        cap, covered, excluded = group.iloc[0][["cap", "covered", "excluded"]]
        share, _ = covered_share(time.losses, _words(covered), _words(excluded), method.draws, method.seed)
        promise = Promise(LEAD_DAYS, 1, "ends") if own else Promise(LEAD_DAYS, None if cap < 0 else int(cap))
        drawn = Drawn(hazards.age_cuts, hazards.drawn_level[:, at], hazards.drawn_shape, effect, share, client, gone)
        who = Plants(group["planted"].to_numpy(), group["enter"].to_numpy(), group["out"].to_numpy(), site[at])
        ahead = look_ahead(cut, who, promise, drawn, parts)
        expected_of[at] = ahead.by_part.mean(axis=0)
        pieces.append((at, ahead.chance))
    chance = np.zeros((method.draws, len(kinds), max(made.shape[-1] for _, made in pieces)))
    for at, made in pieces:
        chance[:, at, : made.shape[-1]] = made
    return expected_of, chance


def _words(text: str) -> tuple[str, ...]:
    """Causes in a cell of the contracts: "all" or a blank cell for every one."""
    words = tuple(text.replace(",", " ").replace(";", " ").split())
    return () if words in ((), ("all",)) else words


def _summed(valued: Valued, as_of: date, method: Method) -> Provision:
    plants = valued.plants
    rows = []
    for client, group in plants.groupby("client_id", sort=True):
        at = group.index.to_numpy()
        cost = _spread(valued, at)
        rows.append(
            {
                "client_id": client,
                "plants": int(group["quantity"].sum()),
                "expected": float(valued.number[at].sum()),
                "undiscounted": whole(float(valued.cost[at].sum()), method.rounding),
                "discounted": whole(float(valued.discounted[at].sum()), method.rounding),
                "point_80": cost.point(0.80),
                "point_95": cost.point(0.95),
            }
        )
    columns = ["client_id", "plants", "expected", "undiscounted", "discounted", "point_80", "point_95"]
    by_client = pd.DataFrame(rows, columns=columns)
    total = _spread(valued, np.arange(len(plants)))
    return Provision(as_of, by_client, total, int(plants["quantity"].sum()), ())


def _spread(valued: Valued, at: Whole) -> spread.Spread:
    rows = valued.plants.iloc[at].assign(kind=valued.kind[at])
    cells = rows.groupby(["kind", "unit"], as_index=False)["quantity"].sum()
    chance = valued.chance[:, cells["kind"]]
    return spread.total(chance, cells["quantity"].to_numpy(), cells["unit"].to_numpy(), points=2048)[0]


@dataclass(frozen=True)
class RollForward:
    """How the provision moved over a quarter, whole cents: closing = opening + charged - used + adjusted.

    charged: expected cost of the guarantees that began in the quarter, as seen when it opened; used: recorded cost of
    replacements done under guarantee in the quarter; adjusted: what is left, of which `chance` (expected use of the
    quarter less actual use) and the rest through changed rates, exits and corrections.
    """

    opening: int
    charged: int
    used: int
    adjusted: int
    closing: int
    chance: int

    def table(self) -> pd.DataFrame:
        """Line, Amount: in the order of the sum."""
        return pd.DataFrame(
            {
                "Line": [
                    "Opening",
                    "Charged: guarantees begun in the quarter",
                    "Used: replacements under guarantee",
                    "Adjusted",
                    "of which chance: expected use less actual use",
                    "of which changed rates, exits, corrections",
                    "Closing",
                ],
                "Cents": [
                    self.opening,
                    self.charged,
                    -self.used,
                    self.adjusted,
                    self.chance,
                    self.adjusted - self.chance,
                    self.closing,
                ],
            }
        )


def roll_forward(records: Records, period: Period, method: Method | None = None) -> tuple[RollForward, Provision]:
    """How the provision moved from the end of the quarter before to the end of this one.

    Takes:  records; period; method.
    Gives:  RollForward, and the closing Provision. Each end is worked out with the records known on that day.
    """
    method = method or Method()
    before = previous_quarters(period, 1)[0]
    model, time = fit_losses(records, before.last_day)
    force = in_force(records, time, before.last_day)
    opening = of_guarantees(force, model, time, before.last_day, method)
    now, now_time = fit_losses(records, period.last_day)
    closing = of_guarantees(in_force(records, now_time, period.last_day), now, now_time, period.last_day, method)
    new_ones = begun(records, now_time, period)
    charged = value(new_ones, model, time, period.start, method)
    new = whole(float(charged.cost.sum()), method.rounding)
    used = used_in(records, period)
    adjusted = closing.undiscounted - opening.undiscounted - new + used
    expected = _expected_use((force, new_ones), model, time, period, method)
    return RollForward(opening.undiscounted, new, used, adjusted, closing.undiscounted, expected - used), closing


def used_in(records: Records, period: Period) -> int:
    """Recorded cost of the replacements done under guarantee in a period, plants and labour, in whole cents."""
    done = records.table("replacements")
    inside = done["replaced_on"].between(pd.Timestamp(period.start), pd.Timestamp(period.last_day))
    return cost_of(done[inside & done["covered"].eq("guaranteed")], records.settings.wage_per_hour)


def cost_of(replacements: pd.DataFrame, wage_per_hour: float) -> int:
    """Recorded cost of replacements, plants and labour, in whole cents."""
    labour = replacements["labour_minutes"].fillna(0).astype("float64") / 60 * wage_per_hour
    plants = replacements["plant_cost"].fillna(0)
    return sum(cents(value) for value in plants) + sum(whole(100 * value) for value in labour)


def _expected_use(
    guarantees: tuple[InForce, ...], model: FittedLosses, time: PlantTime, period: Period, method: Method
) -> int:
    """What the opening model expected to be used within the quarter."""
    out = 0.0
    for one in guarantees:
        out += float(value(until(one, period.end), model, time, period.start, method).cost.sum())
    return whole(out, method.rounding)
