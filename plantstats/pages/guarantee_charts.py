"""Charts of the guarantee: a quote's distribution with the price on it, and what last year's method expected."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from plantstats.guarantee.back_test import BackTest
from plantstats.guarantee.price import Price
from plantstats.guarantee.quote import Quote
from plantstats.reporting.charts import ACCENT, GREEN, INK, LETTERS, PLAIN, canvas

BARS = 45
POINTS = {0.5: "half", 0.8: "80 in 100", 0.95: "95 in 100"}


@dataclass(frozen=True)
class CostChart:
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

    def draw(self, _findings: pd.DataFrame, _small_group: int) -> Figure | None:
        """The drawing.

        Parameters
        ----------
        _findings : pandas.DataFrame
            Not needed: the distribution is the quote's own.
        _small_group : int
            Not needed: contracts, not plants of a group.

        Returns
        -------
        matplotlib.figure.Figure or None
        """
        quote, unit = self.quote, self.quote.terms.currency
        top = max(quote.quantile(0.998) / 100, quote.cost.unit / 100, 1.1 * self.charged)
        edges = np.linspace(0, top, BARS + 1)
        height, _ = np.histogram(quote.cost.values / 100, bins=edges, weights=quote.cost.pmf * 100)
        fig, ax = canvas(2.8)
        ax.bar(edges[:-1], height, width=np.diff(edges), align="edge", color=PLAIN, edgecolor="white", linewidth=0.4)
        lines = [
            (quote.quantile(p) / 100, f"{text}: {quote.quantile(p) / 100:,.0f}", INK) for p, text in POINTS.items()
        ]
        lines.append((self.charged, f"charge: {self.charged:,.0f}", ACCENT))
        for step, (at, text, colour) in enumerate(sorted(lines)):
            ax.axvline(at, color=colour, linewidth=2.2 if colour == ACCENT else 1)
            ax.annotate(
                text,
                (at, 1.0 - 0.11 * step),
                (3 if at < 0.6 * top else -3, -10),
                xycoords=("data", "axes fraction"),
                textcoords="offset points",
                ha="left" if at < 0.6 * top else "right",
                fontsize=LETTERS,
                fontweight="bold" if colour == ACCENT else "normal",
                color=colour,
                bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.5},
            )
        ax.set_xlim(0, top)
        ax.set_yticks([])
        ax.set_ylim(0, 1.45 * float(height.max()))
        ax.set_xlabel(f"cost of replacements over the term, {unit}", fontsize=LETTERS)
        return fig

    def words(self, _findings: pd.DataFrame, _small_group: int) -> str:
        """What it shows, in a sentence.

        Parameters
        ----------
        _findings : pandas.DataFrame
            Not needed.
        _small_group : int
            Not needed.

        Returns
        -------
        str
        """
        points = "; ".join(f"{text} {self.quote.quantile(p) / 100:,.0f}" for p, text in POINTS.items())
        unit = self.quote.terms.currency
        return f"Cost over the term in {unit}: {points}; the charge comes to {self.charged:,.0f}."


@dataclass(frozen=True)
class BackTestChart:
    """Covered losses of last year's quarters as bars, what the method would have expected of them as ticks.

    Attributes
    ----------
    test : BackTest
    """

    test: BackTest

    def draw(self, _findings: pd.DataFrame, _small_group: int) -> Figure | None:
        """The drawing.

        Parameters
        ----------
        _findings : pandas.DataFrame
            Not needed: the back-test is the quote's own.
        _small_group : int
            Not needed: whole quarters of the company.

        Returns
        -------
        matplotlib.figure.Figure or None
        """
        totals = self.test.totals
        at, came = np.arange(len(totals)), totals["losses"].to_numpy("float64")
        fig, ax = canvas(2.2)
        ax.bar(at, came, width=0.6, color=PLAIN)
        ax.scatter(at, totals["expected"], marker="_", s=900, color=GREEN, linewidth=3, zorder=3)
        for x, count in zip(at, came, strict=True):
            ax.annotate(
                f"{count:.0f}",
                (x, 0),
                (0, 4),
                textcoords="offset points",
                ha="center",
                color="white",
                fontsize=LETTERS,
                fontweight="bold",
            )
        ax.set_xticks(at, [str(period).replace("-", "\n") for period in totals["period"]])
        ax.set_yticks([])
        ax.set_ylim(0, 1.1 * max(came.max(), float(totals["expected"].max()), 1.0))
        return fig

    def words(self, _findings: pd.DataFrame, _small_group: int) -> str:
        """What it shows, in a sentence.

        Parameters
        ----------
        _findings : pandas.DataFrame
            Not needed.
        _small_group : int
            Not needed.

        Returns
        -------
        str
        """
        rows = self.test.totals.to_dict("records")
        return "; ".join(f"{row['period']}: {row['losses']} came, {row['expected']:.0f} expected" for row in rows) + "."
