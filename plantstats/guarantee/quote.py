"""A quote: what replacing the plants of a list will cost over the term, line by line and in all."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from plantstats.errors import PlantstatsError
from plantstats.guarantee import spread
from plantstats.guarantee.grid import Array, Grid, days_at_risk, grid
from plantstats.guarantee.hazards import CLASS, Exits, LineHazards, LossModel, effects_of
from plantstats.guarantee.money import cents, whole
from plantstats.guarantee.outlook import Drawn, Outlook, Plants, Promise, look_ahead
from plantstats.guarantee.plant_list import NEW_SITE
from plantstats.guarantee.terms import LEAST_DRAWS, Terms

# Lines times draws beyond which the range of each line's number (not the list's) is told from the first draws only.
LINE_WORK = 400_000
SHARE_DRAWS = 150  # draws from which the variance is split by source
GROUPS = 10  # groups of draws from which the error of the drawing is told
POINTS = (0.50, 0.80, 0.95)
DAYS_PER_YEAR = 365.25
# Mean hazard of a step above which it is cut: the expected number is then right to about 1 in 10,000.
STEP_LOSSES, MOST_PARTS = 0.03, 30


class QuoteError(PlantstatsError, ValueError):
    """A quote that cannot be made; the message says why and what to change."""


@dataclass(frozen=True)
class Quote:
    """A quote and all that it rests on; amounts in cents.

    lines: one row per line of the list: its labels, quantity, unit (cost of one replacement), per_position
    (expected replacements of one position), expected (of the line), cost (expected, whole cents), basis, age_end
    (days old at the end if it lives), oldest (days of age that the records tell about); by_year: lines x contract
    years: expected replacements; total, number: distributions of cost (limit in money applied) and of
    replacements; point_errors: standard error of each of POINTS from the drawing; shares: of the variance.
    """

    terms: Terms
    cut: Grid
    lines: pd.DataFrame
    by_year: Array
    total: spread.Spread
    number: spread.Spread
    line_numbers: tuple[spread.Spread, ...]
    mean_error: float
    point_errors: dict[float, float]
    shares: dict[str, float]
    discounted: int
    site_spread: float
    losses: int
    covered_share: float
    notes: tuple[str, ...]

    @property
    def plants(self) -> int:
        """Plants on the list."""
        return int(self.lines["quantity"].sum())

    @property
    def expected_cost(self) -> int:
        """Expected cost in whole cents: the sum of the lines, or less where there is a limit in money."""
        summed = int(self.lines["cost"].sum())
        return summed if self.terms.cap_money is None else min(summed, whole(self.total.mean, self.terms.rounding))

    def point(self, share: float) -> int:
        """The amount that the cost stays within with this chance, in whole cents."""
        return self.total.point(share)


def make(listed: pd.DataFrame, model: LossModel, exits: Exits, terms: Terms) -> Quote:
    """Make a quote.

    Takes:  listed: lines as `plant_list.read` gives them; model of losses; exits: covered share and other exits
            (as many draws as the terms say); terms.
    Gives:  Quote. The same list gives the same amounts in any order of its lines; another line leaves the others'
            as they are.
    Raises: QuoteError for a term beyond the ages on record where the terms refuse that.
    """
    hazards = model.for_lines(listed, terms.draws, terms.seed, terms.unseen_species)
    cut = _fine_enough(grid(terms.starts_on, terms.ends_on), hazards)
    lines = _lines(listed, hazards, terms, cut)
    beyond = _beyond(lines, terms)
    kinds, of_line, sites = _kinds(lines)
    at = kinds["row"].to_numpy()
    effect = effects_of(model, hazards.site_variance, sites, terms.seed)
    drawn = Drawn(
        hazards.age_cuts,
        hazards.drawn_level[:, at],
        hazards.drawn_shape,
        effect,
        exits.covered,
        exits.client,
        exits.withdrawn,
    )
    plants = _plants(kinds, cut)
    promise = Promise(terms.lead_days, terms.cap_per_position, terms.after_uncovered)
    look = partial(look_ahead, cut, plants, promise, parts=_parts(cut, terms))
    ahead = look(drawn)
    # Contract years, and last all of them, each at what one unit paid then is worth at the start.
    each = ahead.by_part.mean(axis=0)[of_line]
    lines = _with_costs(lines, each[:, :-1].sum(axis=1), terms)
    cells = lines.assign(kind=of_line).groupby(["kind", "unit"])["quantity"].sum().reset_index()
    chance, quantity, unit = ahead.chance[:, cells["kind"]], cells["quantity"].to_numpy(), cells["unit"].to_numpy()
    whole_cost, *parts = (one.capped(terms.cap_money) for one in spread.total(chance, quantity, unit, groups=GROUPS))
    number = spread.total(chance, quantity, np.ones_like(unit))[0]
    some = ahead.chance[: max(terms.draws * LINE_WORK // max(LINE_WORK, terms.draws * len(lines)), LEAST_DRAWS)]
    return Quote(
        terms=terms,
        cut=cut,
        lines=lines,
        by_year=each[:, :-1] * lines["quantity"].to_numpy()[:, None],
        total=whole_cost,
        number=number,
        line_numbers=tuple(
            spread.total(some[:, [kind]], [n], [1])[0] for kind, n in zip(of_line, lines["quantity"], strict=True)
        ),
        mean_error=float(np.std([p.mean for p in parts], ddof=1) / np.sqrt(GROUPS)),
        point_errors={
            p: float(np.std([one.point(p) for one in parts], ddof=1) / np.sqrt(GROUPS))
            for p in sorted({*POINTS, terms.confidence})
        },
        shares=_shares(look, ahead, cells, drawn, hazards, at),
        discounted=whole(float((lines["quantity"] * lines["unit"]).to_numpy() @ each[:, -1]), terms.rounding),
        site_spread=float(hazards.site_variance.mean()),
        losses=exits.losses,
        covered_share=float(exits.covered.mean()),
        notes=(*_list_notes(lines, cut), *beyond, *hazards.notes),
    )


def _fine_enough(monthly: Grid, hazards: LineHazards) -> Grid:
    """Months cut into parts where plants are lost so fast that whole months would be too coarse."""
    if not monthly.steps:
        return monthly
    days = days_at_risk(monthly, np.zeros(1), hazards.age_cuts)[0].sum(axis=0)
    per_month = float(hazards.level.max() * (hazards.shape * days).sum()) / monthly.steps
    parts = min(int(np.ceil(per_month / STEP_LOSSES)), MOST_PARTS)
    return monthly if parts <= 1 else grid(monthly.starts_on, monthly.ends_on, parts)


def unit_cost(plant: float, minutes: float, terms: Terms) -> int:
    """What one replacement costs us, in whole cents: plant, labour where it is ours, delivery, disposal."""
    labour = whole(minutes * terms.wage_per_hour / 60, terms.rounding) if terms.labour_by == "us" else 0
    return cents(plant, terms.rounding) + labour + terms.delivery + terms.disposal


def _lines(listed: pd.DataFrame, hazards: LineHazards, terms: Terms, cut: Grid) -> pd.DataFrame:
    minutes = listed["labour_minutes"].fillna(terms.labour_minutes)
    planted = (listed["installed_on"] - pd.Timestamp(terms.starts_on)).dt.days.astype("float64").fillna(0.0)
    return listed.reset_index(drop=True).assign(
        unit=[unit_cost(p, m, terms) for p, m in zip(listed["unit_cost"], minutes, strict=True)],
        planted=planted.to_numpy(),
        basis=hazards.basis,
        oldest=hazards.oldest_days,
        age_end=np.maximum(cut.edges[-1] - planted.to_numpy(), 0.0),
    )


def _kinds(lines: pd.DataFrame) -> tuple[pd.DataFrame, npt.NDArray[np.integer[Any]], list[str]]:
    """Lines of equal chances taken together, and which kind each line is."""
    keys = [*CLASS, "planted", "site_id"]
    grouped = lines.groupby(keys, sort=True)
    of_line = grouped.ngroup().to_numpy(dtype="int64")
    first = lines.assign(row=np.arange(len(lines)), kind=of_line).drop_duplicates("kind").sort_values("kind")
    sites = sorted(lines["site_id"].unique())
    return first.assign(site=first["site_id"].map({name: n for n, name in enumerate(sites)})), of_line, sites


def _plants(kinds: pd.DataFrame, cut: Grid) -> Plants:
    n = len(kinds)
    return Plants(kinds["planted"].to_numpy(), np.zeros(n), np.full(n, cut.edges[-1]), kinds["site"].to_numpy())


def _with_costs(lines: pd.DataFrame, each: Array, terms: Terms) -> pd.DataFrame:
    expected = each * lines["quantity"].to_numpy()
    costs = [whole(n * unit, terms.rounding) for n, unit in zip(expected, lines["unit"], strict=True)]
    return lines.assign(per_position=each, expected=expected, cost=costs)


def _parts(cut: Grid, terms: Terms) -> Array:
    """Steps x (contract years, then all of them discounted)."""
    years = cut.years()
    return np.column_stack(
        [years[:, None] == np.arange(int(years.max(initial=-1)) + 1), discount(cut, terms.discount_percent)]
    ).astype("float64")


def discount(cut: Grid, percent: tuple[float, ...]) -> Array:
    """Worth at the start of one unit paid in the middle of each step; yearly rates, the last one holding on."""
    rates = np.array([percent[min(int(day / DAYS_PER_YEAR), len(percent) - 1)] for day in cut.middles]) / 100
    return (1 + rates) ** -(cut.middles / DAYS_PER_YEAR)


def _moments(ahead: Outlook, cells: pd.DataFrame) -> tuple[Array, Array]:
    """Mean and variance of the cost given each draw."""
    n = np.arange(ahead.chance.shape[-1])
    chance = ahead.chance[:, cells["kind"]]
    mean, square = chance @ n, chance @ n**2
    quantity, unit = cells["quantity"].to_numpy(), cells["unit"].to_numpy(dtype="float64")
    return mean @ (quantity * unit), (square - mean**2) @ (quantity * unit**2)


def _shares(
    look: Callable[[Drawn], Outlook],
    ahead: Outlook,
    cells: pd.DataFrame,
    drawn: Drawn,
    hazards: LineHazards,
    at: npt.NDArray[np.integer[Any]],
) -> dict[str, float]:
    """Where the variance comes from: chance given site and model; the site alone; the model alone."""
    some = min(len(drawn.covered), SHARE_DRAWS)
    _, within = _moments(ahead, cells)
    only_site = replace(
        drawn,
        level=np.repeat(hazards.level[None, at], some, axis=0),
        shape=np.repeat(hazards.shape[None], some, axis=0),
        effect=drawn.effect[:some],
        covered=np.full(some, drawn.covered.mean()),
    )
    # The mean of each site's effect, so that its own uncertainty stays out.
    usual = drawn.effect.mean(axis=0) * np.ones((some, 1))
    only_model = replace(
        drawn, level=drawn.level[:some], shape=drawn.shape[:some], effect=usual, covered=drawn.covered[:some]
    )
    parts = {"chance": float(within.mean())}
    for name, which in (("site", only_site), ("model", only_model)):
        parts[name] = float(_moments(look(which), cells)[0].var())
    every = sum(parts.values())
    return {name: (value / every if every else 0.0) for name, value in parts.items()}


def _beyond(lines: pd.DataFrame, terms: Terms) -> list[str]:
    late = lines[lines["age_end"] > lines["oldest"]]
    if late.empty:
        return []
    names = "; ".join(
        f"{row.position}: {row.species}, followed to day {row.oldest:.0f}, promised to day {row.age_end:.0f}"
        for row in late.head(5).itertuples()
    )
    more = f" and {len(late) - 5} more lines" if len(late) > 5 else ""
    if terms.beyond_ages == "refuse":
        raise QuoteError(
            f"{len(late)} of {len(lines)} lines are promised beyond the ages on record ({names}{more}); shorten the "
            'term, or set guarantee.beyond_ages = "assume" to let the rate of the last age band go on'
        )
    return [
        f"{len(late)} of {len(lines)} lines are promised beyond the ages that the records tell about ({names}{more}): "
        "from there on the rate of the last age band is taken to go on. That is an assumption, not a finding."
    ]


def _list_notes(lines: pd.DataFrame, cut: Grid) -> list[str]:
    said = [
        f"{row.species}: {row.basis}"
        for row in lines[lines["basis"].ne("its own losses")].drop_duplicates("species").itertuples()
    ]
    late = lines["planted"] >= cut.edges[-1]
    if late.any():
        said.append(f"{int(late.sum())} lines are installed on the last day of the term or after it: they cost nothing")
    named = sorted(set(lines["site_id"]) - {NEW_SITE})
    if named:
        said.append(f"sites {', '.join(named[:5])}: what the records say about them is used")
    return said
