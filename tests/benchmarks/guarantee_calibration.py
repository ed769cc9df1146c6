"""How often the points of a quote hold, over many invented companies whose truth is known.

Each company has its own species, light, age and season effects and its own spread of sites. Its losses are samples
(Poisson given each site's gamma effect) for three years; the loss model is fitted on them as for a quote; a list
for a new site is quoted; and the chance that the true cost stays within the quote's 80% and 95% points is worked
out exactly from the truth, a new site effect included. The mean of these chances over companies is the coverage.

Run: python -m tests.benchmarks.guarantee_calibration [--companies 200]. About a second and a half per company.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd

from plantstats import losses
from plantstats.exposure.inputs import AGE_CUTS, age_bands
from plantstats.guarantee import quote
from plantstats.guarantee.distribution import Distribution, total_cost
from plantstats.guarantee.fitted_hazards import FittedHazards
from plantstats.guarantee.hazards import Exits, site_effects
from plantstats.guarantee.plant_list import NEW_SITE
from plantstats.guarantee.projection import Cohorts, Cover, HazardSamples, project
from plantstats.guarantee.terms import Terms
from plantstats.guarantee.time_grid import monthly_grid
from plantstats.records import species_table

SPECIES = (
    "Ficus benjamina",
    "Ficus lyrata",
    "Dracaena fragrans",
    "Dracaena marginata",
    "Spathiphyllum wallisii",
    "Epipremnum aureum",
    "Zamioculcas zamiifolia",
    "Chamaedorea elegans",
)
LIGHTS, POTS = ("low", "medium", "high"), ("under 15 cm", "15-24 cm", "25-34 cm")
BANDS = age_bands()[:-1]
START = date(2026, 10, 1)


@dataclass(frozen=True)
class Truth:
    """Log rate ratios of one invented company, its base rate per plant-day, the variance of its site effects."""

    base: float
    species: np.ndarray
    light: np.ndarray
    pot: np.ndarray
    age: np.ndarray
    cycle: tuple[float, float]
    site_variance: float

    def intercept(self, classes: np.ndarray) -> np.ndarray:
        """Losses per plant-day of classes (species, light, pot numbers) at a mean site, age and season apart."""
        return self.base * np.exp(self.species[classes[:, 0]] + self.light[classes[:, 1]] + self.pot[classes[:, 2]])

    def shape(self) -> np.ndarray:
        """Bands x 12: what age and season multiply the level with."""
        angle = 2 * np.pi * (np.arange(12) + 0.5) / 12
        season = self.cycle[0] * np.cos(angle) + self.cycle[1] * np.sin(angle)
        return np.exp(self.age[:, None] + season)


def draw_truth(rng: np.random.Generator) -> Truth:
    """A company's truth: 10 to 25 losses per 100 plant-years, sites that differ by 20 to 60 percent."""
    return Truth(
        rng.uniform(10, 25) / 36_525,
        rng.normal(0, 0.35, len(SPECIES)),
        np.array([rng.normal(0.4, 0.2), 0, -0.2]),
        np.array([0.2, 0, -0.1]),
        np.array([rng.normal(0.6, 0.2), 0, -0.1, -0.1]),
        (rng.normal(0.15, 0.1), rng.normal(0, 0.1)),
        rng.uniform(0.2, 0.6) ** 2,
    )


def draw_cells(truth: Truth, rng: np.random.Generator, sites: int, per_site: int) -> pd.DataFrame:
    """Three years of cells with losses: `per_site` groups of like plants at each site."""
    n = sites * per_site
    site = np.repeat(np.arange(sites), per_site)
    classes = np.stack([rng.integers(0, k, n) for k in (len(SPECIES), len(LIGHTS), len(POTS))], axis=1)
    plants, born = rng.integers(2, 12, n), rng.uniform(-900, 1000, n)
    effect = rng.gamma(1 / truth.site_variance, truth.site_variance, sites)
    hazard = truth.intercept(classes)[:, None, None] * truth.shape()
    months = pd.date_range("2023-10-01", periods=36, freq="MS")
    parts = []
    for number, month in enumerate(months):
        age = 30.44 * (number + 0.5) - born
        band = np.searchsorted(AGE_CUTS, age)
        here = age > 0
        days = plants * float(month.days_in_month)
        rate = hazard[np.arange(n), np.minimum(band, 3), month.month - 1] * effect[site]
        parts.append(
            pd.DataFrame(
                {
                    "site_id": np.char.add("S", site.astype(str)),
                    "species": np.array(SPECIES)[classes[:, 0]],
                    "light": np.array(LIGHTS)[classes[:, 1]],
                    "pot": np.array(POTS)[classes[:, 2]],
                    "planter": "direct",
                    "age_band": np.array(BANDS)[np.minimum(band, 3)],
                    "month": month,
                    "heating": month.month in (10, 11, 12, 1),
                    "repotted": "never",
                    "moved": "never",
                    "rh_band": "missing",
                    "n_plants": plants,
                    "plant_days": days,
                    "losses": rng.poisson(rate * days),
                    "rh_tenths": 0,
                    "rh_readings": 0,
                }
            )[here]
        )
    return pd.concat(parts, ignore_index=True).astype({name: "str" for name in ("site_id", "species", "light", "pot")})


