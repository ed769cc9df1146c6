"""What the advice assumes beside the records: every figure the owner's to change, each with where it comes from."""

from __future__ import annotations

from dataclasses import dataclass, fields

import pandas as pd


@dataclass(frozen=True)
class Assumptions:
    """Figures that records do not hold. Change them with `Assumptions(too_dry_minutes=10)`."""

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


WHY = {
    "visit_days": "days between visits that a route can keep (common practice: weekly to every four weeks, no source)",
    "longest_look": "no plant goes longer than this without a look, in days (common practice, no source)",
    "too_dry_after": "a plant dry for longer than this many of its usual (median) drying times is too dry (no source)",
    "too_dry_most": "no longer interval is advised at which more than this share of waterings would find a plant "
    "too dry (no source)",
    "too_dry_minutes": "extra work for a plant found too dry: cut out yellow leaves, water twice (no source)",
    "too_dry_charge": "a day on which a plant stands too dry counts as this share of its fee, undelivered (no source)",
    "over_dry_ratio": "loss rate on days with topsoil left dry, as a multiple, before the records speak (no source)",
    "over_dry_spread": "how unsure that multiple is, on the log scale (no source)",
    "still_wet_most": "share of plants that may still be moist at the day by which water is usually wanted (no source)",
    "certainty": "how likely a change must be to save money before it is advised",
    "as_good": "intervals within this share of the lowest cost count as equally good",
    "plain_look_minutes": "minutes a look where none are on record (a trainer's target, common practice, no source)",
    "plain_watering_minutes": "minutes more to water where none are on record (common practice, no source)",
    "plain_replacement_cost": "cost of a replacement where none is on record (no source)",
    "plain_fee": "monthly fee of a plant where no contract is on record (no source)",
}


def table(assumptions: Assumptions) -> pd.DataFrame:
    """The assumptions for the page: Assumption, Value, What it means and where it comes from."""
    names = [f.name for f in fields(Assumptions)]
    values = [getattr(assumptions, name) for name in names]
    shown = [", ".join(map(str, v)) if isinstance(v, tuple) else f"{v:g}" for v in values]
    return pd.DataFrame(
        {
            "Assumption": [n.replace("_", " ") for n in names],
            "Value": shown,
            "What it means, where it comes from": [WHY[n] for n in names],
        }
    )
