"""What the advice assumes beside the records, told to the reader: each figure, whose it is, where it comes from."""

from __future__ import annotations

import pandas as pd

from plantstats.settings import Assumptions, Settings

__all__ = ["Assumptions", "table"]

THEIRS, OURS = "from your settings", "assumed here"
PRICES = {
    "wage_per_hour": "wage of a technician, per hour",
    "visit_cost": "travel and access of one visit, whatever is done there",
}


def table(assumptions: Assumptions, settings: Settings) -> pd.DataFrame:
    """Everything that the advice rests on beside the records, for the page.

    Parameters
    ----------
    assumptions : Assumptions
        As used.
    settings : Settings
        Of the records.

    Returns
    -------
    pandas.DataFrame
        One row per figure: Setting (the key in records.toml: the first two at its top, the others under [watering]),
        Value, Whose ("from your settings" or "assumed here"), What it means and where it comes from.
    """
    rows = [
        (name, getattr(assumptions, name), name in settings.watering.model_fields_set, field.description)
        for name, field in Assumptions.model_fields.items()
    ]
    prices = [(name, getattr(settings, name), name in settings.model_fields_set, why) for name, why in PRICES.items()]
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
