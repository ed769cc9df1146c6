"""What the watering advice assumes beside the records: figures that are the owner's to change, with their limits."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Assumptions:
    """What the watering advice takes for granted. `[watering]` in records.toml changes any of it.

    The meaning of each, and where it comes from, stand in `plantstats.watering.assumptions`.
    """

    visit_days: tuple[int, ...] = (7, 14, 21, 28)
    max_inspection_interval: int = 56  # days between two looks at one plant, whatever it is
    too_dry_after: float = 1.0  # "too dry": dry for longer than this many usual (median) drying times
    max_too_dry_share: float = 0.20  # if more waterings than this find a plant too dry, they are too many
    too_dry_minutes: float = 6.0
    too_dry_charge: float = 1.0  # of a plant's fee, for each day that it stands too dry
    drought_rate_ratio: float = 2.0  # loss rate on over-dry days, times that on others
    drought_log_sd: float = 0.5  # of its logarithm: nine times in ten between 0.9 and 4.6
    max_still_moist_share: float = 0.20  # plants still moist on the day by which we say they usually want water
    confidence: float = 0.90  # that a change saves, before it is advised
    cost_tolerance: float = 0.05  # intervals that cost up to this share more are as good
    default_inspection_minutes: float = 1.0  # where the records hold no minutes
    default_watering_minutes: float = 1.0
    default_replacement_cost: float = 50.0  # where they hold no cost at all
    default_monthly_fee: float = 10.0  # per plant and month, where no contract is on record
    dropped_leaf_cost: float | None = None  # money for each leaf that drops; None: not priced
    dropped_leaf_minutes: float | None = None  # of cleaning for each, at the wage; None: not priced

    @property
    def leaves_priced(self) -> bool:
        """Whether dropped leaves count in the cost of a visit interval."""
        return bool(self.dropped_leaf_cost or self.dropped_leaf_minutes)


# Outside these a figure is a slip of the pen, or the advice could not be worked out.
LIMITS: dict[str, tuple[float, float]] = {
    "visit_days": (1, 91),
    "max_inspection_interval": (1, 365),
    "too_dry_after": (0.1, 10),
    "max_too_dry_share": (0.01, 0.9),
    "too_dry_minutes": (0, 240),
    "too_dry_charge": (0, 100),
    "drought_rate_ratio": (0.1, 50),
    "drought_log_sd": (0.05, 5),
    "max_still_moist_share": (0.01, 0.9),
    "confidence": (0.5, 0.999),
    "cost_tolerance": (0, 0.5),
    "default_inspection_minutes": (0, 240),
    "default_watering_minutes": (0, 240),
    "default_replacement_cost": (0, 1e6),
    "default_monthly_fee": (0, 1e6),
    "dropped_leaf_cost": (0, 1e4),
    "dropped_leaf_minutes": (0, 240),
}
WHOLE = ("max_inspection_interval",)
