"""What quotes made a year ago said about the plants then in place, against what happened."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from plantstats import exposure
from plantstats.guarantee.distribution import Distribution, total_cost
from plantstats.guarantee.fitted_hazards import FittedHazards
from plantstats.guarantee.hazard_fits import HazardFits
from plantstats.guarantee.hazards import PROFILE, Exits, effects_of, is_covered
from plantstats.guarantee.in_force import in_place
from plantstats.guarantee.projection import Cohorts, Cover, HazardSamples, project
from plantstats.guarantee.renewal import RenewalError
from plantstats.guarantee.terms import Terms
from plantstats.guarantee.time_grid import Array, monthly_grid
from plantstats.guarantee.year_error import YearError, learn
from plantstats.losses.common_cause import ordinary
from plantstats.periods import Period, previous_quarters
from plantstats.stats.intervals import poisson_limits

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.records import Records

QUARTERS = 4
YEARS = 3  # most years that are foretold again, for the year-to-year error
QUANTILES = (0.80, 0.95)
MAX_CHAIN = 50  # successors of one place within the quarters tested


@dataclass(frozen=True)
class BackTest:
    """Last year's quotes against what happened.

    Parameters
    ----------
    site_quarters : pandas.DataFrame
        One row per site and quarter: site_id, period, plants, expected, low, high, losses, point_80, point_95 and the
        probability to stay within each point (chance_80, chance_95).
    totals : pandas.DataFrame
        The same per quarter for all sites.
    distributions : tuple of Distribution
        Of the losses of each row of `site_quarters`; none where they were not asked for.
    expected_samples : numpy.ndarray, shape (samples,)
        Losses expected in the four quarters given each sample of site effects and model, without a year-to-year error.
    whole_year : bool
        Whether the records of a year ago knew every calendar month.
    """

    site_quarters: pd.DataFrame
    totals: pd.DataFrame
    distributions: tuple[Distribution, ...]
    expected_samples: Array
    whole_year: bool

    @property
    def observed(self) -> int:
        """Covered losses that happened in the four quarters."""
        return int(self.totals["losses"].sum())

    @property
    def expected(self) -> float:
        """Covered losses that were to be expected."""
        return float(self.totals["expected"].sum())

    def ratio(self) -> tuple[float, float, float]:
        """Losses over those expected, with exact 95% limits; missing where nothing was expected.

        Returns
        -------
        estimate, low, high : float
        """
        value, low, high = (float(v[0]) for v in poisson_limits(self.observed))
        return tuple(v / self.expected if self.expected else np.nan for v in (value, low, high))  # type: ignore[return-value]


def back_test(
    records: Records,
    period: Period,
    terms: Terms,
    fitted: tuple[FittedHazards, Exits] | None = None,
    earlier: Sequence[BackTest] = (),
    after: PlantTime | None = None,
    with_distributions: bool = True,
) -> BackTest | None:
    """Test last year's quotes.

    Parameters
    ----------
    records : Records
    period : Period
        The last complete quarter.
    terms : Terms
        Covered and excluded causes, draws, seed, lead time.
    fitted : tuple of FittedHazards and Exits, optional
        What to quote from, where that is not these records a year ago.
    earlier : sequence of BackTest
        Those of the years before, from which the quotes of a year ago knew their year-to-year error.
    after : PlantTime, optional
        Dated "found", without the losses of events, that reaches the end of the period, if at hand.
    with_distributions : bool
        Whether each site is tested, and how losses may spread is worked out, too: the year-to-year error needs no more
        than what was expected of all and what came.

    Returns
    -------
    BackTest or None
        Over the four quarters up to the period; None where the records did not carry a quote at their beginning.

    Notes
    -----
    Only plants in place at the start, and their successors, count: plants of new positions were not quoted. Events that
    took plants together are in neither number: they have a hazard of their own (see `event_hazard`), and a year in
    which one happened tells nothing of others.
    """
    from plantstats.losses import ModelError  # noqa: PLC0415

    quarters = [*previous_quarters(period, QUARTERS - 1), period]
    cut = previous_quarters(quarters[0], 1)[0].last_day
    try:
        if fitted is None:
            fits = HazardFits.of(records, cut)
            time, model = fits.time, fits.under(terms.covered, terms.excluded)
            exits = fits.exits(terms.covered, terms.excluded)
        else:
            time, (model, exits) = exposure.build(records, cut, dated="found"), fitted
        plants = in_place(time)
        profiles, foreseen = _foreseen(plants, model, exits, terms, quarters)
    except (ModelError, RenewalError):
        # Too few losses a year ago for a model, or so few that anything was possible: nobody could have quoted on them.
        return None
    factor = learn_from(earlier, model).samples(terms.draws, terms.seed)
    after = after or ordinary(exposure.build(records, period.last_day, dated="found"))
    happened = _happened(records, plants, terms, after)
    rows, distributions = [], list[Distribution]()
    for quarter, expected in zip(quarters, np.moveaxis(foreseen * factor[:, None, None], 2, 0), strict=True):
        of_quarter = happened[happened["lost_on"].between(pd.Timestamp(quarter.start), pd.Timestamp(quarter.last_day))]
        for site in ["", *(sorted(profiles["site_id"].unique()) if with_distributions else ())]:
            at = np.flatnonzero(profiles["site_id"].eq(site)) if site else np.arange(len(profiles))
            quantity = profiles["quantity"].to_numpy()[at]
            # In one quarter a position is hardly ever replaced twice: its probability to be is its expected number.
            replaced = np.minimum(expected[:, at], 1.0)
            seen = of_quarter[of_quarter["site_id"].eq(site)] if site else of_quarter
            row = {
                "site_id": site,
                "period": quarter.name,
                "plants": int(quantity.sum()),
                "expected": float((replaced @ quantity).mean()),
                "losses": int(seen["quantity"].sum()),
            }
            if with_distributions:
                losses = total_cost(np.stack([1 - replaced, replaced], axis=-1), quantity, np.ones_like(quantity))[0]
                row |= {"low": losses.quantile(0.025), "high": losses.quantile(0.975)}
                row |= {f"point_{100 * q:.0f}": losses.quantile(q) for q in QUANTILES}
                row |= {f"chance_{100 * q:.0f}": losses.cdf(losses.quantile(q)) for q in QUANTILES}
                distributions += [losses] if site else []
            rows.append(row)
    table = pd.DataFrame(rows)
    of_site = table["site_id"].ne("")
    return BackTest(
        site_quarters=table[of_site].reset_index(drop=True),
        totals=table[~of_site].reset_index(drop=True),
        distributions=tuple(distributions),
        expected_samples=foreseen.sum(axis=2) @ profiles["quantity"].to_numpy(),
        whole_year=model.whole_year,
    )


def back_tests(
    records: Records, period: Period, terms: Terms, after: PlantTime | None = None, with_distributions: bool = True
) -> list[BackTest]:
    """Last year's quotes, and those of the years before as far as the records carried them, newest first.

    Parameters
    ----------
    records : Records
    period : Period
        The last complete quarter.
    terms : Terms
    after : PlantTime, optional
    with_distributions : bool
        As in `back_test`.

    Returns
    -------
    list of BackTest
        At most `YEARS`; each knew the year-to-year error that the ones before it tell of.
    """
    periods = [period]
    for _ in range(YEARS - 1):
        periods.append(previous_quarters(periods[-1], QUARTERS)[0])
    tests: list[BackTest] = []
    # One plant-time tells what came of all of them.
    after = after or ordinary(exposure.build(records, period.last_day, dated="found"))
    for one in reversed(periods):
        test = back_test(records, one, terms, earlier=tests, after=after, with_distributions=with_distributions)
        tests = [test, *tests] if test is not None else []
    return tests


def learn_from(tests: Sequence[BackTest], model: FittedHazards) -> YearError:
    """Year-to-year error of the company, from the years that records of whole years predicted.

    Parameters
    ----------
    tests : sequence of BackTest
        Of earlier years.
    model : FittedHazards
        The fitted model of hazards.

    Returns
    -------
    YearError
    """
    whole = [test for test in tests if test.whole_year]
    years = pd.DataFrame(
        {
            "period": [f"{test.totals['period'].iloc[0]} to {test.totals['period'].iloc[-1]}" for test in whole],
            "expected": [test.expected for test in whole],
            "observed": [test.observed for test in whole],
        }
    )
    return learn(years, [test.expected_samples for test in whole], model.losses_per_year)


def _foreseen(
    plants: pd.DataFrame, model: FittedHazards, exits: Exits, terms: Terms, quarters: list[Period]
) -> tuple[pd.DataFrame, Array]:
    """Profiles of plants (with quantity), and expected covered losses: samples x profiles x quarters."""
    start = quarters[0].start
    grid = monthly_grid(start, quarters[-1].end)
    days = grid.edges[:-1, None]
    begins, ends = np.array([[(one.start - start).days, (one.end - start).days] for one in quarters]).T
    parts = ((days >= begins) & (days < ends)).astype("float64")
    rows = plants.assign(planted=(plants["installed_on"] - pd.Timestamp(grid.starts_on)).dt.days.astype("float64"))
    profiles = rows.groupby([*PROFILE, "planted", "site_id"], dropna=False)["quantity"].sum().reset_index()
    hazards = model.for_lines(profiles, terms.draws, terms.seed)
    sites = sorted(profiles["site_id"].unique())
    effect = effects_of(model, hazards.frailty_variance, sites, terms.seed)
    site = profiles["site_id"].map({name: n for n, name in enumerate(sites)}).to_numpy()
    cohorts = Cohorts.over_term(grid, profiles["planted"].to_numpy(), site)
    samples = HazardSamples.of(hazards, effect, exits)
    return profiles, project(grid, cohorts, Cover(terms.lead_days), samples, parts, with_pmf=False).by_part


def _happened(records: Records, plants: pd.DataFrame, terms: Terms, after: PlantTime) -> pd.DataFrame:
    """Covered ordinary losses of the plants in place and their successors: site_id (of the start), lost_on."""
    lost = after.losses
    done = records.table("replacements").dropna(subset=["replaced_by"])
    # After a plant taken out alive the position was taken to end: what came then was not quoted.
    done = done[done["outcome"].ne("withdrawn")]
    done = done.drop_duplicates("replaced_by")
    before = dict(zip(done["replaced_by"], done["plant_id"], strict=True))
    site_of = dict(zip(plants["plant_id"], plants["site_id"], strict=True))

    def site_at_start(plant: str | None) -> str | None:
        for _ in range(MAX_CHAIN):
            if plant is None or plant in site_of:
                break
            plant = before.get(plant)
        return site_of.get(plant)

    lost = lost.assign(site_id=[site_at_start(plant) for plant in lost["plant_id"]])
    return lost[is_covered(lost["cause"], terms.covered, terms.excluded) & lost["site_id"].notna()]
