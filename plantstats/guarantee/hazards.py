"""What a model of losses must tell a quote, and how covered losses, other losses and other exits follow from
it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol
from zlib import crc32

import numpy as np
import pandas as pd
from scipy import stats

from plantstats.guarantee.grid import Array

CLASS = ("species", "light", "pot", "planter")  # what tells one line's hazard from another's


@dataclass(frozen=True)
class LineHazards:
    """Losses per plant-day of each line, by age band (the last: age unknown) and calendar month, at a mean site.

    Log rates are sums of the terms of the line and those of age and month, so that a hazard is a level times a shape.
    level: lines; shape: bands x 12; drawn_level: draws x lines, drawn_shape: draws x bands x 12, one draw per possible
    model; site_variance: per draw, variance of the effect (gamma, mean 1) that the plants of a site share;
    oldest_days: the greatest age that the records tell about, per line; basis: what each line's rate rests on; notes:
    what was assumed.
    """

    age_cuts: tuple[int, ...]
    level: Array
    shape: Array
    drawn_level: Array
    drawn_shape: Array
    site_variance: Array
    oldest_days: Array
    basis: tuple[str, ...]
    notes: tuple[str, ...] = ()

    @property
    def table(self) -> Array:
        """Hazards at the estimate: lines x bands x 12."""
        return self.level[:, None, None] * self.shape


class LossModel(Protocol):
    """A fitted model of losses, as a quote needs it."""

    def for_lines(self, lines: pd.DataFrame, draws: int, seed: int, unseen: str) -> LineHazards:
        """Hazards of lines.

        Takes:  lines: species, light, pot, planter; draws and seed of the model's uncertainty; unseen:
                "group" or "refuse" for a species without own records.
        """

    def site_history(self, sites: list[str], draws: int, seed: int) -> tuple[Array, Array]:
        """What sites have lost, and what was to be expected of them at effect 1, per draw of the model.

        Gives:  losses (one per site), expected (draws x sites); 0 and 0 for a site without records.
        """

    def site_air(self, sites: list[str]) -> Array:
        """Times as much as in the company's usual air sites lose in theirs, by the model; 1 for one without records."""


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
    return stream(seed, "covered share").beta(paid + 0.5, every - paid + 0.5, draws), every


def stream(seed: int, what: str) -> np.random.Generator:
    """Random numbers for one named thing: the same whatever else is on the list, and in whatever order."""
    return np.random.Generator(np.random.PCG64([seed, crc32(what.encode("utf-8"))]))


def effects_of(model: LossModel, variance: Array, sites: list[str], seed: int) -> Array:
    """What sites do to the hazard of their plants: their own past and their air.

    Takes:  model; variance per draw (see `site_effects`); names of the sites; seed.
    Gives:  draws x sites.
    """
    lost, expected = model.site_history(sites, len(variance), seed)
    return site_effects(variance, lost, expected, sites, seed) * model.site_air(sites)


def site_effects(variance: Array, losses: Array, expected: Array, sites: list[str], seed: int) -> Array:
    """Draw the effects that the plants of each site share, evenly over their law.

    Takes:  variance per draw of the gamma law (mean 1) that sites without records have; losses per site so far;
            expected: draws x sites, losses that were to be expected at effect 1; names of the sites; seed.
    Gives:  draws x sites: gamma with shape 1 / variance + losses and rate 1 / variance + expected. Each site's
            effects are one from each of as many equal parts of the law as there are draws, in random order:
            the mean over draws then has little noise.
    Source: gamma-Poisson, Clayton and Kaldor 1987; stratified (Latin hypercube) sampling, McKay, Beckman and
            Conover 1979 (from memory).
    """
    draws = len(variance)
    out = np.ones((draws, len(losses)))
    wide = variance > 1e-9
    shape = 1 / variance[wide]
    for site, name in enumerate(sites):
        share = (stream(seed, f"site {name}").permutation(draws) + 0.5) / draws
        scale = 1 / (shape + expected[wide, site])
        out[wide, site] = stats.gamma.ppf(share[wide], shape + losses[site], scale=scale)
    return out
