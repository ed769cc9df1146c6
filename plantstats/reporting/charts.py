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
from plantstats.reporting.specs import Rows

# At this width and size of letters a phone of 390 px shows letters of 11 px, a desk letters as large as the text.
WIDTH, LETTERS = 4.2, 10  # inches, points
INK, SOFT, FRAME = "#1c2321", "#5b6762", "#cfd6d3"
# Contrast with white, of 3 at least (WCAG 2.2, 1.4.11): 4.4, 5.2, 4.9.
PLAIN, ACCENT, WARN = "#6b7680", "#0072b2", "#a33b20"
BAND = "#d7e5dc"
GREEN = "#17603a"
# Parts of a whole, told apart by lightness too: contrast with white 9.7, 4.4, 5.2; each with a white edge.
STACKED = ("#23455e", PLAIN, ACCENT)
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


def in_words(rows: pd.DataFrame, label: Label, most: int = 4) -> str:
    """The first rows as text, for those who cannot see the drawing.

    Parameters
    ----------
    rows : pandas.DataFrame
        Findings.
    label : Label
        Names a row.
    most : int, default 4
        How many are named.

    Returns
    -------
    str
    """
    text = for_display(rows.head(most), 0)
    parts = [f"{label(row)} {text.loc[n, 'result']}" for n, row in rows.head(most).iterrows()]
    more = f"; and {len(rows) - most} more" if len(rows) > most else ""
    return f"{'; '.join(parts)}{more}." if parts else ""


@dataclass(frozen=True)
class Intervals:
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

    def draw(self, findings: pd.DataFrame, small_group: int) -> Figure | None:
        """The drawing; None without rows.

        Parameters
        ----------
        findings : pandas.DataFrame
            Results.
        small_group : int
            Groups with fewer plants keep their counts, but not their estimates.

        Returns
        -------
        Figure or None
            None without rows.
        """
        rows = self._rows(findings, small_group).iloc[::-1]
        if rows.empty:
            return None
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

    def words(self, findings: pd.DataFrame, small_group: int) -> str:
        """What it shows, in a sentence.

        Parameters
        ----------
        findings : pandas.DataFrame
            Results.
        small_group : int
            Groups with fewer plants keep their counts, but not their estimates.

        Returns
        -------
        str
        """
        return f"{self.unit}: {in_words(self._rows(findings, small_group), self.label)}"


def _log_axis(ax: Axes, low: float, high: float) -> None:
    ax.set_xscale("log")
    ax.set_xlim(min(low, 0.8) * 0.9, max(high, 1.25) * 1.1)
    ax.xaxis.set_major_locator(LogLocator(subs=(1, 2, 5)))
    ax.xaxis.set_major_formatter(FormatStrFormatter("%g"))
    ax.xaxis.set_minor_formatter(NullFormatter())


@dataclass(frozen=True)
class Bars:
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
        rows = rows[rows[self.value].notna()] if self.small else large_enough(rows, small_group)
        return rows.head(self.rows.most)

    def draw(self, findings: pd.DataFrame, small_group: int) -> Figure | None:
        """The drawing; None without rows.

        Parameters
        ----------
        findings : pandas.DataFrame
            Results.
        small_group : int
            Groups with fewer plants keep their counts, but not their estimates.

        Returns
        -------
        Figure or None
            None without rows.
        """
        rows = self._rows(findings, small_group).iloc[::-1]
        if rows.empty:
            return None
        fig, ax = canvas(0.7 + 0.26 * len(rows))
        at, values = np.arange(len(rows)), rows[self.value].to_numpy("float64")
        ax.barh(at, values, color=np.where(values < 0, WARN, PLAIN), height=0.72)
        for y, value in zip(at, values, strict=True):
            text = f"{value:,.{self.decimals}f}".replace("-", "\u2212")
            place = (-3, "right") if value < 0 else (3, "left")
            offset: dict[str, Any] = {
                "textcoords": "offset points",
                "va": "center",
                "ha": place[1],
                "fontsize": LETTERS,
            }
            ax.annotate(text, (value, y), (place[0], 0), **offset)
        if self.expected:
            other = pick(findings, self.expected, list(self.rows.by), self.rows.period)
            key = list(self.rows.by)
            ticks = rows.merge(other[[*key, "estimate"]], on=key, how="left", suffixes=("", "_expected"))
            ax.scatter(ticks["estimate_expected"], at, marker="|", s=160, color=GREEN, linewidth=2, zorder=3)
        ax.set_yticks(at, [self.label(row) for _, row in rows.iterrows()])
        # Room for the numbers at the ends.
        left, right = min(values.min(), 0.0), max(values.max(), 0.0)
        ax.set_xlim(left - (0.3 * (right - left) if left < 0 else 0.0), right + 0.18 * ((right - left) or 1.0))
        ax.axvline(0, color=INK, linewidth=0.8)
        ax.set_xlabel(self.unit, fontsize=LETTERS)
        ax.set_xticks([])
        sns.despine(ax=ax, left=True, bottom=True)
        return fig

    def words(self, findings: pd.DataFrame, small_group: int) -> str:
        """What it shows, in a sentence.

        Parameters
        ----------
        findings : pandas.DataFrame
            Results.
        small_group : int
            Groups with fewer plants keep their counts, but not their estimates.

        Returns
        -------
        str
        """
        rows = self._rows(findings, small_group)
        parts = [f"{self.label(row)} {row[self.value]:,.{self.decimals}f}" for _, row in rows.head(4).iterrows()]
        more = f"; and {len(rows) - 4} more" if len(rows) > 4 else ""
        return f"Bars, {self.unit}: {'; '.join(parts)}{more}."


