"""Charts of the guarantee: a quote's distribution, and how last year's quotes held."""

from __future__ import annotations

import numpy as np
from matplotlib.axes import Axes

from plantstats.guarantee.back_test import BackTest
from plantstats.guarantee.quote import QUANTILES, Quote
from plantstats.reporting.old_charts import ACCENT, FAINT, INK

BARS = 45


def draw_cost(quote: Quote, ax: Axes) -> Axes:
    """How likely each cost is, with the quoted points.

    Parameters
    ----------
    quote : Quote
        As `quote.quote` gives it.
    ax : Axes
        Axes to plot on.

    Returns
    -------
    matplotlib.axes.Axes
        Bars of chance by cost over the term, lines at the points.
    """
    top = max(quote.quantile(0.998), quote.cost.unit) / 100
    edges = np.linspace(0, top, BARS + 1)
    height, _ = np.histogram(quote.cost.values / 100, bins=edges, weights=quote.cost.pmf * 100)
    ax.bar(edges[:-1], height, width=np.diff(edges), align="edge", color=FAINT, edgecolor="white", linewidth=0.4)
    for share in QUANTILES:
        at = quote.quantile(share) / 100
        ax.axvline(at, color=ACCENT, linewidth=1.4)
        ax.annotate(
            f"{100 * share:.0f}%",
            (at, 1.0),
            (2, -9),
            xycoords=("data", "axes fraction"),
            textcoords="offset points",
            fontsize=7,
            color=INK,
        )
    ax.set_xlim(0, top)
    ax.set_xlabel(f"Cost of replacements over the term ({quote.terms.currency})", fontsize=8)
    ax.set_ylabel("Chance in 100", fontsize=8)
    return ax


def cost_in_words(quote: Quote) -> str:
    """Words of the chart of `draw_cost` for those who cannot see it.

    Parameters
    ----------
    quote : Quote
        As `quote.quote` gives it.

    Returns
    -------
    str
    """
    said = "; ".join(f"{100 * p:.0f}% point {quote.terms.currency} {quote.quantile(p) / 100:,.0f}" for p in QUANTILES)
    return f"Distribution of the cost over the term: mean {quote.cost.mean / 100:,.0f}; {said}."


def draw_back_test(test: BackTest | None, ax: Axes) -> Axes:
    """Share of losses within each point, against the share that should be.

    Parameters
    ----------
    test : BackTest or None
        None where the records of a year ago hold too few losses.
    ax : Axes
        Axes to plot on.

    Returns
    -------
    matplotlib.axes.Axes
        Stated share across, held share up, with its 95% interval; on the line is right, above it quotes were too high.
        Without a back-test the chart says so.
    """
    if test is None:
        ax.annotate("no back-test yet", (0.5, 0.5), xycoords="axes fraction", ha="center", fontsize=8, color=INK)
        return ax
    made = test.calibration()
    ax.plot([0, 100], [0, 100], color=FAINT, linewidth=1)
    half_widths = [made["covered"] - made["low"], made["high"] - made["covered"]]
    ax.errorbar(
        made["stated"], made["covered"], half_widths, color=ACCENT, fmt="o", markersize=4, elinewidth=0.8, zorder=3
    )
    low = min(60.0, float(made[["stated", "low"]].to_numpy().min()) - 3)
    ax.set_xlim(low, 101)
    ax.set_ylim(low, 101)
    ax.set_xlabel("Site-quarters within the point, stated (in 100)", fontsize=8)
    ax.set_ylabel("Held (in 100)", fontsize=8)
    return ax


def back_test_in_words(test: BackTest | None) -> str:
    """Words of the chart of `draw_back_test` for those who cannot see it.

    Parameters
    ----------
    test : BackTest or None
        None where the records of a year ago hold too few losses.

    Returns
    -------
    str
    """
    if test is None:
        return "No back-test: the records of a year ago hold too few losses."
    some = [
        f"at the {row['point']:.0f}% point {row['stated']:.0f} in 100 stated, {row['covered']:.0f} held "
        f"({row['low']:.0f} to {row['high']:.0f})"
        for row in test.calibration().to_dict("records")
        if round(row["point"]) in (50, 80, 95)
    ]
    return "How last year's points held over sites and quarters: " + "; ".join(some) + "."


def back_test_caption(test: BackTest | None) -> str:
    """Caption of the chart of `draw_back_test`.

    Parameters
    ----------
    test : BackTest or None
        None where the records of a year ago hold too few losses.

    Returns
    -------
    str
    """
    if test is None:
        return "No quotes of a year ago."
    return (
        f"Stated against held, over {len(test.site_quarters)} site-quarters of "
        f"{test.site_quarters['site_id'].nunique()} sites; bars: 95% intervals of the share (exact binomial; a little "
        "too narrow, as the quarters of one site are not independent)"
    )
