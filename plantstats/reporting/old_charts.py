"""Findings in, Axes out; the caller owns the figure."""

from __future__ import annotations

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FormatStrFormatter, LogLocator, NullFormatter

from plantstats.findings import pick
from plantstats.periods import Period
from plantstats.stats import smr

# Narrow, so that a phone shows it without shrinking the letters; the page may enlarge it.
WIDTH = 5.2
INK, FAINT = "#1f2933", "#9aa5b1"
ACCENT, SECOND = sns.color_palette("colorblind").as_hex()[:2]
MOST_GROUPS = 15


def figure(height: float = 2.8) -> tuple[Figure, Axes]:
    """An empty chart of the house's width, in inches, outside pyplot's global state.

    Parameters
    ----------
    height : float, default 2.8
        In inches.

    Returns
    -------
    fig, ax : Figure, Axes
    """
    with sns.axes_style("whitegrid", {"axes.edgecolor": FAINT, "grid.color": "#e4e7eb", "text.color": INK}):
        fig = Figure(figsize=(WIDTH, height), layout="constrained")
        ax = fig.add_subplot()
    ax.tick_params(labelsize=8, colors=INK)
    return fig, ax


def draw_trend(findings: pd.DataFrame, ax: Axes, *, small_group: int, measure: str = "loss_rate") -> Axes:
    """A rate by quarter with its intervals, the last one accented.

    Parameters
    ----------
    findings : pandas.DataFrame
        With rows of `measure` that are not split by anything, one per period; periods with fewer plants than
        small_group are not drawn.
    ax : Axes
        Axes to plot on.
    small_group : int
        Groups with fewer plants keep their counts, but not their estimates.
    measure : str, default 'loss_rate'
        Which rows.

    Returns
    -------
    Axes
        With counts of losses over each point.
    """
    rows = pick(findings, measure).sort_values("period", ignore_index=True)
    rows = rows[rows["n_plants"] >= small_group].reset_index(drop=True)
    if rows.empty:
        return _nothing(ax, f"no quarter with {small_group} plants or more")
    at = np.arange(len(rows))
    colours = [FAINT] * (len(rows) - 1) + [ACCENT]
    ax.vlines(at, rows["low"], rows["high"], colors=colours, linewidth=2)
    ax.scatter(at, rows["estimate"], c=colours, s=26, zorder=3)
    for x, row in zip(at, rows.itertuples(), strict=True):
        ax.annotate(
            f"{row.losses}", (x, row.high), (0, 3), textcoords="offset points", ha="center", fontsize=7, color=INK
        )
    ax.set_xticks(at, [str(p).replace("-", "\n") for p in rows["period"]])
    # Room for the number above the highest interval.
    ax.set_ylim(0, 1.12 * float(rows["high"].max()))
    ax.set_ylabel("Losses per 100 plant-years\n(95% interval; losses above)", fontsize=8)
    return ax


def draw_groups(
    findings: pd.DataFrame, by: list[str], period: Period, ax: Axes, *, small_group: int, measure: str = "loss_rate"
) -> Axes:
    """A measure by group with its intervals, highest first, sizes in the labels.

    Parameters
    ----------
    findings : pandas.DataFrame
        With rows of `measure` split by exactly `by` in the period; groups with fewer plants than small_group are
        not drawn.
    by : list of str
        Groupings.
    period : Period
        The quarter, half-open.
    ax : Axes
        Axes to plot on.
    small_group : int
        Groups with fewer plants keep their counts, but not their estimates.
    measure : str, default 'loss_rate'
        Which rows.

    Returns
    -------
    Axes
        With at most MOST_GROUPS groups (those with most losses).
    """
    rows = pick(findings, measure, by, period.name)
    rows = rows[rows["n_plants"] >= small_group]
    rows = rows.nlargest(MOST_GROUPS, ["losses", "plant_days"]).sort_values("estimate")
    if rows.empty:
        return _nothing(ax, f"no group of {small_group} plants or more")
    names = rows[by].astype(str).agg(", ".join, axis=1)
    labels = names + " (" + rows["losses"].astype(str) + " of " + rows["n_plants"].astype(str) + ")"
    at = np.arange(len(rows))
    ax.hlines(at, rows["low"], rows["high"], color=FAINT, linewidth=2)
    ax.scatter(rows["estimate"], at, color=ACCENT, s=22, zorder=3)
    ax.set_yticks(at, labels)
    ax.set_ylim(-0.7, len(rows) - 0.3)
    ax.set_xlim(left=0)
    ax.set_xlabel("Losses per 100 plant-years (95% interval); in brackets: lost of plants there", fontsize=8)
    return ax