def quoted_and_true(
    seed: int, sites: int = 40, per_site: int = 8, draws: int = 200, effects: int = 400
) -> tuple[quote.Quote, Distribution]:
    """One company: the quote of a list for a new site, and the true distribution of its cost."""
    rng = np.random.default_rng([20260930, seed])
    truth = draw_truth(rng)
    cells = draw_cells(truth, rng, sites, per_site)
    model = FittedHazards(losses.fit(cells, species_table()), {}, 10_000.0)
    n = 12
    classes = np.stack([rng.integers(0, k, n) for k in (len(SPECIES), len(LIGHTS), len(POTS))], axis=1)
    listed = pd.DataFrame(
        {
            "position": [f"A{k}" for k in range(n)],
            "site_id": NEW_SITE,
            "species": np.array(SPECIES)[classes[:, 0]],
            "light": np.array(LIGHTS)[classes[:, 1]],
            "pot": np.array(POTS)[classes[:, 2]],
            "planter": "direct",
            "quantity": rng.integers(2, 16, n),
            "unit_cost": rng.integers(12, 90, n).astype(float),
            "labour_minutes": 15.0,
            "installed_on": pd.Series(pd.NaT, index=range(n), dtype="datetime64[us]"),
        }
    )
    terms = Terms(START, 24, draws=draws, seed=seed, lead_days=14)
    quoted = quote.make_quote(listed, model, Exits(), terms)
    return quoted, true_cost(truth, classes, quoted, effects)


def true_cost(truth: Truth, classes: np.ndarray, quoted: quote.Quote, effects: int) -> Distribution:
    """The distribution of the cost under the truth: a new site's effect, chance, nothing else."""
    n, grid = len(classes), monthly_grid(quoted.terms.starts_on, quoted.terms.ends_on)
    shape = truth.shape()
    shape = np.concatenate([shape, shape[-1:]])
    effect = site_effects(np.full(effects, truth.site_variance), np.zeros(1), np.zeros((effects, 1)), ["new"], 1)
    cohorts = Cohorts.over_term(grid, np.zeros(n), np.zeros(n, dtype="int64"))
    samples = HazardSamples(
        AGE_CUTS,
        np.repeat(truth.intercept(classes)[None], effects, axis=0),
        np.repeat(shape[None], effects, axis=0),
        effect,
    )
    projection = project(grid, cohorts, Cover(quoted.terms.lead_days), samples)
    return total_cost(projection.pmf, quoted.lines["quantity"], quoted.lines["unit"])[0]


def coverage(companies: int, first: int = 0, **sizes: int) -> pd.DataFrame:
    """One row per company: chance that the true cost stays within the quote's points; quoted over true mean."""
    rows = []
    for seed in range(first, first + companies):
        quoted, true = quoted_and_true(seed, **sizes)
        rows.append(
            {
                "at_80": true.cdf(quoted.quantile(0.80)),
                "at_95": true.cdf(quoted.quantile(0.95)),
                "ratio": quoted.cost.mean / true.mean,
                "frailty_variance": quoted.frailty_variance,
            }
        )
    return pd.DataFrame(rows)


def main() -> None:
    """Print the coverage with its own Monte Carlo error."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--companies", type=int, default=200)
    given = parser.parse_args()
    begin = time.perf_counter()
    for name, sizes in {"40 sites": {"sites": 40}, "12 sites": {"sites": 12}}.items():
        held = coverage(given.companies, **sizes)
        error = held[["at_80", "at_95"]].std(ddof=1) / np.sqrt(given.companies)
        print(
            f"{name}: the 80% point holds {100 * held['at_80'].mean():.1f} in 100 (se {100 * error['at_80']:.1f}), "
            f"the 95% point {100 * held['at_95'].mean():.1f} (se {100 * error['at_95']:.1f}); expected / true mean "
            f"{held['ratio'].mean():.3f}, sd {held['ratio'].std(ddof=1):.3f}"
        )
    print(f"{2 * given.companies} companies in {time.perf_counter() - begin:.0f} s")


if __name__ == "__main__":
    main()
