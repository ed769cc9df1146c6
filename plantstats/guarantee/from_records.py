"""The company's own loss model as a quote needs it: fitted on the records up to one day."""

from __future__ import annotations

from calendar import month_name
from dataclasses import dataclass
from datetime import date
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
import pandas as pd

from plantstats import exposure
from plantstats import losses as loss_model
from plantstats.exposure.inputs import AGE_CUTS, age_bands
from plantstats.guarantee.grid import MONTHS, Array
from plantstats.guarantee.hazards import CLASS, Exits, LineHazards, covered_share, stream
from plantstats.guarantee.terms import Terms
from plantstats.losses.design import names_in
from plantstats.losses.likelihood import climb
from plantstats.records import species_table

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.records import Records

LEFT = 10  # plants that must still be followed at an age for the records to tell about it (design rule of survival)
SPREADS = np.geomspace(1e-4, 4.0, 24)  # squared spreads of sites between which it is drawn
# What passes: a line of a list says nothing of it, so that its rate is the mean over what plants on record went
# through.
AIR, PASSING = ("dry_air", "no_humidity"), ("repotted", "moved")
STILL = 100.0  # percent humidity at which no dry air counts
SPREAD_SCALE = 1.0  # half-Cauchy weight of the spread, as in `plantstats.stats.empirical_bayes`


