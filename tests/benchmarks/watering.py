"""Speed of the drying fit on one million spells, beside two rivals.

    python -m tests.benchmarks.watering [spells in thousands, default 1000]

Rivals: the same likelihood on the spells as they are, one row each, instead of distinct rows with counts; and the
biased shortcut, a complementary log-log regression of "dry or not" on every look (statsmodels). Prints seconds and
ratios; ends with 1 when the two fits of the same likelihood differ by more than a hundredth of a standard error.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable

import numpy as np
import pandas as pd
import statsmodels.api as sm

from plantstats.records.species import species_table
from plantstats.watering.design import effect_names, kinds_of
from plantstats.watering.distribution import FAMILIES, Observations
from plantstats.watering.drying import DryingModel
from plantstats.watering.drying_fit import fit_drying
from plantstats.watering.estimation import clustered_covariance, likeliest

LIGHTS, POTS = ("low", "medium", "high"), ("under 15 cm", "15-24 cm", "25-34 cm", "35 cm and more")
SHAPE, MISREAD, SPECIES = 3.0, 0.04, 16
SHORT_RUN = 20  # The shortcut gets this part of the spells; its time is then stated for all of them.
SAME = 0.01  # standard errors


def spells(number: int, seed: int = 1) -> pd.DataFrame:
    """Invented spells, one row each, of 16 species at sites visited every 7, 14 or 28 days."""
    rng = np.random.default_rng(seed)
    names = species_table()["name"].to_numpy()[:SPECIES]
    codes = {
        "species": rng.integers(0, SPECIES, number),
        "light": rng.integers(0, 3, number),
        "pot": rng.integers(0, 4, number),
    }
    site = rng.integers(0, 2000, number)
    every = np.array([7, 14, 28])[site % 3]
    heated = rng.random(number) < 0.58
    log_scale = (
        np.log(8 + codes["species"])
        + np.array([0.2, 0.0, -0.2])[codes["light"]]
        + np.array([-0.25, 0.0, 0.2, 0.35])[codes["pot"]]
        - 0.1 * heated
    )
    dried = np.exp(log_scale) * rng.weibull(SHAPE, number)
    wet, going = np.zeros(number, int), np.ones(number, bool)
    for _ in range(30):
        going &= ~((dried <= (wet + 1) * every) ^ (rng.random(number) < MISREAD))
        wet += going
    return pd.DataFrame(
        {
            "site_id": site.astype(str),
            "method": "topsoil word",
            "species": names[codes["species"]],
            "light": np.array(LIGHTS)[codes["light"]],
            "pot": np.array(POTS)[codes["pot"]],
            "planter": "direct",
            "heating": heated,
            "n_moist": wet,
            "previous": np.maximum(wet - 1, 0) * every,
            "lower": wet * every,
            "upper": (wet + 1.0) * every,
        }
    )


def collapse(rows: pd.DataFrame) -> pd.DataFrame:
    """Distinct spells with their number, as the records' chain gives them."""
    return rows.groupby(list(rows.columns), dropna=False, observed=True).size().rename("n").reset_index()


def look_by_look(rows: pd.DataFrame) -> object:
    """The shortcut: every look by itself."""
    looks = rows.loc[rows.index.repeat(rows["n_moist"] + 1)]
    number = looks.groupby(level=0).cumcount().to_numpy() + 1
    dry = (number == looks["n_moist"].to_numpy() + 1).astype(float)
    day = number * (looks["upper"] / (looks["n_moist"] + 1)).to_numpy()
    dummies = pd.get_dummies(looks[["species", "light", "pot", "heating"]].astype(str), drop_first=True).to_numpy(
        dtype=float
    )
    design = np.column_stack([np.ones(len(looks)), np.log(day), dummies])
    return sm.GLM(dry, design, family=sm.families.Binomial(sm.families.links.CLogLog())).fit()


def row_by_row(rows: pd.DataFrame) -> np.ndarray:
    """Both families, one row a spell, with errors between sites as in `fit_drying`."""
    names, observed = (
        effect_names(rows),
        Observations(*rows[["previous", "lower", "upper", "n_moist", "n"]].to_numpy("float64").T),
    )
    kinds = kinds_of(rows, names)
    best = max((likeliest(each, observed, kinds, names, None) for each in FAMILIES), key=lambda one: one.log_likelihood)
    clustered_covariance(best, observed, kinds, pd.factorize(rows["site_id"])[0], None)
    return best.estimate


def timed(what: str, work: Callable[[], object]) -> tuple[float, object]:
    """Seconds of one run, printed."""
    begin = time.perf_counter()
    made = work()
    seconds = time.perf_counter() - begin
    print(f"{what:<62} {seconds:8.2f} s", flush=True)
    return seconds, made


def main(number: int) -> int:
    """Run all sides on the same spells; 1 where two disagree."""
    rows = spells(number)
    cells = collapse(rows)
    print(f"{number:,} spells, {len(cells):,} distinct rows with sites")
    ours, fit = timed("cells to fit: both laws, shrinkage, misread looks, site errors", lambda: fit_drying(cells))
    assert isinstance(fit, DryingModel)
    print(f"   {fit.family}: shape {fit.shape:.3f} (true {SHAPE}), misread {fit.misclassified:.4f} (true {MISREAD})")
    plain, estimate = timed("the same, one row a spell", lambda: row_by_row(rows.assign(n=1)))
    few = rows.head(number // SHORT_RUN)
    naive, made = timed(f"look by look, GLM ({len(few):,} spells)", lambda: look_by_look(few))
    print(f"   shape {made.params[1]:.3f} (true {SHAPE}): biased")  # type: ignore[attr-defined]
    print(f"ratio, one row a spell / ours: {plain / ours:.1f}")
    print(f"ratio, look by look / ours, per spell: {naive * SHORT_RUN / ours:.1f}")
    gap = float(np.max(np.abs(fit.estimate - estimate) / np.sqrt(np.diag(fit.covariance))))  # type: ignore[operator]
    print(f"widest gap between the two fits of one likelihood: {gap:.4f} standard errors")
    return int(gap > SAME)


if __name__ == "__main__":
    sys.exit(main(1000 * int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000))
