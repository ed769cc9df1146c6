"""Fit the loss model: a Poisson GLM, species shrunk towards their group, sites with a shared effect."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import pandas as pd

from plantstats.losses import clusters, newton
from plantstats.losses.design import (
    INTERCEPT,
    Array,
    Codes,
    Design,
    Factor,
    ModelError,
    check_rank,
    sums_by,
    unknown_columns,
)
from plantstats.losses.likelihood import Counts
from plantstats.losses.model import LossModel
from plantstats.losses.rate_table import RateTable
from plantstats.losses.terms import AIR, FACTORS, LOSS_TERMS, NUMERIC, SEASON
from plantstats.stats.clusters import FEWEST_CLUSTERS

# Fewer losses than this: no model, only rates (rule of thumb of ten events, Peduzzi et al. 1995, for one term).
FEWEST_LOSSES = 10
# Pseudo-events, at as many expected ones, that shrink a species towards its group and a group towards all.
SPECIES_PRIOR = 1.0
# The same for a level of any other term with fewer real losses than RARE.
RARE, RARE_PRIOR = 5, 0.5
# A yearly cycle has two coefficients and a mean: two months would fit any.
FEWEST_MONTHS = 3
# A log rate ratio beyond this is no estimate: all losses lie on one side.
NO_ESTIMATE = 12.0
# Gain of the log likelihood by the last step of a fit without some cells; what is left is of the order of its square.
CLOSE = 1e-2


def fit(
    exposure_table: pd.DataFrame | RateTable,
    species: pd.DataFrame | None = None,
    *,
    terms: Iterable[str] = LOSS_TERMS,
    pseudo_events: float = SPECIES_PRIOR,
    frailty_variance: float | None = None,
    start: LossModel | None = None,
) -> LossModel:
    """Fit losses against age, season, humidity, place and species.

    Parameters
    ----------
    exposure_table : pandas.DataFrame or RateTable
        Plant-days and losses by `terms.EXPOSURE_BY` (losses dated "midpoint" for effects of season and age), or the
        same coded already by `RateTable.from_exposure`.
    species : pandas.DataFrame
        name and group, one row per species (`records.species_table()`); a species not in it has its genus for a group.
    terms : iterable of str
        Of `terms.LOSS_TERMS`, all or some.
    pseudo_events : float
        Prior losses that shrink a species towards its group and a group towards all (0: species are left out of the
        model).
    frailty_variance : float
        Variance of the effect, mean 1, that plants of a site share; learned from the sites where not given (0: the
        plain Poisson GLM).
    start : LossModel
        A fit of a like table, such as of the quarter before, to begin with: the answer is the same, sooner.

    Returns
    -------
    LossModel

    Raises
    ------
    ModelError
        For a faulty exposure table, fewer than 10 losses, unknown terms, and fits that do not settle.
    CollinearTermsError
        For terms that carry the same information.

    Notes
    -----
    Losses of a cell are Poisson with mean plant-days x exp(x'b) x site effect; piecewise constant rates, so that the
    coefficients are log rate ratios. Pseudo-events are data of a prior: each adds an event, and one expected, to a
    column.

    References
    ----------
    Holford 1980, Biometrics 36:299; Laird and Olivier 1981, JASA 76:231; Greenland 2007, Int J Epidemiol 36:195 (from
    memory).

    Examples
    --------
    Thirty losses in low light against ten, of as many plant-days:

    >>> exposure_table = pd.DataFrame({
    ...     "site_id": "S1", "species": "Ficus lyrata", "light": ["low", "medium"], "pot": "15-24 cm",
    ...     "planter": "direct", "age_band": "days 91-365", "repotted": "never", "moved": "never",
    ...     "month": pd.Timestamp("2026-01-01"), "rh_band": "missing", "rh_tenths": 0, "rh_readings": 0,
    ...     "plant_days": 10_000, "losses": [30, 10],
    ... })
    >>> model = fit(exposure_table, terms=["light"], frailty_variance=0, pseudo_events=0)
    >>> profiles = pd.DataFrame({"species": ["Ficus lyrata"] * 2, "light": ["medium", "low"]})
    >>> model.rate(profiles)["rate"].round(3).tolist()
    [36.525, 109.575]
    """
    table = exposure_table if isinstance(exposure_table, RateTable) else RateTable.from_exposure(exposure_table)
    lost = int(table.losses.sum())
    if lost < FEWEST_LOSSES:
        raise ModelError(
            f"{lost} losses in {table.plant_days.sum():,.0f} plant-days: too few for a model of several terms "
            f"(at least {FEWEST_LOSSES}); the loss rates stand without it"
        )
    wanted, notes = _asked(table, list(terms))
    group_of = groups(table.species, species) if pseudo_events > 0 else {}
    only = {name: table.only_level(name) for name in wanted}
    counts = counts_of(table, [name for name in wanted if only[name] is None], group_of, pseudo_events)
    together = unknown_columns(counts.design.columns) if pseudo_events > 0 else []
    if together:
        notes.append(
            f"{' and '.join(together)}: often of the same plants; each is shrunk by {RARE_PRIOR:g} pseudo-events, "
            "and not to be read apart from the others"
        )
    notes += [f"{name} has one level ({level}) and is left out" for name, level in only.items() if level is not None]
    best = _best(counts, frailty_variance, start)
    covariance, method, n_clusters = clusters.covariance(counts, best)
    return LossModel(
        terms=tuple(wanted),
        coding=table.coding,
        group_of=group_of,
        beta=best.beta,
        covariance=covariance,
        frailty_variance=best.variance,
        sites=table.sites,
        counts=counts,
        expected=best.at.by_site,
        method=method,
        n_clusters=n_clusters,
        notes=(*notes, *_cautions(counts, lost)),
    )


def without(model: LossModel, table: RateTable, left_out: Codes) -> LossModel:
    """Model of the same table without some of its cells, for cross-validation: coefficients and site effects anew.

    Parameters
    ----------
    model : LossModel
        Of the whole table.
    table : RateTable
    left_out : numpy.ndarray
        Their numbers.

    Returns
    -------
    LossModel
        With the variance between sites, the priors and the covariance of the whole, and the calendar months that are
        left.

    Raises
    ------
    ModelError
        For fewer than 10 losses left, and fits that do not settle.

    References
    ----------
    Stone 1974, Journal of the Royal Statistical Society B 36:111: cross-validation (from memory).
    """
    whole, row = model.counts, model.counts.row
    # Of whole numbers, so that what is left is exact.
    days, losses = (
        all_of - sums_by(row[left_out], of[left_out], len(all_of))
        for all_of, of in ((whole.plant_days, table.plant_days), (whole.losses, table.losses))
    )
    lost = int(losses.sum())
    if lost < FEWEST_LOSSES:
        raise ModelError(f"{lost} losses without those left out: too few for a model (at least {FEWEST_LOSSES})")
    counts = whole.replaced(plant_days=days, losses=losses)
    best = newton.fit_at_variance(counts, model.beta, model.frailty_variance, settled=CLOSE)
    month = table.codes["month"]
    months = tuple(
        np.flatnonzero(np.bincount(month) > np.bincount(month[left_out], minlength=month.max() + 1)).tolist()
    )
    coding = replace(model.coding, months=months)
    return replace(model, beta=best.beta, counts=counts, expected=best.at.by_site, coding=coding)


def _best(counts: Counts, frailty_variance: float | None, start: LossModel | None) -> newton.Fit:
    """The fit, from the overall rate or another model's coefficients on; refused where it is not finite."""
    columns = counts.design.columns
    known = {INTERCEPT: float(np.log(counts.losses.sum() / counts.plant_days.sum()))}
    if start is not None:
        known = dict(zip(start.names, start.beta, strict=True))
    beta = np.array([known.get(name, 0.0) for name in columns])
    if frailty_variance is None:
        best = newton.fit_frailty(counts, beta, None if start is None else start.frailty_variance)
    else:
        best = newton.fit_at_variance(counts, beta, frailty_variance)
    wild = [name for name, b in zip(columns, best.beta, strict=True) if name != INTERCEPT and abs(b) > NO_ESTIMATE]
    if wild:
        raise ModelError(f"no finite estimate for {', '.join(wild)}: the losses lie wholly on one side of it")
    return best


def _asked(table: RateTable, terms: list[str]) -> tuple[list[str], list[str]]:
    """The terms that the table can carry, and what was taken out."""
    unknown = [name for name in terms if name not in LOSS_TERMS]
    if unknown:
        raise ModelError(f"no term {', '.join(unknown)} in the loss model (terms: {', '.join(LOSS_TERMS)})")
    notes = []
    # Factors stand before numeric terms.
    wanted = [name for name in terms if name in FACTORS] + [name for name in terms if name in NUMERIC]
    if len(table.coding.months) < FEWEST_MONTHS and set(wanted) & set(SEASON):
        wanted = [name for name in wanted if name not in SEASON]
        notes.append(f"fewer than {FEWEST_MONTHS} calendar months on record: the model has no term for season")
    unread = int(table.numeric["no_humidity"].sum())
    if "dry_air" in wanted and "no_humidity" not in wanted and unread:
        raise ModelError(
            f"{unread} of {len(table.site)} rows of the exposure table have no humidity reading; without the term "
            "no_humidity the model would take their air as moist"
        )
    if "no_humidity" in wanted and unread == len(table.site):
        wanted = [name for name in wanted if name not in AIR]
        notes.append("no humidity reading in any row of the exposure table: the model has no term for it")
    return wanted, notes


def counts_of(table: RateTable, terms: list[str], group_of: dict[str, str], pseudo_events: float) -> Counts:
    """Add rows up by site and pattern, as far as terms tell them apart, with the priors of rare levels.

    Parameters
    ----------
    table : RateTable
        The coded exposure table.
    terms : list of str
        Names of terms.
    group_of : dict of str to str
        Group of each species.
    pseudo_events : float
        Prior losses of a rare level, at the mean rate.

    Returns
    -------
    Counts

    Raises
    ------
    CollinearTermsError
        For terms that carry the same information.
    """
    pattern, first = table.patterns(terms)
    fixed = Design(tuple(table.parts(terms, first)))
    block = species_block(table.species, table.codes["species"][first], group_of)
    design = Design((*fixed.parts, *([block] if block.columns else [])))
    check_rank(design, shrunk=block.columns)
    key, row = np.unique(table.site * len(first) + pattern, return_inverse=True)
    counts = Counts(
        design,
        site=key // len(first),
        pattern=key % len(first),
        plant_days=sums_by(row, table.plant_days, len(key)),
        losses=sums_by(row, table.losses, len(key)),
        n_sites=len(table.sites),
        prior=np.zeros(len(design.columns)),
        row=row,
    )
    return counts.replaced(prior=_prior(counts, len(fixed.columns), pseudo_events))


def _prior(counts: Counts, n_fixed: int, pseudo_events: float) -> Array:
    """Pseudo-events per column: species and groups, levels not known of the same plants, and levels with few losses."""
    columns = counts.design.columns
    prior = np.zeros(len(columns))
    if pseudo_events > 0:
        # "Not read" is a level like those of the factors, though it stands as a column of its own.
        level = np.array(["[" in name or name == "no_humidity" for name in columns])
        prior[level & (counts.losses_per_column < RARE)] = RARE_PRIOR
        prior[np.isin(columns, unknown_columns(counts.design.columns))] = RARE_PRIOR
    prior[n_fixed:] = pseudo_events
    return prior


def groups(names: Iterable[str], species: pd.DataFrame | None) -> dict[str, str]:
    """Group of each species: that of the table, else its genus (the first word of its name).

    Parameters
    ----------
    names : iterable of str
        Of species.
    species : pandas.DataFrame or None
        Columns species, group.

    Returns
    -------
    dict of str to str
    """
    listed = {} if species is None else dict(zip(species["name"], species["group"], strict=True))
    return {name: str(listed.get(name, name.split(" ")[0])) for name in names}


def species_block(names: tuple[str, ...], codes: Codes, group_of: dict[str, str]) -> Factor:
    """One column per group, and one per species of a group with several: each a departure, shrunk towards 0.

    A species' log rate ratio is its group's departure from all plus its own from the group.

    Parameters
    ----------
    names : tuple of str
        Of species.
    codes : Codes
        Number of each row's species.
    group_of : dict of str to str
        Group of each species.

    Returns
    -------
    Factor
    """
    sizes = pd.Series(group_of).value_counts()
    of_groups = sorted(sizes.index) if len(sizes) > 1 else []
    several = [name for name in group_of if sizes[group_of[name]] > 1] if len(group_of) > 1 else []
    values = [
        [float(group_of[name] == group) for group in of_groups] + [float(name == other) for other in several]
        for name in names
    ]
    columns = (*(f"group[{group}]" for group in of_groups), *(f"species[{name}]" for name in several))
    return Factor("species", names, codes, columns, np.array(values))


def _cautions(counts: Counts, lost: int) -> list[str]:
    prior, columns = counts.prior, counts.design.columns
    messages = [
        f"{name}: none lost; its estimate rests on {n:g} pseudo-events, its upper limit on the records alone"
        for name, n, events in zip(columns, prior, counts.losses_per_column, strict=True)
        if events == 0 and ("[" in name or n > 0)
    ]
    n_free = int((prior == 0).sum())
    if lost < 10 * n_free:
        messages.append(
            f"{lost} losses for {n_free} coefficients that nothing shrinks: fewer than ten each (Peduzzi et al. 1995), "
            "so the intervals are rough"
        )
    if counts.n_sites < FEWEST_CLUSTERS:
        messages.append(
            f"{counts.n_sites} sites: too few to learn from how sites differ; the intervals rest on the model alone"
        )
    return messages