@dataclass(frozen=True)
class FittedLosses:
    """A fitted loss model, up to which age each species was followed, and what a reader must be told of it."""

    model: loss_model.LossModel
    oldest: dict[str, float]
    oldest_of_all: float
    as_of: date
    notes: tuple[str, ...] = ()

    @property
    def levels(self) -> dict[str, tuple[str, ...]]:
        """Levels on record of each column that the model asks of a line."""
        asked = names_in(self.model.formula)
        return {name: self.model.terms.levels[name] for name in CLASS if name in asked and name != "species"}

    def for_lines(self, lines: pd.DataFrame, draws: int, seed: int, unseen: str = "group") -> LineHazards:
        """Hazards of lines (see `hazards.LossModel`).

        Keeps:  the mean over the draws is the fitted rate of each line. Drawn on the log scale alone it would lie above
                it: fitted rates add up to the losses on record, and on invented companies of a year's records quotes
                were 28% too high. The air (where a line tells none), moves and repottings are those on record, month
                by month: the rate is the mean over them, not the rate of mean air and a plant left in peace, which on
                invented companies was some 4% too low.
        Raises: ModelError for a light, pot or planter that no plant of the records had, and for an unseen species
                when it is to be refused.
        """
        asked = lines[list(CLASS)].astype("str").reset_index(drop=True)
        told = "humidity" in lines
        asked["humidity"] = lines["humidity"].to_numpy() if told else STILL
        bands, notes = self._bands()
        # Log rates are sums of terms: those of the lines at one age and month, and those of ages and months.
        line_rows, beside = self.model.rows(asked.assign(age_band=bands[0], month=1), unseen)
        cells = pd.DataFrame({"age_band": np.repeat(bands, MONTHS), "month": np.tile(np.arange(1, 13), len(bands))})
        first = {str(name): value for name, value in asked.iloc[0].items()}
        cells = cells.assign(**first)
        cell_rows, _ = self.model.rows(cells, "group")
        apart = cell_rows.to_numpy() - cell_rows.to_numpy()[0]
        beta = self.model.draw(draws, seed)
        unknown = np.sqrt(beside["unknown"].to_numpy())
        # One draw per unseen species, whatever the order of the lines.
        noise = {name: stream(seed, f"unseen {name}").normal(size=draws) for name in set(asked["species"])}
        fall_back = np.stack([noise[name] for name in asked["species"]], axis=1) * unknown
        shape = (len(bands), MONTHS)
        oldest = np.array([self.oldest.get(name, self.oldest_of_all) for name in asked["species"]])
        level, of_cell = np.exp(line_rows.to_numpy() @ self.model.beta), np.exp(apart @ self.model.beta)
        drawn = np.exp(beta @ line_rows.to_numpy().T + fall_back)
        drawn_cell = np.exp(beta @ apart.T)
        names = PASSING if told else (*AIR, *PASSING)
        usual, drawn_usual = self._passing(names, self.model.beta[None]), self._passing(names, beta)
        of_cell *= np.tile(usual, len(bands))[0]
        drawn_cell *= np.tile(drawn_usual * usual / drawn_usual.mean(axis=0), len(bands))
        # Over the ages at which plants on record stood, and the whole year.
        days = self.model.patterns.groupby("age_band")["plant_days"].sum().reindex(bands).fillna(0.0)
        days /= pd.Series(bands, bands).groupby(level=0).transform("size")  # a band may stand for others, too
        weight = np.repeat((days / days.sum() / MONTHS).to_numpy(), MONTHS)
        drawn *= level * (of_cell @ weight) / (drawn * (drawn_cell @ weight)[:, None]).mean(axis=0)
        return LineHazards(
            AGE_CUTS,
            level,
            of_cell.reshape(shape),
            drawn,
            drawn_cell.reshape(draws, *shape),
            self._spread(draws, seed),
            oldest,
            tuple(beside["basis"]),
            (*self.notes, *notes),
        )

    def site_history(self, sites: list[str], draws: int, seed: int) -> tuple[Array, Array]:
        """Losses and expected losses of sites (see `hazards.LossModel`)."""
        known = {name: at for at, name in enumerate(self.model.sites)}
        lost, expected = np.zeros(len(sites)), np.zeros((draws, len(sites)))
        by_site = self.model.counts.by_site
        at = [known[name] for name in sites if name in known]
        here = [n for n, name in enumerate(sites) if name in known]
        if here:
            days = self.model.counts.days[at]
            x, beta = self.model.counts.x, self.model.draw(draws, seed)
            drawn = np.exp(x @ beta.T)
            drawn *= (np.exp(x @ self.model.beta) / drawn.mean(axis=1))[:, None]
            expected[:, here] = (days @ drawn).T
            lost[here] = by_site[at]
        return lost, expected

    def site_air(self, sites: list[str]) -> Array:
        """What the air read at sites does to their rate (see `hazards.LossModel`)."""
        weight, _, month = self._without(AIR)
        usual = weight * self._passing(AIR, self.model.beta[None])[0][month]
        share = (self.model.counts.days @ np.exp(self.model.counts.x @ self.model.beta)) / (
            self.model.counts.days @ usual
        )
        known = dict(zip(self.model.sites, share, strict=True))
        return np.array([known.get(name, 1.0) for name in sites])

    def _without(self, names: tuple[str, ...]) -> tuple[Array, npt.NDArray[np.bool_], npt.NDArray[np.intp]]:
        """Of each pattern the fitted rate without terms, which columns are theirs, and its calendar month (from 0)."""
        x, beta = self.model.counts.x, self.model.beta
        theirs = np.array([name.partition("[")[0] in names for name in self.model.names])
        rate = np.exp(x[:, ~theirs] @ beta[~theirs])
        if "year_cos" not in self.model.patterns:
            return rate, theirs, np.zeros(len(x), dtype=np.intp)
        angle = np.arctan2(self.model.patterns["year_sin"], self.model.patterns["year_cos"])
        return rate, theirs, np.floor(angle.to_numpy() * MONTHS / (2 * np.pi)).astype(np.intp) % MONTHS

    def _passing(self, names: tuple[str, ...], beta: Array) -> Array:
        """What terms do to the rate in each calendar month: the mean over the plant-days on record, each weighted with
        what its plants would lose without them.

        Takes:  names of terms; beta: coefficients, draws x columns.
        Gives:  draws x 12.
        """
        rate, theirs, month = self._without(names)
        weight = self.model.counts.by_pattern[1] * rate
        grown = np.exp(beta[:, theirs] @ self.model.counts.x[:, theirs].T) * weight
        one = np.eye(MONTHS)[month]
        # A month that is not on record has no rate of its own: see `fit_losses`.
        made = (grown @ one) / np.maximum(weight @ one, 1e-300)
        return made if "year_cos" in self.model.patterns else np.repeat(made[:, :1], MONTHS, axis=1)

    def seen(self) -> pd.DataFrame:
        """Species by light on record: species, light, plant_days, losses."""
        cells = self.model.patterns.astype({"light": "str", "species": "str"})
        return cells.groupby(["species", "light"], as_index=False)[["plant_days", "losses"]].sum()

    def _bands(self) -> tuple[list[str], list[str]]:
        """Age bands to ask the model for: one that no plant reached takes the rate of the one before it."""
        with_days = set(self.model.patterns["age_band"].astype("str"))
        asked, notes = list[str](), list[str]()
        *ages, unknown = age_bands()
        for band in ages:
            if band in with_days:
                asked.append(band)
            elif asked:
                asked.append(asked[-1])
                notes.append(f"no plant on record reached {band}: the rate of {asked[-1]} is taken to go on")
            else:
                first = next(b for b in [*ages, unknown] if b in with_days)
                asked.append(first)
                notes.append(f"no plant on record was at {band}: the rate of {first} is taken")
        asked.append(unknown if unknown in with_days else asked[-1])
        return asked, notes

    @cached_property
    def _spread_weight(self) -> Array:
        values, beta = [], self.model.beta
        for spread in SPREADS:
            beta, value = climb(self.model.counts, beta, float(spread))
            values.append(value)
        sd = np.sqrt(SPREADS)
        # Even in the logarithm of the square: d(sd) = sd / 2 x d(log square).
        weight = np.exp(np.array(values) - max(values)) * sd / (1 + (sd / SPREAD_SCALE) ** 2)
        return weight / weight.sum()

    def _spread(self, draws: int, seed: int) -> Array:
        """Draws of how much sites differ (variance of their effect), as the records leave it likely."""
        share = (stream(seed, "spread of sites").permutation(draws) + 0.5) / draws
        below = np.cumsum(self._spread_weight) - self._spread_weight / 2
        return np.exp(np.interp(share, below, np.log(SPREADS)))


