"""Charts of the watering page: tables in, Axes out; the caller owns the figure."""

from __future__ import annotations

import numpy as np
import pandas as pd
import seaborn as sns
from matplotlib.axes import Axes

from plantstats.pages.watering_shown import kind
from plantstats.reporting.old_charts import ACCENT, INK
from plantstats.watering.design import SEASONS

COLOURS = sns.color_palette("colorblind").as_hex()
MOST_SPECIES = 16


def fit(curves: pd.DataFrame, ax: Axes) -> Axes:
    """Fitted share dry by day against the estimate without a law.

    Takes:  curves: as `sensitivity.against_turnbull`.
    Gives:  ax: for each species a band (between its bounds nothing says when), a dashed line (the law, readings taken
            as true) and a solid one (allowing for misread looks).
    """
    for colour, (species, rows) in zip(COLOURS, curves.groupby("species", sort=True), strict=False):
        label = f"{species} ({rows['dry_downs'].iloc[0]:,} spells)"
        ax.fill_between(
            rows["day"],
            100 * rows["free_low"],
            100 * rows["free_high"],
            color=colour,
            alpha=0.2,
            step="post",
            linewidth=0,
        )
        ax.plot(rows["day"], 100 * rows["taken_true"], color=colour, linewidth=1, linestyle="--")
        ax.plot(rows["day"], 100 * rows["fitted"], color=colour, linewidth=1.8, label=label)
    ax.set_xlabel("Days after watering", fontsize=8)
    ax.set_ylabel("Plants in 100 with dry topsoil", fontsize=8)
    ax.set_ylim(0, 100)
    ax.set_xlim(0, curves["day"].max() if len(curves) else 1)
    ax.legend(fontsize=7, loc="lower right")
    return ax


def fit_in_words(curves: pd.DataFrame) -> str:
    """The chart of the fit for those who cannot see it."""
    said = [
        f"{species}: after 7, 14 and 21 days "
        + ", ".join(f"{100 * rows.set_index('day').loc[d, 'fitted']:.0f}" for d in (7.0, 14.0, 21.0))
        + " in 100 dry"
        for species, rows in curves.groupby("species", sort=True)
    ]
    return "Share of plants with dry topsoil by days after watering, fitted. " + "; ".join(said) + "."


def by_species(situations: pd.DataFrame, heated: bool, ax: Axes) -> Axes:
    """Days until half of the plants are dry, each species in its commonest place, with intervals.

    Takes:  situations: as `profiles.profiles`; heated: the season.
    Gives:  ax, quickest at the top: dot for half dry, diamond for 80% dry, each with its 95% interval.
    """
    rows = commonest(situations, heated)
    at = np.arange(len(rows))
    for up, name, colour, marker in ((0.13, "dry_half", ACCENT, "o"), (-0.13, "dry_80", INK, "d")):
        ax.hlines(at + up, rows[f"{name}_low"], rows[f"{name}_high"], color=colour, linewidth=1.2)
        for end in ("low", "high"):
            ax.scatter(rows[f"{name}_{end}"], at + up, color=colour, s=22, marker="|", linewidth=1.2)
        ax.scatter(rows[name], at + up, color=colour, s=12, zorder=3, marker=marker)
    labels = [f"{r.species}\n{r.light} light, {r.pot}, {r.dry_downs:,} spells" for r in rows.itertuples()]
    ax.set_yticks(list(at), labels, fontsize=8)
    ax.set_xlim(left=0)
    ax.set_xlabel("Days after watering (95% intervals)", fontsize=8)
    return ax


def commonest(situations: pd.DataFrame, heated: bool) -> pd.DataFrame:
    """The row of each species with most standing plants, slowest first."""
    rows = situations[(situations["season"] == SEASONS[heated]) & (situations["plants"] > 0)]
    rows = rows.sort_values(["plants", "dry_downs"], ascending=False, kind="stable").drop_duplicates("species")
    return rows.head(MOST_SPECIES).sort_values("dry_half", ascending=False, ignore_index=True)


def by_species_in_words(situations: pd.DataFrame, heated: bool) -> str:
    """The chart by species for those who cannot see it."""
    each = [
        f"{kind(r._asdict())}: {r.dry_half:.0f} days ({r.dry_half_low:.0f} to {r.dry_half_high:.0f})"
        for r in commonest(situations, heated).itertuples()
    ]
    return "Days until the topsoil of half of the plants is dry. " + "; ".join(each) + "."
