"""The watering review as findings: what was learned about drying and its harm, and the advice by kind of plant."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, cast

import numpy as np
import pandas as pd

from plantstats.findings import define, finding
from plantstats.stats.intervals import CONF_LEVEL
from plantstats.watering import drying, site_results

if TYPE_CHECKING:
    from plantstats.watering.review import WateringReview

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
    leaf_drop_ratio="Green leaves dropped a day with topsoil left dry, divided by those of other days (1 = the same).",
)


def rows(review: WateringReview) -> pd.DataFrame:
    """All findings of the watering page."""
    return pd.DataFrame(
        [*_situations(review), *_law(review), *_leaves(review), *site_results.rows(review), *_sensitivity(review)]
    )


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
                    level=CONF_LEVEL,
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
                level=CONF_LEVEL,
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
                level=CONF_LEVEL,
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
                    level=CONF_LEVEL,
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
                    level=CONF_LEVEL,
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
            level=CONF_LEVEL,
            losses=harm.losses,
            plant_days=harm.plant_days,
            note=alone,
        )
    )
    return made


def _leaves(review: WateringReview) -> list[dict[str, object]]:
    told = review.learned.leaves
    if told is None:
        return []
    row = finding(
        "leaf_drop_ratio",
        review.period.name,
        told.ratio,
        told.low,
        told.high,
        unit="ratio",
        method="conditional Poisson score within site, species, light and season; sandwich over sites",
        level=CONF_LEVEL,
        plant_days=told.plant_days,
        note=f"{told.leaves:,} leaves at {told.sites} sites",
    )
    return [row]


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
