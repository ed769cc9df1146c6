"""The committed results of the proving ground, ready to be quoted beside the intervals that they are about."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pandas as pd

from plantstats import findings
from plantstats.stats.intervals import CONF_LEVEL
from plantstats.validation.kinds import AS_MODELLED, KINDS, NO_TARGET

COMMITTED = Path(__file__).with_name("results.csv")
METHOD = "share over invented companies of known truth, limits by company"


def figures(kinds: Iterable[str] | None = None, results: Path = COMMITTED) -> pd.DataFrame:
    """What the proving ground found for some kinds of interval.

    Takes:  kinds (None: all), as in `kinds.KINDS`; results: a table of `run.validate`, the committed one unless given.
    Gives:  its rows (see `coverage.table`) with seed, asked (companies) and version.
    Raises: KeyError for a kind that is not one of them.
    """
    table = pd.read_csv(results, dtype={"version": "str"})
    if kinds is None:
        return table
    strange = sorted(set(kinds) - set(KINDS))
    if strange:
        raise KeyError(f"no kind {', '.join(strange)}; take some of {', '.join(KINDS)}")
    return table[table["kind"].isin(list(kinds))].reset_index(drop=True)


def sentence(kind: str, results: Path = COMMITTED) -> str:
    """What the page says of its own interval.

    Takes:  kind, as in `kinds.KINDS`; results as in `figures`.
    Gives:  one plain sentence with the share in 100, its limits, the number of companies, and the version that made
            it; or that it has not been proved.
    """
    found = figures([kind], results)
    row = found[found["situation"].eq(AS_MODELLED) & found["of"].eq("all")]
    what = KINDS[kind][0]
    if row.empty:
        return f"Not proved on invented companies yet: {what}."
    one = row.iloc[0]
    share, low, high = (f"{100 * one[name]:.1f}" for name in ("share", "low", "high"))
    made = f"{int(one['companies'])} invented companies (plantstats {one['version']}, seed {int(one['seed'])})"
    if KINDS[kind][1] == NO_TARGET:
        return f"On {made}, {share} in 100 {what} ({low} to {high})."
    if not what.startswith("95% intervals"):
        return f"On {made}, {share} in 100 {what} ({low} to {high}); {_aim(one)}."
    return f"On {made}, {what} held the truth in {share} of 100 cases ({low} to {high}); {_aim(one)}."


def quoted(*kinds: str, results: Path = COMMITTED) -> list[str]:
    """What a page says of its own intervals: one sentence per kind (see `sentence`)."""
    return [sentence(kind, results) for kind in kinds]


def as_findings(table: pd.DataFrame) -> pd.DataFrame:
    """The results as findings: coverage_share by term (kind, situation, and the part where it is one).

    Takes:  a table of `run.validate` or `figures`.
    """
    rows = []
    for row in table.to_dict("records"):
        part = "" if row["of"] == "all" else f": {row['of']}"
        rows.append(
            findings.finding(
                "coverage_share",
                f"version {row['version']}, seed {row['seed']}, {row['asked']} companies",
                100 * row["share"],
                100 * row["low"],
                100 * row["high"],
                unit="% of cases",
                method=METHOD,
                level=CONF_LEVEL,
                term=f"{row['kind']}{part} ({row['situation']})",
                note=f"{row['cases']} cases of {row['companies']} companies, {row['refused']} told nothing; "
                f"{row['verdict']}",
            )
        )
    return findings.table(rows)


def _aim(row: pd.Series) -> str:
    low, high = 100 * row["target_low"], 100 * row["target_high"]
    aimed = f"allowed are at most {high:.3g}" if low <= 0 else f"aimed at {low:.3g} to {high:.3g}"
    few = "" if pd.isna(row["stated"]) else f" (to be expected of whole counts: {100 * row['stated']:.1f})"
    return f"{aimed}{few}: {row['verdict']}"
