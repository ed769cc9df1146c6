"""Findings of the loss-drivers page in, Axes out; the caller owns the figure."""

from __future__ import annotations

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.ticker import FormatStrFormatter, NullLocator

from plantstats.findings import pick
from plantstats.pages.drivers_sentences import words
from plantstats.reporting.old_charts import ACCENT, FAINT, INK

# Ratios beyond these are drawn at the edge: no axis runs to 1e-10.
NARROWEST, WIDEST = 0.1, 10.0
SCALE = "(95% interval; logarithmic; losses of plants)"


def draw_effects(findings: pd.DataFrame, ax: Axes) -> Axes:
    """Rate ratios of every term with their intervals, on a logarithmic axis, losses and plants in the labels."""
    rows = pick(findings, "effect_on_losses", ["term"])
    names = [words(term).replace(" since install", "").replace(" against ", " / ") for term in rows["term"]]
    return _ratios(rows, names, ax, "Times the loss rate (95% interval;\nlogarithmic; losses of plants)")


def draw_calibration(findings: pd.DataFrame, ax: Axes) -> Axes:
    """Found over expected losses by fifth of chance, lowest fifth below."""
    rows = pick(findings, "watch_calibration", ["term"]).sort_values("term", ascending=False)
    return _ratios(rows, rows["term"].tolist(), ax, f"Losses found / expected\n{SCALE}")


def draw_situations(findings: pd.DataFrame, ax: Axes) -> Axes:
    """Adjusted loss rates of named situations with their intervals."""
    rows = pick(findings, "adjusted_loss_rate", ["term", "species"]).sort_values("term", ascending=False)
    at = np.arange(len(rows))
    ax.hlines(at, rows["low"], rows["high"], color=FAINT, linewidth=2)
    ax.scatter(rows["estimate"], at, color=ACCENT, s=22, zorder=3)
    ax.set_yticks(at, [term.replace(", ", "\n", 1) for term in rows["term"]], fontsize=7)
    ax.set_xlim(left=0)
    ax.set_xlabel("Losses per 100 plant-years\n(95% interval)", fontsize=8)
    return ax


def draw_curves(curves: pd.DataFrame, by: str, ax: Axes) -> Axes:
    """Survival curves with their intervals as bands; the part with fewer than ten at risk faint, without band."""
    for number, (name, curve) in enumerate(curves.groupby(by)):
        colour = sns.color_palette("colorblind").as_hex()[number]
        good, thin = curve[~curve["few_at_risk"]], curve[curve["few_at_risk"]]
        label = f"{name} ({int(curve['events'].sum())} lost of {int(curve['at_risk'].max())} at risk at most)"
        ax.step(good["age_days"], 100 * good["estimate"], where="post", color=colour, linewidth=1.6, label=label)
        ax.step(thin["age_days"], 100 * thin["estimate"], where="post", color=colour, linewidth=0.8, alpha=0.3)
        ax.fill_between(good["age_days"], 100 * good["low"], 100 * good["high"], step="post", color=colour, alpha=0.15)
    ax.set_ylim(0, 102)
    ax.set_xlabel("Days since install", fontsize=8)
    ax.set_ylabel("% of plants not lost (95% interval)", fontsize=8)
    if ax.get_legend_handles_labels()[0]:
        ax.legend(fontsize=7, frameon=False, loc="upper right")
    return ax


def _ratios(rows: pd.DataFrame, names: list[str], ax: Axes, label: str) -> Axes:
    at = np.arange(len(rows))
    low = rows["low"].fillna(NARROWEST).clip(NARROWEST, WIDEST)
    high = rows["high"].fillna(WIDEST).clip(NARROWEST, WIDEST)
    ax.axvline(1, color=INK, linewidth=0.8)
    ax.hlines(at, low, high, color=FAINT, linewidth=2)
    # Beyond the axis, or without an end: an arrow instead of an end.
    for open_end, x, mark in (
        (rows["low"].isna() | (rows["low"] < NARROWEST), NARROWEST, "<"),
        (rows["high"].isna() | (rows["high"] > WIDEST), WIDEST, ">"),
    ):
        ax.scatter(np.full(int(open_end.sum()), x), at[open_end.to_numpy()], marker=mark, color=FAINT, s=18)
    inside = rows["estimate"].between(NARROWEST, WIDEST).to_numpy()
    ax.scatter(rows["estimate"].to_numpy()[inside], at[inside], color=ACCENT, s=22, zorder=3)
    counts = zip(rows["losses"], rows["n_plants"], strict=True)
    sizes = [f"{lost}" + (f" of {n}" if pd.notna(n) else "") for lost, n in counts]
    ax.set_yticks(at, [f"{name} ({size})" for name, size in zip(names, sizes, strict=True)], fontsize=7)
    ax.set_xscale("log")
    ax.set_xlim(NARROWEST * 0.9, WIDEST * 1.1)
    ax.set_xticks([0.1, 0.3, 1, 3, 10])
    ax.xaxis.set_major_formatter(FormatStrFormatter("%g"))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.set_xlabel(label, fontsize=8)
    return ax
