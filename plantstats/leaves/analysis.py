"""All findings of the leaf loss of one quarter."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import pandas as pd

from plantstats import findings
from plantstats.leaves import crown, effects, observed, prognosis, shedding
from plantstats.leaves.build import CountIntervals, build
from plantstats.leaves.inputs import OUTCOMES
from plantstats.leaves.model import DAYS_PER_MONTH, LeafFit, fit_leaves, humidity_limit_profile
from plantstats.losses.common_cause import AFTERMATH, CommonCause, common_cause
from plantstats.stats.counts import NEGATIVE_BINOMIAL, CountModelError

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.periods import Period
    from plantstats.records import Records

# Named beforehand, so that nobody picks the most striking split afterwards.
SPLITS: tuple[list[str], ...] = ([], ["species"], ["light"], ["site_id"])
NAMES = {"green": "green leaves dropped", "yellow": "oldest leaves yellowed"}
# Twice the difference of log likelihoods above this is beyond chance at 5% (chi-squared, one degree of freedom).
BEYOND_CHANCE = 3.84


@dataclass(frozen=True)
class LeafLoss:
    """Findings of a quarter, the models behind them, and what must be said beside them.

    Attributes
    ----------
    findings : pandas.DataFrame
    models : dict of str to LeafFit
        By outcome; an outcome that could not be fitted is not in it.
    notes : tuple of str
        What the records cannot tell, in sentences.
    account : pandas.DataFrame
        What became of every visit row (see `CountIntervals.account`).
    humidity_limits : pandas.DataFrame
        See `model.humidity_limit_profile`; empty without a model of green leaves.
    """

    findings: pd.DataFrame
    models: dict[str, LeafFit]
    notes: tuple[str, ...]
    account: pd.DataFrame
    humidity_limits: pd.DataFrame


def leaf_loss(
    plant_time: PlantTime, records: Records, period: Period, client: str = "", events: CommonCause | None = None
) -> LeafLoss:
    """Make the leaf-loss findings of a quarter.

    Parameters
    ----------
    plant_time : PlantTime
        Up to the quarter's end or later.
    records : Records
        Those that it was made of.
    period : Period
    client : str
        Rates and plants of one client ("" for all); the model always rests on all.
    events : CommonCause
        The events on record, if at hand. What they may have shaken is in no model; rates as they were found, and plants
        that shed, keep it.

    Returns
    -------
    LeafLoss
        What the records cannot tell is missing from the findings, and said in the notes.

    Examples
    --------
    >>> from plantstats import exposure, leaves, records
    >>> r = records.load(folder)  # doctest: +SKIP
    >>> leaves.leaf_loss(exposure.build(r, as_of), r, period).notes  # doctest: +SKIP
    """
    intervals = build(plant_time)
    events = events or common_cause(plant_time)
    of_fits = intervals.outside(events.shaken)
    ordinary = replace(intervals, engine=plant_time.censored_at(events.losses).engine)
    tables, models, notes = [], {}, []
    whole = f"to {intervals.as_of}"
    for outcome in OUTCOMES:
        tables += [observed.leaves_by(intervals, outcome, by, period, client) for by in SPLITS]
        try:
            models[outcome] = fit_leaves(of_fits, outcome)
        except CountModelError as error:
            notes.append(f"No model of {NAMES[outcome]}: {error}.")
            continue
        tables.append(effects.model_findings(models[outcome], whole))
        notes += _of_model(models[outcome])
    limits = pd.DataFrame({"humidity_limit": [], "behind": []})
    if "green" in models:
        green = models["green"]
        tables.append(shedding.shedding(shedding.plants(intervals, green, period, client), period))
        tables.append(prognosis.loss_after_leaf_drop(ordinary, green, whole))
        limits = humidity_limit_profile(of_fits, green)
        notes += _of_limits(limits, green.humidity_limit)
    tables.append(crown.crown(intervals, period, client))
    notes += [*_of_events(events), *_uncounted(intervals), *_words(intervals, records), *_unread(records)]
    filled = [table for table in tables if len(table)]
    table = findings.table(pd.concat(filled, ignore_index=True) if filled else [])
    return LeafLoss(table, models, tuple(notes), intervals.account, limits)


def _of_model(model: LeafFit) -> list[str]:
    notes, fit, name = [], model.fit, NAMES[model.outcome]
    if fit.family != NEGATIVE_BINOMIAL:
        reason = f"{fit.family_reason} (Pearson / df {fit.pearson_df:.2f})"
        notes.append(f"Counts of {name} follow the Poisson law here: {reason}.")
    if fit.df is None:
        notes.append(f"All {name} come from one site: the limits do not allow for differences between sites.")
    return notes + [
        f"Not in the model of {name}: {row.factor} {row.level} had no leaf at {row.n} visits, "
        f"which is not the same as none to come."
        for row in model.zero_levels.itertuples()
    ]


def _of_events(events: CommonCause) -> list[str]:
    n = len(events.events)
    if not n:
        return []
    these = f"{n} events, from" if n > 1 else "an event, from"
    return [
        f"Counts at sites of {these} its first plant last seen alive to {AFTERMATH.days} days after its last loss was "
        "found, are in no model of leaves."
    ]


def _of_limits(limits: pd.DataFrame, used: int) -> list[str]:
    behind = limits.set_index("humidity_limit")["behind"]
    if 2 * behind[used] <= BEYOND_CHANCE:
        return []
    best = behind.idxmin()
    return [f"Dry air is counted below {used}% humidity; these records would fit better with {best}%."]


def _uncounted(intervals: CountIntervals) -> list[str]:
    """Visits at which leaves were not counted, and what the rate would be had none fallen there."""
    row = intervals.sql("""
        with seen as (
            select n_rows, plant_days, green_lower, exclusion_reason is null and green_lower is not null as counted
            from leaf_intervals where exclusion_reason is null or exclusion_reason = 'leaves not counted'
        )
        select coalesce(sum(n_rows) filter (not counted), 0)::bigint as visits,
               coalesce(sum(plant_days) filter (not counted), 0)::double as days,
               coalesce(sum(plant_days) filter (counted), 0)::double as days_counted,
               coalesce(sum(green_lower) filter (counted), 0)::double as leaves
        from seen""").iloc[0]
    if not row["visits"] or not row["days_counted"]:
        return []
    rate = DAYS_PER_MONTH * row["leaves"] / row["days_counted"]
    lowest = DAYS_PER_MONTH * row["leaves"] / (row["days_counted"] + row["days"])
    return [
        f"At {row['visits']:,.0f} visits dropped leaves were not counted in numbers, nor in words that the settings "
        f"know; they are left out. Had none fallen there, the rate over all records would be {lowest:.2f} instead of "
        f"{rate:.2f} leaves per plant-month."
    ]


def _words(intervals: CountIntervals, records: Records) -> list[str]:
    """Counts in words that the settings know."""
    n = {outcome: int(intervals.censored(outcome)["n"].sum()) for outcome in OUTCOMES}
    if not any(n.values()):
        return []
    meant = ", ".join(f"{word} {low} to {high}" for word, (low, high) in records.settings.leaf_words.items())
    counts = " and ".join(f"{number:,} counts of {NAMES[outcome]}" for outcome, number in n.items() if number)
    return [
        f"Words stand for {counts}; the settings say what they mean ({meant}). The model takes each as any number "
        "between; rates, plants that stand out, crowns and what leaf drop foretells take it as the least, and the "
        "rates again as the most."
    ]


def _unread(records: Records) -> list[str]:
    """Counts that are no number and no word that the settings know."""
    aside = records.set_aside
    cells = aside[(aside["table"] == "visits") & aside["column"].isin(OUTCOMES.values())]
    if cells.empty:
        return []
    often = ", ".join(f"{text!r} {n}" for text, n in cells["text"].value_counts().head(3).items())
    return [
        f"{len(cells)} leaf counts in visits are no number ({often}), so those visits count without their leaves. "
        "A word such as few or many counts once the settings say, under [leaf_words], from how many to how many "
        "leaves it means."
    ]
