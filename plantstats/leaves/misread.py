"""What misread topsoil does to the ratios of dry plants: those printed are of the topsoil as it was written down."""

from __future__ import annotations

import numpy as np

from plantstats import findings
from plantstats.leaves.inputs import FIGS
from plantstats.leaves.model import LeafFit

# Of 100 readings, how many are taken to be wrong (dry for not dry, and the reverse): a range to think in, no estimate.
WRONG_SHARES = (0.02, 0.05, 0.10)
FACTORS = ("rewatered", "dry")
METHOD = "ratio of the topsoil as written down, corrected for a stated share of wrong readings (misclassification)"

for _outcome, _what in {"green": "Green leaves dropped", "yellow": "Oldest leaves yellowed"}.items():
    findings.define(
        **{
            f"{_outcome}_leaf_ratio_if_misread": (
                f"{_what}: times as many with dry topsoil, if a stated share of topsoil readings were wrong."
            )
        }
    )


def share_dry(model: LeafFit, factor: str) -> dict[str, float]:
    """Share of the plant-days of stretches with known topsoil that were written down as dry, by level of the factor.

    Takes:  model; factor: "dry" (at the end of the stretch) or "rewatered" (at its beginning).
    Gives:  level ("dry (figs)", "dry (others)") -> share, among figs or the others.
    """
    t = model.table[model.table[factor] != "unknown"]
    days = t["n"] * t["exposure"]
    figs = t["species_group"].astype("str").eq(FIGS)
    made = {}
    for level, own in (("dry (figs)", figs), ("dry (others)", ~figs)):
        whole = float(days[own].sum())
        made[level] = float(days[t[factor].eq(level)].sum()) / whole if whole > 0 else np.nan
    return made


def corrected(ratio: float, share: float, wrong: float, watered: bool = False) -> float:
    """Ratio of dry to not dry topsoil as they truly were, from the ratio of what was written down.

    Takes:  ratio, as written down; share: of readings that say dry; wrong: share of readings that are wrong, both
            ways alike; watered: the topsoil is that of the visit before, and what follows follows the watering: a
            dry plant that was read as not dry was not watered, so that nothing followed.
    Gives:  the ratio; missing where more readings would be wrong than say dry, or where no true ratio, however high,
            would have been seen as that.
    Source: worked from the two-way table: of the plants read as dry a share q1 is dry, of the others q0, so the
            ratio seen is (1 + (R - 1) q1) / (1 + (R - 1) q0). Solved for R.
    """
    true = (share - wrong) / (1 - 2 * wrong)
    if not 0 < true < 1:
        return np.nan
    q1, q0 = _dry_among(true, share, wrong, watered)
    room = q1 - ratio * q0
    return 1 + (ratio - 1) / room if room > 0 else np.nan


def if_wrong(wrong: float) -> str:
    """How a term ends that is corrected for this share of wrong readings."""
    return f", if one reading in {1 / wrong:.0f} is wrong"


def as_written(ratio: float, true: float, wrong: float, watered: bool = False) -> float:
    """The reverse of `corrected`: the ratio of what was written down, where a share `true` of the plants is dry."""
    share = true * (1 - wrong) + (1 - true) * wrong
    q1, q0 = _dry_among(true, share, wrong, watered)
    return (1 + (ratio - 1) * q1) / (1 + (ratio - 1) * q0)


def _dry_among(true: float, share: float, wrong: float, watered: bool) -> tuple[float, float]:
    return true * (1 - wrong) / share, 0.0 if watered else true * wrong / (1 - share)


def if_misread(
    model: LeafFit, ratios: list[dict[str, object]], terms: dict[str, tuple[str, str]], level: float
) -> list[dict[str, object]]:
    """Each ratio of dry topsoil, corrected for each of WRONG_SHARES.

    Takes:  model; ratios: its findings <outcome>_leaf_ratio; terms: term -> (factor, level) of those about dry topsoil.
    Gives:  findings <outcome>_leaf_ratio_if_misread by term (that of the ratio and `if_wrong` of the share). The
            limits are those of the ratio, corrected alike; missing where so many wrong readings cannot be.
    """
    made = []
    shares = {factor: share_dry(model, factor) for factor in FACTORS}
    for row in ratios:
        if row["term"] not in terms:
            continue
        factor, one = terms[str(row["term"])]
        share = shares[factor][one]
        for wrong in WRONG_SHARES:
            limits = [
                corrected(float(str(row[name])), share, wrong, factor == "rewatered")
                for name in ("estimate", "low", "high")
            ]
            known = bool(np.isfinite(limits).all())
            note = f"dry at {100 * share:.0f} of 100 plant-days as written down"
            made.append(
                findings.finding(
                    f"{model.outcome}_leaf_ratio_if_misread",
                    str(row["period"]),
                    *(limits if known else [np.nan]),
                    unit="times",
                    method=METHOD,
                    level=level if known else np.nan,
                    plant_days=float(str(row["plant_days"])),
                    note=note if known else f"{note}: so many wrong readings cannot be",
                    term=f"{row['term']}{if_wrong(wrong)}",
                )
            )
    return made
