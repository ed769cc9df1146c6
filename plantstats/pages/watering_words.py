"""The watering review in plain sentences: every number in them stands in the findings or the tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from plantstats.pages.sentences import plants
from plantstats.pages.watering_shown import kind
from plantstats.stats.rates import rate_ratio
from plantstats.watering.advice import LONGER, SHORTER
from plantstats.watering.design import SEASONS
from plantstats.watering.follow_up import FOLLOWED, NOT_FOLLOWED
from plantstats.watering.scenarios import AS_ADVISED, AS_NOW

if TYPE_CHECKING:
    from plantstats.watering.review import WateringReview

BY_SPECIES_CAPTION = (
    "Days after watering until the topsoil of half of such plants is dry (dot) and of 80 in 100 (diamond). The bars "
    "are 95% intervals that allow for differences between sites; each species where most of it stands."
)
ASSUMED_CAPTION = (
    "What the advice takes for granted beside the records; each is the owner's to change in records.toml (all but the "
    "first two under [watering]), and the page is then made anew"
)
FOLLOWED_CAPTION = "Losses since the advice of a quarter ago, by what sites did with it: association, not cause"
FIT_CAPTION = "Share of plants with dry topsoil by days after watering, for the species with most spells."


def intervals_caption(review: WateringReview) -> str:
    """The caption of the table of intervals."""
    return (
        f'Days until dry in the {SEASONS[review.advice.heating]}, most plants first; "too many" is more than '
        f"{100 * review.model.assumed.max_too_dry_share:.0f} in 100 waterings of plants that stood dry too long"
    )


def costs_caption(review: WateringReview) -> str:
    """The caption of the table of all sites' costs."""
    leaves = "" if review.model.leaf_drop else " Dropped leaves have no price in the settings and are not counted."
    return f"All sites together, {review.model.price.currency} a quarter, by how they are visited.{leaves}"


def by_interval_caption(review: WateringReview) -> str:
    """The caption of the table of each site's costs by interval."""
    return (
        f"Cost of each site at each visit interval, {review.model.price.currency} a quarter (95% intervals): "
        "visits, work, lost plants, the fee of days too dry"
    )


def headlines(review: WateringReview) -> list[str]:
    """What an operations manager reads first."""
    said = [
        _drying(review),
        _sites(review),
        _left_too_dry(review),
        _forced(review),
        _harm(review),
        _leaves(review),
        _readings(review),
        _changes(review),
    ]
    return [one for one in said if one]


def _drying(review: WateringReview) -> str:
    table = review.profiles
    here = table[(table["season"] == SEASONS[review.advice.heating]) & (table["plants"] > 0)]
    if here.empty:
        return ""
    quick, slow = here.loc[here["dry_half"].idxmin()], here.loc[here["dry_half"].idxmax()]
    spells = int(review.model.distinct["n"].sum())
    return (
        f"{spells:,} dry-down spells. In the {SEASONS[review.advice.heating]} half of the plants are dry on top "
        f"{_days(quick)} after watering for the quickest that stand here ({_kind(quick)}), and {_days(slow)} for the "
        f"slowest ({_kind(slow)})."
    )


def _days(row: pd.Series) -> str:
    return f"{row['dry_half']:.0f} days ({row['dry_half_low']:.0f} to {row['dry_half_high']:.0f})"


def _kind(row: pd.Series) -> str:
    return kind(row.to_dict())


def _sites(review: WateringReview) -> str:
    sites = review.advice.sites
    longer, shorter = sites[sites["decision"] == LONGER], sites[sites["decision"] == SHORTER]
    keep, currency = len(sites) - len(longer) - len(shorter), review.model.price.currency
    parts = []
    for some, words in ((longer, "could be visited less often"), (shorter, "should be visited more often")):
        if len(some):
            first = some.nlargest(1, "saving").iloc[0]
            parts.append(
                f"{len(some)} of {_number(len(sites))} {words}, together {currency} {some['saving'].sum():,.0f} a "
                f"quarter cheaper; most at {first['site_id']} (every {first['now']} to every {first['advised']} days: "
                f"{currency} {first['saving']:,.0f}, 95% interval {first['saving_low']:,.0f} to "
                f"{first['saving_high']:,.0f})"
            )
    why = "no other interval is clearly cheaper without leaving too many plants too dry"
    rest = f"{_number(keep)}: keep as is, as {why}"
    return "; ".join([*parts, *([rest] if keep else [])]) + "."


