"""The tables of the watering page, rounded for people; money in whole units, days in whole days."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from plantstats.watering.situations import SEASONS

if TYPE_CHECKING:
    from plantstats.watering.review import WateringReview


def intervals(review: WateringReview) -> pd.DataFrame:
    """The combinations with most standing plants, in the season that the advice is for."""
    table = review.situations
    rows = table[(table["season"] == SEASONS[review.advice.heated]) & (table["plants"] > 0)]
    rows = rows.sort_values(["plants", "species_spells"], ascending=False, kind="stable")
    return pd.DataFrame(
        {
            "Species": rows["species"],
            "Light": rows["light"],
            "Pot": rows["pot"],
            "Planter": rows["planter"],
            "Plants": rows["plants"],
            "Spells": rows["spells"],
            "Half dry after, days (95% interval)": _interval(rows, "dry_half"),
            "80% dry after, days (95% interval)": _interval(rows, "dry_80"),
            "Too many too dry from every": [
                f"{d:.0f} days" if pd.notna(d) else "none offered" for d in rows["too_many_from"]
            ],
            "Now, every": [f"{d:.0f} days" for d in rows["now"]],
            "Advice": rows["advice"],
            "Spells that would settle it": [f"{n:,.0f}" if pd.notna(n) else "" for n in rows["spells_needed"]],
        }
    ).reset_index(drop=True)


def sites(review: WateringReview) -> pd.DataFrame:
    """Each site's visit interval and what it costs, largest saving first."""
    rows = review.advice.sites.sort_values(["saving", "site_id"], ascending=[False, True], kind="stable")
    money = review.learned.price.currency
    return pd.DataFrame(
        {
            "Site": rows["site_id"],
            "Route": rows["region"],
            "Plants": rows["plants"],
            "Now, every": _every(rows["now"]),
            "Cheapest, every": _every(rows["cheapest"]),
            "As good": [
                f"{a} to {b} days" if a != b else f"{a} days"
                for a, b in zip(rows["good_from"], rows["good_to"], strict=True)
            ],
            "Advice": rows["decision"],
            f"Saves a quarter, {money} (95% interval)": [
                f"{s:,.0f} ({a:,.0f} to {b:,.0f})"
                for s, a, b in zip(rows["saving"], rows["saving_low"], rows["saving_high"], strict=True)
            ],
            "Minutes at plants a quarter, now to advised": [
                f"{a:,.0f} to {b:,.0f}" for a, b in zip(rows["minutes_now"], rows["minutes_advised"], strict=True)
            ],
            "% found too dry, now to advised": [
                f"{100 * a:.0f} to {100 * b:.0f}"
                for a, b in zip(rows["too_dry_now"], rows["too_dry_advised"], strict=True)
            ],
            "Spells that would settle it": [f"{n:,.0f}" if pd.notna(n) else "" for n in rows["spells_needed"]],
        }
    ).reset_index(drop=True)


def routes(review: WateringReview) -> pd.DataFrame:
    """Visits and minutes at the plants by route and quarter, now and as advised."""
    rows = review.advice.sites.assign(
        visits_now=365.25 / 4 / review.advice.sites["now"], visits_advised=365.25 / 4 / review.advice.sites["advised"]
    )
    sums = rows.groupby(rows["region"].replace("", "not stated"))[
        ["plants", "visits_now", "visits_advised", "minutes_now", "minutes_advised"]
    ].sum()
    return pd.DataFrame(
        {
            "Route": sums.index,
            "Plants": sums["plants"].to_numpy(),
            "Visits a quarter, now": sums["visits_now"].round().astype(int).to_numpy(),
            "as advised": sums["visits_advised"].round().astype(int).to_numpy(),
            "Hours at plants, now": (sums["minutes_now"] / 60).round(1).to_numpy(),
            "Hours as advised": (sums["minutes_advised"] / 60).round(1).to_numpy(),
        }
    )


def forced(review: WateringReview) -> pd.DataFrame:
    """Plants that bar a longer interval, and what would free them."""
    rows, money = review.advice.forced, review.learned.price.currency
    return pd.DataFrame(
        {
            "Site": rows["site_id"],
            "Position": rows["position"],
            "Plant": rows["plant_id"],
            "Species": rows["species"],
            "Light": rows["light"],
            "Bars visits every": _every(rows["longer"]),
            f"Would cost more a quarter, {money}": [f"{x:,.0f}" for x in rows["extra"]],
            "What would free it": [way or "nothing on record" for way in rows["frees"]],
        }
    )


def sensitivity(review: WateringReview) -> pd.DataFrame:
    """Days until dry under other shares of misread looks."""
    rows = review.sensitivity
    return pd.DataFrame(
        {
            "Misread looks in 100": [
                f"{100 * m:.1f} (learned)" if learned else f"{100 * m:.0f} (assumed)"
                for m, learned in zip(rows["misread"], rows["learned"], strict=True)
            ],
            "Half dry after, days": rows["dry_half"].round(1),
            "80% dry after, days": rows["dry_80"].round(1),
            "Shape": rows["shape"].round(2),
        }
    )


def gaps(review: WateringReview) -> pd.DataFrame:
    """What was seen after short, planned and long gaps."""
    rows = review.by_gap
    return pd.DataFrame(
        {
            "Gap": rows["gap"],
            "Gaps": rows["gaps"],
            "Plant-weeks": (rows["plant_days"] / 7).round().astype(int),
            "Lost": rows["losses"],
            "Lost per 100 plant-years": (rows["losses"] / rows["plant_days"] * 36525).round(1),
            "Yellow leaves per 100 plant-days": (100 * rows["yellow_leaves"] / rows["counted_days"]).round(2),
            "% found dry": (100 * rows["found_dry"]).round().astype(int),
        }
    )


def account(review: WateringReview) -> pd.DataFrame:
    """What became of every watering, and spells that another measuring method leaves unused."""
    rows = review.learned.spells.account.rename(columns={"fate": "Fate", "rows": "Rows"})
    others = [
        {"Fate": f"of the spells used: measured by {m}, fitted by itself only, not in this page", "Rows": n}
        for m, n in review.learned.other_methods.items()
    ]
    return pd.concat([rows, pd.DataFrame(others, columns=["Fate", "Rows"])], ignore_index=True)


def _interval(rows: pd.DataFrame, name: str) -> list[str]:
    return [
        f"{e:.0f} ({a:.0f} to {b:.0f})"
        for e, a, b in zip(rows[name], rows[f"{name}_low"], rows[f"{name}_high"], strict=True)
    ]


def _every(days: pd.Series) -> list[str]:
    return [f"{d} days" for d in days]
