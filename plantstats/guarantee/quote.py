"""A quote: what replacing the plants of a list will cost over the term, line by line and in all."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from plantstats.errors import PlantstatsError
from plantstats.guarantee.distribution import Distribution, total_cost
from plantstats.guarantee.event_hazard import EventHazard
from plantstats.guarantee.hazards import PROFILE, Exits, HazardModel, LineHazards, effects_of
from plantstats.guarantee.money import cents, whole
from plantstats.guarantee.plant_list import NEW_SITE
from plantstats.guarantee.projection import Cohorts, Cover, HazardSamples, project
from plantstats.guarantee.terms import LEAST_DRAWS, Terms
from plantstats.guarantee.time_grid import Array, TimeGrid, days_at_risk, monthly_grid
from plantstats.guarantee.variance_shares import variance_shares
from plantstats.guarantee.year_error import YearError

# Lines times samples beyond which the range of each line's number (not the list's) is told from the first samples only.
LINE_WORK = 400_000
GROUPS = 10  # groups of samples from which the sampling error is told
QUANTILES = (0.50, 0.80, 0.95)
# Mean hazard of a step above which it is cut: the expected number is then right to about 1 in 10,000.
STEP_LOSSES, MAX_PARTS = 0.03, 30
NO_EVENTS = EventHazard()
Index = npt.NDArray[np.integer[Any]]


class QuoteError(PlantstatsError, ValueError):
    """A quote that cannot be made; the message says why and what to change."""


@dataclass(frozen=True)
class Quote:
    """A quote and all that it rests on; amounts in cents.

    Parameters
    ----------
    terms : Terms
    grid : TimeGrid
    lines : pandas.DataFrame
        One row per line of the list: its labels, quantity, unit (cost of one replacement), per_position (expected
        replacements of one position), expected (of the line), cost (expected, whole cents), basis, age_end (days old at
        the end if it lives), oldest (days of age that the records tell about).
    by_year : numpy.ndarray, shape (lines, contract years)
        Expected replacements.
    cost, number : Distribution
        Of the cost (limit in money applied), and of the number of replacements.
    line_numbers : tuple of Distribution
        Of the number of replacements of each line.
    mean_error : float
        Standard error of the mean cost from the sampling.
    quantile_errors : dict of float to float
        The same for each of `QUANTILES` and the terms' confidence.
    shares : dict of str to float
        Of the variance of the cost, by source.
    discounted : int
        Expected cost, each payment at its worth at the start.
    frailty_variance : float
    year_error : YearError or None
        How far a year strays from what was expected of it; None where it was left out.
    notes : tuple of str
    """

    terms: Terms
    grid: TimeGrid
    lines: pd.DataFrame
    by_year: Array
    cost: Distribution
    number: Distribution
    line_numbers: tuple[Distribution, ...]
    mean_error: float
    quantile_errors: dict[float, float]
    shares: dict[str, float]
    discounted: int
    frailty_variance: float
    year_error: YearError | None
    notes: tuple[str, ...]

    @property
    def plants(self) -> int:
        """Plants on the list."""
        return int(self.lines["quantity"].sum())

    @property
    def expected_cost(self) -> int:
        """Expected cost in whole cents: the sum of the lines, or less where there is a limit in money."""
        summed = int(self.lines["cost"].sum())
        return summed if self.terms.cap_money is None else min(summed, whole(self.cost.mean, self.terms.rounding))

    def quantile(self, q: float) -> int:
        """Amount that the cost stays within with probability `q`, in whole cents.

        Parameters
        ----------
        q : float
            Probability, between 0 and 1.

        Returns
        -------
        int
        """
        return self.cost.quantile(q)


def make_quote(
    listed: pd.DataFrame,
    model: HazardModel,
    exits: Exits,
    terms: Terms,
    year_error: YearError | None = None,
    events: EventHazard = NO_EVENTS,
) -> Quote:
    """Make a quote.

    Parameters
    ----------
    listed : pandas.DataFrame
        Lines as `plant_list.read` gives them.
    model : HazardModel
    exits : Exits
    terms : Terms
    year_error : YearError, optional
        Its factor multiplies every covered hazard, the same for the whole list and term.
    events : EventHazard
        Of events that take plants of a site together, of covered causes.

    Returns
    -------
    Quote

    Raises
    ------
    QuoteError
        For a term beyond the ages on record where the terms refuse that.

    Notes
    -----
    The same list gives the same amounts in any order of its lines; another line leaves the others' as they are.

    Examples
    --------
    Two plants over a year at one loss in 1,000 plant-days, each replacement 50.00 (the model is made by hand):

    >>> from datetime import date
    >>> class Constant:
    ...     def for_lines(self, lines, n_samples, seed, unseen):
    ...         n = len(lines)
    ...         return LineHazards((90,), np.full(n, 0.001), np.ones((3, 12)), np.full((n_samples, n), 0.001),
    ...                            np.ones((n_samples, 3, 12)), np.zeros(n_samples), np.full(n, 9e9), ("",) * n)
    ...     def site_history(self, sites, n_samples, seed):
    ...         return np.zeros(len(sites)), np.zeros((n_samples, len(sites)))
    ...     def site_air(self, sites):
    ...         return np.ones(len(sites))
    >>> listed = pd.DataFrame({"position": ["A1"], "site_id": ["S1"], "species": ["Ficus lyrata"], "light": ["low"],
    ...     "pot": ["15-24 cm"], "planter": ["direct"], "quantity": [2], "unit_cost": [40.0], "labour_minutes": [20.0],
    ...     "installed_on": [pd.NaT]}).astype({"installed_on": "datetime64[us]"})
    >>> terms = Terms(date(2026, 1, 1), 12, cap_per_position=1, lead_days=0, wage_per_hour=3000, draws=20)
    >>> quote = make_quote(listed, Constant(), Exits(), terms)
    >>> round(quote.number.mean, 4), quote.expected_cost, quote.quantile(0.95)  # 2 x (1 - exp(-0.365)) = 0.6116
    (0.6116, 3058, 10000)
    """
    hazards = model.for_lines(listed, terms.draws, terms.seed, terms.unseen_species)
    grid = _fine_enough(monthly_grid(terms.starts_on, terms.ends_on), hazards)
    lines = _lines(listed, hazards, terms, grid)
    beyond = _beyond(lines, terms)
    profiles, of_line, sites = _profiles(lines)
    rows = profiles["row"].to_numpy()
    of_sites = effects_of(model, hazards.frailty_variance, sites, terms.seed)
    factor = np.ones(terms.draws) if year_error is None else year_error.samples(terms.draws, terms.seed)
    common = events.samples(float(grid.edges[-1]), sites, terms.draws, terms.seed)
    samples = HazardSamples.of(hazards, of_sites * factor[:, None], exits, rows, common)
    cohorts = Cohorts.over_term(grid, profiles["planted"].to_numpy(), profiles["site"].to_numpy())
    cover = Cover(terms.lead_days, terms.cap_per_position, terms.after_uncovered)
    projected = partial(project, grid, cohorts, cover, parts=_parts(grid, terms))
    projection = projected(samples)
    # Contract years, and last all of them, each at what one unit paid then is worth at the start.
    expected = projection.by_part.mean(axis=0)[of_line]
    lines = _with_costs(lines, expected[:, :-1].sum(axis=1), terms)
    groups = lines.assign(profile=of_line).groupby(["profile", "unit"])["quantity"].sum().reset_index()
    pmf, quantity, unit = projection.pmf[:, groups["profile"]], groups["quantity"].to_numpy(), groups["unit"].to_numpy()
    cost, *thirds = (one.capped(terms.cap_money) for one in total_cost(pmf, quantity, unit, groups=GROUPS))
    first = projection.pmf[: max(terms.draws * LINE_WORK // max(LINE_WORK, terms.draws * len(lines)), LEAST_DRAWS)]
    return Quote(
        terms=terms,
        grid=grid,
        lines=lines,
        by_year=expected[:, :-1] * lines["quantity"].to_numpy()[:, None],
        cost=cost,
        number=total_cost(pmf, quantity, np.ones_like(unit))[0],
        line_numbers=tuple(
            total_cost(first[:, [at]], [n], [1])[0] for at, n in zip(of_line, lines["quantity"], strict=True)
        ),
        mean_error=_standard_error([group.mean for group in thirds]),
        quantile_errors={
            q: _standard_error([group.quantile(q) for group in thirds]) for q in sorted({*QUANTILES, terms.confidence})
        },
        shares=variance_shares(projected, projection, groups, (samples, hazards, rows), of_sites, factor),
        discounted=whole(float((lines["quantity"] * lines["unit"]).to_numpy() @ expected[:, -1]), terms.rounding),
        frailty_variance=float(hazards.frailty_variance.mean()),
        year_error=year_error,
        notes=(*_list_notes(lines, grid), *beyond, *hazards.notes, events.describe()),
    )


def unit_cost(plant: float, minutes: float, terms: Terms) -> int:
    """Cost of one replacement to us, in whole cents: plant, labour where it is ours, delivery, disposal.

    Parameters
    ----------
    plant : float
        Cost of the plant.
    minutes : float
        Of labour.
    terms : Terms
        Terms of the guarantee.

    Returns
    -------
    int
    """
    labour = whole(minutes * terms.wage_per_hour / 60, terms.rounding) if terms.labour_by == "us" else 0
    return cents(plant, terms.rounding) + labour + terms.delivery + terms.disposal


def _fine_enough(monthly: TimeGrid, hazards: LineHazards) -> TimeGrid:
    """Months cut into parts where plants are lost so fast that whole months would be too coarse."""
    if not monthly.steps:
        return monthly
    days = days_at_risk(monthly, np.zeros(1), hazards.age_cuts)[0].sum(axis=0)
    per_month = float(hazards.intercept.max() * (hazards.shape * days).sum()) / monthly.steps
    parts = min(int(np.ceil(per_month / STEP_LOSSES)), MAX_PARTS)
    return monthly if parts <= 1 else monthly_grid(monthly.starts_on, monthly.ends_on, parts)


def _lines(listed: pd.DataFrame, hazards: LineHazards, terms: Terms, grid: TimeGrid) -> pd.DataFrame:
    minutes = listed["labour_minutes"].fillna(terms.labour_minutes)
    planted = (listed["installed_on"] - pd.Timestamp(terms.starts_on)).dt.days.astype("float64").fillna(0.0)
    return listed.reset_index(drop=True).assign(
        unit=[unit_cost(p, m, terms) for p, m in zip(listed["unit_cost"], minutes, strict=True)],
        planted=planted.to_numpy(),
        basis=hazards.basis,
        oldest=hazards.oldest_days,
        age_end=np.maximum(grid.edges[-1] - planted.to_numpy(), 0.0),
    )


def _profiles(lines: pd.DataFrame) -> tuple[pd.DataFrame, Index, list[str]]:
    """Lines of equal hazards, planting and site taken together, which of them each line is, and the sites."""
    of_line = lines.groupby([*PROFILE, "planted", "site_id"], sort=True).ngroup().to_numpy(dtype="int64")
    first = lines.assign(row=np.arange(len(lines)), profile=of_line).drop_duplicates("profile").sort_values("profile")
    sites = sorted(lines["site_id"].unique())
    return first.assign(site=first["site_id"].map({name: n for n, name in enumerate(sites)})), of_line, sites


def _with_costs(lines: pd.DataFrame, per_position: Array, terms: Terms) -> pd.DataFrame:
    expected = per_position * lines["quantity"].to_numpy()
    costs = [whole(n * unit, terms.rounding) for n, unit in zip(expected, lines["unit"], strict=True)]
    return lines.assign(per_position=per_position, expected=expected, cost=costs)


def _parts(grid: TimeGrid, terms: Terms) -> Array:
    """Steps x (contract years, then all of them discounted)."""
    years = grid.contract_years()
    of_year = years[:, None] == np.arange(int(years.max(initial=-1)) + 1)
    return np.column_stack([of_year, grid.discount_factors(terms.discount_percent)]).astype("float64")


def _standard_error(of_groups: list[float] | list[int]) -> float:
    return float(np.std(of_groups, ddof=1) / np.sqrt(GROUPS))


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


def _list_notes(lines: pd.DataFrame, grid: TimeGrid) -> list[str]:
    borrowed = lines[lines["basis"].ne("its own losses")].drop_duplicates("species")
    notes = [f"{row.species}: {row.basis}" for row in borrowed.itertuples()]
    late = lines["planted"] >= grid.edges[-1]
    if late.any():
        notes.append(
            f"{int(late.sum())} lines are installed on the last day of the term or after it: they cost nothing"
        )
    named = sorted(set(lines["site_id"]) - {NEW_SITE})
    if named:
        notes.append(f"sites {', '.join(named[:5])}: what the records say about them is used")
    return notes
