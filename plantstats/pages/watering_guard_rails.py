"""What no advice may overrule: the limits that it keeps to, and reminders of the trade, each with where it stands."""

from __future__ import annotations

from typing import TYPE_CHECKING

from plantstats.pages.sentences import plants
from plantstats.records.species import species_table
from plantstats.watering.advice import LONGER
from plantstats.watering.design import SEASONS
from plantstats.watering.scenarios import AS_ADVISED, CHEAPEST

if TYPE_CHECKING:
    from plantstats.watering.review import WateringReview

FINGER = (
    "The finger in the pot decides: water a plant when the top 2.5 to 5 cm of its soil are dry (the deeper figure for "
    "larger pots), not because a table says so. The advice changes how often, never how much at once; no roots in "
    "standing water (common practice, no source)."
)
COOLEST, WARMEST = 16, 29  # degrees C, for most figs (common practice, no source)
TEMPERATURES = """
    with lines as (
        select coalesce(v.site_id, p.site_id) as site_id, v.temp_c, v.temp_c not between ? and ? as outside
        from visits v left join plants p using (plant_id)
        where v.temp_c is not null and v.visited_on between ? and ?
    )
    select count(*) as readings, coalesce(sum(outside::int), 0) as outside,
           count(distinct site_id) filter (where outside) as sites from lines"""


def guard_rails(review: WateringReview) -> list[str]:
    """The limits and reminders, with what the standing plants and the quarter's readings say about each."""
    return [
        FINGER,
        _still_wet(review),
        _too_dry(review),
        _temperature(review),
        _heating(review),
        "Dormancy: no feeding in winter rest nor at the height of summer; a resting plant dries slowly and is watered "
        "by the finger alone (common practice, no source).",
        _turning(review),
        "Oldest leaves yellowing point to thirst: come more often, do not pour more. Green leaves falling in the "
        "heating season point to dry air (common practice, no source).",
    ]


def leaning() -> list[str]:
    """Species whose leaves turn to the light."""
    table = species_table()
    return table.loc[table["leaning"], "name"].tolist()


def _still_wet(review: WateringReview) -> str:
    most, table = review.model.assumed.max_still_moist_share, review.profiles
    here = table[(table["season"] == SEASONS[review.advice.heating]) & (table["plants"] > 0)]
    worst = f"; at most {100 * here['still_moist'].max():.0f} in 100 here" if len(here) else ""
    return (
        f"Never onto wet soil: the day by which the care sheet expects a plant to be dry is set so late that no more "
        "than "
        f"{100 * most:.0f} in 100 plants of its kind are predicted to be moist still ({len(here)} kinds stand{worst}); "
        "those that are get no water that day."
    )


def _too_dry(review: WateringReview) -> str:
    assumed, sites = review.model.assumed, review.advice.sites
    longer = sites[sites["decision"] == LONGER]
    most = 100 * longer["too_dry_advised"].max()
    worst = f"; at most {most:.0f} in 100 at the {len(longer)} advised one now" if len(longer) else ""
    passed = review.advice.plants["look_every"] > review.advice.plants["visit_every"]
    return (
        f"Not too dry: a site gets a longer interval only when with {100 * assumed.confidence:.0f}% certainty no more "
        "than "
        f"{100 * assumed.max_too_dry_share:.0f} in 100 waterings would find a plant too dry{worst}. A visit passes a "
        f"plant by only under the same limit ({passed.sum():,} of {plants(len(passed))}), and none goes more than "
        f"{assumed.max_inspection_interval} days without a look, or one visit where visits are rarer. "
        f"{_price_of_the_limit(review)}"
    )


def _price_of_the_limit(review: WateringReview) -> str:
    totals, currency = review.advice.totals.set_index("scenario"), review.model.price.currency
    kept, freed = totals.loc[AS_ADVISED], totals.loc[CHEAPEST]
    return (
        f"The limit has a price: each site at its cheapest, dry or not, would cost {currency} "
        f"{kept['cost'] - freed['cost']:,.0f} a quarter less and find {100 * freed['too_dry']:.0f} instead of "
        f"{100 * kept['too_dry']:.0f} in 100 too dry."
    )


def _temperature(review: WateringReview) -> str:
    read = review.model.dry_downs.engine.execute(
        TEMPERATURES, [COOLEST, WARMEST, review.period.start, review.period.last_day]
    ).df()
    outside, number, sites = (int(read[name].iloc[0]) for name in ("outside", "readings", "sites"))
    said = (
        f"{outside:,} of {number:,} readings of {review.period.name} lay outside, at {sites} sites"
        if number
        else f"no temperature was read in {review.period.name}"
    )
    return (
        f"Temperature: keep most plants between {COOLEST} and {WARMEST} °C ({said}); outside it growth and drying are "
        "not those that the records show (common practice, no source)."
    )


def _heating(review: WateringReview) -> str:
    fitted = review.model.drying.get(False)
    terms = [("heating", SEASONS[True]), ("heating", SEASONS[False])]
    said = "its drying cannot be told from the rest of the year here"
    if fitted is not None and set(terms) <= set(fitted.names):
        middle, low, high = (100 * value for value in fitted.ratio("heating", SEASONS[True], SEASONS[False]))
        said = (
            f"topsoil takes {middle:.0f}% of the time that it takes in the rest of the year (95% interval {low:.0f} to "
            f"{high:.0f}%, {fitted.n_dry_downs:,} spells)"
        )
    return (
        f"Heating season: {said}; look by the sheet of the season, and keep plants away from radiators and warm-air "
        "vents (common practice, no source)."
    )


def _turning(review: WateringReview) -> str:
    standing = review.advice.plants
    turned = standing[standing["species"].isin(leaning())]
    return (
        f"Turning: turn the pots of species that lean to the light at least monthly ({len(turned)} of "
        f"{plants(len(standing))} here; common practice, no source)."
    )
