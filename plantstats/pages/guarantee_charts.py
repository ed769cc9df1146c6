"""Charts of the guarantee: a quote's distribution with the price on it, and what last year's method expected."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from plantstats.guarantee.back_test import BackTest
from plantstats.guarantee.price import Price
from plantstats.guarantee.quote import Quote
from plantstats.reporting.charts import ACCENT, GREEN, INK, LETTERS, PLAIN, annotate, canvas
from plantstats.reporting.specs import Chart

BARS = 45
POINTS = {0.5: "half", 0.8: "80 in 100", 0.95: "95 in 100"}


@dataclass(frozen=True)
class CostChart(Chart):
    """How likely each cost over the term is, with the points that it stays within and what the charge comes to.

    Attributes
    ----------
    quote : Quote
    price : Price
    """

    quote: Quote
    price: Price

    @property
    def charged(self) -> float:
        """What the charge comes to over the whole term."""
        return self.price.monthly * self.quote.terms.months / 100

    def _rows(self, _findings: pd.DataFrame, _small_group: int) -> pd.DataFrame:
        at = [self.quote.quantile(p) / 100 for p in POINTS]
        return pd.DataFrame({"at": at, "name": list(POINTS.values())})

    def _drawing(self, rows: pd.DataFrame) -> Figure:
        quote, unit = self.quote, self.quote.terms.currency
        top = max(quote.quantile(0.998) / 100, quote.cost.unit / 100, 1.1 * self.charged)
        edges = np.linspace(0, top, BARS + 1)
        height, _ = np.histogram(quote.cost.values / 100, bins=edges, weights=quote.cost.pmf * 100)
        fig, ax = canvas(2.8)
        ax.bar(edges[:-1], height, width=np.diff(edges), align="edge", color=PLAIN, edgecolor="white", linewidth=0.4)
        lines = [(row.at, f"{row.name}: {row.at:,.0f}", INK) for row in rows.itertuples(index=False)]
        lines.append((self.charged, f"charge: {self.charged:,.0f}", ACCENT))
        for step, (at, text, colour) in enumerate(sorted(lines)):
            ax.axvline(at, color=colour, linewidth=2.2 if colour == ACCENT else 1)
            left = at < 0.6 * top
            annotate(
                ax,
                text,
                (at, 1.0 - 0.11 * step),
                (3 if left else -3, -10),
                xycoords=("data", "axes fraction"),
                ha="left" if left else "right",
                fontweight="bold" if colour == ACCENT else "normal",
                color=colour,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5},
            )
        ax.set_xlim(0, top)
        ax.set_yticks([])
        ax.set_ylim(0, 1.45 * float(height.max()))
        ax.set_xlabel(f"cost of replacements over the term, {unit}", fontsize=LETTERS)
        return fig

    def _in_words(self, rows: pd.DataFrame) -> str:
        points = "; ".join(f"{row.name} {row.at:,.0f}" for row in rows.itertuples(index=False))
        unit = self.quote.terms.currency
        return f"Cost over the term in {unit}: {points}; the charge comes to {self.charged:,.0f}."


@dataclass(frozen=True)
class BackTestChart(Chart):
    """Covered losses of last year's quarters as bars, what the method would have expected of them as ticks.

    Attributes
    ----------
    test : BackTest
    """

    test: BackTest

    def _rows(self, _findings: pd.DataFrame, _small_group: int) -> pd.DataFrame:
        return self.test.totals

    def _drawing(self, rows: pd.DataFrame) -> Figure:
        at, came = np.arange(len(rows)), rows["losses"].to_numpy("float64")
        fig, ax = canvas(2.2)
        ax.bar(at, came, width=0.6, color=PLAIN)
        ax.scatter(at, rows["expected"], marker="_", s=900, color=GREEN, linewidth=3, zorder=3)
        for x, count in zip(at, came, strict=True):
            annotate(ax, f"{count:.0f}", (x, 0), (0, 4), ha="center", color="white", fontweight="bold")
        ax.set_xticks(at, [str(period).replace("-", "\n") for period in rows["period"]])
        ax.set_yticks([])
        ax.set_ylim(0, 1.1 * max(came.max(), float(rows["expected"].max()), 1.0))
        return fig

    def _in_words(self, rows: pd.DataFrame) -> str:
        parts = [f"{row['period']}: {row['losses']} came, {row['expected']:.0f} expected" for _, row in rows.iterrows()]
        return "; ".join(parts) + "."
