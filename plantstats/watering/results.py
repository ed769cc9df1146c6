"""The watering review as findings: what was learned about drying and droughts, and days until dry by profile."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import special

from plantstats.findings import rows
from plantstats.stats.intervals import CONF_LEVEL
from plantstats.watering import site_results
from plantstats.watering.design import SEASONS
from plantstats.watering.drying import DryingModel
from plantstats.watering.fit import RESERVOIR
from plantstats.watering.profiles import BY

if TYPE_CHECKING:
    from plantstats.watering.review import WateringReview

REFERENCE = {"light": "medium", "pot": "15-24 cm", "planter": "direct"}
POSTERIOR = "posterior mode, assumption and records joined; compared within site, species, light and season"
PLANTS = """
    select distinct d.plant_id, d.species, d.light, d.pot, d.planter, d.heating, greatest(f.n_listed, 1)::bigint as n
    from dry_downs d join follow f on f.plant_id = d.plant_id where d.exclusion_reason is null
    order by all"""


def review_findings(review: WateringReview) -> pd.DataFrame:
    """Findings of the watering page, for `findings.table`.

    Parameters
    ----------
    review : WateringReview
        As `review.review` gives it.

    Returns
    -------
    pandas.DataFrame

    Notes
    -----
    Findings of one site, or of one kind of plants, carry the number of plants that they are about, so that
    `findings.for_display` can withhold those of small groups: of profiles, the larger of the plants whose dry-downs
    were recorded and of those that stand.
    """
    plants = review.model.dry_downs.sql(PLANTS)
    parts = [
        _profiles(review, plants),
        *_drying(review),
        *_ratios(review, plants),
        _drought(review),
        _leaf_drop(review),
    ]
    return pd.concat([*parts, *site_results.site_findings(review), _sensitivity(review)], ignore_index=True)


def _method(fitted: DryingModel) -> str:
    return f"interval-censored {fitted.family} law, clustered by site"


def _profiles(review: WateringReview, plants: pd.DataFrame) -> pd.DataFrame:
    table, drying, by = review.profiles, review.model.drying, [*BY, "season"]
    of_kinds = plants.drop_duplicates(["plant_id", *BY]).groupby(BY)["n"].sum()
    recorded = of_kinds.reindex(pd.MultiIndex.from_frame(table[BY])).fillna(0).to_numpy()
    notes = [
        f"{own:,} spells of this kind, {all_of_it:,} of the species"
        for own, all_of_it in zip(table["dry_downs"], table["species_dry_downs"], strict=True)
    ]
    table = table.assign(n_plants=np.maximum(recorded, table["plants"]).astype(int), note=notes)
    parts = []
    for reservoir, part in table.groupby(table["planter"] == RESERVOIR):
        fitted = drying.get(bool(reservoir)) or next(iter(drying.values()))
        for measure in ("dry_half", "dry_80"):
            limits = {"estimate": part[measure], "low": part[f"{measure}_low"], "high": part[f"{measure}_high"]}
            parts.append(
                rows(
                    part,
                    measure,
                    period=review.period.name,
                    unit="days",
                    method=_method(fitted),
                    by=by,
                    conf_level=CONF_LEVEL,
                    **limits,
                )
            )
    longest = rows(
        table,
        "inspection_interval",
        period=review.period.name,
        unit="days",
        method="whole visits",
        by=by,
        estimate=table["inspection_interval"],
    )
    return pd.concat([*parts, longest], ignore_index=True)


def _drying(review: WateringReview) -> list[pd.DataFrame]:
    """Shape and misclassification of each fit."""
    parts = []
    for is_reservoir, fitted in sorted(review.model.drying.items()):
        what = "reservoirs" if is_reservoir else "soil"
        note = f"{what}: {fitted.n_dry_downs:,} spells, {fitted.n_sites} sites"
        by = ["planter"] if is_reservoir else []
        values = {
            "drying_shape": ("shape", fitted.shape, *np.exp(fitted.limits(-2))),
            "misclassification_share": (
                "%",
                *(100 * np.array([fitted.misclassified, *special.expit(fitted.limits(-1))])),
            ),
        }
        for measure, (unit, estimate, low, high) in values.items():
            one = pd.DataFrame({"planter": [RESERVOIR], "estimate": estimate, "low": low, "high": high})
            common: dict[str, Any] = {
                "period": review.period.name,
                "method": _method(fitted),
                "conf_level": CONF_LEVEL,
                "note": note,
            }
            parts.append(rows(one, measure, unit=unit, by=by, **common))
    return parts


def _ratios(review: WateringReview, plants: pd.DataFrame) -> list[pd.DataFrame]:
    """How the soil of one level dries against another's."""
    fitted = review.model.drying.get(False)
    if fitted is None:
        return []
    plants = plants[plants["planter"] != RESERVOIR].assign(season=plants["heating"].map(SEASONS))
    pairs = [(term, level, REFERENCE[term]) for term, level in fitted.names if term in REFERENCE]
    pairs.append(("heating", SEASONS[True], SEASONS[False]))
    parts = []
    for term, level, to in pairs:
        if level == to or not {(term, level), (term, to)} <= set(fitted.names):
            continue
        estimate, low, high = fitted.ratio(term, level, to)
        by, against = ("season", f"the {to}") if term == "heating" else (term, to)
        n_plants = plants[plants[by] == level].drop_duplicates("plant_id")["n"].sum()
        row = {by: level, "estimate": estimate, "low": low, "high": high, "n_plants": n_plants}
        parts.append(
            rows(
                pd.DataFrame([row]),
                "drying_ratio",
                period=review.period.name,
                unit="ratio",
                method=_method(fitted),
                by=[by],
                conf_level=CONF_LEVEL,
                note=f"against {against}",
            )
        )
    return parts


def _drought(review: WateringReview) -> pd.DataFrame:
    effect = review.model.drought_effect
    alone = effect.records_alone
    note = "the records alone cannot say" if np.isnan(alone) else f"the records alone say {alone:.2g}"
    return rows(
        pd.DataFrame([effect._asdict()]).rename(columns={"ratio": "estimate"}),
        "drought_loss_ratio",
        period=review.period.name,
        unit="ratio",
        method=POSTERIOR,
        conf_level=CONF_LEVEL,
        note=note,
    )


def _leaf_drop(review: WateringReview) -> pd.DataFrame:
    effect = review.model.leaf_drop
    if effect is None:
        return pd.DataFrame()
    one = {"estimate": effect.ratio, "low": effect.low, "high": effect.high, "plant_days": effect.plant_days}
    return rows(
        pd.DataFrame([one]),
        "leaf_drop_ratio",
        period=review.period.name,
        unit="ratio",
        method="conditional Poisson score within site, species, light and season; sandwich over sites",
        conf_level=CONF_LEVEL,
        note=f"{effect.leaves:,} leaves at {effect.sites} sites",
    )


def _sensitivity(review: WateringReview) -> pd.DataFrame:
    table = review.sensitivity[~review.sensitivity["learned"]]
    return rows(
        table.assign(
            term=[f"{100 * share:.0f} in 100" for share in table["misclassified"]],
            note=[f"shape {shape:.2f}" for shape in table["shape"]],
        ),
        "dry_half_if_misclassified",
        period=review.period.name,
        unit="days",
        method="share taken as known",
        by=["term"],
        estimate=table["dry_half"],
    )
