"""How far the days between visits move a survival curve: losses placed between last seen alive and found."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
import pandas as pd

from plantstats import findings
from plantstats.stats import survival
from plantstats.stats.lifetimes import check_lives, from_age, in_groups

METHOD = "interval-censored survival with delayed entry (Turnbull 1976) against Kaplan-Meier of the days found"
NO_SHIFT = 1e-6  # percentage points; the fit stops this near to its goal, not on it
STILL = 1e-9  # gain of the mean log likelihood per round below which the fit has come to rest
MAX_ROUNDS = 20_000

findings.define(
    survival_between_visits="Plants in 100 not yet lost at the age, when each loss lies somewhere between the "
    "day the plant was last seen alive and the day it was found.",
    found_late_shift="Percentage points by which survival at the age looks higher because losses are dated "
    "on the day they were found.",
)


class Masses(NamedTuple):
    """Where losses lie: mass[j] in the days (left[j], right[j]]; log_likelihood of the fit."""

    left: npt.NDArray[np.float64]
    right: npt.NDArray[np.float64]
    mass: npt.NDArray[np.float64]
    log_likelihood: float


class FoundLateError(ValueError):
    """Intervals that cannot be."""


class NoAnswerError(FoundLateError):
    """Intervals that leave the fit nowhere to rest: too few plants watched while others were lost."""


def masses(left: npt.ArrayLike, right: npt.ArrayLike, entry: npt.ArrayLike | None = None) -> Masses:
    """Spread the losses over the intervals in which they happened.

    Takes:  left, right: each loss lies in (left, right]; right = inf for a life not lost by `left`; entry: age
            at which the plant came under observation (it was alive then), default 0.
    Gives:  Masses over the smallest intervals that the data can tell apart; inside one, nothing says when. With
            late entry the masses are those of plants alive at the earliest entry.
    Raises: FoundLateError for left >= right or left < entry; NoAnswerError for a fit that does not come to
            rest.
    Source: Turnbull 1976, JRSS B 38:290: self-consistency by expectation and maximisation, with as many unseen
            plants as the late entries imply; the intervals as corrected by Frydman 1994, JRSS B 56:71 (entries
            too close an interval).
    """
    lo, hi = np.asarray(left, dtype="float64"), np.asarray(right, dtype="float64")
    since = np.zeros_like(lo) if entry is None else np.asarray(entry, dtype="float64")
    if not (np.all(lo < hi) and np.all(lo >= since) and np.all(since >= 0)):
        raise FoundLateError("each loss needs last seen alive < found, and last seen alive no earlier than entry")
    begin, end = _innermost(lo, hi, since)
    # Of the masses, numbers first to last - 1 lie in a plant's interval, and those up to `unseen` before its entry.
    first, last = np.searchsorted(begin, lo, side="left"), np.searchsorted(end, hi, side="right")
    unseen = np.searchsorted(end, since, side="right")
    mass, before = np.full(len(begin), 1 / len(begin)), -np.inf
    for _ in range(MAX_ROUNDS):
        total = np.append(0, np.cumsum(mass))
        inside, seen = total[last] - total[first], total[-1] - total[unseen]
        if min(inside.min(), seen.min()) <= 0:
            raise NoAnswerError(
                "too few plants watched at the first losses; follow from a later start_age "
                "(survival.safe_start offers one)"
            )
        log_likelihood = float(np.sum(np.log(inside)) - np.sum(np.log(seen)))
        if log_likelihood - before < STILL * len(lo):
            return Masses(begin, end, mass, log_likelihood)
        before = log_likelihood
        # Each plant spreads one loss over its interval, and 1 / seen - 1 unseen ones over the days before
        # its entry.
        rises = np.bincount(first, 1 / inside, len(begin) + 1) - np.bincount(last, 1 / inside, len(begin) + 1)
        ghosts = np.zeros(len(begin) + 1)
        ghosts[0] = np.sum(1 / seen)
        ghosts -= np.bincount(unseen, 1 / seen, len(begin) + 1)
        mass = mass * np.cumsum(rises + ghosts)[:-1]
        mass = mass / mass.sum()
    raise NoAnswerError(f"the estimate did not settle in {MAX_ROUNDS} rounds; follow from a later start_age")


def curve(fit: Masses, ages: npt.ArrayLike, start_age: float = 0) -> pd.DataFrame:
    """Survival at given ages between the bounds that the data leave.

    Takes:  fit; ages (days); start_age: of those alive at it.
    Gives:  one row per age: age_days, estimate (mass spread evenly over its interval), low, high (all mass of
            the interval at its beginning, or at its end: not a confidence interval).
    """
    at = np.asarray(ages, dtype="float64")
    finite = np.isfinite(fit.right)
    width = np.where(finite, fit.right - fit.left, np.inf)

    def alive(when: npt.NDArray[np.float64]) -> tuple[npt.NDArray[np.float64], ...]:
        done = np.clip((when[:, None] - fit.left) / width, 0, 1)
        shares = (done, when[:, None] > fit.left, when[:, None] >= fit.right)
        return tuple(1 - share @ fit.mass for share in shares)

    base = alive(np.array([start_age]))[0][0]
    estimate, low, high = (np.clip(value / base, 0, 1) for value in alive(at))
    return pd.DataFrame({"age_days": at, "estimate": estimate, "low": low, "high": high})


def shift(lives: pd.DataFrame, by: list[str], *, ages: list[int], period: str, start_age: float = 0) -> pd.DataFrame:
    """Tell how much higher survival looks because losses are dated when found.

    Takes:  lives: one row per plant: plant_id, entry_age, exit_age (found), seen_age (last seen alive), event,
            the `by` columns; ages (days); period: the name of the records' span; start_age as in
            `survival.curves`: a plant found lost after it counts as alive at it.
    Gives:  findings per group and age: survival_between_visits (percent), found_late_shift (percentage
            points); no intervals: a check of the method, not a second result. Missing, with the reason in the
            note, where fewer than ten were at risk or the fit has no answer.
    Raises: LivesError for impossible lives.
    """
    rows = []
    for values, group in in_groups(from_age(check_lives(lives), start_age), by):
        lost = group["event"] == 1
        # Never seen since it came: alive at entry. Found on the day it was seen alive: lost on that day.
        seen = group["seen_age"].fillna(group["entry_age"]).clip(upper=group["exit_age"] - lost)
        found = survival.curves(group, [], start_age)
        last = survival.quotable_to(found)
        between, failed = pd.Series(np.nan, ages), ""
        try:
            fit = masses(seen.clip(lower=group["entry_age"]), group["exit_age"].where(lost, np.inf), group["entry_age"])
            between = curve(fit, ages, start_age).set_index("age_days")["estimate"]
        except NoAnswerError as no:
            # What to call next is for the programmer who asked; the page gets the reason alone.
            failed = f"not available: {str(no).partition(';')[0]}"
        counts = {"n_plants": int(group["plant_id"].nunique()), "losses": int(lost.sum())}
        for age in ages:
            few = "" if start_age <= age <= last else f"not quoted: fewer than ten at risk after day {last:,.0f}"
            why = few or failed
            on_found = float(found.loc[found["age_days"] <= age, "estimate"].iloc[-1]) if not why else np.nan
            told = 100 * float(between[age]) if not why else np.nan
            points = 100 * on_found - told
            points = 0.0 if abs(points) < NO_SHIFT else points
            rows += [
                findings.finding(
                    "survival_between_visits",
                    period,
                    told,
                    unit="% of plants",
                    method=METHOD,
                    note=why,
                    age_days=age,
                    **counts,
                    **values,
                ),
                findings.finding(
                    "found_late_shift",
                    period,
                    points,
                    unit="percentage points",
                    method=METHOD,
                    note=why,
                    age_days=age,
                    **counts,
                    **values,
                ),
            ]
    return findings.table(rows)


def _innermost(
    lo: npt.NDArray[np.float64], hi: npt.NDArray[np.float64], since: npt.NDArray[np.float64]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Intervals that begin at a left end and stop at the next end that closes one, with no left end between."""
    begins = np.unique(lo)
    closes = np.unique(np.concatenate([hi, since[since > 0]]))
    stops = closes[np.minimum(np.searchsorted(closes, begins, side="right"), len(closes) - 1)]
    # Of several begins before one stop, the last is innermost.
    keep = np.append(stops[1:] != stops[:-1], True) & (stops > begins)
    return begins[keep], stops[keep]