@dataclass(frozen=True)
class Pairs:
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

    def draw(self, _findings: pd.DataFrame, _small_group: int) -> Figure | None:
        """The drawing; None without rows.

        Parameters
        ----------
        _findings : pandas.DataFrame
            Not needed: the values are chosen before.
        _small_group : int
            Likewise.

        Returns
        -------
        Figure or None
            None without rows.
        """
        rows = self.values.iloc[::-1]
        if rows.empty:
            return None
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

    def words(self, _findings: pd.DataFrame, _small_group: int) -> str:
        """What it shows, in a sentence.

        Parameters
        ----------
        _findings : pandas.DataFrame
            Not needed: the values are chosen before.
        _small_group : int
            Likewise.

        Returns
        -------
        str
        """
        rows = [f"{row.label} {row.first:.0f} and {row.second:.0f}" for row in self.values.head(4).itertuples()]
        more = f"; and {len(self.values) - 4} more" if len(self.values) > 4 else ""
        return f"{self.unit}, {self.names[0]} and {self.names[1]}: {'; '.join(rows)}{more}."


@dataclass(frozen=True)
class Stacks:
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

    def _shares(self, findings: pd.DataFrame) -> pd.DataFrame:
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

    def draw(self, findings: pd.DataFrame, _small_group: int) -> Figure | None:
        """The drawing; None without rows.

        Parameters
        ----------
        findings : pandas.DataFrame
            Results.
        _small_group : int
            Not needed: amounts of our own records.

        Returns
        -------
        Figure or None
            None without rows.
        """
        shares = self._shares(findings).iloc[::-1]
        if shares.empty:
            return None
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

    def words(self, findings: pd.DataFrame, _small_group: int) -> str:
        """What it shows, in a sentence.

        Parameters
        ----------
        findings : pandas.DataFrame
            Results.
        _small_group : int
            Not needed: amounts of our own records.

        Returns
        -------
        str
        """
        shares = self._shares(findings)
        rows = [
            f"{row['label']} " + ", ".join(f"{name} {row[measure]:.0f}" for measure, name in self.parts.items())
            for _, row in shares.head(4).iterrows()
        ]
        more = f"; and {len(shares) - 4} more" if len(shares) > 4 else ""
        return f"Stacked bars, {self.unit}: {'; '.join(rows)}{more}."


