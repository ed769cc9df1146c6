"""The section `[watering]`: what the watering advice assumes beside the records; figures that are the owner's."""

from __future__ import annotations

from typing import Annotated, Any, ClassVar

from pydantic import BeforeValidator, Field, model_validator

from plantstats.settings.toml import Section

MOST_DAYS = 91  # between visits
MOST_INTERVALS = 8  # of visits: the time that the advice takes grows with them
LEAST_MULTIPLE, MOST_MULTIPLE = 0.1, 10.0  # of a price or of minutes


def _visit_days(given: Any) -> tuple[int, ...]:
    days = list(given) if isinstance(given, list | tuple) else []
    whole = all(type(day) is int and 1 <= day <= MOST_DAYS for day in days)
    if not whole or not 1 <= len(set(days)) == len(days) <= MOST_INTERVALS:
        wanted = f"1 to {MOST_INTERVALS} different whole numbers of days, each from 1 to {MOST_DAYS}"
        raise ValueError(f"wants {wanted}, has {given!r}")
    return tuple(sorted(days))


def _multiples(given: Any) -> tuple[float, float]:
    """Lowest and highest multiple of a figure, as given in a list of two."""
    pair = list(given) if isinstance(given, list | tuple) else []
    numbers = len(pair) == 2 and all(type(each) in {int, float} for each in pair)
    if not numbers or not LEAST_MULTIPLE <= pair[0] <= pair[1] <= MOST_MULTIPLE:
        wanted = f"two numbers from {LEAST_MULTIPLE} to {MOST_MULTIPLE}, the lower first"
        raise ValueError(f"wants {wanted}, has {given!r}")
    return float(pair[0]), float(pair[1])


Multiples = Annotated[tuple[float, float], BeforeValidator(_multiples)]
OF_FIGURE = "as multiples, 19 times in 20 (no source; [1, 1]: known exactly)"


