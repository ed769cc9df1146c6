"""Plants that shed beyond what their situation explains."""

from __future__ import annotations

import numpy as np
import pandas as pd
from scipy import optimize, stats

from plantstats import findings
from plantstats.leaves.build import LeafTime
from plantstats.leaves.counts import Array
from plantstats.leaves.inputs import TRANSIENT_CUTS
from plantstats.leaves.model import LeafFit
from plantstats.periods import Period
from plantstats.stats.intervals import CONF_LEVEL

FALSE_SHARE = 0.10  # of the plants named, expected to be named by chance
METHOD = "leaves / expected in the plant's situation; false discoveries held at 10% (Benjamini and Hochberg 1995)"
LARGEST_SIZE = 1e8  # beyond, rounding costs more than the law differs from Poisson

findings.define(
    shedding="Green leaves dropped as a multiple of what the plant's situation explains, of plants that stand out.",
    shedding_plants="Plants that shed beyond what their situation explains.",
)


def plants(time: LeafTime, model: LeafFit, period: Period, client: str = "") -> pd.DataFrame:
    """Every plant's leaves beside what the model expects of its situation.

    Takes:  leaf plant-time; its fitted model; period; client: one client's plants, or "" for all.
    Gives:  one row per plant with a count in the period: plant_id, site_id, species, plant_days, leaves (words as the
            least that they may mean, so that nobody is named for a word), expected,
            variance (of the leaves, widened where plants differ more than the model says), z (standardised
            residual), chance (of so many or more), q (chance after allowing for the number of plants looked at),
            age_days, moved_days, repotted_days (at the last visit; missing = never or unknown).
    Keeps:  plants with stretches in the model; others have no row.
    """
    rows = time.by("plant_id", f"{model.outcome}_lower", period.start, period.end, client)
    mean = rows["cell"].map(model.expected)
    rows = rows.assign(expected=rows["n"] * mean, variance=rows["n"] * (mean + model.fit.alpha * mean**2)).dropna(
        subset=["expected"]
    )
    made = rows.groupby("plant_id", as_index=False).agg(
        plant_days=("plant_days", "sum"),
        leaves=("sum", "sum"),
        expected=("expected", "sum"),
        variance=("variance", "sum"),
    )
    if made.empty:
        return made.assign(z=[], chance=[], q=[])
    raw = (made["leaves"] - made["expected"]) / np.sqrt(made["variance"])
    # Plants differ for reasons that no record tells. Where the middle half of them spreads wider than the model
    # says, that spread is the yardstick (an empirical null, Efron 2004, from memory).
    middle = float(stats.iqr(raw) / (2 * stats.norm.ppf(0.75)))
    made["variance"] *= max(1.0, middle) ** 2
    made["z"] = (made["leaves"] - made["expected"]) / np.sqrt(made["variance"])
    made["chance"] = _chance(made["leaves"].to_numpy(), made["expected"].to_numpy(), made["variance"].to_numpy())
    made["q"] = stats.false_discovery_control(made["chance"])
    return made.merge(_last_seen(time, period), on="plant_id", how="left")


def shedding(found: pd.DataFrame, period: Period, level: float = CONF_LEVEL) -> pd.DataFrame:
    """The plants that stand out.

    Takes:  rows of `plants`.
    Gives:  findings: shedding_plants, and shedding by site, species and plant: leaves / expected with limits.
            The note begins with "new here", "just moved" or "just repotted" where that holds.
    """
    named = found[(found["q"] <= FALSE_SHARE) & (found["leaves"] > found["expected"])]
    rows = [
        findings.finding(
            "shedding_plants",
            period.name,
            float(len(named)),
            unit="plants",
            method=METHOD,
            n_plants=len(found),
            plant_days=float(found["plant_days"].sum()),
            note=f"of {len(found)} plants looked at",
        )
    ]
    for row in named.sort_values(["chance", "plant_id"]).itertuples():
        low, high = _limits(row.leaves, row.expected, row.variance, level)
        rows.append(
            findings.finding(
                "shedding",
                period.name,
                row.leaves / row.expected,
                low,
                high,
                unit="times",
                method=METHOD,
                level=level,
                n_plants=1,
                plant_days=row.plant_days,
                site_id=row.site_id,
                species=row.species,
                plant_id=row.plant_id,
                note=f"{_first_said(row)}{row.leaves:,.0f} leaves, {row.expected:,.1f} expected",
            )
        )
    return findings.table(rows)


def _last_seen(time: LeafTime, period: Period) -> pd.DataFrame:
    return time.ask(
        """
        select plant_id, last(site_id order by to_on) as site_id, any_value(species::varchar) as species,
               last(age_days order by to_on) as age_days, last(moved_days order by to_on) as moved_days,
               last(repotted_days order by to_on) as repotted_days
        from leaf_used where to_on > ? and to_on <= ? group by 1 order by 1""",
        [period.start, period.end],
    )


def _first_said(row: object) -> str:
    """What a reader must know before anything else."""
    longest = TRANSIENT_CUTS[-1]
    told = {"new here": "age_days", "just moved": "moved_days", "just repotted": "repotted_days"}
    said = []
    for words, column in told.items():
        days = getattr(row, column)
        if pd.notna(days) and days <= longest:
            said.append(f"{words} ({days:.0f} days)")
    return ", ".join(said) + ": " if said else ""


def _chance(leaves: Array, expected: Array, variance: Array) -> Array:
    """Chance of so many leaves or more, half of the chance of exactly so many (mid-p): counts come in whole steps."""
    size = _size(expected, variance)
    share = size / (size + expected)
    beyond, exactly = stats.nbinom.sf(leaves, size, share), stats.nbinom.pmf(leaves, size, share)
    return np.clip(beyond + exactly / 2, 1e-300, 1.0)


def _size(expected: Array, variance: Array) -> Array:
    """Size of the negative binomial law with this mean and variance; above the largest it is the Poisson law."""
    spare = np.maximum(variance - expected, expected**2 / LARGEST_SIZE)
    return np.divide(expected**2, spare, out=np.full_like(spare, LARGEST_SIZE), where=spare > 0)


def _limits(leaves: float, expected: float, variance: float, level: float) -> tuple[float, float]:
    """Multiples of the expected leaves under which so many, or so few, have a chance of (1 - level) / 2."""
    size = float(_size(np.asarray(expected), np.asarray(variance)))
    tail = (1 - level) / 2

    def mean_share(log_times: float) -> float:
        return float(size / (size + expected * np.exp(log_times)))

    low = optimize.brentq(lambda t: stats.nbinom.sf(leaves - 1, size, mean_share(t)) - tail, -30, 12)
    high = optimize.brentq(lambda t: stats.nbinom.cdf(leaves, size, mean_share(t)) - tail, -30, 12)
    return float(np.exp(low)), float(np.exp(high))
