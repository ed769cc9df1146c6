"""The watering review in plain sentences: every number in them stands in the findings or the tables."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from plantstats.records.species import species_table
from plantstats.sentences import plants
from plantstats.watering.advise import LONGER, SHORTER
from plantstats.watering.situations import SEASONS

if TYPE_CHECKING:
    from plantstats.watering.review import WateringReview

FINGER = (
    "The finger in the pot decides: water a plant when the top 2.5 to 5 cm of its soil are dry (the deeper figure for "
    "larger pots), not because a table says so. The advice changes how often, never how much at once; no roots in "
    "standing water (common practice, no source)."
)
COOLEST, WARMEST = 16, 29  # °C, for most figs (common practice, no source)
BY_SPECIES_CAPTION = (
    "Days after watering until the topsoil of half of such plants is dry, with 95% intervals that allow for "
    "differences "
    "between sites; each species where most of it stands."
)
FIT_CAPTION = "Share of plants with dry topsoil by days after watering, for the species with most spells."


TEMPERATURES = """
    with lines as (
        select coalesce(v.site_id, p.site_id) as site_id, v.temp_c, v.temp_c not between ? and ? as outside
        from visits v left join plants p using (plant_id)
        where v.temp_c is not null and v.visited_on between ? and ?
    )
    select count(*) as readings, coalesce(sum(outside::int), 0) as outside,
           count(distinct site_id) filter (where outside) as sites from lines"""


def intervals_caption(review: WateringReview) -> str:
    """The caption of the table of intervals."""
    return (
        f'Days until dry in the {SEASONS[review.advice.heated]}, most plants first; "too many" is more than '
        f"{100 * review.learned.assumed.too_dry_most:.0f} in 100 waterings of plants that stood dry too long"
    )


def headlines(review: WateringReview) -> list[str]:
    """What an operations manager reads first."""
    said = [_drying(review), _sites(review), _forced(review), _harm(review), _readings(review), _changes(review)]
    return [one for one in said if one]


def _drying(review: WateringReview) -> str:
    table = review.situations
    here = table[(table["season"] == SEASONS[review.advice.heated]) & (table["plants"] > 0)]
    if here.empty:
        return ""
    quick, slow = here.loc[here["dry_half"].idxmin()], here.loc[here["dry_half"].idxmax()]
    spells = int(review.learned.cells["n"].sum())
    return (
        f"{spells:,} dry-down spells. In the {SEASONS[review.advice.heated]} half of the plants are dry on top "
        f"{_days(quick)} after watering for the quickest that stand here ({_kind(quick)}), and {_days(slow)} for the "
        f"slowest ({_kind(slow)})."
    )


def _days(row: pd.Series) -> str:
    return f"{row['dry_half']:.0f} days ({row['dry_half_low']:.0f} to {row['dry_half_high']:.0f})"


def _kind(row: pd.Series) -> str:
    planter = ", sub-irrigated" if row["planter"] == "sub_irrigated" else ""
    return f"{row['species']}, {row['light']} light, pot {row['pot']}{planter}"


def _sites(review: WateringReview) -> str:
    sites = review.advice.sites
    longer, shorter = sites[sites["decision"] == LONGER], sites[sites["decision"] == SHORTER]
    keep, currency = len(sites) - len(longer) - len(shorter), review.learned.price.currency
    parts = []
    for some, words in ((longer, "could be visited less often"), (shorter, "should be visited more often")):
        if len(some):
            first = some.nlargest(1, "saving").iloc[0]
            parts.append(
                f"{len(some)} of {len(sites)} sites {words}, together {currency} {some['saving'].sum():,.0f} a quarter "
                f"cheaper; most at {first['site_id']} (every {first['now']} to every {first['advised']} days: "
                f"{currency} "
                f"{first['saving']:,.0f}, 95% interval {first['saving_low']:,.0f} to {first['saving_high']:,.0f})"
            )
    rest = f"{keep} sites: keep as is, as no other interval is clearly cheaper without leaving too many plants too dry"
    return "; ".join([*parts, rest]) + "."


def _forced(review: WateringReview) -> str:
    forced = review.advice.forced
    if forced.empty:
        return ""
    sites = forced["site_id"].nunique()
    freed = int((forced["frees"] != "").sum())
    return (
        f"At {sites} sites a longer interval is barred by {plants(len(forced))} in all; for {freed} of them the table "
        "names what would free them."
    )


def _harm(review: WateringReview) -> str:
    harm = review.learned.harm
    alone = (
        "the records alone cannot tell"
        if np.isnan(harm.alone)
        else f"the records alone say {harm.alone:.1f}, joined with the stated assumption"
    )
    return (
        f"On days with topsoil left dry, plants were lost {harm.ratio:.1f} times as often as on other days (95% "
        "interval "
        f"{harm.low:.1f} to {harm.high:.1f}; {harm.losses} losses; {alone}): an association within the same site, "
        "species, "
        "light and season."
    )


def _readings(review: WateringReview) -> str:
    shares = review.sensitivity[~review.sensitivity["learned"]]
    fitted = review.sensitivity[review.sensitivity["learned"]].iloc[0]
    return (
        f"About {100 * fitted['misread']:.0f} in 100 looks noted the wrong state of the topsoil, by the records' own "
        f"evidence; whether 0 or {100 * shares['misread'].max():.0f} in 100 are wrong moves the days until half "
        "are dry "
        f"from {shares['dry_half'].iloc[0]:.1f} to {shares['dry_half'].iloc[-1]:.1f}."
    )


def _changes(review: WateringReview) -> str:
    if review.changes.empty:
        return "No site's advised interval is another than it would have been a quarter ago."
    some = review.changes.nlargest(3, "plants")
    each = "; ".join(f"{r.site_id} from every {r.before} to every {r.advised} days" for r in some.itertuples())
    return f"The advice changed since last quarter for {len(review.changes)} sites: {each}."


def turns(review: WateringReview) -> str:
    """When the look intervals of the other season begin."""
    other = SEASONS[review.other_season.heated]
    both = review.advice.plants[["plant_id", "look_every"]].merge(
        review.other_season.plants[["plant_id", "look_every"]], on="plant_id", suffixes=("", "_then")
    )
    differ = int((both["look_every"] != both["look_every_then"]).sum())
    return (
        f"From {review.turns_on.isoformat()} the {other} begins; {differ} of {len(both)} plants then have another look "
        "interval (intervals.csv holds both seasons)."
    )


def leaning() -> list[str]:
    """Species whose leaves turn to the light."""
    table = species_table()
    return table.loc[table["leaning"], "name"].tolist()


def reminders(review: WateringReview) -> str:
    """Reminders of common practice, with what the quarter's readings and the standing plants give cause for."""
    read = review.learned.spells.engine.execute(
        TEMPERATURES, [COOLEST, WARMEST, review.period.start, review.period.last_day]
    ).df()
    outside, number = int(read["outside"].iloc[0]), int(read["readings"].iloc[0])
    sites = int(read["sites"].iloc[0])
    turned = int(review.advice.plants["species"].isin(leaning()).sum())
    return (
        f"Reminders (common practice, no source): keep most plants between {COOLEST} and {WARMEST} °C ({outside:,} of "
        f"{number:,} readings of {review.period.name} lay outside, at {sites} sites); no feeding in winter rest nor at "
        f"the height of summer; turn pots of species that lean to the light at least monthly ({turned} plants here); "
        "oldest leaves yellowing point to thirst: come more often, do not pour more; green leaves falling in the "
        "heating season point to dry air."
    )


def association(review: WateringReview) -> str:
    """What the table of gaps can and cannot say."""
    return (
        "Losses and yellow leaves by length of gap are what was seen, not what the gap caused: sites on frequent "
        "visits are "
        "often the hard ones, a visit is missed for reasons, and sick plants get extra looks."
    )


def followed(review: WateringReview) -> str:
    """Sites that followed the last advice against those that did not, with what confounds them."""
    made = review.followed.set_index("group")
    if not made["sites"].sum():
        return "No change was advised a quarter ago, so there is nothing to follow up."
    each = "; ".join(
        f"{group}: {int(row['sites'])} sites, {int(row['losses'])} lost in {row['plant_days'] / 7:,.0f} plant-weeks"
        for group, row in made.iterrows()
    )
    return (
        f"Of the sites for which a change was advised a quarter ago: {each}. Sites that change are not like sites "
        "that do "
        "not; only a trial with positions drawn by lot could tell what the change did."
    )
