"""What the advice assumes beside the records, told to the reader: each figure, whose it is, where it comes from."""

from __future__ import annotations

from dataclasses import fields

import pandas as pd

from plantstats.records.assumed import Assumptions
from plantstats.records.settings_shape import Settings

__all__ = ["WHY", "Assumptions", "table"]

THEIRS, OURS = "from your settings", "assumed here"
WHY = {
    "visit_days": "days between visits that a route can keep (common practice: weekly to every four weeks, no source)",
    "max_inspection_interval": "no plant goes longer than this without a look, in days (common practice)",
    "too_dry_after": "a plant dry for longer than this many of its usual (median) drying times is too dry (no source)",
    "max_too_dry_share": "no longer interval is advised at which more than this share of waterings would find a plant "
    "too dry (no source)",
    "too_dry_minutes": "extra work for a plant found too dry: cut out yellow leaves, water twice (no source)",
    "too_dry_charge": "a day on which a plant stands too dry counts as this share of its fee, undelivered (no source)",
    "drought_rate_ratio": "loss rate on days left dry, as a multiple, before the records speak (no source)",
    "drought_log_sd": "how unsure that multiple is, on the log scale (no source)",
    "max_still_moist_share": "share of plants that may still be moist when water is usually wanted (no source)",
    "confidence": "how likely a change must be to save money before it is advised (no source)",
    "cost_tolerance": "intervals within this share of the lowest cost count as equally good (no source)",
    "default_inspection_minutes": "minutes a look where none are on record (a trainer's target, common practice, no source)",
    "default_watering_minutes": "minutes more to water where none are on record (common practice, no source)",
    "default_replacement_cost": "cost of a replacement where none is on record (no source)",
    "default_monthly_fee": "monthly fee of a plant where no contract is on record (no source)",
    "dropped_leaf_cost": "money for each green leaf that drops; without it and without minutes they have no price",
    "dropped_leaf_minutes": "minutes of cleaning for each green leaf that drops, at the wage",
}
PRICES = {
    "wage_per_hour": "wage of a technician, per hour",
    "visit_cost": "travel and access of one visit, whatever is done there",
}


def table(assumptions: Assumptions, settings: Settings) -> pd.DataFrame:
    """Everything that the advice rests on beside the records, for the page.

    Takes:  assumptions as used; settings of the records.
    Gives:  one row per figure: Setting (the key in records.toml: the first two at its top, the others under
            [watering]), Value, Whose ("from your settings" or "assumed here"), What it means and where it comes from.
    """
    rows = [
        (f.name, getattr(assumptions, f.name), f.name in settings.watering_given, WHY[f.name])
        for f in fields(Assumptions)
    ]
    prices = [(name, getattr(settings, name), name in settings.given, why) for name, why in PRICES.items()]
    return pd.DataFrame(
        {
            "Setting": [name for name, _, _, _ in [*prices, *rows]],
            "Value": [_shown(value) for _, value, _, _ in [*prices, *rows]],
            "Whose": [THEIRS if theirs else OURS for _, _, theirs, _ in [*prices, *rows]],
            "What it means, where it comes from": [why for _, _, _, why in [*prices, *rows]],
        }
    )


def _shown(value: object) -> str:
    if value is None:
        return "not priced"
    return ", ".join(map(str, value)) if isinstance(value, tuple) else f"{value:g}"