def fit_losses(records: Records, as_of: date) -> tuple[FittedLosses, PlantTime]:
    """Fit the loss model on the records up to a day.

    Takes:  records; as_of: the last day that counts.
    Gives:  FittedLosses, and the plant-time of the same records, losses dated when found, as they are paid for. A
            promise runs through every month: where the records do not, the model has no season and no air, and says
            so. Rates count plants from look to look, losses half-way between: days before the first and after the last
            look can show no loss, and on invented companies of a year's records that find losses late quotes for the
            first quarter were 17% too low.
    Raises: ModelError as `loss_model.fit`.
    """
    time = exposure.build(records, as_of, dated="found")
    cells = exposure.build(records, as_of, dated="midpoint", follow_between_inspections=True).cells(
        list(loss_model.CELLS_BY)
    )
    seen = set(cells["month"].dt.month)
    strange = [name for number, name in enumerate(month_name) if number and number not in seen]
    fitted = loss_model.fit(
        cells, species_table(), formula=loss_model.ALL_YEAR_ALIKE if strange else loss_model.LOSS_FORMULA
    )
    notes = (f"no {', no '.join(strange)} on record: the mean rate of the other months is taken for every month",)
    lives = time.lifetimes[["species", "exit_age"]].astype({"exit_age": "float64"})
    tenth = lives.groupby("species")["exit_age"].nlargest(LEFT).groupby("species").agg(["min", "size"])
    known = {str(name): float(age) for name, age in tenth.loc[tenth["size"] >= LEFT, "min"].items()}
    every = float(lives["exit_age"].nlargest(LEFT).min()) if len(lives) else 0.0
    return FittedLosses(fitted, known, every, as_of, notes if strange else ()), time


def exits_of(time: PlantTime, terms: Terms) -> Exits:
    """Covered share of losses, and rates of other exits, under given terms.

    Takes:  plant-time; terms.
    Gives:  Exits.
    """
    whole = time.cells([]).iloc[0]
    share, losses = covered_share(time.losses, terms.covered, terms.excluded, terms.draws, terms.seed)
    days = float(whole["plant_days"])
    return Exits(share, float(whole["client_exits"]) / days, float(whole["withdrawn"]) / days, losses)