def _number(sites: int) -> str:
    return f"{sites:,} site" + ("" if sites == 1 else "s")


def _left_too_dry(review: WateringReview) -> str:
    """Sites that stay as they are although many of their waterings come too late."""
    sites, most = review.advice.sites, review.model.assumed.max_too_dry_share
    dry = sites[sites["too_dry_advised"] > most]
    if dry.empty:
        return ""
    worst = dry.loc[dry["too_dry_advised"].idxmax()]
    return (
        f"At {_number(len(dry))} more than {100 * most:.0f} in 100 waterings find a plant too dry, advice followed; "
        "most "
        f"at {worst['site_id']} (visited every {worst['advised']} days: {100 * worst['too_dry_advised']:.0f} in 100 of "
        f"the waterings of {plants(worst['plants'])}). By the prices assumed, more visits there would not clearly "
        "pay; if standing dry counts for more with that client, raise too_dry_charge in the settings."
    )


def _forced(review: WateringReview) -> str:
    forced = review.advice.binding_plants
    if forced.empty:
        return ""
    freed = int((forced["remedy"] != "").sum())
    if not freed:
        ways = "the records hold nothing that would free them"
    elif freed == len(forced):
        ways = "the table names what would free each"
    else:
        ways = f"for {freed} of them the table names what would free them"
    return (
        f"At {_number(forced['site_id'].nunique())} a longer interval is barred by {plants(len(forced))} in all; "
        f"{ways}."
    )


def _harm(review: WateringReview) -> str:
    harm = review.model.drought_effect
    alone = (
        "the records alone cannot tell"
        if np.isnan(harm.records_alone)
        else f"the records alone say {harm.records_alone:.1f}, joined with the stated assumption"
    )
    return (
        f"On days with topsoil left dry, plants were lost {harm.ratio:.1f} times as often as on other days (95% "
        "interval "
        f"{harm.low:.1f} to {harm.high:.1f}; {harm.losses} losses; {alone}): an association within the same site, "
        "species, light and season."
    )


def _leaves(review: WateringReview) -> str:
    """What dropped leaves are held to cost, or why they are not counted."""
    told, assumed = review.model.leaf_drop, review.model.assumed
    if not assumed.leaves_priced:
        return ""
    if told is None:
        return (
            "Dropped leaves have a price in the settings, but the records cannot tell how their number follows the "
            "interval (too few counted): they are left out of the costs."
        )
    price, currency = review.model.price, review.model.price.currency
    each = (assumed.dropped_leaf_cost or 0.0) + (assumed.dropped_leaf_minutes or 0.0) * price.wage / 60
    totals = review.advice.totals.set_index("scenario")
    return (
        f"Dropped leaves are priced at {currency} {each:.2f} each: {currency} {totals.loc[AS_NOW, 'leaves']:,.0f} a "
        f"quarter as now, {currency} {totals.loc[AS_ADVISED, 'leaves']:,.0f} as advised. On days with topsoil left dry "
        f"{told.ratio:.1f} times as many dropped as on other days (95% interval {told.low:.1f} to {told.high:.1f}; "
        f"{told.leaves:,} leaves at {_number(told.sites)}): an association, as above."
    )


