"""What a model of losses must tell a quote, and how covered losses, other losses and other exits follow from
it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
import pandas as pd

from plantstats.guarantee.grid import Array

CLASS = ("species", "light", "pot", "planter")  # what tells one line's hazard from another's


@dataclass(frozen=True)
class LineHazards:
    """Losses per plant-day of each line, by age band (the last: age unknown) and calendar month, at a mean
    site.

    central: lines x bands x 12; drawn: draws x lines x bands x 12, one draw per possible model;
    central: lines x bands x 12; drawn: draws x lines x bands x 12, one draw per possible model; site_variance:
    age that the records tell about, per line; notes: what was assumed, in sentences.
    """

    age_cuts: tuple[int, ...]
    central: Array
    drawn: Array
    site_variance: Array
    oldest_days: Array
    notes: tuple[str, ...] = ()


class LossModel(Protocol):
    """A fitted model of losses, as a quote needs it."""

    def for_lines(self, lines: pd.DataFrame, draws: int, seed: int, unseen: str) -> LineHazards:
        """Hazards of lines.

        Takes:  lines: species, light, pot, planter; draws and seed of the model's uncertainty; unseen:
                "group" or "refuse" for a species without own records.
        """


@dataclass(frozen=True)
class Exits:
    """What else takes plants away, from the company's own records.

    covered: draws: share of losses that the guarantee covers; client, withdrawn: per plant-day: exits through
    the client (theft, client's act) and plants taken out alive; losses: how many losses the share rests on.
    """

    covered: Array
    client: float
    withdrawn: float
    losses: int


def covered_share(
    losses: pd.DataFrame, covered: tuple[str, ...], excluded: tuple[str, ...], draws: int, seed: int
) -> tuple[Array, int]:
    """Share of losses that a guarantee covers, with what the records leave open about it.

    Takes:  losses: one row per loss: cause, quantity; covered causes (none: all); excluded causes; draws;
            seed.
    Gives:  draws of the share (beta law, half a loss added to either side: Jeffreys), number of losses. With
            nothing excluded among losses by these terms the share is 1.
    """
    causes = losses["cause"].fillna("unknown")
    inside = ~causes.isin(excluded) & (causes.isin(covered) if covered else True)
    every, paid = int(losses["quantity"].sum()), int(losses.loc[inside, "quantity"].sum())
    if not covered and paid == every:
        return np.ones(draws), every
    rng = np.random.default_rng([seed, 2])
    return rng.beta(paid + 0.5, every - paid + 0.5, draws), every


def site_effects(variance: Array, sites: int, seed: int) -> Array:
    """Draw the effects that the plants of each site share, evenly over their law.

    Takes:  variance per draw of a gamma law of mean 1; how many sites; seed.
    Gives:  draws x sites. Each site's effects are one from each of as many equal parts of the law as there
            are draws, in random order: the mean over draws then has little noise.
    Source: stratified (Latin hypercube) sampling, McKay, Beckman and Conover 1979 (from memory).
    """
    from scipy import stats  # noqa: PLC0415 (slow to import, and only needed here)

    draws = len(variance)
    out = np.ones((draws, sites))
    for site in range(sites):
        rng = np.random.default_rng([seed, 3, site])
        share = (rng.permutation(draws) + 0.5) / draws
        wide = variance > 1e-9
        out[wide, site] = stats.gamma.ppf(share[wide], 1 / variance[wide], scale=variance[wide])
    return out
