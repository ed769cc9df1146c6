"""The watering review as findings: costs and intervals of sites, what followed the last advice, gaps as they were."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from plantstats.findings import define, finding
from plantstats.stats.intervals import CONF_LEVEL
from plantstats.stats.rates import rate_ratio
from plantstats.watering.observed import FOLLOWED, NOT_FOLLOWED

if TYPE_CHECKING:
    from plantstats.watering.review import WateringReview

SITE_MEASURES = {"visit_saving": "saving", "visit_cost_now": "cost_now", "visit_cost_advised": "cost_advised"}
DRAWN = "expected cost; limits from drying, loss rates and over-dry effect drawn together"
EXACT = "exact Poisson limits (Garwood 1936)"

define(
    visit_cost="Cost of a site per quarter at a visit interval: visits, minutes at the plants, expected losses, and "
    "the fee for days on which plants stand too dry, dropped leaves where they have a price; in the company's money.",
    visit_cost_now="Cost of a site per quarter at its present visit interval (see visit_cost).",
    visit_cost_advised="Cost of a site per quarter at the advised visit interval (see visit_cost).",
    visit_saving="What the cheapest allowed visit interval of a site saves per quarter against the present one.",
    visit_minutes_change="Minutes at the plants per quarter, advised less present.",
    too_dry_share="Waterings in 100 that would find a plant too dry at the present visit interval.",
    loss_rate_by_gap="Losses per 100 plant-years in the gaps between looks, by their length against the planned one "
    "(association, not cause).",
    yellow_by_gap="Yellow leaves per 100 plant-days in the gaps between looks, by their length against the planned one "
    "(association, not cause).",
    green_by_gap="Green leaves dropped per 100 plant-days in the gaps between looks, by their length against the "
    "planned one (association, not cause).",
    cost_of_all_sites="Cost of all sites together per quarter, visited in one way (see visit_cost).",
    too_dry_of_all_sites="Waterings in 100 that would find a plant too dry, all sites together, visited in one way.",
    loss_rate_since_advice="Losses per 100 plant-years since the advice of a quarter ago, of sites that followed it "
    "and of others (association, not cause).",
    loss_ratio_followed="Loss rate of sites that followed the advice of a quarter ago, divided by that of sites that "
    "were advised a change and did not make it (association, not cause).",
)


def rows(review: WateringReview) -> list[dict[str, object]]:
    """Findings about sites, as `findings.finding` makes them."""
    return [*_sites(review), *_all_sites(review), *_followed(review), *_gaps(review)]


def _sites(review: WateringReview) -> list[dict[str, object]]:
    name, made, currency = review.period.name, [], review.learned.price.currency
    method = DRAWN
    for row in review.advice.sites.to_dict("records"):
        by: dict[str, Any] = {"site_id": row["site_id"], "n_plants": row["plants"]}
        note = f"now every {row['now']} days, cheapest every {row['cheapest']}, advised: {row['decision']}"
        made.append(
            finding(
                "visit_saving",
                name,
                row["saving"],
                row["saving_low"],
                row["saving_high"],
                unit=currency,
                method=method,
                level=CONF_LEVEL,
                note=note,
                **by,
            )
        )
        for measure in ("visit_cost_now", "visit_cost_advised"):
            made.append(
                finding(measure, name, row[SITE_MEASURES[measure]], unit=currency, method=method, note=note, **by)
            )
        made.append(
            finding(
                "visit_minutes_change",
                name,
                row["minutes_advised"] - row["minutes_now"],
                unit="minutes",
                method=method,
                note=note,
                **by,
            )
        )
        made.append(
            finding("too_dry_share", name, 100 * row["too_dry_now"], unit="%", method="expected share", note=note, **by)
        )
    sizes = review.advice.sites.set_index("site_id")["plants"]
    for row in review.advice.money.to_dict("records"):
        made.append(
            finding(
                "visit_cost",
                name,
                row["cost"],
                row["low"],
                row["high"],
                unit=currency,
                method=method,
                level=CONF_LEVEL,
                n_plants=int(sizes[row["site_id"]]),
                site_id=row["site_id"],
                interval_days=row["interval_days"],
            )
        )
    return made


def _all_sites(review: WateringReview) -> list[dict[str, object]]:
    name, made = review.period.name, []
    number = int(review.advice.sites["plants"].sum())
    for row in review.advice.totals.to_dict("records"):
        made.append(
            finding(
                "cost_of_all_sites",
                name,
                row["cost"],
                row["low"],
                row["high"],
                unit=review.learned.price.currency,
                method=DRAWN,
                level=CONF_LEVEL,
                n_plants=number,
                note=f"{row['visits']:.0f} visits",
                term=row["way"],
            )
        )
        made.append(
            finding(
                "too_dry_of_all_sites",
                name,
                100 * row["too_dry"],
                unit="%",
                method="expected share",
                n_plants=number,
                term=row["way"],
            )
        )
    return made


def _rate(measure: str, period: str, row: Mapping[Hashable, Any], note: str, term: str) -> dict[str, object]:
    """A loss rate of some plant-days, with its exact limits."""
    return finding(
        measure,
        period,
        row["loss_rate"],
        row["loss_rate_low"],
        row["loss_rate_high"],
        level=CONF_LEVEL,
        unit="per 100 plant-years",
        method=EXACT,
        losses=int(row["losses"]),
        plant_days=row["plant_days"],
        note=note,
        term=term,
    )


def _followed(review: WateringReview) -> list[dict[str, object]]:
    name = review.period.name
    made = [
        _rate("loss_rate_since_advice", name, row, f"{row['sites']:,} sites", row["group"])
        for row in review.followed.to_dict("records")
        if row["plant_days"] > 0
    ]
    by = review.followed.set_index("group")
    one, other = by.loc[FOLLOWED], by.loc[NOT_FOLLOWED]
    ratio = rate_ratio(int(one["losses"]), one["plant_days"], int(other["losses"]), other["plant_days"])
    if np.isfinite(ratio.low):
        made.append(
            finding(
                "loss_ratio_followed",
                name,
                *ratio[:3],
                unit="ratio",
                method="conditional binomial limits (Clopper and Pearson 1934)",
                level=CONF_LEVEL,
                losses=int(one["losses"] + other["losses"]),
                plant_days=one["plant_days"] + other["plant_days"],
            )
        )
    return made


def _gaps(review: WateringReview) -> list[dict[str, object]]:
    name, made = review.period.name, []
    for row in review.by_gap.to_dict("records"):
        made.append(_rate("loss_rate_by_gap", name, row, f"{row['gaps']:,} gaps", f"{row['gap']} gap"))
        for leaf in ("yellow", "green"):
            if row[f"{leaf}_days"] > 0:
                made.append(
                    finding(
                        f"{leaf}_by_gap",
                        name,
                        row[f"{leaf}_rate"],
                        row[f"{leaf}_rate_low"],
                        row[f"{leaf}_rate_high"],
                        level=CONF_LEVEL,
                        unit="per 100 plant-days",
                        method="count / days, limits by the spread between sites",
                        plant_days=row[f"{leaf}_days"],
                        note=f"{row[leaf]:,} leaves counted, a minimum",
                        term=f"{row['gap']} gap",
                    )
                )
    return made