class Assumptions(Section):
    """What the watering advice takes for granted; `[watering]` in records.toml changes any of it.

    Notes
    -----
    The description of each field says what it means and where it comes from. None has a published source. Outside
    its limits a figure is a slip of the pen, or the advice could not be worked out.
    """

    RENAMED: ClassVar[dict[str, str]] = {
        "too_dry_after": "too_dry_days_wilts, too_dry_days_ordinary and too_dry_days_stands_drought (days with dry "
        "topsoil, no longer a multiple)",
        "longest_look": "max_inspection_interval",
        "too_dry_most": "max_too_dry_share",
        "over_dry_ratio": "drought_rate_ratio",
        "over_dry_spread": "drought_log_sd",
        "still_wet_most": "max_still_moist_share",
        "certainty": "confidence",
        "as_good": "cost_tolerance",
        "plain_look_minutes": "default_inspection_minutes",
        "plain_watering_minutes": "default_watering_minutes",
        "plain_replacement_cost": "default_replacement_cost",
        "plain_fee": "default_monthly_fee",
    }

    visit_days: Annotated[tuple[int, ...], BeforeValidator(_visit_days)] = Field(
        (7, 14, 21, 28),
        description="days between visits that a route can keep (common practice: weekly to every four weeks, "
        "no source)",
    )
    max_inspection_interval: int = Field(
        56,
        ge=1,
        le=365,
        description="no plant goes longer than this without a look, in days (common practice, no source)",
    )
    too_dry_days_wilts: float = Field(
        7,
        ge=0,
        le=91,
        description="days with dry topsoil beyond which a plant that wilts soon (such as Spathiphyllum or palms) is "
        "too dry (common practice, no source)",
    )
    too_dry_days_ordinary: float = Field(
        14, ge=0, le=91, description="the same for ordinary plants (common practice, no source)"
    )
    too_dry_days_stands_drought: float = Field(
        28,
        ge=0,
        le=182,
        description="the same for plants that stand drought, such as Zamioculcas (common practice, no source)",
    )
    max_too_dry_share: float = Field(
        0.20,
        ge=0.01,
        le=0.9,
        description="no plant should be found too dry at more than this share of its waterings: a site is visited "
        "more often, or the plant changed (no source)",
    )
    too_dry_minutes: float = Field(
        6.0,
        ge=0,
        le=240,
        description="extra work for a plant found too dry: cut out yellow leaves, water twice (no source)",
    )
    too_dry_charge: float = Field(
        1.0,
        ge=0,
        le=100,
        description="a day on which a plant stands too dry counts as this share of its fee, undelivered (no source)",
    )
    # With the standard deviation below: nine times in ten between 0.9 and 4.6.
    drought_rate_ratio: float = Field(
        2.0,
        ge=0.1,
        le=50,
        description="loss rate on days with topsoil left dry, as a multiple, before the records speak (no source)",
    )
    drought_log_sd: float = Field(
        0.5, ge=0.05, le=5, description="how unsure that multiple is, on the log scale (no source)"
    )
    max_still_moist_share: float = Field(
        0.20,
        ge=0.01,
        le=0.9,
        description="share of plants that may still be moist at the day by which water is usually wanted (no source)",
    )
    confidence: float = Field(
        0.90,
        ge=0.5,
        le=0.999,
        description="how sure a longer interval must be to keep each plant within the limit, and a change to save, "
        "before it is advised (no source)",
    )
    cost_tolerance: float = Field(
        0.05,
        ge=0,
        le=0.5,
        description="intervals within this share of the lowest cost count as equally good (no source)",
    )
    handful_share: float = Field(
        0.34,
        ge=0,
        le=0.5,
        description="plants that break the limit are dealt with one by one where they are at most this share of a "
        "site (or one plant), and the visits follow from the others (no source)",
    )
    short_inspection_share: float = Field(
        0.5,
        ge=0,
        le=1,
        description="cost of a stop at a few plants between full visits, as a share of visit_cost (no source)",
    )
    sub_irrigation_cost: float = Field(
        45.0, ge=0, le=1e5, description="sub-irrigated planter or insert for one plant, fitted (no source)"
    )
    sub_irrigation_years: float = Field(
        6.0, ge=0.25, le=50, description="years over which its cost is spread (no source)"
    )
    species_change_years: float = Field(
        3.0, ge=0.25, le=50, description="years over which the cost of another plant is spread (no source)"
    )
    wage_range: Multiples = Field((0.9, 1.15), description=f"range of wage_per_hour {OF_FIGURE}")
    visit_cost_range: Multiples = Field((0.7, 1.4), description=f"range of visit_cost {OF_FIGURE}")
    minutes_range: Multiples = Field((0.7, 1.4), description=f"range of minutes of looks and waterings {OF_FIGURE}")
    replacement_cost_range: Multiples = Field((0.8, 1.3), description=f"range of what a replacement costs {OF_FIGURE}")
    too_dry_minutes_range: Multiples = Field((0.5, 2.0), description=f"range of too_dry_minutes {OF_FIGURE}")
    too_dry_charge_range: Multiples = Field((0.3, 2.0), description=f"range of too_dry_charge {OF_FIGURE}")
    short_inspection_range: Multiples = Field((0.5, 2.0), description=f"range of short_inspection_share {OF_FIGURE}")
    sub_irrigation_range: Multiples = Field((0.5, 2.0), description=f"range of sub_irrigation_cost {OF_FIGURE}")
    default_inspection_minutes: float = Field(
        1.0,
        ge=0,
        le=240,
        description="minutes a look where none are on record (a trainer's target, common practice, no source)",
    )
    default_watering_minutes: float = Field(
        1.0, ge=0, le=240, description="minutes more to water where none are on record (common practice, no source)"
    )
    default_replacement_cost: float = Field(
        50.0, ge=0, le=1e6, description="cost of a replacement where none is on record (no source)"
    )
    default_monthly_fee: float = Field(
        10.0, ge=0, le=1e6, description="monthly fee of a plant where no contract is on record (no source)"
    )
    dropped_leaf_cost: float | None = Field(
        None,
        ge=0,
        le=1e4,
        description="money for each green leaf that drops; without it and without minutes they have no price",
    )
    dropped_leaf_minutes: float | None = Field(
        None, ge=0, le=240, description="minutes of cleaning for each green leaf that drops, at the wage"
    )

    @property
    def leaves_priced(self) -> bool:
        """Whether dropped leaves count in the cost of a visit interval."""
        return bool(self.dropped_leaf_cost or self.dropped_leaf_minutes)

    @model_validator(mode="after")
    def _visits_are_inspections(self) -> Assumptions:
        longest = max(self.visit_days)
        if self.max_inspection_interval < longest:
            raise ValueError(
                f"max_inspection_interval is {self.max_inspection_interval} days, but visit_days offers visits every "
                f"{longest} days; lengthen the one or take out the other"
            )
        return self
