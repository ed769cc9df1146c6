"""What would lose fewer plants: another species at the same light, a brighter place, moister air."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from plantstats.guarantee.grid import Array, grid
from plantstats.guarantee.hazards import CLASS
from plantstats.guarantee.outlook import Drawn, Plants, Promise, look_ahead

if TYPE_CHECKING:
    from plantstats.guarantee.from_records import FittedLosses
    from plantstats.guarantee.hazards import Exits
    from plantstats.guarantee.quote import Quote
    from plantstats.guarantee.terms import Terms

# Least plant-days of a species at a light band before it is proposed for it: 10 plant-years (common practice,
# no source).
ENOUGH_DAYS = 3_652
MOST_DRAWS = 200
BRIGHTER = {"low": "medium", "medium": "high"}
MOIST = 40.0  # percent, where the loss model takes the air to be dry no more


def expected_numbers(lines: pd.DataFrame, model: FittedLosses, exits: Exits, terms: Terms) -> Array:
    """Expected replacements of one new plant's position at a mean site: draws of the model x lines."""
    draws = min(terms.draws, MOST_DRAWS)
    hazards = model.for_lines(lines, draws, terms.seed, "group")
    cut = grid(terms.starts_on, terms.ends_on)
    n = len(lines)
    new = Plants(np.zeros(n), np.zeros(n), np.full(n, cut.edges[-1]), np.zeros(n, dtype="int64"))
    drawn = Drawn(hazards.age_cuts, hazards.drawn, np.ones((draws, 1)), exits.covered[:draws], exits.client,
                  exits.withdrawn)
    promise = Promise(terms.lead_days, terms.cap_per_position, terms.after_uncovered)
    return look_ahead(cut, new, promise, drawn).by_step.sum(axis=-1)


def better_species(quote: Quote, model: FittedLosses, exits: Exits) -> pd.DataFrame:
    """The species on record that would be replaced least at the same light, for each line.

    Takes:  quote; model (with `seen`); exits.
    Gives:  one row per line with another species on record at its light that is expected to be replaced less:
            position, species, light, other, now and then (replacements per 100 positions over the term), ratio,
            low, high (95% interval of the ratio, from the model's draws), saving (cents over the term, at the
            same cost per replacement), clear (the interval lies below 1). The best of many is flattered a
            little: it is best partly by chance.
    """
    seen = model.seen()
    enough = seen[(seen["plant_days"] >= ENOUGH_DAYS) & seen["light"].ne("unknown")]
    lines = quote.lines[["position", *CLASS, "quantity", "unit"]].assign(row=np.arange(len(quote.lines)))
    pairs = lines.merge(enough[["light", "species"]].rename(columns={"species": "other"}), on="light")
    pairs = pairs[pairs["other"].ne(pairs["species"])]
    return _compared(pairs, pairs.assign(species=pairs["other"]), quote, model, exits)


def brighter_place(quote: Quote, model: FittedLosses, exits: Exits) -> pd.DataFrame:
    """The same plants one light band brighter, where the records have plants in that band (see `better_species`)."""
    bands = set(model.seen()["light"])
    lines = quote.lines[["position", *CLASS, "quantity", "unit"]].assign(row=np.arange(len(quote.lines)))
    lines = lines.assign(other=lines["light"].map(BRIGHTER))
    lines = lines[lines["other"].isin(bands)]
    return _compared(lines, lines.assign(light=lines["other"]), quote, model, exits)


def moist_air(quote: Quote, model: FittedLosses, exits: Exits) -> pd.DataFrame:
    """The same plants where the air is never dry, against the usual air of the records (see `better_species`).

    Gives:  no rows where the records hold no humidity. In these records season and humidity may move together:
            the loss model's page says how far they can be told apart.
    """
    lines = quote.lines[["position", *CLASS, "quantity", "unit"]].assign(row=np.arange(len(quote.lines)))
    if "dry_air" not in model.model.formula:
        lines = lines.iloc[:0]
    lines = lines.assign(other=f"{MOIST:.0f}% and more")
    return _compared(lines, lines.assign(humidity=MOIST), quote, model, exits)


def _compared(now: pd.DataFrame, then: pd.DataFrame, quote: Quote, model: FittedLosses, exits: Exits) -> pd.DataFrame:
    if now.empty:
        columns = ["position", "species", "light", "other", "now", "then", "ratio", "low", "high", "saving", "clear"]
        return pd.DataFrame({name: pd.Series(dtype="object") for name in columns})
    terms = quote.terms
    before = expected_numbers(now, model, exits, terms)
    after = expected_numbers(then, model, exits, terms)
    ratio = after / np.maximum(before, 1e-300)
    saving = ((before - after).mean(axis=0) * now["quantity"] * now["unit"]).round().astype("int64")
    made = now.assign(
        now=100 * before.mean(axis=0), then=100 * after.mean(axis=0), ratio=after.mean(axis=0) / before.mean(axis=0),
        low=np.quantile(ratio, 0.025, axis=0), high=np.quantile(ratio, 0.975, axis=0), saving=saving)
    made = made.assign(clear=made["high"] < 1)
    best = made[made["ratio"] < 1].sort_values(["row", "ratio", "other"]).drop_duplicates("row")
    return best.drop(columns=["pot", "planter", "quantity", "unit", "row"]).reset_index(drop=True)
