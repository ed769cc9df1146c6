"""The page of proof: results as tables, a chart and sentences."""

from __future__ import annotations

from textwrap import fill

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from plantstats.reporting.charts import ACCENT, FRAME, INK, LETTERS, WARN
from plantstats.validation import misfit, power
from plantstats.validation.kinds import AS_MODELLED, KINDS, TARGET

# Alarms and decisions that stand among the headlines.
HEADLINE_KINDS = (
    "quarter_called_worse",
    "worse_quarter_seen",
    "ordinary_site_flagged",
    "quote_80_covered_company",
    "cost_of_advice",
)
LABEL = 34  # letters in a line beside the chart
CAPTION = (
    "Points: share of printed 95% intervals that held the truth, with 95% limits by company. Between the lines: 93 to "
    "97 in 100. Left of them an interval is too narrow, right of them wider than it says."
)


def whole(results: pd.DataFrame, intervals: bool = True) -> pd.DataFrame:
    """Rows of the companies as modelled, all parts together: of the intervals, or of the alarms and stated points.

    Parameters
    ----------
    results : pandas.DataFrame
        A table of `run.validate` or `figures.figures`.
    intervals : bool, default True
        Of intervals; else of alarms and stated points.

    Returns
    -------
    pandas.DataFrame
    """
    rows = results[results["situation"].eq(AS_MODELLED) & results["of"].eq("all")]
    is_interval = rows["kind"].map(lambda kind: KINDS[kind][0].startswith("95% intervals"))
    return rows[is_interval.eq(intervals)].reset_index(drop=True)


def label(kind: str) -> str:
    """What a kind of result is about, in words.

    Parameters
    ----------
    kind : str
        As in `kinds.KINDS`.

    Returns
    -------
    str
    """
    return KINDS[kind][0].removeprefix("95% intervals of ")


def readable(rows: pd.DataFrame) -> pd.DataFrame:
    """Rows of the results for people to read.

    Parameters
    ----------
    rows : pandas.DataFrame
        Of the results.

    Returns
    -------
    pandas.DataFrame
        What, In 100 (with limits), Aim, By arithmetic (what limits of whole counts so small can hold, where that is
        known), Companies, Cases, Told nothing (companies), Verdict.
    """
    aim = [_aim(low, high) for low, high in zip(rows["target_low"], rows["target_high"], strict=True)]
    of = rows["of"].where(rows["of"].ne("all"), rows["kind"].map(lambda kind: KINDS[kind][0]))
    return pd.DataFrame(
        {
            "What": of,
            "In 100": [_share(row) for row in rows.to_dict("records")],
            "Aim": aim,
            "By arithmetic": ["" if pd.isna(one) else f"{100 * one:.1f}" for one in rows["stated"]],
            "Companies": rows["companies"].astype(int),
            "Cases": rows["cases"].astype(int),
            "Told nothing": rows["refused"].astype(int),
            "Verdict": rows["verdict"],
        }
    )


def by_term(results: pd.DataFrame, kind: str) -> pd.DataFrame:
    """Shares of each term of a model, as `readable`.

    Parameters
    ----------
    results : pandas.DataFrame
        A table of `run.validate` or `figures.figures`.
    kind : str
        As in `kinds.KINDS`.

    Returns
    -------
    pandas.DataFrame
    """
    return readable(results[results["kind"].eq(kind) & results["of"].ne("all")])


def misfits(results: pd.DataFrame) -> pd.DataFrame:
    """Distances by which estimates move where the truth is not the model, for people to read; clear moves first.

    Parameters
    ----------
    results : pandas.DataFrame
        A table of `run.validate` or `figures.figures`.

    Returns
    -------
    pandas.DataFrame
    """
    rows = misfit.table(results)
    rows = rows[rows["companies"] > 1].sort_values("clear", ascending=False, kind="stable")
    signed = [
        f"{change:+.1f} {unit} (standard error {error:.1f})"
        for change, error, unit in zip(rows["bias_change"], rows["bias_change_error"], rows["bias_unit"], strict=True)
    ]
    return pd.DataFrame(
        {
            "What": rows["kind"].map(label),
            "Truth": rows["situation"],
            "Estimates move by": signed,
            "Held in 100": (100 * rows["share"]).round(1),
            "as modelled": (100 * rows["share_as_modelled"]).round(1),
            "Companies": rows["companies"].astype(int),
        }
    )


