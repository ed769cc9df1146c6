"""What quotes made a year ago said about the plants then in place, against what happened."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from plantstats import exposure, findings
from plantstats.exposure import pot_class
from plantstats.guarantee import spread
from plantstats.guarantee.from_records import FittedLosses, fit_losses
from plantstats.guarantee.grid import Array, Grid, grid
from plantstats.guarantee.hazards import CLASS, covered_share, effects_of
from plantstats.guarantee.in_force import alive_on, places_on
from plantstats.guarantee.outlook import Drawn, Plants, Promise, look_ahead
from plantstats.guarantee.renewal import RenewalError
from plantstats.guarantee.terms import Terms
from plantstats.periods import Period, previous_quarters
from plantstats.stats import intervals

if TYPE_CHECKING:
    from plantstats.records import Records

QUARTERS = 4
LEVELS = (0.80, 0.95)
MOST_CHAIN = 50  # successors of one place within the quarters tested
METHOD = "quote of a year ago for the plants then in place"

findings.define(
    back_test_expected="Covered losses that the records of a year ago led to expect in the quarter, for the plants "
    "then in place and those that followed them; the interval holds 95 in 100 outcomes.",
    back_test_observed="Covered losses that happened to those plants in the quarter.",
    back_test_ratio="Covered losses that happened, divided by those that were expected (1 = as expected).",
    back_test_held="Site-quarters in 100 in which the losses stayed within the point named in `term`.",
    back_test_held_expected="Site-quarters in 100 in which they should have: counts are whole, so that this lies above "
    "the point's own percentage.",
)


@dataclass(frozen=True)
class BackTest:
    """cells: one row per site and quarter: site_id, period, plants, expected, point_80, point_95, losses, and the
    chance to stay within each point; totals: the same per quarter for all sites; distributions of the cells, in step.
    """

    cells: pd.DataFrame
    totals: pd.DataFrame
    distributions: tuple[spread.Spread, ...]

    def findings(self) -> pd.DataFrame:
        """All results of the back-test."""
        return findings.table(_findings(self))


def back_test(
    records: Records, period: Period, terms: Terms, fitted: tuple[FittedLosses, exposure.PlantTime] | None = None
) -> BackTest | None:
    """Test last year's quotes.

    Takes:  records; period: the last complete quarter; terms (covered and excluded causes, draws, seed, lead time);
            fitted: what to quote from, where that is not these records a year ago (`from_records.fit_losses`).
    Gives:  BackTest over the four quarters up to the period, or None where the records did not carry a quote at
            their beginning.
    Keeps:  only plants in place at the start, and their successors, count: plants of new positions were not quoted.
    """
    quarters = [*previous_quarters(period, QUARTERS - 1), period]
    cut_day = previous_quarters(quarters[0], 1)[0].last_day
    from plantstats.losses import ModelError  # noqa: PLC0415

    try:
        model, time = fitted or fit_losses(records, cut_day)
    except ModelError:
        return None
    here = time if fitted is None else exposure.build(records, cut_day, dated="found")
    plants = _in_place(records, here, cut_day)
    start = quarters[0].start
    cut = grid(start, period.end)
    inside = [
        (cut.edges[:-1] >= (quarter.start - start).days) & (cut.edges[:-1] < (quarter.end - start).days)
        for quarter in quarters
    ]
    try:
        kinds, foreseen = _foreseen(plants, model, time, terms, cut, np.array(inside, dtype="float64").T)
    except RenewalError:
        # So few losses a year ago that anything was possible: nobody could have quoted on them.
        return None
    happened = _happened(records, plants, terms, period)
    rows, laws = [], []
    for number, quarter in enumerate(quarters):
        # In one quarter a position is hardly ever replaced twice: its chance to be is its expected number.
        expected = np.minimum(foreseen[:, :, number], 1.0)
        of_quarter = happened[happened["lost_on"].between(pd.Timestamp(quarter.start), pd.Timestamp(quarter.last_day))]
        for site in ["", *sorted(kinds["site_id"].unique())]:
            at = np.flatnonzero(kinds["site_id"].eq(site)) if site else np.arange(len(kinds))
            chance = np.stack([1 - expected[:, at], expected[:, at]], axis=-1)
            quantity = kinds["quantity"].to_numpy()[at]
            law = spread.total(chance, quantity, np.ones(len(at), dtype="int64"))[0]
            seen = of_quarter if not site else of_quarter[of_quarter["site_id"].eq(site)]
            rows.append(
                {
                    "site_id": site,
                    "period": quarter.name,
                    "plants": int(quantity.sum()),
                    "expected": law.mean,
                    "low": law.point(0.025),
                    "high": law.point(0.975),
                    "losses": int(seen["quantity"].sum()),
                    **{f"point_{100 * p:.0f}": law.point(p) for p in LEVELS},
                    **{f"chance_{100 * p:.0f}": law.within(law.point(p)) for p in LEVELS},
                }
            )
            laws.append(law)
    table = pd.DataFrame(rows)
    by_site = table["site_id"].ne("")
    return BackTest(
        table[by_site].reset_index(drop=True),
        table[~by_site].reset_index(drop=True),
        tuple(law for law, one in zip(laws, by_site, strict=True) if one),
    )


def calibration(test: BackTest) -> pd.DataFrame:
    """How often losses stayed within each point, against how often they should have.

    Gives:  one row per point from 5 to 95%: point, stated, held, low and high (shares of site-quarters in percent;
            exact binomial limits, a little too narrow because the quarters of one site are not independent).
    """
    rows = []
    for share in np.arange(0.05, 0.96, 0.05):
        points = np.array([law.point(float(share)) for law in test.distributions])
        stated = np.mean([law.within(p) for law, p in zip(test.distributions, points, strict=True)])
        held = test.cells["losses"].to_numpy() <= points
        low, high = _binomial(int(held.sum()), len(held))
        rows.append(
            {
                "point": 100 * float(share),
                "stated": 100 * float(stated),
                "held": 100 * float(held.mean()),
                "low": low,
                "high": high,
            }
        )
    return pd.DataFrame(rows)


def _in_place(records: Records, time: exposure.PlantTime, day: date) -> pd.DataFrame:
    plants = records.table("plants")
    alive = alive_on(plants, time, day)
    here = places_on(plants[alive > 0].assign(quantity=alive), records, time, day)
    return here.assign(
        pot=pot_class(here["pot_cm"]), light=here["light"].fillna("unknown"), planter=here["planter"].fillna("unknown")
    )


def _foreseen(
    plants: pd.DataFrame, model: FittedLosses, time: exposure.PlantTime, terms: Terms, cut: Grid, parts: Array
) -> tuple[pd.DataFrame, Array]:
    """Kinds of plants (with quantity), and expected covered losses: draws x kinds x parts of the steps."""
    rows = plants.assign(planted=(plants["installed_on"] - pd.Timestamp(cut.starts_on)).dt.days.astype("float64"))
    kinds = rows.groupby([*CLASS, "planted", "site_id"], dropna=False)["quantity"].sum().reset_index()
    hazards = model.for_lines(kinds, terms.draws, terms.seed)
    sites = sorted(kinds["site_id"].unique())
    effect = effects_of(model, hazards.site_variance, sites, terms.seed)
    share, _ = covered_share(time.losses, terms.covered, terms.excluded, terms.draws, terms.seed)
    whole = time.cells([]).iloc[0]
    n = len(kinds)
    who = Plants(
        kinds["planted"].to_numpy(),
        np.zeros(n),
        np.full(n, cut.edges[-1]),
        kinds["site_id"].map({name: k for k, name in enumerate(sites)}).to_numpy(),
    )
    drawn = Drawn(
        hazards.age_cuts,
        hazards.drawn_level,
        hazards.drawn_shape,
        effect,
        share,
        float(whole["client_exits"] / whole["plant_days"]),
        float(whole["withdrawn"] / whole["plant_days"]),
    )
    return kinds, look_ahead(cut, who, Promise(terms.lead_days), drawn, parts).by_part


def _happened(records: Records, plants: pd.DataFrame, terms: Terms, period: Period) -> pd.DataFrame:
    """Covered losses after the start of the plants in place and their successors: site_id (of the start), lost_on."""
    later = exposure.build(records, period.last_day, dated="found")
    lost = later.losses
    cause = lost["cause"].fillna("unknown")
    counted = ~cause.isin(terms.excluded) & (cause.isin(terms.covered) if terms.covered else True)
    done = records.table("replacements").dropna(subset=["replaced_by"])
    # After a plant taken out alive the position was taken to end: what came then was not quoted.
    done = done[done["outcome"].ne("withdrawn")]
    follows = done.set_index("replaced_by")["plant_id"]
    follows = follows[~follows.index.duplicated()]
    site_of = plants.set_index("plant_id")["site_id"]
    root = lost["plant_id"].copy()
    for _ in range(MOST_CHAIN):
        step = root.where(root.isin(site_of.index), root.map(follows))
        if step.equals(root):
            break
        root = step
    made = lost.assign(site_id=root.map(site_of))
    return made[counted & made["site_id"].notna()]


def _findings(test: BackTest) -> list[dict[str, object]]:
    rows: list[dict[str, object]] = []
    for row in test.totals.to_dict("records"):
        given: dict[str, Any] = {"unit": "losses", "method": METHOD, "n_plants": row["plants"]}
        mean = row["expected"]
        rows.append(
            findings.finding(
                "back_test_expected",
                row["period"],
                mean,
                min(row["low"], mean),
                max(row["high"], mean),
                level=0.95,
                **given,
            )
        )
        rows.append(
            findings.finding("back_test_observed", row["period"], float(row["losses"]), losses=row["losses"], **given)
        )
    seen, expected = int(test.totals["losses"].sum()), float(test.totals["expected"].sum())
    span = f"{test.totals['period'].iloc[0]} to {test.totals['period'].iloc[-1]}"
    rows.append(
        findings.finding(
            "back_test_ratio",
            span,
            *ratio(test),
            unit="ratio",
            method="exact Poisson limits of the losses",
            losses=seen,
            level=0.95,
            note="" if expected else "not available: nothing was expected",
        )
    )
    for p in LEVELS:
        held = test.cells["losses"] <= test.cells[f"point_{100 * p:.0f}"]
        low, high = _binomial(int(held.sum()), len(held))
        rows.append(
            findings.finding(
                "back_test_held",
                span,
                100 * float(held.mean()),
                low,
                high,
                unit="% of site-quarters",
                level=0.95,
                method="exact binomial limits (Clopper and Pearson 1934)",
                term=f"{100 * p:.0f}%",
                note=f"{int(held.sum())} of {len(held)}; the quarters of one site are not independent",
            )
        )
        rows.append(
            findings.finding(
                "back_test_held_expected",
                span,
                100 * float(test.cells[f"chance_{100 * p:.0f}"].mean()),
                unit="% of site-quarters",
                method=METHOD,
                term=f"{100 * p:.0f}%",
            )
        )
    return rows


def ratio(test: BackTest) -> tuple[float, float, float]:
    """Losses over those expected, with exact 95% limits; missing where nothing was expected."""
    expected = float(test.totals["expected"].sum())
    limits = intervals.poisson_limits(int(test.totals["losses"].sum()))
    value, low, high = (float(v[0]) / expected if expected else np.nan for v in limits)
    return value, low, high


def _binomial(hits: int, n: int) -> tuple[float, float]:
    low, high = intervals.binomial_limits(hits, n)
    return 100 * low, 100 * high
