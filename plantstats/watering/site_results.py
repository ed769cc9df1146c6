"""The watering review as findings: costs and intervals of sites, what followed the last advice, gaps as they were."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from plantstats.findings import rows
from plantstats.stats.intervals import CONF_LEVEL
from plantstats.stats.rates import rate_ratio
from plantstats.watering.follow_up import FOLLOWED, NOT_FOLLOWED

if TYPE_CHECKING:
    from plantstats.watering.advice import Advice
    from plantstats.watering.review import WateringReview

SAMPLED = "expected cost; limits from drying, loss rates and over-dry effect drawn together"
EXACT = "exact Poisson limits (Garwood 1936)"
EXPECTED = "expected share"


def site_findings(review: WateringReview) -> list[pd.DataFrame]:
    """Findings about sites, each with the number of plants that it is about where it is about certain plants.

    Parameters
    ----------
    review : WateringReview
        As `review.review` gives it.

    Returns
    -------
    list of pandas.DataFrame
    """
    period, currency = review.period.name, review.model.price.currency
    return [
        *_sites(review.advice, period, currency),
        *_all_sites(review.advice, period, currency),
        *_followed_findings(review.followed, period),
        *_gaps(review.by_gap, period),
    ]


def _sites(advice: Advice, period: str, currency: str) -> list[pd.DataFrame]:
    sites = advice.sites.assign(
        n_plants=advice.sites["plants"],
        note=[
            f"now every {row.now} days, advised every {row.advised}: {row.reason}" for row in advice.sites.itertuples()
        ],
    )
    saving = {"estimate": sites["saving"], "low": sites["saving_low"], "high": sites["saving_high"]}
    money: dict[str, Any] = {"period": period, "unit": currency, "method": SAMPLED, "by": ["site_id"]}
    minutes = sites["minutes_advised"] - sites["minutes_now"]
    by_interval = advice.by_interval.assign(
        estimate=advice.by_interval["cost"],
        n_plants=advice.by_interval["site_id"].map(sites.set_index("site_id")["plants"]),
    )
    return [
        rows(sites, "visit_saving", conf_level=CONF_LEVEL, **money, **saving),
        rows(sites, "visit_cost_now", estimate=sites["cost_now"], **money),
        rows(sites, "visit_cost_advised", estimate=sites["cost_advised"], **money),
        rows(sites, "visit_minutes_change", estimate=minutes, **{**money, "unit": "minutes"}),
        rows(sites, "too_dry_share", estimate=100 * sites["too_dry_now"], **{**money, "unit": "%", "method": EXPECTED}),
        rows(
            sites,
            "too_dry_share_advised",
            estimate=100 * sites["too_dry_advised"],
            **{**money, "unit": "%", "method": EXPECTED},
        ),
        rows(by_interval, "visit_cost", conf_level=CONF_LEVEL, **{**money, "by": ["site_id", "interval_days"]}),
    ]


def _all_sites(advice: Advice, period: str, currency: str) -> list[pd.DataFrame]:
    totals = advice.totals.drop(columns="losses").assign(  # money, not a count
        term=advice.totals["scenario"],
        estimate=advice.totals["cost"],
        n_plants=int(advice.sites["plants"].sum()),
        note=[f"{visits:.0f} visits" for visits in advice.totals["visits"]],
    )
    common: dict[str, Any] = {"period": period, "by": ["term"]}
    shares = totals.drop(columns=["low", "high", "note"])
    return [
        rows(totals, "cost_of_all_sites", unit=currency, method=SAMPLED, conf_level=CONF_LEVEL, **common),
        rows(shares, "too_dry_of_all_sites", unit="%", method=EXPECTED, estimate=100 * totals["too_dry"], **common),
    ]


def _loss_rates(table: pd.DataFrame, measure: str, period: str) -> pd.DataFrame:
    """Loss rates of some plant-days, with their exact limits."""
    limits = {name: table[column] for name, column in _limits("loss_rate").items()}
    return rows(
        table,
        measure,
        period=period,
        unit="per 100 plant-years",
        method=EXACT,
        by=["term"],
        conf_level=CONF_LEVEL,
        **limits,
    )


def _limits(name: str) -> dict[str, str]:
    return {"estimate": name, "low": f"{name}_low", "high": f"{name}_high"}


def _followed_findings(followed: pd.DataFrame, period: str) -> list[pd.DataFrame]:
    """Loss rates since the last advice, and their ratio between sites that followed it and those that did not."""
    groups = followed[followed["plant_days"] > 0]
    notes = [f"{sites:,} sites" for sites in groups["sites"]]
    groups = groups.assign(term=groups["group"], n_plants=groups["plants"], note=notes)
    parts = [_loss_rates(groups, "loss_rate_since_advice", period)]
    one, other = (followed.set_index("group").loc[group] for group in (FOLLOWED, NOT_FOLLOWED))
    ratio = rate_ratio(int(one["losses"]), one["plant_days"], int(other["losses"]), other["plant_days"])
    if np.isfinite(ratio.low):
        row = {
            **dict(zip(("estimate", "low", "high"), ratio[:3], strict=True)),
            **{name: one[name] + other[name] for name in ("losses", "plant_days")},
            "n_plants": one["plants"] + other["plants"],
        }
        method = "conditional binomial limits (Clopper and Pearson 1934)"
        part = rows(
            pd.DataFrame([row]),
            "loss_ratio_followed",
            period=period,
            unit="ratio",
            method=method,
            conf_level=CONF_LEVEL,
        )
        parts.append(part)
    return parts


def _gaps(by_gap: pd.DataFrame, period: str) -> list[pd.DataFrame]:
    gaps = by_gap.assign(term=by_gap["gap"].astype("str") + " gap")
    losses = gaps.assign(note=[f"{number:,} gaps" for number in gaps["gaps"]])
    parts = [_loss_rates(losses, "loss_rate_by_gap", period)]
    for leaf in ("yellow", "green"):
        counted = gaps[gaps[f"{leaf}_days"] > 0].drop(columns=["losses"])
        limits = {name: counted[column] for name, column in _limits(f"{leaf}_rate").items()}
        parts.append(
            rows(
                counted.assign(
                    plant_days=counted[f"{leaf}_days"],
                    note=[f"{number:,} leaves counted, a minimum" for number in counted[leaf]],
                ),
                f"{leaf}_by_gap",
                period=period,
                unit="per 100 plant-days",
                method="count / days, limits by the spread between sites",
                by=["term"],
                conf_level=CONF_LEVEL,
                **limits,
            )
        )
    return parts
