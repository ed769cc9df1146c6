"""What changed between two packs: results of the same quarter restated, and things to decide that are new or gone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pandas as pd

from plantstats.findings import GROUPINGS
from plantstats.reporting import publish
from plantstats.reporting.errors import ReportError

DECISIONS = "decisions.csv"
# Says nothing of how a number is made.
NOT_COMPARED = ("company",)
COUNTED = ("n_plants", "losses", "plant_days")
SAME = 1e-9  # relative; the same sum in another order


@dataclass(frozen=True)
class Pack:
    """An earlier pack, as far as a later one is compared with it.

    Attributes
    ----------
    quarter : str
        Such as "2026-Q2".
    made_at : str
        When it was made.
    findings : pandas.DataFrame
        Its results table.
    decisions : pandas.DataFrame
        What it asked for: what, where, page, anchor.
    settings : dict
        Key to value.
    definitions : dict of str to str
        Measure to the sentence that said what it means.
    """

    quarter: str
    made_at: str
    findings: pd.DataFrame
    decisions: pd.DataFrame
    settings: Mapping[str, Any]
    definitions: Mapping[str, str]


def read_pack(folder: Path) -> Pack:
    """Read an earlier pack.

    Parameters
    ----------
    folder : Path
        Folder of a review.

    Returns
    -------
    Pack

    Raises
    ------
    ReportError
        For a folder that holds no review of a whole company, or one made before packs kept what this needs.
    """
    record = publish.record(folder)
    asked = record.get("parameters", {})
    if not record or not (folder / "findings.parquet").is_file() or asked.get("client"):
        raise ReportError(f"{folder} holds no review of all clients (made_with.json and findings.parquet)")
    lacking = [key for key in ("settings", "definitions") if key not in record]
    if lacking or not (folder / DECISIONS).is_file():
        raise ReportError(
            f"the review in {folder} does not say with which settings and definitions it was made: it is of an earlier "
            "version of this program; make it again to compare"
        )
    return Pack(
        asked["quarter"],
        record["made_at"],
        pd.read_parquet(folder / "findings.parquet"),
        pd.read_csv(folder / DECISIONS, dtype="str", keep_default_na=False),
        record["settings"],
        record["definitions"],
    )


def unlike_settings(earlier: Mapping[str, Any], now: Mapping[str, Any]) -> list[str]:
    """Settings by which numbers of two packs cannot be compared.

    Parameters
    ----------
    earlier, now : mapping
        Key to value.

    Returns
    -------
    list of str
        Such as "small_group 5, now 8"; only the key where a value is a table.

    Examples
    --------
    >>> unlike_settings({"small_group": 5, "company": "A"}, {"small_group": 8, "company": "B"})
    ['small_group 5, now 8']
    """
    keys = sorted((earlier.keys() | now.keys()) - set(NOT_COMPARED))
    unlike = [(key, earlier.get(key), now.get(key)) for key in keys if earlier.get(key) != now.get(key)]
    return [key if isinstance(then, dict | list) else f"{key} {then}, now {new}" for key, then, new in unlike]


def unlike_definitions(earlier: Mapping[str, str], now: Mapping[str, str]) -> list[str]:
    """Measures that both packs hold and that mean something else now.

    Parameters
    ----------
    earlier, now : mapping of str to str
        Measure to its sentence.

    Returns
    -------
    list of str

    Examples
    --------
    >>> unlike_definitions({"loss_rate": "a", "cost": "b"}, {"loss_rate": "c", "margin": "d"})
    ['loss_rate']
    """
    return sorted(name for name in earlier.keys() & now.keys() if earlier[name] != now[name])


def restated(earlier: pd.DataFrame, now: pd.DataFrame, leave_out: list[str] | None = None) -> pd.DataFrame:
    """Results of the same measure, period and group whose counts are not what they were.

    Parameters
    ----------
    earlier, now : pandas.DataFrame
        Two results tables.
    leave_out : list of str, optional
        Measures that are not compared.

    Returns
    -------
    pandas.DataFrame
        One row per result: measure, the groupings, period, unit, each of n_plants, losses, plant_days and estimate as
        `<name>_then` and `<name>_now`, and reason in words.

    Notes
    -----
    Counts decide. An estimate whose counts are the same and that moved all the same comes from a model that has learned
    from one more quarter; it is no restatement.
    """
    groups = [c for c in GROUPINGS if c in earlier.columns or c in now.columns]
    keys = ["measure", *groups, "period", "unit"]
    values = [*COUNTED, "estimate"]
    tables = []
    for frame in (earlier, now):
        kept = frame.reindex(columns=[*keys, *values])
        kept = kept[~kept["measure"].isin(leave_out or [])].drop_duplicates(keys)
        kept[keys] = kept[keys].astype("object").fillna("").astype("str")
        tables.append(kept.astype(dict.fromkeys(values, "float64")))
    both = tables[0].merge(tables[1], on=keys, suffixes=("_then", "_now"))
    differs = pd.DataFrame({name: _differs(both[f"{name}_then"], both[f"{name}_now"]) for name in COUNTED})
    rows = both[differs.any(axis=1)]
    rows = rows.assign(reason=[_reason(row) for row in rows.to_dict("records")])
    return rows.sort_values(["period", *[k for k in keys if k != "period"]], ignore_index=True)


def _differs(then: pd.Series, now: pd.Series) -> pd.Series:
    gap = (then - now).abs() > SAME * pd.concat([then.abs(), now.abs()], axis=1).max(axis=1)
    return gap | (then.isna() != now.isna())


def _reason(row: Mapping[str, Any]) -> str:
    """Why a result of the same quarter has other counts, told from which of them moved."""
    more = row["losses_now"] - row["losses_then"]
    parts = []
    if more > 0:
        parts.append(f"{more:.0f} more lost: found late, or entered since")
    if more < 0:
        parts.append(f"{-more:.0f} fewer lost: corrected since, or no longer used")
    plants = row["n_plants_now"] - row["n_plants_then"]
    if plants > 0:
        parts.append(f"{plants:.0f} plants more: entered since")
    elif plants < 0:
        parts.append(f"{-plants:.0f} plants fewer: corrected since, or no longer used")
    elif more == 0 or pd.isna(more):
        parts.append("other days in place: dates of plants entered or corrected since")
    return "; ".join(parts)


def compare_decisions(earlier: pd.DataFrame, now: pd.DataFrame) -> pd.DataFrame:
    """Which things to decide are new, still open or gone.

    Parameters
    ----------
    earlier, now : pandas.DataFrame
        Columns what, where, page, anchor, one row each.

    Returns
    -------
    pandas.DataFrame
        Columns state ("new", "still open", "gone"), what, where, page, anchor: those of today in their order, then the
        ones that are gone.

    Notes
    -----
    Two are the same when they stand on the same page and ask for the same thing, or lead to the same row of it.
    """
    left = earlier.reset_index(drop=True)
    states = []
    for one in now.itertuples(index=False):
        same = left["page"].eq(one.page) & (left["what"].eq(one.what) | left["anchor"].eq(one.anchor))
        states.append("still open" if same.any() else "new")
        left = left.drop(index=left.index[same][:1])
    columns = ["state", "what", "where", "page", "anchor"]
    return pd.concat([now.assign(state=states)[columns], left.assign(state="gone")[columns]], ignore_index=True)
