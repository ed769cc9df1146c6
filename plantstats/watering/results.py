"""The watering review as findings: every number that its page, sentences and charts show."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from plantstats.findings import define, finding
from plantstats.rates import loss_rate
from plantstats.watering import drying
from plantstats.watering.drying import LEVEL

if TYPE_CHECKING:
    from plantstats.watering.review import WateringReview

SITE_MEASURES = {
    "visit_saving": "saving",
    "visit_cost_now": "cost_now",
    "visit_cost_advised": "cost_advised",
}
TERM_WORDS = {"light": "medium", "pot": "15-24 cm", "planter": "direct"}
POSTERIOR = "posterior mode, assumption and records joined; compared within site, species, light and season"

define(
    dry_half="Days after watering until the topsoil of half of such plants is dry.",
    dry_80="Days after watering until the topsoil of 80 in 100 of such plants is dry.",
    look_every="Longest of the visit intervals offered, in days, at which no more waterings than the stated share "
    "would find such a plant too dry (0: none is short enough).",
    drying_ratio="How many times as long topsoil takes to dry as under the level named in the note, all else equal.",
    drying_shape="How alike drying times are under the same conditions: the shape of the fitted law (3: the slower "
    "tenth takes about three times as long as the quicker tenth).",
    misread_share="Looks in 100 that noted topsoil as dry that was not, or the reverse, as learned from the records.",
    over_dry_loss_ratio="Loss rate on days with topsoil left dry, divided by that on other days (1 = the same).",
    dry_half_if_misread="Days until half of the plants of all spells are dry, if so many looks were misread.",
    visit_cost="Cost of a site per quarter at a visit interval: visits, minutes at the plants, expected losses, and "
    "the fee for days on which plants stand too dry; in the company's currency.",
    visit_cost_now="Cost of a site per quarter at its present visit interval (see visit_cost).",
    visit_cost_advised="Cost of a site per quarter at the advised visit interval (see visit_cost).",
    visit_saving="What the cheapest allowed visit interval of a site saves per quarter against the present one.",
    visit_minutes_change="Minutes at the plants per quarter, advised less present.",
    too_dry_share="Waterings in 100 that would find a plant too dry at the present visit interval.",
    loss_rate_by_gap="Losses per 100 plant-years in the gaps between looks, by their length against the planned one "
    "(association, not cause).",
    yellow_by_gap="Yellow leaves per 100 plant-days in the gaps between looks, by their length against the planned one "
    "(association, not cause).",
)


def rows(review: WateringReview) -> pd.DataFrame:
    """All findings of the watering page."""
    return pd.DataFrame([*_situations(review), *_law(review), *_sites(review), *_gaps(review), *_sensitivity(review)])


def _method(fitted: drying.Drying) -> str:
    return f"interval-censored {fitted.law} law, clustered by site"


def _situations(review: WateringReview) -> list[dict[str, object]]:
    name, made = review.period.name, []
    for row in review.situations.to_dict("records"):
        by: dict[str, Any] = {key: row[key] for key in ("species", "light", "pot", "planter", "season")}
        fitted = review.learned.dryings.get(row["planter"] == "sub_irrigated") or next(
            iter(review.learned.dryings.values())
        )
        note = f"{row['spells']:,} spells of this kind, {row['species_spells']:,} of the species"
        for measure in ("dry_half", "dry_80"):
            made.append(
                finding(
                    measure,
                    name,
                    row[measure],
                    row[f"{measure}_low"],
                    row[f"{measure}_high"],
                    unit="days",
                    method=_method(fitted),
                    level=LEVEL,
                    note=note,
                    n_plants=None,
                    **by,
                )
            )
        made.append(finding("look_every", name, row["look_every"], unit="days", method="whole visits", note=note, **by))
    return made


def _law(review: WateringReview) -> list[dict[str, object]]:
    name, made, harm = review.period.name, [], review.learned.harm
    for kind, fitted in sorted(review.learned.dryings.items()):
        what = "reservoirs" if kind else "soil"
        of: dict[str, Any] = {"planter": "sub_irrigated"} if kind else {}
        se = np.sqrt(np.diag(fitted.covariance))
        reach = fitted.t * se[-2]
        note = f"{what}: {fitted.spells:,} spells, {fitted.clusters} sites"
        shape, logit = fitted.shape, fitted.estimate[-1]
        made.append(
            finding(
                "drying_shape",
                name,
                shape,
                shape * np.exp(-reach),
                shape * np.exp(reach),
                unit="shape",
                method=_method(fitted),
                level=LEVEL,
                note=note,
                **of,
            )
        )
        ends = 100 / (1 + np.exp(-(logit + np.array([-1, 1]) * fitted.t * se[-1])))
        made.append(
            finding(
                "misread_share",
                name,
                100 * fitted.misread,
                *ends,
                unit="%",
                method=_method(fitted),
                level=LEVEL,
                note=note,
                **of,
            )
        )
        if kind:
            continue
        for term, to in TERM_WORDS.items():
            levels = [level for t, level in fitted.names if t == term]
            made += [
                finding(
                    "drying_ratio",
                    name,
                    *fitted.ratio(term, level, to),
                    unit="ratio",
                    method=_method(fitted),
                    level=LEVEL,
                    note=f"against {to}",
                    **cast("dict[str, Any]", {term: level}),
                )
                for level in levels
                if to in levels and level != to
            ]
        if ("heating", "heating season") in fitted.names and ("heating", "rest of the year") in fitted.names:
            ratio = fitted.ratio("heating", "heating season", "rest of the year")
            made.append(
                finding(
                    "drying_ratio",
                    name,
                    *ratio,
                    unit="ratio",
                    method=_method(fitted),
                    level=LEVEL,
                    note="against the rest of the year",
                    season="heating season",
                )
            )
    alone = "the records alone cannot say" if np.isnan(harm.alone) else f"the records alone say {harm.alone:.2g}"
    made.append(
        finding(
            "over_dry_loss_ratio",
            name,
            harm.ratio,
            harm.low,
            harm.high,
            unit="ratio",
            method=POSTERIOR,
            level=LEVEL,
            losses=harm.losses,
            plant_days=harm.plant_days,
            note=alone,
        )
    )
    return made


def _sites(review: WateringReview) -> list[dict[str, object]]:
    name, made, currency = review.period.name, [], review.learned.price.currency
    method = "expected cost; limits from drying, loss rates and over-dry effect drawn together"
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
                level=LEVEL,
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
                level=LEVEL,
                n_plants=int(sizes[row["site_id"]]),
                site_id=row["site_id"],
                interval_days=row["interval_days"],
            )
        )
    return made


def _gaps(review: WateringReview) -> list[dict[str, object]]:
    name, made = review.period.name, []
    for row in review.by_gap.to_dict("records"):
        rate = loss_rate([row["losses"]], [row["plant_days"]])
        made.append(
            finding(
                "loss_rate_by_gap",
                name,
                rate.estimate[0],
                rate.low[0],
                rate.high[0],
                level=LEVEL,
                unit="per 100 plant-years",
                method="exact Poisson limits (Garwood 1936)",
                losses=int(row["losses"]),
                plant_days=row["plant_days"],
                note=f"{row['gaps']:,} gaps",
                term=f"{row['gap']} gap",
            )
        )
        if row["counted_days"] > 0:
            made.append(
                finding(
                    "yellow_by_gap",
                    name,
                    100 * row["yellow_leaves"] / row["counted_days"],
                    unit="per 100 plant-days",
                    method="count / days",
                    plant_days=row["counted_days"],
                    note=f"{row['yellow_leaves']:,} leaves counted, a minimum",
                    term=f"{row['gap']} gap",
                )
            )
    return made


def _sensitivity(review: WateringReview) -> list[dict[str, object]]:
    return [
        finding(
            "dry_half_if_misread",
            review.period.name,
            row["dry_half"],
            unit="days",
            method="share taken as known",
            note=f"shape {row['shape']:.2f}",
            term=f"{100 * row['misread']:.0f} in 100",
        )
        for row in review.sensitivity.to_dict("records")
        if not row["learned"]
    ]
