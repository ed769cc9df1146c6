"""What would lose fewer plants: another species at the same light, a brighter place, moister air."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from plantstats.exposure import DRY_AIR_BELOW
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
COLUMNS = ["position", "species", "light", "other", "now", "then", "ratio", "low", "high", "saving", "clear"]


def expected_numbers(lines: pd.DataFrame, model: FittedLosses, exits: Exits, terms: Terms) -> Array:
    """Expected replacements of one new plant's position at a mean site: draws of the model x lines.

    Takes:  lines: the columns of CLASS and, where the air is to be told, humidity in percent; model; exits; terms.
    """
    draws = min(terms.draws, MOST_DRAWS)
    hazards = model.for_lines(lines, draws, terms.seed, "group")
    cut = grid(terms.starts_on, terms.ends_on)
    n = len(lines)
    new = Plants(np.zeros(n), np.zeros(n), np.full(n, cut.edges[-1]), np.zeros(n, dtype="int64"))
    drawn = Drawn(
        hazards.age_cuts,
        hazards.drawn_level,
        hazards.drawn_shape,
        np.ones((draws, 1)),
        exits.covered[:draws],
        exits.client,
        exits.withdrawn,
    )
    promise = Promise(terms.lead_days, terms.cap_per_position, terms.after_uncovered)
    return look_ahead(cut, new, promise, drawn, np.ones((cut.steps, 1))).by_part[..., 0]


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
    kinds = _kinds(quote)
    pairs = kinds.merge(enough[["light", "species"]].rename(columns={"species": "other"}), on="light")
    pairs = pairs[pairs["other"].ne(pairs["species"])]
    return _compared(pairs, pairs.assign(species=pairs["other"]), quote, model, exits)


def brighter_place(quote: Quote, model: FittedLosses, exits: Exits) -> pd.DataFrame:
    """The same plants one light band brighter, where the records have plants in that band (see `better_species`)."""
    bands = set(model.seen()["light"])
    kinds = _kinds(quote)
    kinds = kinds.assign(other=kinds["light"].map(BRIGHTER))
    kinds = kinds[kinds["other"].isin(bands)]
    return _compared(kinds, kinds.assign(light=kinds["other"]), quote, model, exits)


def moist_air(quote: Quote, model: FittedLosses, exits: Exits) -> pd.DataFrame:
    """The same plants where the air is never dry, against the usual air of the records (see `better_species`).

    Gives:  no rows where the records hold no humidity. In these records season and humidity may move together:
            the loss model's page says how far they can be told apart.
    """
    kinds = _kinds(quote).assign(other=f"{DRY_AIR_BELOW}% and more")
    if "dry_air" not in model.model.formula:
        kinds = kinds.iloc[:0]
    return _compared(kinds, kinds.assign(humidity=float(DRY_AIR_BELOW)), quote, model, exits)


def _kinds(quote: Quote) -> pd.DataFrame:
    """Different plants of the list, by the columns of CLASS: thousands of lines are far fewer kinds."""
    return quote.lines[list(CLASS)].drop_duplicates().reset_index(drop=True)


def _compared(now: pd.DataFrame, then: pd.DataFrame, quote: Quote, model: FittedLosses, exits: Exits) -> pd.DataFrame:
    """Best alternative of each line; `now` and `then` hold kinds of plants in step."""
    if now.empty:
        return pd.DataFrame({name: pd.Series(dtype="object") for name in COLUMNS})
    before, of_now = _by_kind(now, model, exits, quote.terms)
    after, of_then = _by_kind(then, model, exits, quote.terms)
    mean_now, mean_then = before.mean(axis=0)[of_now], after.mean(axis=0)[of_then]
    ratio = np.divide(mean_then, mean_now, out=np.ones_like(mean_now), where=mean_now > 0)
    made = now[[*CLASS, "other"]].assign(
        now=100 * mean_now, then=100 * mean_then, ratio=ratio, of_now=of_now, of_then=of_then
    )
    best = made[made["ratio"] < 1].sort_values([*CLASS, "ratio", "other"]).drop_duplicates(list(CLASS))
    drawn = after[:, best["of_then"]] / np.maximum(before[:, best["of_now"]], 1e-300)
    best = best.assign(low=np.quantile(drawn, 0.025, axis=0), high=np.quantile(drawn, 0.975, axis=0))
    lines = quote.lines[["position", *CLASS, "quantity", "unit"]].merge(
        best.drop(columns=["of_now", "of_then"]), on=list(CLASS)
    )
    saving = ((lines["now"] - lines["then"]) / 100 * lines["quantity"] * lines["unit"]).round().astype("int64")
    return lines.assign(saving=saving, clear=lines["high"] < 1)[COLUMNS]


def _by_kind(
    rows: pd.DataFrame, model: FittedLosses, exits: Exits, terms: Terms
) -> tuple[Array, npt.NDArray[np.int64]]:
    """Expected numbers (draws x different rows), and which of them is each row's."""
    keys = [name for name in (*CLASS, "humidity") if name in rows]
    which = rows.groupby(keys, sort=True).ngroup()
    different = rows.assign(which=which).drop_duplicates("which").sort_values("which").reset_index(drop=True)
    return expected_numbers(different[keys], model, exits, terms), which.to_numpy()
