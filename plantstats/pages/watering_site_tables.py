"""Tables of the watering page about sites, routes and what they cost, rounded for people."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pandas as pd

from plantstats.pages import watering_ranges as ranges
from plantstats.watering.advice import NO_CHANGE

if TYPE_CHECKING:
    from plantstats.watering.review import WateringReview


def sites(review: WateringReview) -> pd.DataFrame:
    """Each site's visit interval and what it costs: changes first, then what is not settled, largest saving first."""
    advised = review.advice.sites
    order = advised.assign(kept=advised["decision"] == NO_CHANGE)
    rows = order.sort_values(["kept", "saving", "site_id"], ascending=[True, False, True], kind="stable")
    return pd.DataFrame(
        {
            "Site": rows["site_id"],
            "Visit every, days": ranges.now_to_advised(rows["now"], rows["advised"]),
            "Advice": [ranges.unbroken(words) for words in rows["decision"]],
            "Cheapest allowed, days": rows["cheapest"],
            f"It saves, {review.model.price.currency} a quarter": _saves(rows, review.advice.by_interval),
            "As good, days": [
                f"{a} to {b}" if a != b else f"{a}" for a, b in zip(rows["good_from"], rows["good_to"], strict=True)
            ],
            "Plants": rows["plants"],
            "Route": rows["region"],
            "Minutes at plants a quarter": ranges.now_to_advised(rows["minutes_now"], rows["minutes_advised"]),
            "% found too dry": ranges.now_to_advised(100 * rows["too_dry_now"], 100 * rows["too_dry_advised"]),
            "Spells to settle it": [f"{n:,.0f}" if pd.notna(n) else "" for n in rows["dry_downs_needed"]],
        }
    ).reset_index(drop=True)


def _saves(sites: pd.DataFrame, money: pd.DataFrame) -> list[str]:
    """What the cheapest allowed interval saves; where it is the present one, whether a cheaper one is barred."""
    lowest = money.groupby("site_id")["cost"].min().reindex(sites["site_id"]).to_numpy()

    def one(row: dict[str, Any], least: float) -> str:
        if row["now"] != row["cheapest"]:
            return f"{row['saving']:,.0f} ({row['saving_low']:,.0f} to {row['saving_high']:,.0f})"
        return "longer: too dry" if least < row["cost_now"] else "none cheaper"

    return [one(row, least) for row, least in zip(sites.to_dict("records"), lowest, strict=True)]


def costs(review: WateringReview) -> pd.DataFrame:
    """What all sites together cost in a quarter, visited as now, as advised, or all at one interval."""
    rows = review.advice.totals
    money = {
        "Visits": "visiting",
        "Work at plants": "labour",
        "Lost plants": "losses",
        "Fee of days too dry": "fee",
        **({"Dropped leaves": "leaves"} if review.model.leaf_drop else {}),
    }
    return pd.DataFrame(
        {
            "Visited": rows["scenario"],
            "In all (95% interval)": ranges.money(rows, "cost"),
            **{head: [f"{x:,.0f}" for x in rows[name]] for head, name in money.items()},
            "Hours at plants": [
                f"{m / 60:,.0f} ({a / 60:,.0f} to {b / 60:,.0f})"
                for m, a, b in zip(rows["minutes"], rows["minutes_low"], rows["minutes_high"], strict=True)
            ],
            "% found too dry": (100 * rows["too_dry"]).round().astype(int),
        }
    )


def by_interval(review: WateringReview) -> pd.DataFrame:
    """What each site costs in a quarter at each visit interval, with 95% intervals."""
    rows = review.advice.by_interval
    rows = rows.assign(shown=ranges.money(rows, "cost"))
    offered = set(review.model.assumed.visit_days) | set(review.advice.sites["now"])
    wide = rows[rows["interval_days"].isin(offered)].pivot(index="site_id", columns="interval_days", values="shown")
    wide.columns = [f"Every {days} days" for days in wide.columns]
    sites = review.advice.sites.set_index("site_id")
    wide.insert(0, "Plants", sites["plants"].reindex(wide.index))
    return wide.rename_axis("Site").reset_index()


def routes(review: WateringReview) -> pd.DataFrame:
    """Visits and hours at the plants by route and quarter, now and as advised."""
    rows = review.advice.sites.assign(
        visits_now=365.25 / 4 / review.advice.sites["now"], visits_advised=365.25 / 4 / review.advice.sites["advised"]
    )
    sums = rows.groupby(rows["region"].replace("", "not stated"))[
        ["plants", "visits_now", "visits_advised", "minutes_now", "minutes_advised"]
    ].sum()
    gained = (sums["minutes_now"] - sums["minutes_advised"]).round().astype(int)
    return pd.DataFrame(
        {
            "Route": sums.index,
            "Plants": sums["plants"].to_numpy(),
            "Visits a quarter": ranges.now_to_advised(sums["visits_now"], sums["visits_advised"]),
            "Hours at plants": ranges.now_to_advised(sums["minutes_now"] / 60, sums["minutes_advised"] / 60),
            "Minutes at plants": [f"{abs(m):,} {'gained' if m > 0 else 'more'}" if m else "no change" for m in gained],
        }
    )


def forced(review: WateringReview) -> pd.DataFrame:
    """Plants that bar a longer interval, and what would free them."""
    rows, money = review.advice.binding_plants, review.model.price.currency
    return pd.DataFrame(
        {
            "Site": rows["site_id"],
            "Position": rows["position"],
            "Plant": rows["plant_id"],
            "Species": rows["species"],
            "Light": rows["light"],
            "Bars visits every": ranges.every(rows["longer"]),
            f"Would cost more a quarter, {money}": [f"{x:,.0f}" for x in rows["extra"]],
            "What would free it": [way or "nothing on record" for way in rows["remedy"]],
        }
    )


def changes(review: WateringReview) -> pd.DataFrame:
    """Sites whose advised interval is another than a quarter ago, and why."""
    rows = review.changes
    return pd.DataFrame(
        {
            "Site": rows["site_id"],
            "Plants": rows["plants"],
            "A quarter ago, every": ranges.every(rows["before"]),
            "Now, every": ranges.every(rows["advised"]),
            "What moved it": rows["why"],
        }
    )


def followed(review: WateringReview) -> pd.DataFrame:
    """What sites lost since the last advice, by whether they followed it."""
    rows = review.followed
    return pd.DataFrame(
        {
            "Advice of a quarter ago": rows["group"],
            "Sites": rows["sites"],
            "Plant-weeks": (rows["plant_days"] / 7).round().astype(int),
            "Lost": rows["losses"],
            "Lost per 100 plant-years (95% interval)": ranges.rate(rows, "loss_rate", 0),
        }
    )