def _readings(review: WateringReview) -> str:
    shares = review.sensitivity[~review.sensitivity["learned"]]
    fitted = review.sensitivity[review.sensitivity["learned"]].iloc[0]
    return (
        f"About {100 * fitted['misclassified']:.0f} in 100 looks noted the wrong state of the topsoil, by the records' "
        f"own evidence; whether 0 or {100 * shares['misclassified'].max():.0f} in 100 are wrong moves the days until "
        f"half are dry from {shares['dry_half'].iloc[0]:.1f} to {shares['dry_half'].iloc[-1]:.1f}."
    )


def _changes(review: WateringReview) -> str:
    if review.changes.empty:
        return "No site's advised interval is another than it would have been a quarter ago."
    some = review.changes.nlargest(3, "plants")
    each = "; ".join(
        f"{r.site_id} from every {r.before} to every {r.advised} days ({r.why})" for r in some.itertuples()
    )
    more = f"; {len(review.changes) - len(some)} more in the table" if len(review.changes) > len(some) else ""
    return f"The advice changed since last quarter for {_number(len(review.changes))}: {each}{more}."


def turns(review: WateringReview) -> str:
    """The dates on which the season changes over, and what changes with it."""
    now, then = review.advice, review.other_season
    by = {"look_every": "look interval", "visit_every": "visit interval of the site"}
    both = now.plants[["plant_id", *by]].merge(then.plants[["plant_id", *by]], on="plant_id", suffixes=("", "_then"))
    differ = {name: int((both[name] != both[f"{name}_then"]).sum()) for name in by}
    sites = now.sites[["site_id", "advised"]].merge(then.sites[["site_id", "advised"]], on="site_id")
    others = sites.loc[sites["advised_x"] != sites["advised_y"], "site_id"]
    named = f" ({', '.join(others.head(5))}{', ...' if len(others) > 5 else ''})" if len(others) else ""
    return (
        f"Change-over dates: the {SEASONS[then.heating]} begins on {review.turns_on.isoformat()}, the "
        f"{SEASONS[now.heating]} again on {review.turns_back.isoformat()}. With the change {differ['look_every']} of "
        f"{plants(len(both))} have another look interval, and {_number(len(others))}{named} another visit interval; "
        "intervals.csv holds both seasons."
    )


def association(review: WateringReview) -> str:
    """What the table of gaps can and cannot say."""
    return (
        "What was seen after short, planned and long gaps between looks (95% intervals). Not what the gap caused: "
        "sites "
        "on frequent visits are often the hard ones, a visit is missed for reasons, and sick plants get extra looks."
    )


def followed(review: WateringReview) -> str:
    """Whether sites that followed the last advice did better, with what confounds it."""
    made = review.followed.set_index("group")
    one, other = made.loc[FOLLOWED], made.loc[NOT_FOLLOWED]
    number = int(one["sites"] + other["sites"])
    if not number:
        return "No change was advised a quarter ago, so there is nothing to follow up."
    start = f"A change was advised a quarter ago at {_number(number)}: {int(one['sites'])} followed it"
    ratio = rate_ratio(int(one["losses"]), one["plant_days"], int(other["losses"]), other["plant_days"])
    if not (one["sites"] and other["sites"]) or not np.isfinite(ratio.low):
        why = "no loss in either group" if one["sites"] and other["sites"] else "nobody to compare"
        found = f"whether they did better cannot be told ({why})"
    else:
        top = f"{ratio.high:.1f}" if np.isfinite(ratio.high) else "no upper limit"
        middle = f"{ratio.estimate:.1f} times the losses" if np.isfinite(ratio.estimate) else "more losses"
        found = (
            f"they had {middle} per plant-day of those that did not (95% interval {ratio.low:.1f} to {top}; "
            f"{int(one['losses'] + other['losses'])} losses): {_better(ratio.low, ratio.high)}"
        )
    return (
        f"{start}; {found}. What confounds it: sites that change are not like sites that do not, the season has moved "
        "on, and a quarter is short. Only a trial with positions drawn by lot could tell what the change did."
    )


def _better(low: float, high: float) -> str:
    if high < 1:
        return "fewer than chance alone would make likely"
    return "more than chance alone would make likely" if low > 1 else "no more than chance would make of it"
