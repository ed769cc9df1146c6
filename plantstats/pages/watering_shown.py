"""Tables of the watering page about kinds of plants and the readings, rounded for people."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import pandas as pd

from plantstats.pages import watering_ranges as ranges
from plantstats.watering.design import SEASONS

if TYPE_CHECKING:
    from plantstats.watering.review import WateringReview


def intervals(review: WateringReview) -> pd.DataFrame:
    """The combinations with most standing plants, in the season that the advice is for."""
    table = review.profiles
    rows = table[(table["season"] == SEASONS[review.advice.heating]) & (table["plants"] > 0)]
    rows = rows.sort_values(["plants", "species_dry_downs"], ascending=False, kind="stable")
    return pd.DataFrame(
        {
            "Plant and place": [kind(row) for row in rows.to_dict("records")],
            "Half dry, days": ranges.interval(rows, "dry_half"),
            "80% dry, days": ranges.interval(rows, "dry_80"),
            "Now, every": ranges.every(rows["now"]),
            "Too many too dry from": [d or "none offered" for d in ranges.every(rows["too_many_from"])],
            "Advice": [ranges.unbroken(words) for words in rows["advice"]],
            "Plants": rows["plants"],
            "Spells": rows["dry_downs"],
            "Spells to settle it": [f"{n:,.0f}" if pd.notna(n) else "" for n in rows["dry_downs_needed"]],
        }
    ).reset_index(drop=True)


def kind(row: Mapping[str, Any]) -> str:
    """Species and place of a kind of plant, in a few words."""
    planter = "" if row["planter"] in ("direct", "unknown") else f", {str(row['planter']).replace('_', '-')}"
    pot = "pot unknown" if row["pot"] == "unknown" else f"pot {row['pot']}"
    return f"{row['species']}, {row['light']} light, {pot}{planter}"


def gaps(review: WateringReview) -> pd.DataFrame:
    """What was seen after short, planned and long gaps."""
    rows = review.by_gap
    return pd.DataFrame(
        {
            "Gap": rows["gap"],
            "Gaps": rows["gaps"],
            "Sites": rows["sites"],
            "Plant-weeks": (rows["plant_days"] / 7).round().astype(int),
            "Lost": rows["losses"],
            "Lost per 100 plant-years": ranges.rate(rows, "loss_rate", 1),
            "Yellow leaves per 100 plant-days": ranges.rate(rows, "yellow_rate", 2),
            "Green leaves dropped per 100 plant-days": ranges.rate(rows, "green_rate", 1),
            "Looks that found it dry": [f"{d:,} of {r:,}" for d, r in zip(rows["dry"], rows["read"], strict=True)],
        }
    )


def sensitivity(review: WateringReview) -> pd.DataFrame:
    """Days until dry under other shares of misread looks."""
    rows = review.sensitivity
    return pd.DataFrame(
        {
            "Misread looks in 100": [
                f"{100 * m:.1f} (learned)" if learned else f"{100 * m:.0f} (assumed)"
                for m, learned in zip(rows["misclassified"], rows["learned"], strict=True)
            ],
            "Half dry after, days": rows["dry_half"].round(1),
            "80% dry after, days": rows["dry_80"].round(1),
            "Shape": rows["shape"].round(2),
        }
    )


def account(review: WateringReview) -> pd.DataFrame:
    """What became of every watering, and spells that another measuring method leaves unused."""
    rows = review.model.dry_downs.account.rename(columns={"fate": "Fate", "rows": "Rows"})
    others = [
        {"Fate": f"of the spells used: measured by {m}, fitted by itself only, not in this page", "Rows": n}
        for m, n in review.model.other_methods.items()
    ]
    return pd.concat([rows, pd.DataFrame(others, columns=["Fate", "Rows"])], ignore_index=True)
