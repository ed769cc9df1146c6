"""The committed results of validation, ready to be quoted beside the intervals that they are about."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

import pandas as pd

from plantstats import findings
from plantstats.stats.intervals import CONF_LEVEL
from plantstats.validation.kinds import AS_MODELLED, KINDS, NO_TARGET
from plantstats.validation.program import present_code

COMMITTED = Path(__file__).with_name("results.csv")
METHOD = "share over invented companies of known truth, limits by company"


def figures(kinds: Iterable[str] | None = None, results: Path = COMMITTED) -> pd.DataFrame:
    """Results of validation for some kinds of interval.

    Parameters
    ----------
    kinds : iterable of str, optional
        As in `kinds.KINDS`; all unless given.
    results : Path, optional
        A table of `run.validate`; the committed one unless given.

    Returns
    -------
    pandas.DataFrame
        Rows of `coverage.table` with seed, asked (companies) and version.

    Raises
    ------
    KeyError
        For a kind that is not one of them.
    """
    table = pd.read_csv(results, dtype={"version": "str"})
    if kinds is None:
        return table
    strange = sorted(set(kinds) - set(KINDS))
    if strange:
        raise KeyError(f"no kind {', '.join(strange)}; take some of {', '.join(KINDS)}")
    return table[table["kind"].isin(list(kinds))].reset_index(drop=True)


def sentence(kind: str, results: Path = COMMITTED) -> str:
    """Sentence of a page about its own interval.

    Parameters
    ----------
    kind : str
        As in `kinds.KINDS`.
    results : Path, optional
        A table of `run.validate`; the committed one unless given.

    Returns
    -------
    str
        One plain sentence with the share in 100, its limits, the number of companies, and the version that made it;
        or that it has not been validated.

    Raises
    ------
    KeyError
        For a kind that is not one of them.
    """
    rows = figures([kind], results)
    row = rows[rows["situation"].eq(AS_MODELLED) & rows["of"].eq("all")]
    what = KINDS[kind][0]
    if row.empty:
        return f"Not proved on invented companies yet: {what}."
    result = row.iloc[0]
    share, low, high = (f"{100 * result[name]:.1f}" for name in ("share", "low", "high"))
    companies = (
        f"{int(result['companies'])} invented companies (plantstats {result['version']}, seed {int(result['seed'])})"
    )
    if KINDS[kind][1] == NO_TARGET:
        return f"On {companies}, {share} in 100 {what} ({low} to {high})."
    if not what.startswith("95% intervals"):
        return f"On {companies}, {share} in 100 {what} ({low} to {high}); {_aim(result)}."
    return f"On {companies}, {what} held the truth in {share} of 100 cases ({low} to {high}); {_aim(result)}."


def quoted(*kinds: str, results: Path = COMMITTED) -> list[str]:
    """Sentences of a page about its own intervals, one per kind (see `sentence`).

    Parameters
    ----------
    *kinds : str
        As in `kinds.KINDS`.
    results : Path, optional
        A table of `run.validate`; the committed one unless given.

    Returns
    -------
    list of str
    """
    if kinds and (reason := older(results)):
        return [reason]
    return [sentence(kind, results) for kind in kinds]


def older(results: Path = COMMITTED) -> str:
    """Why a table of results is not quoted, in words; empty: this very program made it, on seeds drawn from its code.

    Parameters
    ----------
    results : Path, optional
        A table of `run.validate`; the committed one unless given.

    Returns
    -------
    str
    """
    first = pd.read_csv(results, nrows=1).iloc[0]
    present, made_by = present_code(), str(first.get("code", "unknown"))
    if made_by != present:
        return (
            f"Not quoted: the last proof is older than the program (it is of code {made_by}, the program is "
            f"{present}); "
            "`plantstats validate` makes a new one."
        )
    if not first.get("drawn", False):
        return f"Not quoted: the proof was run on seed {first['seed']}, on which the program may have been developed."
    return ""


def as_findings(table: pd.DataFrame) -> pd.DataFrame:
    """Results as findings: coverage_share by term (kind, situation, and the part where it is one).

    Parameters
    ----------
    table : pandas.DataFrame
        Of `run.validate` or `figures`.

    Returns
    -------
    pandas.DataFrame
        Findings.
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
                conf_level=CONF_LEVEL,
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
