"""A chart of weeks: counts as bars, the expectation as a line, the limit of a single week, weeks not judged in grey."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import pandas as pd
from matplotlib.dates import DateFormatter, MonthLocator
from matplotlib.figure import Figure

from plantstats.findings import pick
from plantstats.reporting.charts import ACCENT, BAND, FRAME, GREEN, INK, LETTERS, WARN, canvas

HEIGHT = 2.6  # inches


@dataclass(frozen=True)
class Weeks:
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

    def _rows(self, findings: pd.DataFrame) -> pd.DataFrame:
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

    def draw(self, findings: pd.DataFrame, _small_group: int) -> Figure | None:
        """The drawing; None without rows.

        Parameters
        ----------
        findings : pandas.DataFrame
            Results.
        _small_group : int
            Not needed: whole weeks of the company.

        Returns
        -------
        Figure or None
        """
        rows = self._rows(findings)
        if rows.empty:
            return None
        fig, ax = canvas(HEIGHT)
        middle = rows["monday"] + pd.Timedelta(days=3)
        colours = np.where(rows["signal"], WARN, np.where(rows["judged"], ACCENT, FRAME))
        ax.fill_between(middle, 0, rows["limit"], color=BAND, zorder=0)
        ax.bar(middle, rows["estimate"], width=5.2, color=colours, zorder=1)
        ax.plot(middle, rows["line"], color=GREEN, linewidth=2, zorder=2)
        top = float(max(rows["estimate"].max(), rows["limit"].max(), 1.0))
        for day, value in zip(middle[rows["signal"]], rows.loc[rows["signal"], "estimate"], strict=True):
            ax.annotate("alarm", (day, value), (0, 2), textcoords="offset points", ha="center", color=WARN,
                        fontsize=LETTERS, zorder=3)  # fmt: skip
        ax.xaxis.set_major_locator(MonthLocator(bymonth=(1, 4, 7, 10)))
        ax.xaxis.set_major_formatter(DateFormatter("%b\n%Y"))
        ax.set_ylim(0, 1.12 * top)
        ax.set_ylabel(self.unit, fontsize=LETTERS, color=INK)
        return fig

    def words(self, findings: pd.DataFrame, _small_group: int) -> str:
        """What it shows, in a sentence.

        Parameters
        ----------
        findings : pandas.DataFrame
            Results.
        _small_group : int
            Not needed: whole weeks of the company.

        Returns
        -------
        str
        """
        rows = self._rows(findings)
        if rows.empty:
            return ""
        judged = rows[rows["judged"]]
        alarms = f"; alarm in {', '.join(rows.index[rows['signal']])}" if rows["signal"].any() else "; no alarm"
        return (
            f"By week, {self.unit}, {rows.index[0]} to {judged.index[-1]}: {judged['estimate'].sum():,.0f} found, "
            f"{judged['line'].sum():,.1f} expected{alarms}."
        )