@dataclass(frozen=True)
class Quarters:
    """A bar a quarter, what was to be expected as a line, what chance alone would do as a band, events hatched.

    Attributes
    ----------
    measure : str
        Unsplit findings, one a period.
    value : str
        How high the bar is: "losses", or "estimate" for money.
    expected : str
        Unsplit findings by period: estimate and limits of chance; "" for none.
    event : str
        Findings by period, site and cause: the part of the bar that was one event; "" for none.
    event_label : callable or None
        An event's row to what is written beside the largest one.
    fewest : int
        Losses of which an event has at least.
    unit : str
        What the numbers are, where not plants.
    most : int
        How many quarters, the newest last.
    """

    measure: str = "loss_rate"
    value: str = "losses"
    expected: str = ""
    event: str = ""
    event_label: Label | None = None
    fewest: int = 3
    unit: str = "plants lost"
    most: int = 9

    def _rows(self, findings: pd.DataFrame) -> pd.DataFrame:
        rows = pick(findings, self.measure).sort_values("period").tail(self.most).set_index("period")
        other = pick(findings, self.expected) if self.expected else rows.head(0).reset_index()
        other = other.drop_duplicates("period").set_index("period").reindex(rows.index)
        events = self._events(findings).set_index("period")[self.value].reindex(rows.index)
        return rows.assign(
            bar=rows[self.value].astype("float64"),
            line=other["estimate"],
            low_line=other["low"],
            high_line=other["high"],
            single=events.astype("float64").fillna(0.0),
        )

    def _events(self, findings: pd.DataFrame) -> pd.DataFrame:
        rows = pick(findings, self.event, ["site_id", "cause"]) if self.event else findings.head(0)
        return rows[rows["losses"].ge(self.fewest)].drop_duplicates("period")

    def draw(self, findings: pd.DataFrame, _small_group: int) -> Figure | None:
        """The drawing; None without rows.

        Parameters
        ----------
        findings : pandas.DataFrame
            Results.
        _small_group : int
            Not needed: whole quarters of the company.

        Returns
        -------
        Figure or None
            None without rows.
        """
        rows = self._rows(findings)
        if rows.empty or not rows["bar"].fillna(0.0).any():
            return None
        fig, ax = canvas(2.5)
        at, bars = np.arange(len(rows)), rows["bar"].fillna(0.0).to_numpy()
        line, low, high = (rows[c].to_numpy("float64", na_value=np.nan) for c in ("line", "low_line", "high_line"))
        ax.fill_between(at, low, high, color=BAND, zorder=0)
        ax.bar(at, bars, color=[PLAIN] * (len(rows) - 1) + [ACCENT], width=0.7, zorder=1)
        single = rows["single"].to_numpy()
        if single.any():
            hatched: dict[str, Any] = {"facecolor": "white", "edgecolor": PLAIN, "hatch": "////"}
            ax.bar(at[single > 0], single[single > 0], 0.7, (bars - single)[single > 0], zorder=2, **hatched)
        ax.plot(at, line, color=GREEN, linewidth=2, marker="_", markersize=9, zorder=3)
        top = max(float(np.nanmax(np.r_[bars, high[np.isfinite(high)]])), 1.0)
        self._numbers(ax, at, bars, single, top)
        self._largest(ax, findings, rows, top)
        names = [str(period).split("-", 1) for period in rows.index]
        years = [year if n == 0 or names[n - 1][0] != year else "" for n, (year, _) in enumerate(names)]
        ax.set_xticks(at, [f"{quarter}\n{year}" for (_, quarter), year in zip(names, years, strict=True)])
        ax.set_yticks([])
        ax.set_ylim(0, 1.1 * top)
        return fig

    def _numbers(self, ax: Axes, at: Any, bars: Any, single: Any, top: float) -> None:
        """The number of each bar: within it at its foot, or above one that is too low or hatched there."""
        for x, bar, part in zip(at, bars, single, strict=True):
            inside = bar - part > 0.14 * top and self.value == "losses"
            ax.annotate(
                f"{bar:,.0f}",
                (x, 0 if inside else bar),
                (0, 4 if inside else 2),
                textcoords="offset points",
                ha="center",
                color="white" if inside else INK,
                fontsize=LETTERS,
                fontweight="bold" if inside else "normal",
                zorder=4,
            )

    def _largest(self, ax: Axes, findings: pd.DataFrame, rows: pd.DataFrame, top: float) -> None:
        """What the largest event was, beside its bar."""
        events = self._events(findings)
        events = events[events["period"].isin(rows.index)]
        if self.event_label is None or events.empty:
            return
        event = events.loc[events["losses"].idxmax()]
        x = list(rows.index).index(event["period"])
        left = x > len(rows) / 2
        ax.annotate(
            self.event_label(event),
            (x + (-0.45 if left else 0.45), 1.08 * top),
            ha="right" if left else "left",
            va="top",
            fontsize=LETTERS,
            color=INK,
            zorder=5,
        )

    def words(self, findings: pd.DataFrame, _small_group: int) -> str:
        """What it shows, in a sentence.

        Parameters
        ----------
        findings : pandas.DataFrame
            Results.
        _small_group : int
            Not needed: whole quarters of the company.

        Returns
        -------
        str
        """
        rows = self._rows(findings)
        parts = [
            f"{period} {row['bar']:,.0f}" + (f" ({row['line']:.0f} expected)" if pd.notna(row["line"]) else "")
            for period, row in rows.iterrows()
        ]
        return f"By quarter, {self.unit}: {', '.join(parts)}."


