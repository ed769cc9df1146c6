"""What the watch list adds to the last condition score, beside a referee: `python -m tests.benchmarks.watch_list`.

Invented companies of both generators, none of them used to build the list. Each is tested on its last four quarters,
every list from what was known at its start. Told are, in points of pairs (concordance within each list): the list, the
list without the signs of the visits, the last score alone, and gradient boosting that has learned from the other half
of the companies what the list knows of a plant; then losses over those expected, by fifth of each list. Limits are
between companies. `--folder` keeps the rows of each company, so that a run that was stopped goes on.
"""

from __future__ import annotations

import argparse
import tempfile
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import pandas as pd
from sklearn.ensemble import HistGradientBoostingClassifier

from plantstats import exposure, periods
from plantstats.losses.common_cause import ordinary
from plantstats.losses.design import ModelError
from plantstats.losses.landmark import CONDITIONS, FIRST_SIGN
from plantstats.losses.standing import lost_within
from plantstats.losses.warning_signs import SIGNS
from plantstats.losses.watch_findings import concordance
from plantstats.losses.watch_list import PAST_LISTS, watch
from plantstats.losses.watch_memory import Memory
from plantstats.records import load, species_table
from plantstats.validation import design, second_companies, second_days, second_records
from tests.builders.invented_records import InventedRecords

LAST, AS_OF = periods.quarter("2026-Q3"), date(2026, 9, 30)
FIFTHS = 5
WAYS = {"listed": "the list", "unsigned": "without signs", "score": "last score alone", "referee": "referee"}


def of_company(generator: int, seed: int, number: int, folder: Path) -> pd.DataFrame:
    """One row per plant and list: what each way gives it, what the referee may learn from, and whether it was lost."""
    if generator == 1:
        case = design.case(seed, number)
        records = InventedRecords(folder, case.plants, case.seed, case.params, case.years)
    else:
        second_records.write(second_days.run(second_companies.case(seed, number)[1]), folder)
        records = load(folder)
    time = ordinary(exposure.build(records, AS_OF, "found"))
    memory, parts = Memory(time), []
    for quarter in [*periods.previous_quarters(LAST, PAST_LISTS - 1), LAST]:
        day = quarter.start - timedelta(days=1)
        try:
            made = watch(records, day, species_table(), memory, with_reasons=False)
        except ModelError:
            continue
        rows = made.plants.merge(memory.standing_on(records, day)[["plant_id", "age_band", *SIGNS]], on="plant_id")
        signs = rows[list(SIGNS)]
        of_signs = made.learned.design(np.zeros(len(rows)), signs.assign(condition=rows["condition"]))[:, FIRST_SIGN:]
        told = np.exp(of_signs @ made.learned.sign_beta)
        ratio = rows["condition"].map(made.conditions.set_index("condition")["ratio"]).astype("float64")
        parts.append(
            rows[["plant_id", "plants", "condition", "age_band"]].assign(
                **signs,
                day=pd.Timestamp(day),
                listed=rows["expected"],
                unsigned=rows["expected"] / told,
                score=ratio,
                lost=rows["plant_id"].map(lost_within(time, day)).fillna(0.0),
            )
        )
    rows = pd.concat(parts, ignore_index=True) if parts else pd.DataFrame()
    return rows.assign(company=number, generator=generator)


def referee(rows: pd.DataFrame) -> pd.Series:
    """Chance by gradient boosting, each half of the companies learned from the other half."""
    x = rows[[*SIGNS]].assign(
        unsigned=np.log(rows["unsigned"]),
        score=np.log(rows["score"]),
        condition=pd.Categorical(rows["condition"], CONDITIONS).codes,
        age=pd.Categorical(rows["age_band"]).codes,
    )
    chance, lost = pd.Series(np.nan, rows.index), rows["lost"].gt(0)
    half = rows["company"] % 2 == 0
    for learned in (half, ~half):
        model = HistGradientBoostingClassifier(max_depth=4, learning_rate=0.05, max_iter=150, l2_regularization=5.0)
        chance[~learned] = model.fit(x[learned], lost[learned]).predict_proba(x[~learned])[:, 1]
    return chance


def points(rows: pd.DataFrame) -> pd.DataFrame:
    """Concordance of each way by company: mean over its lists, weighted with their pairs."""
    out = []
    for company, of in rows.groupby("company"):
        weights, values = [], []
        for _, one in of.groupby("day"):
            lost = int(one["lost"].gt(0).sum())
            if lost >= 2:
                weights.append(lost * (len(one) - lost))
                values.append([concordance(one[way], one["lost"]).estimate[0] for way in WAYS])
        if weights:
            out.append([company, sum(weights), *np.average(values, axis=0, weights=weights)])
    return pd.DataFrame(out, columns=["company", "pairs", *WAYS])


def mean_with_limits(values: pd.Series, weights: pd.Series) -> str:
    mean = float(np.average(values, weights=weights))
    error = float(np.sqrt((weights**2 * (values - mean) ** 2).sum()) / weights.sum())
    return f"{mean:5.1f} ({mean - 1.96 * error:.1f} to {mean + 1.96 * error:.1f})"


def report(rows: pd.DataFrame) -> None:
    rows = rows.assign(referee=referee(rows))
    of = points(rows)
    print(f"{len(of)} companies, {rows['day'].nunique()} quarters, {rows['lost'].sum():.0f} losses")
    for way, name in WAYS.items():
        print(f"  {name:<18} {mean_with_limits(of[way], of['pairs'])} pairs of 100")
    for way in ("listed", "unsigned", "referee"):
        print(f"  {WAYS[way]} beyond the score {mean_with_limits(of[way] - of['score'], of['pairs'])}")
    order = rows.groupby(["company", "day"])["listed"].rank(method="first", pct=True)
    fifth = np.ceil(FIFTHS * order).astype("int64")
    for n, one in rows.assign(should=rows["listed"] * rows["plants"]).groupby(fifth):
        by_company = one.groupby("company")[["lost", "should"]].sum()
        ratio = by_company["lost"].sum() / by_company["should"].sum()
        error = np.sqrt(((by_company["lost"] - ratio * by_company["should"]) ** 2).sum()) / by_company["should"].sum()
        print(f"  fifth {n}: {by_company['lost'].sum():.0f} lost, {by_company['should'].sum():.1f} expected, ", end="")
        print(f"{ratio:.2f} ({ratio - 1.96 * error:.2f} to {ratio + 1.96 * error:.2f})")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seed", type=int, default=9203)
    parser.add_argument("--companies", type=int, default=40)
    parser.add_argument("--folder", type=Path, default=None)
    args = parser.parse_args()
    of: dict[int, list[pd.DataFrame]] = {1: [], 2: []}
    for number in range(args.companies):
        for generator, parts in of.items():
            kept = args.folder and args.folder / f"{generator}_{args.seed}_{number}.parquet"
            if kept and kept.exists():
                parts.append(pd.read_parquet(kept))
                continue
            with tempfile.TemporaryDirectory() as folder:
                parts.append(of_company(generator, args.seed, number, Path(folder)))
            if kept:
                parts[-1].to_parquet(kept)
    for generator, parts in of.items():
        print(f"generator {generator}:")
        report(pd.concat([one for one in parts if "lost" in one], ignore_index=True))


if __name__ == "__main__":
    main()
