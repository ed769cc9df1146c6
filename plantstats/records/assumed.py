"""What the watering advice assumes beside the records: figures that are the owner's to change, with their limits."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Assumptions:
    """What the watering advice takes for granted. `[watering]` in records.toml changes any of it.

    The meaning of each, and where it comes from, stand in `plantstats.watering.assumptions`.
    """

    visit_days: tuple[int, ...] = (7, 14, 21, 28)
    longest_look: int = 56  # days between two looks at one plant, whatever it is
    too_dry_after: float = 1.0  # "too dry": dry for longer than this many usual (median) drying times
    too_dry_most: float = 0.20  # if more waterings than this find a plant too dry, they are too many
    too_dry_minutes: float = 6.0
    too_dry_charge: float = 1.0  # of a plant's fee, for each day that it stands too dry
    over_dry_ratio: float = 2.0  # loss rate on over-dry days, times that on others
    over_dry_spread: float = 0.5  # of its logarithm: nine times in ten between 0.9 and 4.6
    still_wet_most: float = 0.20  # plants still moist on the day by which we say they usually want water
    certainty: float = 0.90  # that a change saves, before it is advised
    as_good: float = 0.05  # intervals that cost up to this share more are as good
    plain_look_minutes: float = 1.0  # where the records hold no minutes
    plain_watering_minutes: float = 1.0
    plain_replacement_cost: float = 50.0  # where they hold no cost at all
    plain_fee: float = 10.0  # per plant and month, where no contract is on record
    dropped_leaf_cost: float | None = None  # money for each leaf that drops; None: not priced
    dropped_leaf_minutes: float | None = None  # of cleaning for each, at the wage; None: not priced

    @property
    def leaves_priced(self) -> bool:
        """Whether dropped leaves count in the cost of a visit interval."""
        return bool(self.dropped_leaf_cost or self.dropped_leaf_minutes)


# Outside these a figure is a slip of the pen, or the advice could not be worked out.
LIMITS: dict[str, tuple[float, float]] = {
    "visit_days": (1, 91),
    "longest_look": (1, 365),
    "too_dry_after": (0.1, 10),
    "too_dry_most": (0.01, 0.9),
    "too_dry_minutes": (0, 240),
    "too_dry_charge": (0, 100),
    "over_dry_ratio": (0.1, 50),
    "over_dry_spread": (0.05, 5),
    "still_wet_most": (0.01, 0.9),
    "certainty": (0.5, 0.999),
    "as_good": (0, 0.5),
    "plain_look_minutes": (0, 240),
    "plain_watering_minutes": (0, 240),
    "plain_replacement_cost": (0, 1e6),
    "plain_fee": (0, 1e6),
    "dropped_leaf_cost": (0, 1e4),
    "dropped_leaf_minutes": (0, 240),
}
WHOLE = ("longest_look",)