@dataclass(frozen=True)
class Squares:
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

    def draw(self, findings: pd.DataFrame, small_group: int) -> Figure | None:
        """The drawing; None without rows.

        Parameters
        ----------
        findings : pandas.DataFrame
            Results.
        small_group : int
            Groups with fewer plants keep their counts, but not their estimates.

        Returns
        -------
        Figure or None
            None without rows.
        """
        rows = large_enough(self.rows.select(findings), small_group).head(4)
        if rows.empty:
            return None
        fig, ax = canvas(1.5)
        x, y = (a.ravel() for a in np.meshgrid(np.arange(10), np.arange(10)))
        for n, (_, row) in enumerate(rows.iterrows()):
            stands = np.arange(100) < round(float(row["estimate"]))
            ax.scatter(x + 12.5 * n, 9 - y, c=np.where(stands, GREEN, "#dde3e0"), s=9, marker="s")
            ax.text(
                12.5 * n + 4.5,
                -1.6,
                f"{self.label(row)}: {row['estimate']:.0f}",
                ha="center",
                va="top",
                fontsize=LETTERS,
            )
        ax.set_xlim(-1, 12.5 * max(len(rows), 3) - 2)
        ax.set_ylim(-4, 10)
        ax.set_aspect("equal")
        ax.set_axis_off()
        return fig

    def words(self, findings: pd.DataFrame, small_group: int) -> str:
        """What it shows, in a sentence.

        Parameters
        ----------
        findings : pandas.DataFrame
            Results.
        small_group : int
            Groups with fewer plants keep their counts, but not their estimates.

        Returns
        -------
        str
        """
        return f"Of 100 plants stand: {in_words(large_enough(self.rows.select(findings), small_group), self.label)}"


@dataclass(frozen=True)
class Dots:
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

    def draw(self, findings: pd.DataFrame, small_group: int) -> Figure | None:
        """The drawing; None without rows.

        Parameters
        ----------
        findings : pandas.DataFrame
            Results.
        small_group : int
            Groups with fewer plants keep their counts, but not their estimates.

        Returns
        -------
        Figure or None
            None without rows.
        """
        rows = large_enough(self.rows.select(findings), small_group)
        if rows.empty:
            return None
        fig, ax = canvas(0.9 + 0.45 * len(self.lanes))
        frame = pd.DataFrame(
            {
                "x": rows["estimate"].to_numpy(),
                "lane": pd.Categorical([self.lane(row) for _, row in rows.iterrows()], list(self.lanes)),
                "beyond": rows["estimate"].gt(self.limit).to_numpy(),
            }
        )
        sns.stripplot(
            frame,
            x="x",
            y="lane",
            hue="beyond",
            palette={False: PLAIN, True: WARN},
            jitter=False,
            size=6,
            alpha=0.75,
            legend=False,
            ax=ax,
        )
        ax.axvline(self.limit, color=INK, linewidth=0.8, linestyle="--")
        ax.annotate(self.limit_label, (self.limit, -0.5), (3, 2), textcoords="offset points", fontsize=LETTERS)
        ax.set_yticks(range(len(self.lanes)), list(self.lanes.values()))
        ax.set_ylabel("")
        ax.set_xlabel(self.unit, fontsize=LETTERS)
        ax.set_xlim(left=0)
        return fig

    def words(self, findings: pd.DataFrame, small_group: int) -> str:
        """What it shows, in a sentence.

        Parameters
        ----------
        findings : pandas.DataFrame
            Results.
        small_group : int
            Groups with fewer plants keep their counts, but not their estimates.

        Returns
        -------
        str
        """
        rows = large_enough(self.rows.select(findings), small_group)
        beyond = int(rows["estimate"].gt(self.limit).sum())
        return f"{self.unit}: {beyond} of {len(rows)} lie beyond {self.limit:g} ({self.limit_label})."
