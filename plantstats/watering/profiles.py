"""Days until dry and inspection interval by species, light, pot, planter and season, with the evidence for a change."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import stats

from plantstats.watering import costing
from plantstats.watering.advice import LONGER, NO_CHANGE, SHORTER, Advice
from plantstats.watering.design import SEASONS
from plantstats.watering.distribution import Array
from plantstats.watering.fit import WateringModel, by_planter

BY = ["species", "light", "pot", "planter"]


def profiles(model: WateringModel, advice: Advice) -> pd.DataFrame:
    """Every combination that occurs, in both seasons.

    Parameters
    ----------
    model : WateringModel
    advice : Advice
        For the plants that stand and how often they are visited now.

    Returns
    -------
    pandas.DataFrame
        One row per species, light, pot, planter, season: plants (standing), dry_downs (of just this row),
        species_dry_downs, dry_half, dry_half_low, dry_half_high, dry_80, dry_80_low, dry_80_high (days), usually_by
        (whole day by which no more than the stated share is still moist), still_moist (share at it), look_every (the
        longest of the visit intervals at which few are found too dry; 0 none is short enough), too_many_from (the
        shortest at which too many are; missing: none), now (usual visit interval of those plants, days), too_dry_now
        (share), advice, dry_downs_needed (of the species, to settle what now looks like a change; missing: nothing to
        settle).
    """
    table = _combinations(model, advice)
    table = table.join(_dry_by(table, model))
    days = tuple(sorted({*model.assumed.visit_days, *(int(d) for d in table["now"].dropna().unique())}))
    table = table.join(_evidence(table, model, days))
    table.insert(4, "season", table.pop("heating").map(SEASONS))
    return table.sort_values([*BY, "season"], kind="stable", ignore_index=True)


def _combinations(model: WateringModel, advice: Advice) -> pd.DataFrame:
    number = model.distinct.groupby([*BY, "heating"])["n"].sum()
    plants = advice.plants.assign(now=advice.plants["site_id"].map(advice.sites.set_index("site_id")["now"]))
    # The middle plant's interval: each plant counts once, a counted line by its number.
    repeated = plants.loc[plants.index.repeat(plants["plants"].to_numpy(dtype=int))]
    standing = repeated.groupby(BY)["now"].agg(["size", "median"])
    seen = pd.concat([model.distinct[BY], plants[BY]]).drop_duplicates()
    table = pd.concat([seen.assign(heating=heating) for heating in (True, False)], ignore_index=True)
    key = pd.MultiIndex.from_frame(table[BY])
    table["plants"] = standing["size"].reindex(key).fillna(0).to_numpy(dtype=int)
    with_season = pd.MultiIndex.from_frame(table[[*BY, "heating"]])
    table["dry_downs"] = number.reindex(with_season).fillna(0).to_numpy(dtype=int)
    of_species = model.distinct.groupby("species")["n"].sum()
    table["species_dry_downs"] = table["species"].map(of_species).fillna(0).astype(int)
    return table.assign(now=standing["median"].reindex(key).round().to_numpy())


def _dry_by(table: pd.DataFrame, model: WateringModel) -> pd.DataFrame:
    """Days until dry with limits, the day by which water is usually wanted, and the share still moist on it."""
    parts = []
    for _, rows, fitted in by_planter(table, model.drying):
        part = table.iloc[rows]
        half, most = (fitted.days_until_dry(part, share) for share in (0.5, 0.8))
        usually = np.ceil(fitted.days_until_dry(part, 1 - model.assumed.max_still_moist_share).estimate).astype(int)
        values = {
            **dict(zip(("dry_half", "dry_half_low", "dry_half_high"), half, strict=True)),
            **dict(zip(("dry_80", "dry_80_low", "dry_80_high"), most, strict=True)),
            "usually_by": usually,
            "still_moist": fitted.still_moist(part, usually),
        }
        parts.append(pd.DataFrame(values, index=part.index))
    return pd.concat(parts)


def _evidence(table: pd.DataFrame, model: WateringModel, days: tuple[int, ...]) -> pd.DataFrame:
    """What the present interval leads to, and how sure it is that another would be better."""
    assumed, each = model.assumed, np.array(days)
    most, offered = assumed.max_too_dry_share, np.isin(days, assumed.visit_days)
    cycles = costing.PlantCycles(table, model, days)
    too_dry = cycles.at(costing.estimates(model)).too_dry
    sampled = np.stack([cycles.at(sample).too_dry for sample in costing.samples(model)])
    few, many = (too_dry <= most) & offered, (too_dry > most) & offered
    look_every = np.where(few.any(axis=1), each[len(days) - 1 - few[:, ::-1].argmax(axis=1)], 0)
    too_many_from = np.where(many.any(axis=1), each[many.argmax(axis=1)], np.nan)
    now = table["now"].to_numpy(dtype=float)
    known = np.isfinite(now)
    rows, at_now = np.arange(len(table)), np.searchsorted(days, np.where(known, now, days[0]))
    longer = np.array([next((n for n in range(a + 1, len(days)) if offered[n]), a) for a in at_now])
    has_longer, has_shorter = longer > at_now, (each[None, :] < np.where(known, now, 0)[:, None]) @ offered > 0
    decision, needed = _decision(
        too_dry[rows, at_now] - most,
        too_dry[rows, longer] - most,
        sampled[:, rows, at_now] - most,
        sampled[:, rows, longer] - most,
        known & has_shorter,
        known & has_longer,
        assumed.confidence,
    )
    dry_downs = np.maximum(table["species_dry_downs"].to_numpy(), 1)
    return pd.DataFrame(
        {
            "look_every": look_every,
            "too_many_from": too_many_from,
            "too_dry_now": np.where(known, too_dry[rows, at_now], np.nan),
            "advice": np.where(known, decision, ""),
            "dry_downs_needed": np.ceil(dry_downs * needed),
        },
        index=table.index,
    )


def _decision(
    now: Array,
    longer: Array,
    sampled_now: Array,
    sampled_longer: Array,
    has_shorter: Array,
    has_longer: Array,
    confidence: float,
) -> tuple[Array, Array]:
    """What is sure enough, from shares too dry less the limit; and, where what looks like a change is not, how many
    times the dry-downs would settle it."""
    surely_short = ((sampled_now > 0).mean(axis=0) >= confidence) & has_shorter
    surely_long = ((sampled_longer <= 0).mean(axis=0) >= confidence) & has_longer
    decision = np.select([surely_short, surely_long], [SHORTER, LONGER], NO_CHANGE)
    leans_short, leans_long = now > 0, (now <= 0) & (longer <= 0) & has_longer
    unsettled = (decision == NO_CHANGE) & ((leans_short & has_shorter) | leans_long)
    distance = np.abs(np.where(leans_short, now, longer))
    sd = np.where(leans_short, sampled_now.std(axis=0), sampled_longer.std(axis=0))
    z = stats.norm.ppf(confidence) * sd / np.maximum(distance, 1e-4)
    return decision, np.where(unsettled, np.maximum(z**2, 1.0), np.nan)