def powers() -> pd.DataFrame:
    """Chance to see a worsening, for people to read.

    Returns
    -------
    pandas.DataFrame
        One row per test, rate and size.
    """
    rows = power.table()
    return pd.DataFrame(
        {
            "Compared": rows["test"],
            "Losses per 100 plant-years": rows["rate"],
            "Plants": rows["plants"],
            "Losses of a quarter": rows["expected"].round(1),
            f"Sees {power.TIMES:g} times, in 100": (100 * rows["chance"]).round(0).astype(int),
            "Surely seen (80 in 100), times": rows["smallest_seen"].round(2),
        }
    )


def headlines(results: pd.DataFrame) -> list[str]:
    """Sentences on top: what holds, what does not, what no company could tell.

    Parameters
    ----------
    results : pandas.DataFrame
        A table of `run.validate` or `figures.figures`.

    Returns
    -------
    list of str
    """
    rows = whole(results)
    n_companies, seed, version = results[["asked", "seed", "version"]].iloc[0]
    sentences = [
        f"{n_companies} invented companies whose truth is known (seed {seed}, plantstats {version}) were put through "
        "the reports' own steps, from files to findings."
    ]
    fine = rows["verdict"].eq("holds")
    for which, text in (
        (fine, "held the truth as often as they say, as far as so many companies tell"),
        (rows["verdict"].eq("not held: too seldom"), "held the truth TOO SELDOM: they are narrower than they say"),
        (rows["verdict"].eq("not held: too often"), "held the truth more often than they say: they are too wide"),
    ):
        if which.any():
            names = "; ".join(
                f"{label(row['kind'])} ({100 * row['share']:.1f}"
                + ("" if pd.isna(row["stated"]) else f"; exact limits of counts so small: {100 * row['stated']:.1f}")
                + ")"
                for row in rows[which].to_dict("records")
            )
            sentences.append(f"Intervals that {text}: {names}.")
    sentences += [
        f"In 100: {100 * row['share']:.1f} ({100 * row['low']:.1f} to {100 * row['high']:.1f}) {KINDS[row['kind']][0]}."
        for row in whole(results, intervals=False).to_dict("records")
        if row["kind"] in HEADLINE_KINDS
    ]
    refused = rows[rows["refused"] > 0]
    if len(refused):
        names = "; ".join(
            f"{label(row['kind'])}: {int(row['refused'])} of {int(row['refused'] + row['companies'])} companies"
            for row in refused.to_dict("records")
        )
        sentences.append(f"Pages that told nothing, and so stand in no share: {names}.")
    return sentences


def draw(results: pd.DataFrame, ax: Axes) -> Axes:
    """Share held by kind with its limits, between the lines of the target.

    Parameters
    ----------
    results : pandas.DataFrame
        A table of `run.validate` or `figures.figures`.
    ax : Axes
        Axes to plot on.

    Returns
    -------
    Axes
        The same axes.
    """
    rows = whole(results).iloc[::-1].reset_index(drop=True)
    at = np.arange(len(rows))
    misses = rows["verdict"].isin(["not held: too seldom", "not held: too often"])
    colours = np.where(misses, WARN, ACCENT).tolist()
    ax.hlines(at, 100 * rows["low"], 100 * rows["high"], colors=colours, linewidth=2)
    ax.scatter(100 * rows["share"], at, c=colours, s=22, zorder=3)
    for edge in TARGET:
        ax.axvline(100 * edge, color=FRAME, linewidth=1)
    ax.set_yticks(at, [fill(label(kind), LABEL) for kind in rows["kind"]], fontsize=LETTERS, color=INK)
    ax.set_xlabel("Intervals in 100 that held the truth", fontsize=LETTERS)
    return ax


def in_words(results: pd.DataFrame) -> str:
    """Words of the chart for those who cannot see it.

    Parameters
    ----------
    results : pandas.DataFrame
        A table of `run.validate` or `figures.figures`.

    Returns
    -------
    str
    """
    parts = [f"{label(row['kind'])} {_share(row)}" for row in whole(results).to_dict("records")]
    return f"Intervals in 100 that held the truth: {'; '.join(parts)}."


def _share(row: dict[str, object]) -> str:
    share, low, high = (100 * float(str(row[name])) for name in ("share", "low", "high"))
    return f"{share:.1f} ({low:.1f} to {high:.1f})"


def _aim(low: float, high: float) -> str:
    if np.isinf(high):
        return ""
    return f"at most {100 * high:g}" if low <= 0 else f"{100 * low:g} to {100 * high:g}"
