"""All findings of the leaf-loss page of one quarter."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import pandas as pd

from plantstats import findings
from plantstats.exposure import DRY_AIR_BELOW
from plantstats.leaves import crown, foretell, observed, results, shedding
from plantstats.leaves.build import LeafTime, build
from plantstats.leaves.counts import NEGATIVE_BINOMIAL, LeafModelError
from plantstats.leaves.inputs import OUTCOMES
from plantstats.leaves.model import DAYS_PER_MONTH, LeafFit, fit_leaves, hinge_profile
from plantstats.periods import heating_months

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.periods import Period
    from plantstats.records import Records

# Named beforehand, so that nobody picks the most striking split afterwards.
SPLITS: tuple[list[str], ...] = ([], ["species"], ["light"], ["site_id"])
NAMES = {"green": "green leaves dropped", "yellow": "oldest leaves yellowed"}


@dataclass(frozen=True)
class LeafReview:
    """The page's findings, the models behind them, and what must be said beside them."""

    findings: pd.DataFrame
    models: dict[str, LeafFit]  # by outcome; an outcome that could not be fitted is not in it
    notes: tuple[str, ...]
    account: pd.DataFrame
    hinges: pd.DataFrame  # hinge, behind (log likelihood behind the best)


def review(
    plant_time: PlantTime, records: Records, period: Period, client: str = "", season: str = "cycle"
) -> LeafReview:
    """Make the leaf-loss findings of a quarter.

    Takes:  plant-time up to the quarter's end or later; its records; period; client: rates and plants of one
            client ("" for all; the model always rests on all); season: as in `fit_leaves`.
    Gives:  LeafReview. What the records cannot tell is missing from the findings and said in the notes.
    """
    time = build(plant_time)
    made, models, notes = [], {}, []
    whole = f"to {time.as_of}"
    for outcome in OUTCOMES:
        made += [observed.leaves_by(time, outcome, by, period, client) for by in SPLITS]
        try:
            models[outcome] = fit_leaves(
                time, outcome, season, heating_months=heating_months(records.settings.heating_season)
            )
        except LeafModelError as error:
            notes.append(f"No model of {NAMES[outcome]}: {error}.")
            continue
        made.append(results.model_findings(models[outcome], whole))
        notes += _of_model(models[outcome])
    hinges = pd.DataFrame({"hinge": [], "behind": []})
    if "green" in models:
        made.append(shedding.shedding(shedding.plants(time, models["green"], period, client), period))
        made.append(foretell.foretold(plant_time, time, models["green"], whole))
        hinges = hinge_profile(time)
        notes += _hinge(hinges)
    made.append(crown.crown(time, period, client))
    notes += _uncounted(time, records)
    kept = [part for part in made if len(part)]
    table = findings.table(pd.concat(kept, ignore_index=True)) if kept else findings.table([])
    return LeafReview(table, models, tuple(notes), time.account, hinges)


def _of_model(model: LeafFit) -> list[str]:
    said = []
    fit, name = model.fit, NAMES[model.outcome]
    if fit.family != NEGATIVE_BINOMIAL:
        said.append(f"Counts of {name} follow the Poisson law here: {fit.why} (Pearson / df {fit.pearson_df:.2f}).")
    if fit.cov_sites is None:
        said.append(f"All {name} come from one site: the limits do not allow for differences between sites.")
    for row in model.nothing.itertuples():
        said.append(
            f"Not in the model of {name}: {row.factor} {row.level} had no leaf at {row.n} visits, "
            f"which is not the same as none to come."
        )
    return said


def _hinge(hinges: pd.DataFrame) -> list[str]:
    best = int(hinges.loc[hinges["behind"].idxmin(), "hinge"])
    behind = float(hinges.loc[hinges["hinge"].eq(DRY_AIR_BELOW), "behind"].iloc[0])
    # Twice the difference above 3.84 is beyond chance at 5% (chi-squared, one degree of freedom).
    if best != DRY_AIR_BELOW and 2 * behind > 3.84:
        return [f"Dry air is counted below {DRY_AIR_BELOW}% humidity; these records would fit better with {best}%."]
    return []


def _uncounted(time: LeafTime, records: Records) -> list[str]:
    """Visits whose leaves are words or nothing: what became of them, and what the rate would be at the least."""
    said = []
    row = time.ask("""
        select coalesce(sum(rows) filter (off is not null or green_lower is null), 0)::bigint as visits,
               coalesce(sum(plant_days) filter (off is not null or green_lower is null), 0)::double as days,
               coalesce(sum(plant_days) filter (off is null and green_lower is not null), 0)::double as counted,
               coalesce(sum(green_lower) filter (off is null), 0)::double as leaves,
               count(*) filter (off is null and green is null and green_lower is not null) as green,
               count(*) filter (off is null and yellow is null and yellow_lower is not null) as yellow
        from leaf_spells where off is null or off = 'leaves not counted'""").iloc[0]
    if row["visits"] and row["counted"]:
        rate = DAYS_PER_MONTH * row["leaves"] / row["counted"]
        least = DAYS_PER_MONTH * row["leaves"] / (row["counted"] + row["days"])
        said.append(
            f"At {row['visits']:,.0f} visits dropped leaves were not counted in numbers, nor in words that the "
            f"settings know; they are left out. Had none fallen there, the rate over all records would be {least:.2f} "
            f"instead of {rate:.2f} leaves per plant-month."
        )
    if row["green"] or row["yellow"]:
        meant = ", ".join(f"{word} {low} to {high}" for word, (low, high) in records.settings.leaf_words.items())
        counts = " and ".join(f"{row[name]:,.0f} counts of {NAMES[name]}" for name in OUTCOMES if row[name])
        said.append(
            f"Words stand for {counts}; the settings say what they mean ({meant}). The model takes each as any number "
            "between; rates, plants that stand out, crowns and what leaf drop foretells take it as the least, and the "
            "rates again as the most."
        )
    aside = records.set_aside
    words = aside[(aside["table"] == "visits") & aside["column"].isin(OUTCOMES.values())]
    if len(words):
        most = ", ".join(f"{text!r} {n}" for text, n in words["text"].value_counts().head(3).items())
        said.append(
            f"{len(words)} leaf counts in visits are no number ({most}), so those visits count without their leaves. "
            "A word such as few or many counts once the settings say, under [leaf_words], from how many to how many "
            "leaves it means."
        )
    return said
