"""Leaf-loss findings in, Axes out; and a drawing of why winter air is dry."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from plantstats.exposure import psychrometrics
from plantstats.leaves.effects import by_term
from plantstats.reporting.old_charts import ACCENT, FAINT, INK

DRY_WINTER_CAPTION = (
    "Outdoor air warmed to room temperature with nothing added to it keeps its vapour and loses its relative humidity "
    "(FAO-56, equation 11). People and plants add a little, a humidifier more."
)
RATIO_CAPTION = (
    "Times as many leaves, all else alike, with 95% intervals; 1 is no difference. Associations, not causes."
)


def draw_dry_winter(ax: Axes, indoor_c: float = 22.0, outdoor_rh: tuple[float, ...] = (60, 80, 100)) -> Axes:
    """Relative humidity indoors by outdoor temperature.

    Takes:  ax; indoor temperature (degrees Celsius); outdoor humidities (percent), one line each.
    Gives:  ax, with the band of 35 to 45% that official advice of 1978 called best for house plants.
    """
    outdoor = np.linspace(-15, 20, 71)
    ax.axhspan(35, 45, color="#e4e7eb", zorder=0)
    for share, width in zip(outdoor_rh, np.linspace(1.0, 2.4, len(outdoor_rh)), strict=True):
        inside = psychrometrics.heated(outdoor, share, indoor_c)
        ax.plot(outdoor, inside, color=ACCENT, linewidth=width)
        ax.annotate(
            f"{share:g}% outdoors",
            (outdoor[-1], inside[-1]),
            (3, -2),
            textcoords="offset points",
            fontsize=7,
            color=INK,
        )
    ax.set_xlabel("Outdoor temperature (°C)", fontsize=8)
    ax.set_ylabel(f"Relative humidity indoors (%)\nat {indoor_c:g} °C", fontsize=8)
    ax.set_ylim(0, 100)
    ax.set_xlim(outdoor[0], outdoor[-1] + 7)
    ax.set_xticks(range(-15, 21, 5))
    return ax


def dry_winter_in_words(indoor_c: float = 22.0) -> str:
    """The drawing for those who cannot see it."""
    inside = psychrometrics.heated([-10, 0, 10], 80, indoor_c)
    return (
        f"Outdoor air of 80% humidity, warmed to {indoor_c:g} °C, has {inside[0]:.0f}% at -10 °C outdoors, "
        f"{inside[1]:.0f}% at "
        f"0 °C and {inside[2]:.0f}% at 10 °C."
    )


def draw_ratios(findings: pd.DataFrame, ax: Axes, measure: str = "green_leaf_ratio") -> Axes:
    """Ratios by term with their intervals, on a logarithmic axis, highest first.

    Takes:  findings with rows of `measure` by term; rows without an estimate are not drawn.
    Gives:  ax.
    """
    rows = by_term(findings, measure)
    rows = rows[rows["estimate"].notna()].sort_values("estimate")
    at = np.arange(len(rows))
    ax.axvline(1, color=INK, linewidth=0.8)
    ax.hlines(at, rows["low"], rows["high"], color=FAINT, linewidth=2)
    ax.scatter(rows["estimate"], at, color=ACCENT, s=22, zorder=3)
    ax.set_yticks(at, [_broken(term) for term in rows["term"]], fontsize=7)
    ax.set_ylim(-0.7, len(rows) - 0.3)
    ax.set_xscale("log")
    ticks = [
        t
        for t in (0.1, 0.2, 0.5, 1, 2, 5, 10)
        if rows.empty or rows["low"].min() / 1.5 <= t <= rows["high"].max() * 1.5
    ]
    ax.set_xticks(ticks, [f"{t:g}" for t in ticks])
    ax.minorticks_off()
    ax.set_xlabel("Times as many leaves (95% interval)", fontsize=8)
    return ax


def ratios_in_words(findings: pd.DataFrame, measure: str = "green_leaf_ratio") -> str:
    """The ratios for those who cannot see the chart."""
    rows = by_term(findings, measure)
    rows = rows[rows["estimate"].notna()].sort_values("estimate", ascending=False)
    return (
        "Times as many leaves. "
        + "; ".join(f"{row.term}: {row.estimate:.2f} ({row.low:.2f} to {row.high:.2f})" for row in rows.itertuples())
        + "."
    )


def _broken(term: str) -> str:
    return term.replace(" instead of ", "\ninstead of ")
