"""Charts as specs: which findings, what they are called, which unit; a few kinds serve all pages."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FormatStrFormatter, LogLocator, NullFormatter

from plantstats.findings import for_display, pick
from plantstats.reporting.specs import Chart, Rows

# At this width and size of letters a phone of 390 px shows letters of 11 px, a desk letters as large as the text.
WIDTH, LETTERS = 4.2, 10  # inches, points
# Those of page.css and notebook.css.
INK, SOFT, FRAME = "#1c2321", "#4a5652", "#cfd6d3"
# Contrast with white, of 3 at least (WCAG 2.2, 1.4.11): 4.4, 5.2, 4.9.
PLAIN, ACCENT, WARN = "#6b7680", "#0072b2", "#a33b20"
BAND = "#d7e5dc"
GREEN, ABSENT = "#17603a", "#dde3e0"  # plants that stand, and those that do not
# Parts of a whole, told apart by lightness too: contrast with white 9.7, 4.4, 5.2; each with a white edge.
STACKED = ("#23455e", PLAIN, ACCENT)
MOST_IN_WORDS = 4  # rows of a chart that words name
WIDEST = 10.0  # ratios beyond a tenth and ten times are drawn at the edge
Label = Callable[[pd.Series], str]


def canvas(height: float) -> tuple[Figure, Axes]:
    """An empty chart of the house's width, outside pyplot's global state; few lines, no frame.

    Parameters
    ----------
    height : float
        In inches.

    Returns
    -------
    fig, ax : Figure, Axes
    """
    with sns.axes_style("white", {"axes.edgecolor": FRAME, "text.color": INK, "axes.labelcolor": SOFT}):
        fig = Figure(figsize=(WIDTH, height), layout="constrained")
        ax = fig.add_subplot()
    ax.tick_params(labelsize=LETTERS, colors=INK, length=0)
    sns.despine(ax=ax, left=True)
    return fig, ax


def annotate(ax: Axes, text: str, at: tuple[Any, Any], shift: tuple[float, float], **style: Any) -> None:
    """Write a text beside a point of a chart.

    Parameters
    ----------
    ax : Axes
    text : str
    at : tuple
        The point, in units of the data.
    shift : tuple of float
        Of the text from it, in points.
    **style : Any
        As `matplotlib.axes.Axes.annotate` takes it.
    """
    ax.annotate(text, at, shift, textcoords="offset points", fontsize=LETTERS, **style)


def large_enough(rows: pd.DataFrame, small_group: int) -> pd.DataFrame:
    """Rows that may be drawn: with an estimate, and not of a group with too few plants.

    Parameters
    ----------
    rows : pandas.DataFrame
        Findings.
    small_group : int
        Groups with fewer plants keep their counts, but not their estimates.

    Returns
    -------
    pandas.DataFrame
    """
    return rows[rows["estimate"].notna() & ~rows["n_plants"].lt(small_group).fillna(False)]


def in_words(rows: pd.DataFrame, label: Label) -> str:
    """The first rows as text, for those who cannot see the drawing.

    Parameters
    ----------
    rows : pandas.DataFrame
        Findings.
    label : Label
        Names a row.

    Returns
    -------
    str
    """
    text = for_display(rows.head(MOST_IN_WORDS), 0)
    parts = [f"{label(row)} {text.loc[n, 'result']}" for n, row in rows.head(MOST_IN_WORDS).iterrows()]
    return f"{_listed(parts, len(rows))}." if parts else ""


def _listed(parts: Sequence[str], rows: int | None = None) -> str:
    """The first parts of a list, and how many rows more there are."""
    more = (rows or len(parts)) - MOST_IN_WORDS
    return "; ".join(parts[:MOST_IN_WORDS]) + (f"; and {more} more" if more > 0 else "")


@dataclass(frozen=True)
class Intervals(Chart):
    """Estimates with their intervals, one line each.

    Attributes
    ----------
    rows : Rows
        Which findings, largest on top.
    label : callable
        A row of findings to its name.
    unit : str
        Under the axis.
    reference : float or None
        Where a thin line stands: 1 for ratios.
    log : bool
        Logarithmic axis, from a tenth to ten times at most.
    left : float or None
        Where an axis of amounts begins; None near the least.
    """

    rows: Rows
    label: Label
    unit: str
    reference: float | None = None
    log: bool = False
    left: float | None = 0.0

    def _rows(self, findings: pd.DataFrame, small_group: int) -> pd.DataFrame:
        return large_enough(self.rows.select(findings), small_group).head(self.rows.most)

    def _drawing(self, rows: pd.DataFrame) -> Figure:
        rows = rows.iloc[::-1]
        labels = [self.label(row) for _, row in rows.iterrows()]
        fig, ax = canvas(0.7 + (0.46 if any("\n" in label for label in labels) else 0.27) * len(rows))
        at = np.arange(len(rows))
        ends = (1 / WIDEST, WIDEST) if self.log else (-np.inf, np.inf)
        low, high = (rows[c].fillna(rows["estimate"]).clip(*ends) for c in ("low", "high"))
        ax.hlines(at, low, high, color=PLAIN, linewidth=2)
        ax.scatter(rows["estimate"].clip(*ends), at, color=ACCENT, s=30, zorder=3)
        ax.set_yticks(at, labels)
        ax.set_xlabel(self.unit, fontsize=LETTERS)
        if self.reference is not None:
            ax.axvline(self.reference, color=INK, linewidth=0.8)
        if self.log:
            _log_axis(ax, float(low.min()), float(high.max()))
        elif self.left is not None and float(low.min()) >= self.left:
            ax.set_xlim(left=self.left)
        return fig

    def _in_words(self, rows: pd.DataFrame) -> str:
        return f"{self.unit}: {in_words(rows, self.label)}"


def _log_axis(ax: Axes, low: float, high: float) -> None:
    ax.set_xscale("log")
    ax.set_xlim(min(low, 0.8) * 0.9, max(high, 1.25) * 1.1)
    ax.xaxis.set_major_locator(LogLocator(subs=(1, 2, 5)))
    ax.xaxis.set_major_formatter(FormatStrFormatter("%g"))
    ax.xaxis.set_minor_formatter(NullFormatter())


@dataclass(frozen=True)
class Bars(Chart):
    """One bar a row, sorted; below zero in the colour of warning; a tick for what was expected, where there is one.

    Attributes
    ----------
    rows : Rows
        Which findings; the bar is as long as `value`.
    label : callable
        A row of findings to its name.
    unit : str
        Under the axis.
    value : str
        "estimate", or "losses" for counts.
    expected : str
        Measure with the same groups whose estimate is drawn as a tick; "" for none.
    small : bool
        Whether small groups are drawn: counts and money of our own may be, estimates may not.
    decimals : int
        Of the numbers at the bars.
    """

    rows: Rows
    label: Label
    unit: str
    value: str = "estimate"
    expected: str = ""
    small: bool = False
    decimals: int = 0

    def _rows(self, findings: pd.DataFrame, small_group: int) -> pd.DataFrame:
        rows = self.rows.select(findings)
        rows = (rows[rows[self.value].notna()] if self.small else large_enough(rows, small_group)).head(self.rows.most)
        if not self.expected:
            return rows
        key = list(self.rows.by)
        other = pick(findings, self.expected, key, self.rows.period)[[*key, "estimate"]]
        return rows.merge(other, on=key, how="left", suffixes=("", "_expected"))

    def _drawing(self, rows: pd.DataFrame) -> Figure:
        rows = rows.iloc[::-1]
        fig, ax = canvas(0.7 + 0.26 * len(rows))
        at, values = np.arange(len(rows)), rows[self.value].to_numpy("float64")
        ax.barh(at, values, color=np.where(values < 0, WARN, PLAIN), height=0.72)
        for y, value in zip(at, values, strict=True):
            text = f"{value:,.{self.decimals}f}".replace("-", "\u2212")
            shift, side = (-3, "right") if value < 0 else (3, "left")
            annotate(ax, text, (value, y), (shift, 0), va="center", ha=side)
        if self.expected:
            ax.scatter(rows["estimate_expected"], at, marker="|", s=160, color=GREEN, linewidth=2, zorder=3)
        ax.set_yticks(at, [self.label(row) for _, row in rows.iterrows()])
        # Room for the numbers at the ends.
        left, right = min(values.min(), 0.0), max(values.max(), 0.0)
        ax.set_xlim(left - (0.3 * (right - left) if left < 0 else 0.0), right + 0.18 * ((right - left) or 1.0))
        ax.axvline(0, color=INK, linewidth=0.8)
        ax.set_xlabel(self.unit, fontsize=LETTERS)
        ax.set_xticks([])
        sns.despine(ax=ax, left=True, bottom=True)
        return fig

    def _in_words(self, rows: pd.DataFrame) -> str:
        parts = [f"{self.label(row)} {row[self.value]:,.{self.decimals}f}" for _, row in rows.iterrows()]
        return f"Bars, {self.unit}: {_listed(parts)}."


@dataclass(frozen=True)
class Pairs(Chart):
    """Two values of each row on one line, such as a hard and an easy place of a species; their limits in grey.

    Attributes
    ----------
    values : pandas.DataFrame
        One row each, from the top: label, first, second; where they are known first_low, first_high, second_low and
        second_high. What may not be shown is left out before.
    names : tuple of str
        What the first and the second value are.
    unit : str
        Under the axis.
    marks : sequence of float
        Where thin lines stand, such as the days of visits.
    """

    values: pd.DataFrame
    names: tuple[str, str]
    unit: str
    marks: Sequence[float] = ()

    def _rows(self, _findings: pd.DataFrame, _small_group: int) -> pd.DataFrame:
        return self.values

    def _drawing(self, rows: pd.DataFrame) -> Figure:
        rows = rows.iloc[::-1]
        fig, ax = canvas(1.1 + 0.3 * len(rows))
        at = np.arange(len(rows))
        for mark in self.marks:
            ax.axvline(mark, color=FRAME, linewidth=1, zorder=0)
        ax.hlines(at, rows["first"], rows["second"], color=PLAIN, linewidth=2.5, zorder=2)
        for name, shift, color, shape in (("first", 0.2, WARN, "o"), ("second", -0.2, GREEN, "D")):
            if f"{name}_low" in rows:
                ax.hlines(at + shift, rows[f"{name}_low"], rows[f"{name}_high"], color=color, linewidth=1, alpha=0.6)
            ax.scatter(rows[name], at, color=color, marker=shape, s=34, zorder=3, label=self.names[name == "second"])
        ax.set_yticks(at, list(rows["label"]))
        ax.set_ylim(-0.6, len(rows) - 0.4)
        ax.set_xlim(left=0)
        if self.marks:
            ax.set_xticks(list(self.marks))
        ax.set_xlabel(self.unit, fontsize=LETTERS)
        fig.legend(loc="outside upper left", ncols=1, fontsize=LETTERS, frameon=False, handletextpad=0.2)
        return fig

    def _in_words(self, rows: pd.DataFrame) -> str:
        parts = [f"{row.label} {row.first:.0f} and {row.second:.0f}" for row in rows.itertuples()]
        return f"{self.unit}, {self.names[0]} and {self.names[1]}: {_listed(parts)}."


@dataclass(frozen=True)
class Stacks(Chart):
    """What parts take of a whole, one stacked bar a row in hundredths of the whole, and a line at the whole.

    Attributes
    ----------
    rows : Rows
        Findings whose groups are shown, in their order.
    label : callable
        A row of findings to its name.
    parts : mapping of str to str
        Measure of the same groups to its name, from the left.
    whole : str
        Measure of the same groups: all of it.
    unit : str
        Under the axis.
    """

    rows: Rows
    label: Label
    parts: Mapping[str, str]
    whole: str
    unit: str

    def _rows(self, findings: pd.DataFrame, _small_group: int) -> pd.DataFrame:
        """One row each: its name, and each part in hundredths of the whole; none without a whole."""
        by = list(self.rows.by)
        rows = self.rows.select(findings).head(self.rows.most)
        frame = rows[by].assign(label=[self.label(row) for _, row in rows.iterrows()])
        for measure in (self.whole, *self.parts):
            part = pick(findings, measure, by, self.rows.period)[[*by, "estimate"]]
            frame = frame.merge(part.rename(columns={"estimate": measure}), on=by, how="left")
        frame = frame[frame[self.whole].gt(0)]
        shares = frame[list(self.parts)].div(frame[self.whole], axis=0) * 100
        return shares.fillna(0.0).assign(label=frame["label"])

    def _drawing(self, rows: pd.DataFrame) -> Figure:
        shares = rows.iloc[::-1]
        fig, ax = canvas(1.1 + 0.26 * len(shares))
        at, left = np.arange(len(shares)), np.zeros(len(shares))
        for (measure, name), color in zip(self.parts.items(), STACKED, strict=False):
            part = shares[measure].to_numpy("float64")
            ax.barh(at, part, left=left, height=0.72, color=color, edgecolor="white", label=name)
            left += part
        ax.axvline(100, color=INK, linewidth=1.2)
        ax.set_yticks(at, list(shares["label"]))
        ax.set_xlabel(self.unit, fontsize=LETTERS)
        fig.legend(loc="outside upper center", ncols=len(self.parts), fontsize=LETTERS, frameon=False, handlelength=1)
        return fig

    def _in_words(self, rows: pd.DataFrame) -> str:
        parts = [
            f"{row['label']} " + ", ".join(f"{name} {row[measure]:.0f}" for measure, name in self.parts.items())
            for _, row in rows.iterrows()
        ]
        return f"Stacked bars, {self.unit}: {_listed(parts)}."


@dataclass(frozen=True)
class Squares(Chart):
    """Of 100 plants, how many still stand: a square of ten by ten for each row.

    Attributes
    ----------
    rows : Rows
        Shares in percent.
    label : callable
        A row of findings to its name.
    """

    rows: Rows
    label: Label

    def _rows(self, findings: pd.DataFrame, small_group: int) -> pd.DataFrame:
        return large_enough(self.rows.select(findings), small_group)

    def _drawing(self, rows: pd.DataFrame) -> Figure:
        rows = rows.head(4)
        fig, ax = canvas(1.5)
        x, y = (a.ravel() for a in np.meshgrid(np.arange(10), np.arange(10)))
        for n, (_, row) in enumerate(rows.iterrows()):
            stands = np.arange(100) < round(float(row["estimate"]))
            ax.scatter(x + 12.5 * n, 9 - y, c=np.where(stands, GREEN, ABSENT), s=9, marker="s")
            text = f"{self.label(row)}: {row['estimate']:.0f}"
            ax.text(12.5 * n + 4.5, -1.6, text, ha="center", va="top", fontsize=LETTERS)
        ax.set_xlim(-1, 12.5 * max(len(rows), 3) - 2)
        ax.set_ylim(-4, 10)
        ax.set_aspect("equal")
        ax.set_axis_off()
        return fig

    def _in_words(self, rows: pd.DataFrame) -> str:
        return f"Of 100 plants stand: {in_words(rows, self.label)}"


@dataclass(frozen=True)
class Dots(Chart):
    """One dot a row in lanes, with a limit: which sites lie beyond it.

    Attributes
    ----------
    rows : Rows
        Which findings.
    lane : callable
        A row to its lane.
    lanes : mapping of str to str
        Lane to its label, top first.
    unit : str
        Under the axis.
    limit : float
        Dots beyond it carry the colour of warning.
    limit_label : str
        What the limit is.
    """

    rows: Rows
    lane: Label
    lanes: Mapping[str, str]
    unit: str
    limit: float
    limit_label: str

    def _rows(self, findings: pd.DataFrame, small_group: int) -> pd.DataFrame:
        return large_enough(self.rows.select(findings), small_group)

    def _drawing(self, rows: pd.DataFrame) -> Figure:
        fig, ax = canvas(0.9 + 0.45 * len(self.lanes))
        places = {lane: n for n, lane in enumerate(self.lanes)}
        at = np.array([places.get(self.lane(row), np.nan) for _, row in rows.iterrows()])
        values = rows["estimate"].to_numpy("float64")
        colours = np.where(values > self.limit, WARN, PLAIN)
        for n in places.values():
            ax.scatter(values[at == n], at[at == n], s=36, c=colours[at == n], linewidth=0, alpha=0.75, zorder=3)
        ax.axvline(self.limit, color=INK, linewidth=0.8, linestyle="--")
        annotate(ax, self.limit_label, (self.limit, -0.5), (3, 2))
        ax.set_yticks(range(len(self.lanes)), list(self.lanes.values()))
        ax.set_ylim(len(self.lanes) - 0.5, -0.5)
        ax.set_xlabel(self.unit, fontsize=LETTERS)
        ax.set_xlim(left=0)
        return fig

    def _in_words(self, rows: pd.DataFrame) -> str:
        beyond = int(rows["estimate"].gt(self.limit).sum())
        return f"{self.unit}: {beyond} of {len(rows)} lie beyond {self.limit:g} ({self.limit_label})."