def draw_completeness(findings: pd.DataFrame, ax: Axes) -> Axes:
    """Shares of visits made and of visits with a reading of humidity, by month.

    Parameters
    ----------
    findings : pandas.DataFrame
        With visits_completed_share and humidity_read_share by month.
    ax : Axes
        Axes to plot on.

    Returns
    -------
    Axes
        With the counts of visits to a plant below the months.
    """
    visits = pick(findings, "visits_completed_share", ["month"]).sort_values("month", ignore_index=True)
    read = pick(findings, "humidity_read_share", ["month"]).sort_values("month", ignore_index=True)
    for rows, colour, label in ((visits, ACCENT, "visits made"), (read, SECOND, "humidity read")):
        at = np.arange(len(rows))
        ax.vlines(at, rows["low"], rows["high"], colors=colour, linewidth=2)
        ax.plot(at, rows["estimate"], "o-", color=colour, markersize=4, linewidth=1, label=label)
    months = [str(month).replace("-", "\n") for month in visits["month"]]
    ax.set_xticks(np.arange(len(visits)), months)
    ax.axhline(100, color=FAINT, linewidth=0.8)
    ax.set_ylim(bottom=0)
    ax.set_ylabel("% (see the caption)", fontsize=8)
    ax.legend(fontsize=7, loc="lower left")
    return ax


def draw_funnel(findings: pd.DataFrame, period: Period, ax: Axes, *, small_group: int) -> Axes:
    """Losses / expected of each site against its expected losses, between limits of chance.

    Parameters
    ----------
    findings : pandas.DataFrame
        Of `as_expected`; sites with fewer plants than small_group are not drawn.
    period : Period
        The quarter, half-open.
    ax : Axes
        Axes to plot on.
    small_group : int
        Groups with fewer plants keep their counts, but not their estimates.

    Returns
    -------
    Axes
        Sites that stand out (false discovery rate) carry their name.
    """
    raw = pick(findings, "observed_expected", ["site_id"], period.name).set_index("site_id")
    should = pick(findings, "expected_losses", ["site_id"], period.name).set_index("site_id")["estimate"]
    raw = raw.assign(expected=should.reindex(raw.index))
    raw = raw[raw["expected"].gt(0) & raw["n_plants"].ge(small_group)]
    if raw.empty:
        return _nothing(ax, "No expected losses of sites large enough to show")
    dispersions = pick(findings, "over_dispersion", ["term"])
    dispersions = dispersions[dispersions["term"].eq("between groups by site_id")]
    dispersion = float(dispersions["estimate"].iloc[0]) if len(dispersions) else 1.0
    at = np.geomspace(raw["expected"].min() * 0.8, raw["expected"].max() * 1.2, 80)
    limits = smr.funnel_limits(at, dispersion)
    for column in limits.columns.drop("expected"):
        outer = min(float(column), 1 - float(column)) < 0.01
        ax.plot(at, limits[column], color=FAINT, linewidth=1, linestyle=":" if outer else "-")
    ax.set_ylim(0, 1.1 * max(raw["estimate"].max(), float(limits.drop(columns="expected").iloc[-1].max()), 2))
    out = raw["note"].fillna("").str.startswith("stands out")
    ax.scatter(raw["expected"], raw["estimate"], c=np.where(out, SECOND, ACCENT), s=22, zorder=3)
    for site, row in raw[out].iterrows():
        ax.annotate(str(site), (row["expected"], row["estimate"]), (4, 3), textcoords="offset points", fontsize=7)
    ax.axhline(1, color=INK, linewidth=0.8)
    ax.set_xscale("log")
    ax.xaxis.set_major_locator(LogLocator(subs=(1, 2, 5)))
    ax.xaxis.set_major_formatter(FormatStrFormatter("%g"))
    ax.xaxis.set_minor_formatter(NullFormatter())
    ax.set_xlabel(f"Expected losses of an average site with these plants ({len(raw)} sites)", fontsize=8)
    ax.set_ylabel("Losses / expected", fontsize=8)
    return ax


def _nothing(ax: Axes, why: str) -> Axes:
    ax.text(0.5, 0.5, why, ha="center", fontsize=9, transform=ax.transAxes)
    ax.set_axis_off()
    return ax
