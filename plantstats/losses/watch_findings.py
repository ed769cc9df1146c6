"""How the watch list would have fared, and the list as findings."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import stats

from plantstats import findings, periods
from plantstats.losses import ModelError
from plantstats.losses.watch_list import CONDITION_PRIOR, PAST_LISTS, Watch, lost_within, watch
from plantstats.stats import intervals, rates

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.periods import Period
    from plantstats.records import Records

METHOD = "loss model x site effect x condition score, losses found within 90 days"

findings.define(
    watch_chance="Chance in 100 that a plant is found lost within 90 days, given its conditions, its site's past and "
    "its last condition score; beside it the plants that stand at its site, and what raises the chance "
    "above that of the average plant, how many times (95% interval).",
    watch_site="Losses expected to be found within 90 days at a site.",
    watch_concordance="Of 100 pairs of a plant that was lost within 90 days and one that was not, those in which the "
    "list gave the lost one the higher chance (50 = no better than drawing lots).",
    watch_calibration="Losses found within 90 days divided by those the list expected, by fifth of plants from lowest "
    "to highest chance (1 = as expected).",
    condition_ratio="Losses within 90 days of plants with a condition score, divided by those expected without knowing "
    "the score.",
)


def back_test(
    records: Records,
    last: Period,
    after: PlantTime,
    species: pd.DataFrame | None = None,
    built: dict[date, pd.DataFrame] | None = None,
) -> pd.DataFrame:
    """How the list would have fared on the last four quarters, each time from what was known at its start.

    Takes:  records; last: the last complete quarter; after: plant-time that reaches its end, dated "found"; species;
            built as in `watch`.
    Gives:  one row per plant and quarter: quarter, plant_id, site_id, plants, expected (losses), lost. A quarter before
            which the records carry no model is left out.
    """
    quarters = [*periods.previous_quarters(last, PAST_LISTS - 1), last]
    built = {} if built is None else built
    tested: list[pd.DataFrame] = []
    for quarter in quarters:
        start = quarter.start - timedelta(days=1)
        try:
            made = watch(records, start, species, built)
        except ModelError:
            continue
        plants = made.plants
        tested.append(
            pd.DataFrame(
                {
                    "quarter": quarter.name,
                    "plant_id": plants["plant_id"],
                    "site_id": plants["site_id"],
                    "plants": plants["plants"],
                    "expected": plants["expected"] * plants["plants"],
                    "lost": plants["plant_id"].map(lost_within(after, start)).fillna(0.0),
                }
            )
        )
    columns = ["quarter", "plant_id", "site_id", "plants", "expected", "lost"]
    return pd.concat(tested, ignore_index=True) if tested else pd.DataFrame(columns=columns)


def concordance(expected: pd.Series, lost: pd.Series, level: float = intervals.CONF_LEVEL) -> intervals.Interval:
    """Chance in 100 that a lost plant had been given more than one that was not.

    Takes:  expected and lost (0 or more), in step; level.
    Gives:  Interval in percent; missing without both kinds.
    Source: Mann-Whitney probability with ties halved; its variance by DeLong et al. 1988, limits on the logit scale.
    """
    gone = (lost > 0).to_numpy()
    high, low = expected.to_numpy("float64")[gone], expected.to_numpy("float64")[~gone]
    if len(high) < 2 or len(low) < 2:
        none = np.array([np.nan])
        return intervals.Interval(none, none, none)
    everyone = stats.rankdata(np.concatenate([high, low]))
    of_high = (everyone[: len(high)] - stats.rankdata(high)) / len(low)
    of_low = 1 - (everyone[len(high) :] - stats.rankdata(low)) / len(high)
    middle = float(of_high.mean())
    error = np.sqrt(of_high.var(ddof=1) / len(high) + of_low.var(ddof=1) / len(low))
    inside = np.clip(middle, 1e-6, 1 - 1e-6)
    reach = stats.norm.isf((1 - level) / 2) * error / (inside * (1 - inside))
    ends = 1 / (1 + np.exp(-(np.log(inside / (1 - inside)) + np.array([-reach, reach]))))
    return intervals.Interval(*(np.array([100 * v]) for v in (middle, min(ends[0], middle), max(ends[1], middle))))


def watch_findings(made: Watch, tested: pd.DataFrame, period: str, top: int = 20) -> pd.DataFrame:
    """The list and its back-test as findings.

    Takes:  made by `watch`; tested by `back_test`; period: name of the 90 days ahead; top: plants and sites listed.
    Gives:  findings: watch_chance by plant_id, site_id, species (reasons in the note), watch_site by site_id,
            condition_ratio by term, watch_concordance and watch_calibration (by quarter; over all; by fifth).
    """
    rows = [*_plants_and_sites(made, period, top), *_ratios(made, period)]
    if not tested.empty:
        span = f"{tested['quarter'].iloc[0]} to {tested['quarter'].iloc[-1]}"
        for name, part in [*tested.groupby("quarter"), (span, tested)]:
            rows.append(_discrimination(part, str(name)))
            rows.append(_ratio(part, str(name)))
        order = tested["expected"].rank(method="first").astype("int64")
        fifth = 5 * (order - 1) // len(tested) + 1
        rows += [_ratio(part, span, term=f"fifth {n} of 5") for n, part in tested.groupby(fifth)]
    return findings.table(
        {(r["measure"], r["period"], r.get("term"), r.get("plant_id"), r.get("site_id")): r for r in rows}.values()
    )


def _plants_and_sites(made: Watch, period: str, top: int) -> list[dict[str, Any]]:
    rows = []
    there = made.plants.groupby("site_id")["plants"].sum()
    for row in made.plants.head(top).to_dict("records"):
        chance = [-100 * np.expm1(-row[c]) for c in ("expected", "low", "high")]
        rows.append(
            findings.finding(
                "watch_chance",
                period,
                *chance,
                unit="% in 90 days",
                method=METHOD,
                level=intervals.CONF_LEVEL,
                n_plants=int(there[row["site_id"]]),
                note=row["reasons"],
                plant_id=row["plant_id"],
                site_id=row["site_id"],
                species=row["species"],
            )
        )
    plants = made.plants
    numbers = plants[["expected", "low", "high"]].mul(plants["plants"], axis=0).assign(n=plants["plants"])
    # Limits of the plants of one site move together: adding them is cautious.
    sites = numbers.groupby(plants["site_id"]).sum().sort_values("expected", ascending=False).head(top)
    rows += [
        findings.finding(
            "watch_site",
            period,
            row["expected"],
            row["low"],
            row["high"],
            unit="losses in 90 days",
            method=METHOD,
            n_plants=int(row["n"]),
            level=intervals.CONF_LEVEL,
            site_id=site,
        )
        for site, row in sites.iterrows()
    ]
    return rows


def _ratios(made: Watch, period: str) -> list[dict[str, Any]]:
    rows = []
    for row in made.conditions.to_dict("records"):
        reach = np.exp(stats.norm.isf((1 - intervals.CONF_LEVEL) / 2) * np.sqrt(row["variance"]))
        rows.append(
            findings.finding(
                "condition_ratio",
                period,
                row["ratio"],
                row["ratio"] / reach,
                row["ratio"] * reach,
                unit="times",
                method=f"observed / expected, drawn to 1 by {CONDITION_PRIOR:g} imagined loss",
                losses=int(row["losses"]),
                level=intervals.CONF_LEVEL,
                term=f"condition {row['condition']}",
                note=f"{row['expected']:.1f} expected",
            )
        )
    return rows


def _discrimination(part: pd.DataFrame, period: str) -> dict[str, Any]:
    told = concordance(part["expected"], part["lost"])
    return findings.finding(
        "watch_concordance",
        period,
        *(float(v[0]) for v in told),
        unit="% of pairs",
        method="DeLong et al. 1988",
        n_plants=int(part["plants"].sum()),
        losses=int(part["lost"].sum()),
        level=intervals.CONF_LEVEL,
        note="" if np.isfinite(told.estimate[0]) else "not available: fewer than two lost or kept",
    )


def _ratio(part: pd.DataFrame, period: str, **group: Any) -> dict[str, Any]:
    expected = float(part["expected"].sum())
    exact = intervals.poisson_limits([part["lost"].sum()])
    ends = [float(v[0]) / expected if expected > 0 else np.nan for v in exact]
    return findings.finding(
        "watch_calibration",
        period,
        *ends,
        unit="ratio",
        method=rates.EXACT,
        n_plants=int(part["plants"].sum()),
        losses=int(part["lost"].sum()),
        level=intervals.CONF_LEVEL,
        note=f"{expected:.1f} expected" if expected > 0 else "not available: nothing expected",
        **group,
    )
