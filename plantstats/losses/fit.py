"""Fit the loss model: a Poisson GLM on cells, species drawn towards their group, sites with a shared effect."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt
import pandas as pd
from scipy import sparse

from plantstats.exposure import DRY_AIR_BELOW
from plantstats.losses import clusters, likelihood, terms
from plantstats.losses.design import ModelError, design, drawn_in, names_in
from plantstats.losses.likelihood import Array, Counts
from plantstats.losses.model import LossModel
from plantstats.stats.clusters import FEWEST_CLUSTERS

# Fewer losses than this: no model, only rates (rule of thumb of ten events, Peduzzi et al. 1995, for one term).
FEWEST_LOSSES = 10
# Imagined losses, at as many expected ones, that draw a species towards its group and a group towards all.
SPECIES_PRIOR = 1.0
# The same for a level of any other term with fewer real losses than RARE.
RARE, RARE_PRIOR = 5, 0.5
# A yearly cycle has two coefficients and a mean: two months would fit any.
FEWEST_MONTHS = 3


def fit(
    cells: pd.DataFrame,
    species: pd.DataFrame | None = None,
    *,
    formula: str = terms.LOSS_FORMULA,
    prior: float = SPECIES_PRIOR,
    site_spread: float | None = None,
    threshold: float = DRY_AIR_BELOW,
) -> LossModel:
    """Fit losses against age, season, humidity, place and species.

    Takes:  cells by terms.CELLS_BY (losses dated "midpoint" for effects of season and age); species: name and
            group, one row per species (`records.species_table()`; a species not in it has its genus for a
            group); formula: one of those of `terms`, or with terms taken out; prior: imagined losses that draw
            a species towards its group and a group towards all (0: species are left out of the model);
            site_spread: squared relative spread of the sites' shared effect, learned from the sites when not given
            (0: the plain Poisson GLM); threshold: percent humidity below which dry air counts.
    Gives:  LossModel.
    Raises: ModelError for faulty cells, fewer than 10 losses, terms that carry the same information, and fits
            that do not settle.
    Source: piecewise constant rates as a Poisson GLM, Holford 1980, Laird and Olivier 1981; imagined data as a
            prior, Greenland 2007 (from memory).
    """
    used = terms.check_cells(cells)
    lost = int(used["losses"].sum())
    if lost < FEWEST_LOSSES:
        raise ModelError(
            f"{lost} losses in {used['plant_days'].sum():,.0f} plant-days: too few for a model of several terms "
            f"(at least {FEWEST_LOSSES}); the loss rates stand without it"
        )
    learned = terms.learn(used, threshold)
    made = terms.columns(used, learned, pool=True)
    notes = []
    if len(learned.months) < FEWEST_MONTHS and "year_cos" in formula:
        formula = formula.replace(" + year_cos + year_sin", "")
        notes.append(f"fewer than {FEWEST_MONTHS} calendar months on record: the model has no term for season")
    unread = int(made["no_humidity"].sum())
    if ("dry_air" in formula or "vpd_kpa" in formula) and "no_humidity" not in formula and unread:
        raise ModelError(
            f"{unread} of {len(made)} cells have no humidity reading; without the term no_humidity the formula would "
            "take their air as moist"
        )
    if "no_humidity" in formula and bool(made["no_humidity"].all()):
        formula = formula.replace(" + dry_air", "").replace(" + vpd_kpa", "").replace(" + no_humidity", "")
        notes.append("no humidity reading in any of the cells: the model has no term for it")
    group_of = groups(sorted(made["species"].unique()), species) if prior > 0 else {}
    counts, patterns = patterns_of(used, made, formula)
    plan = design(formula, patterns, "patterns")
    block = species_columns(patterns["species"], group_of)
    x = pd.concat([plan.x, block], axis=1)
    weak = np.zeros(x.shape[1])
    weak[plan.x.shape[1] :] = prior
    per_column = (x != 0).T.to_numpy(dtype="float64") @ patterns["losses"].to_numpy()
    # "Not read" is a level like those of the factors, though it stands as a column of its own.
    level = x.columns.str.contains("[", regex=False) | (x.columns == "no_humidity")
    factors = level & (np.arange(x.shape[1]) < plan.x.shape[1])
    together = drawn_in(plan.x) if prior > 0 else []
    weak[x.columns.isin(together)] = RARE_PRIOR
    if together:
        notes.append(
            f"{' and '.join(together)}: often of the same plants; each is drawn in by {RARE_PRIOR:g} imagined losses, "
            "and not to be read apart from the others"
        )
    rare = factors & (per_column < RARE) & (prior > 0)
    weak[rare] = RARE_PRIOR
    counts = replace(counts, x=x.to_numpy(dtype="float64"), prior=weak)
    beta, spread = solve(counts, site_spread, list(x.columns))
    covariance, method, holders = clusters.covariance(counts, beta, spread)
    notes += [*plan.left_out, *_cautions(x, per_column, factors, lost, weak)]
    notes += _few_sites(used["site_id"].nunique())
    return LossModel(
        formula=formula,
        terms=learned,
        plan=plan,
        group_of=group_of,
        names=tuple(x.columns),
        beta=beta,
        covariance=covariance,
        site_spread=spread,
        sites=tuple(sorted(used["site_id"].unique())),
        counts=counts,
        patterns=patterns,
        method=method,
        holders=holders,
        notes=tuple(notes),
    )


def solve(counts: Counts, site_spread: float | None, names: list[str]) -> tuple[Array, float]:
    """Coefficients and site spread of the greatest likelihood, finite or refused with the columns in the way."""
    start = likelihood.poisson_start(counts)
    if site_spread is None:
        spread, beta = likelihood.fit_spread(counts, start)
    else:
        spread, beta = site_spread, likelihood.maximise(counts, start, site_spread)
    wild = [n for n, b in zip(names, beta, strict=True) if n != "Intercept" and abs(b) > 12]
    if wild or not np.all(np.isfinite(beta)):
        raise ModelError(f"no finite estimate for {', '.join(wild)}: the losses lie wholly on one side of it")
    return beta, spread


def patterns_of(cells: pd.DataFrame, made: pd.DataFrame, formula: str) -> tuple[Counts, pd.DataFrame]:
    """Add cells of equal conditions up, as far as the formula tells them apart, by site and pattern.

    Gives:  Counts (x still empty), and one row per pattern: the formula's columns, species, losses, plant_days.
    Keeps:  losses and plant-days.
    """
    keys = ["species", *names_in(formula.split("~")[1])]
    grouped = made.groupby(keys, observed=True, sort=True)
    pattern = grouped.ngroup().to_numpy()
    site = pd.Categorical(cells["site_id"]).codes.astype("int64")
    shape = (int(site.max()) + 1, int(pattern.max()) + 1)
    days = sparse.csr_array((cells["plant_days"].to_numpy("float64"), (site, pattern)), shape=shape)
    losses = sparse.csr_array((made["losses"].to_numpy("float64"), (site, pattern)), shape=shape)
    losses.eliminate_zeros()
    patterns = made[keys].drop_duplicates().set_index(pattern[~made.duplicated(keys)]).sort_index()
    patterns = patterns.assign(
        losses=np.asarray(losses.sum(axis=0)).ravel(), plant_days=np.asarray(days.sum(axis=0)).ravel()
    )
    return Counts(np.empty((shape[1], 0)), losses, days, np.empty(0)), patterns


def groups(names: list[str], species: pd.DataFrame | None) -> dict[str, str]:
    """The group of each species: that of the table, else its genus (the first word of its name)."""
    told = {} if species is None else dict(zip(species["name"], species["group"], strict=True))
    return {name: str(told.get(name, name.split(" ")[0])) for name in names}


def species_columns(species: pd.Series, group_of: dict[str, str]) -> pd.DataFrame:
    """One column per group, and one per species of a group with several: each a departure, drawn towards 0.

    A species' log rate ratio is its group's departure from all plus its own from the group.
    """
    if len(group_of) < 2:
        return pd.DataFrame(index=species.index)
    group = species.map(group_of)
    sizes = pd.Series(group_of).value_counts()
    several = [name for name, of in group_of.items() if sizes[of] > 1]
    made = {f"group[{g}]": group.eq(g) for g in sorted(sizes.index) if len(sizes) > 1}
    made |= {f"species[{name}]": species.eq(name) for name in several}
    return pd.DataFrame(made, index=species.index).astype("float64")


def _cautions(x: pd.DataFrame, lost_in: Array, factors: npt.NDArray[np.bool_], lost: int, weak: Array) -> list[str]:
    said = [
        f"{name}: none lost; its estimate rests on {weak[n]:g} imagined losses, its upper limit on the records alone"
        for n, name in enumerate(x.columns)
        if lost_in[n] == 0 and (factors[n] or weak[n] > 0)
    ]
    free = int((weak == 0).sum())
    if lost < 10 * free:
        said.append(
            f"{lost} losses for {free} coefficients that nothing draws in: fewer than ten each (Peduzzi et al. 1995), "
            "so the intervals are rough"
        )
    return said


def _few_sites(sites: int) -> list[str]:
    if sites >= FEWEST_CLUSTERS:
        return []
    return [f"{sites} sites: too few to learn from how sites differ; the intervals rest on the model alone"]
