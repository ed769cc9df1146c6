"""A chart of deliveries by age: how many plants each has lost in each quarter since, and whether it should have."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from plantstats.findings import pick
from plantstats.reporting.charts import GREEN, INK, LETTERS, SOFT, WARN, canvas

FULL = 3.0  # losses more, or fewer, than expected at which a square has its full colour
FAINTEST = 0.45  # of the full colour: letters keep their contrast on it
MOST = 12


@dataclass(frozen=True)
class Triangle:
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

    def _rows(self, findings: pd.DataFrame) -> pd.DataFrame:
        rows = pick(findings, self.measure, ["quarter", "term"])
        rows = rows[rows["quarter"].isin(sorted(rows["quarter"].unique())[-MOST:])]
        return rows.assign(age=rows["term"].astype("int64")).sort_values(["quarter", "age"])

    def draw(self, findings: pd.DataFrame, _small_group: int) -> Figure | None:
        """The drawing; None without rows.

        Parameters
        ----------
        findings : pandas.DataFrame
            Results.
        _small_group : int
            Not needed: counts of our own plants.

        Returns
        -------
        Figure or None
            None without rows.
        """
        rows = self._rows(findings)
        if rows.empty:
            return None
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

    def words(self, findings: pd.DataFrame, _small_group: int) -> str:
        """What it shows, in a sentence.

        Parameters
        ----------
        findings : pandas.DataFrame
            Results.
        _small_group : int
            Not needed: counts of our own plants.

        Returns
        -------
        str
        """
        sums = self._rows(findings).groupby("quarter")[["losses", "estimate"]].sum()
        parts = [f"{name} {row['losses']:.0f} ({row['estimate']:.1f} expected)" for name, row in sums.iterrows()]
        return f"Plants lost of each delivery, in all: {', '.join(parts)}."
