"""Charts of quarters, of weeks, and of deliveries by age."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colors import to_rgb
from matplotlib.dates import DateFormatter, MonthLocator
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from plantstats.findings import pick
from plantstats.reporting.charts import (
    ACCENT,
    BAND,
    FRAME,
    GREEN,
    INK,
    LETTERS,
    PLAIN,
    SOFT,
    WARN,
    Label,
    annotate,
    canvas,
)
from plantstats.reporting.specs import Chart

FULL = 3.0  # losses more, or fewer, than expected at which a square of a triangle has its full colour
FAINTEST = 0.45  # of the full colour: letters keep their contrast on it
MOST = 12  # deliveries of a triangle


@dataclass(frozen=True)
class Quarters(Chart):
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

    def _rows(self, findings: pd.DataFrame, _small_group: int) -> pd.DataFrame:
        rows = pick(findings, self.measure).sort_values("period").tail(self.most).set_index("period")
        if not rows[self.value].fillna(0.0).any():
            return rows.head(0)
        other = pick(findings, self.expected) if self.expected else rows.head(0).reset_index()
        other = other.drop_duplicates("period").set_index("period").reindex(rows.index)
        events = self._events(findings)
        single = events.set_index("period")[self.value].reindex(rows.index)
        return rows.assign(
            bar=rows[self.value].astype("float64"),
            line=other["estimate"],
            low_line=other["low"],
            high_line=other["high"],
            single=single.astype("float64").fillna(0.0),
            beside=self._beside(events, rows.index),
        )

    def _events(self, findings: pd.DataFrame) -> pd.DataFrame:
        rows = pick(findings, self.event, ["site_id", "cause"]) if self.event else findings.head(0)
        return rows[rows["losses"].ge(self.fewest)].drop_duplicates("period")

    def _beside(self, events: pd.DataFrame, periods: pd.Index) -> list[str]:
        """What the largest event was, at its quarter; "" at the others."""
        events = events[events["period"].isin(periods)]
        if self.event_label is None or events.empty:
            return [""] * len(periods)
        event = events.loc[events["losses"].idxmax()]
        return [self.event_label(event) if period == event["period"] else "" for period in periods]

    def _drawing(self, rows: pd.DataFrame) -> Figure:
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
        for x, text in enumerate(rows["beside"]):
            left = x > len(rows) / 2
            place, side = x + (-0.45 if left else 0.45), "right" if left else "left"
            if text:
                ax.annotate(text, (place, 1.08 * top), ha=side, va="top", fontsize=LETTERS, color=INK, zorder=5)
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
            style: dict[str, Any] = {"color": "white", "fontweight": "bold"} if inside else {"color": INK}
            place = ((x, 0), (0, 4)) if inside else ((x, bar), (0, 2))
            annotate(ax, f"{bar:,.0f}", *place, ha="center", zorder=4, **style)

    def _in_words(self, rows: pd.DataFrame) -> str:
        parts = [
            f"{period} {row['bar']:,.0f}" + (f" ({row['line']:.0f} expected)" if pd.notna(row["line"]) else "")
            for period, row in rows.iterrows()
        ]
        return f"By quarter, {self.unit}: {', '.join(parts)}."


@dataclass(frozen=True)
class Weeks(Chart):
    """Weeks of the whole company, named by year and number ("2026-W39").

    Attributes
    ----------
    counts : str
        Unsplit findings, one a week; the bar is the estimate; a note marks weeks that are not judged.
    expected : str
        Unsplit findings by week: estimate, and the limit of a single week as `high`.
    alarm : str
        Unsplit findings of the weeks of alarm.
    unit : str
        Above the chart.
    """

    counts: str
    expected: str
    alarm: str
    unit: str

    def _rows(self, findings: pd.DataFrame, _small_group: int) -> pd.DataFrame:
        rows = pick(findings, self.counts).sort_values("period").set_index("period")
        should = pick(findings, self.expected).set_index("period").reindex(rows.index)
        signal = rows.index.isin(pick(findings, self.alarm)["period"])
        monday = [date.fromisocalendar(int(name[:4]), int(name[-2:]), 1) for name in rows.index]
        return rows.assign(
            monday=pd.to_datetime(monday),
            line=should["estimate"].astype("float64"),
            limit=should["high"].astype("float64"),
            signal=signal,
            judged=rows["note"].fillna("").eq(""),
        )

    def _drawing(self, rows: pd.DataFrame) -> Figure:
        fig, ax = canvas(2.6)
        middle = rows["monday"] + pd.Timedelta(days=3)
        colours = np.where(rows["signal"], WARN, np.where(rows["judged"], ACCENT, FRAME))
        ax.fill_between(middle, 0, rows["limit"], color=BAND, zorder=0)
        ax.bar(middle, rows["estimate"], width=5.2, color=colours, zorder=1)
        ax.plot(middle, rows["line"], color=GREEN, linewidth=2, zorder=2)
        top = float(max(rows["estimate"].max(), rows["limit"].max(), 1.0))
        for day, value in zip(middle[rows["signal"]], rows.loc[rows["signal"], "estimate"], strict=True):
            annotate(ax, "alarm", (day, value), (0, 2), ha="center", color=WARN, zorder=3)
        ax.xaxis.set_major_locator(MonthLocator(bymonth=(1, 4, 7, 10)))
        ax.xaxis.set_major_formatter(DateFormatter("%b\n%Y"))
        ax.set_ylim(0, 1.12 * top)
        ax.set_ylabel(self.unit, fontsize=LETTERS, color=INK)
        return fig

    def _in_words(self, rows: pd.DataFrame) -> str:
        judged = rows[rows["judged"]]
        alarms = f"; alarm in {', '.join(rows.index[rows['signal']])}" if rows["signal"].any() else "; no alarm"
        return (
            f"By week, {self.unit}, {rows.index[0]} to {judged.index[-1]}: {judged['estimate'].sum():,.0f} found, "
            f"{judged['line'].sum():,.1f} expected{alarms}."
        )


@dataclass(frozen=True)
class Triangle(Chart):
    """One square a delivery and age: plants lost; red where more than expected, green where fewer.

    Attributes
    ----------
    measure : str
        Findings by quarter and term (age in whole steps), with `losses`; the estimate is what was expected.
    unit : str
        Under the axis.
    """

    measure: str
    unit: str

    def _rows(self, findings: pd.DataFrame, _small_group: int) -> pd.DataFrame:
        rows = pick(findings, self.measure, ["quarter", "term"])
        rows = rows[rows["quarter"].isin(sorted(rows["quarter"].unique())[-MOST:])]
        return rows.assign(age=rows["term"].astype("int64")).sort_values(["quarter", "age"])

    def _drawing(self, rows: pd.DataFrame) -> Figure:
        names = list(rows["quarter"].unique())
        fig, ax = canvas(0.6 + 0.25 * len(names))
        for row in rows.itertuples(index=False):
            y, more = names.index(row.quarter), float(row.losses) - float(row.estimate)
            share = FAINTEST * min(abs(more) / FULL, 1.0)
            full = np.array(to_rgb(WARN if more > 0 else GREEN))
            colour = tuple(1 - share * (1 - full))
            # The white frame keeps squares apart where their colours are alike.
            ax.add_patch(Rectangle((row.age - 0.5, y - 0.5), 1, 1, facecolor=colour, edgecolor="white", linewidth=1))
            ax.text(row.age, y, f"{row.losses}", ha="center", va="center", fontsize=LETTERS, color=INK)
        ax.set_xlim(-0.5, max(int(rows["age"].max()), 5) + 0.5)
        ax.set_ylim(len(names) - 0.5, -0.5)
        ax.set_yticks(range(len(names)), names)
        ax.set_xticks(range(int(rows["age"].max()) + 1))
        ax.tick_params(axis="x", colors=SOFT)
        ax.spines["bottom"].set_visible(False)
        ax.set_xlabel(self.unit, fontsize=LETTERS)
        return fig

    def _in_words(self, rows: pd.DataFrame) -> str:
        sums = rows.groupby("quarter")[["losses", "estimate"]].sum()
        parts = [f"{name} {row['losses']:.0f} ({row['estimate']:.1f} expected)" for name, row in sums.iterrows()]
        return f"Plants lost of each delivery, in all: {', '.join(parts)}."
