"""Plants likely to be found lost in the next 90 days, with the reasons that count."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from plantstats import periods
from plantstats.losses import landmark, terms
from plantstats.losses.design import Array, ModelError, sums_by
from plantstats.losses.landmark import CONDITIONS, Landmark
from plantstats.losses.model import LossModel
from plantstats.losses.standing import HORIZON, lost_within, slopes, with_hazard
from plantstats.losses.warning_signs import SIGNS
from plantstats.losses.watch_memory import Memory

if TYPE_CHECKING:
    from plantstats.records import Records

PAST_LISTS = 4  # quarters that the list is tested on, and quarters that teach what scores and signs mean
REASON_FROM = 1.15  # a reason is named when it raises the risk by at least this
MOST_REASONS = 3


class Watch(NamedTuple):
    """Plants alive on a day with their chances, and the model and condition ratios behind them.

    Attributes
    ----------
    day : datetime.date
    plants : pandas.DataFrame
        One row per plant (or counted line), highest chance first: plant_id, client_id, site_id, species, light, pot,
        plants, condition (of `CONDITIONS`), expected (chance of a loss in 90 days), low, high (95%), reasons.
    model : LossModel
    conditions : pandas.DataFrame
        One row per condition: condition, losses (after earlier lists), expected (by the loss model), ratio, variance
        (of its log).
    learned : Landmark
        What the losses after earlier lists taught.
    variance : float
        Of the log of all that is expected: of model, sites, conditions and signs.
    """

    day: date
    plants: pd.DataFrame
    model: LossModel
    conditions: pd.DataFrame
    learned: Landmark
    variance: float


def watch(
    records: Records,
    day: date,
    species: pd.DataFrame | None = None,
    memory: Memory | None = None,
    *,
    with_reasons: bool = True,
    client: str = "",
) -> Watch:
    """Chances of all plants alive on a day, from nothing that was recorded later.

    Parameters
    ----------
    records : Records
    day : datetime.date
        Its end.
    species : pandas.DataFrame
        As in `fit`.
    memory : Memory
        Kept from call to call, it saves time and changes no answer.
    with_reasons : bool
        Whether the list says of each plant why (a back-test has no use for it).
    client : str
        One client's plants, or "" for all; what is learned rests on all.

    Returns
    -------
    Watch

    Raises
    ------
    ModelError
        When the records up to the day do not carry a model.

    Notes
    -----
    Chance = 1 - exp(-hazard): that of the loss model over the next 90 days x effect of the site, to a power, x ratio of
    the last condition score x what the other signs of the visits have told (see `landmark.fit`).

    Examples
    --------
    >>> from plantstats import records
    >>> watch(records.load("data_demo"), date(2026, 9, 30)).plants.head(3)  # doctest: +SKIP
    """
    memory = memory or Memory()
    time = memory.time_of(records, day)
    model = memory.model_of(time, day, species)
    ahead = pd.date_range(day + timedelta(days=1), day + timedelta(days=HORIZON))
    model.coding.check_season(ahead.month, f"up to {day}")
    earlier = _earlier_lists(records, day, species, memory)
    learned = landmark.fit(earlier)
    conditions = earlier.groupby("condition")[["lost", "expected"]].sum().reindex(list(CONDITIONS)).fillna(0.0)
    conditions = learned.condition_ratios().join(conditions.rename(columns={"lost": "losses"}), on="condition")
    state = with_hazard(memory.standing_on(records, day), model, day)
    if client:
        state = state[state["client_id"].eq(client)].reset_index(drop=True)
    plants, variance = with_chances(state, model, learned, day, with_reasons=with_reasons)
    return Watch(day, plants, model, conditions, learned, variance)


def _earlier_lists(records: Records, day: date, species: pd.DataFrame | None, memory: Memory) -> pd.DataFrame:
    """Plants that stood at the ends of up to four earlier quarters whose 90 days had passed by the day.

    One row per plant and quarter: plants, condition, the signs, hazard (by a model that has not seen the losses of
    those 90 days), expected, lost.
    """
    none = pd.DataFrame({"condition": pd.Series(dtype="str")})
    parts = [none.assign(**dict.fromkeys([*SIGNS, "plants", "hazard", "expected", "lost"], 0.0))]
    time = memory.time_of(records, day)
    for end in days_before(day):
        there = memory.standing_on(records, end)
        if there.empty:
            continue
        state = with_hazard(there, _model_for(records, end, day, species, memory), end)
        parts.append(
            state[["plants", "condition", *SIGNS, "hazard"]].assign(
                expected=-np.expm1(-state["hazard"]) * state["plants"],
                lost=state["plant_id"].map(lost_within(time, end)).fillna(0.0),
            )
        )
    return pd.concat(parts[1:] or parts, ignore_index=True)


def _model_for(records: Records, end: date, day: date, species: pd.DataFrame | None, memory: Memory) -> LossModel:
    """Loss model of all records up to a day but the quarter after an earlier list, or of all where they are too few."""
    time, after = memory.time_of(records, day), end + timedelta(days=1)
    try:
        model = memory.model_of(time, day, species, after)
        model.coding.check_season(pd.date_range(after, periods=HORIZON).month, f"beside {after}")
    except ModelError:
        return memory.model_of(time, day, species)
    return model


COLUMNS = ["plant_id", "client_id", "site_id", "species", "light", "pot", "plants"]
COLUMNS += ["condition", "expected", "low", "high", "reasons"]


def with_chances(
    state: pd.DataFrame, model: LossModel, learned: Landmark, day: date, *, with_reasons: bool = True
) -> tuple[pd.DataFrame, float]:
    """Add the chance of a loss, its interval and the reasons, highest chance first.

    Parameters
    ----------
    state : pandas.DataFrame
        Standing plants, one row each (see `standing.with_hazard`), with condition and signs.
    model : LossModel
        The fitted loss model.
    learned : Landmark
        As `landmark.fit` gives it.
    day : datetime.date
        On which they stand.
    with_reasons : bool
        As in `watch`.

    Returns
    -------
    plants : pandas.DataFrame
    variance : float
        Of the log of all that is expected of them.

    Notes
    -----
    A hazard is the estimate exp(x'b) itself: of counts it is unbiased, as the estimate of a rate is, and the factor
    exp(variance / 2) by which the mean of a log-normal number exceeds its middle would count the error twice.
    """
    log_hazard = np.log(state["hazard"].to_numpy("float64"))
    rows = learned.design(log_hazard, state)
    hazard = np.exp(log_hazard + rows @ learned.beta)
    place, profile = slopes(state, model, day)
    state = state.assign(**state[["species", *terms.FACTORS]].astype("str"), profile=profile)
    by_place = model.variance_of(place)[profile] + state["effect_variance"].to_numpy("float64")
    factor = np.exp(model.quantile() * np.sqrt(learned.power**2 * by_place + learned.variance_of(rows)))
    plants = state.assign(
        expected=-np.expm1(-hazard),
        low=-np.expm1(-hazard / factor),
        high=-np.expm1(-hazard * factor),
        reasons=_reasons(state, place, model, learned, rows) if with_reasons else "",
    )
    plants = plants[COLUMNS].sort_values(["expected", "plant_id"], ascending=[False, True], ignore_index=True)
    # Of 1 - exp(-h), the derivative by log h.
    weight = state.assign(weight=hazard * np.exp(-hazard) * state["plants"])
    whole = float((-np.expm1(-hazard) * state["plants"]).sum())
    return plants, _variance_of_all(weight, place, model, learned, rows) / whole**2 if whole > 0 else 0.0


def _variance_of_all(state: pd.DataFrame, place: Array, model: LossModel, learned: Landmark, rows: Array) -> float:
    """Variance of the sum: what plants share (model, site, score, signs) does not average out."""
    weight = state["weight"].to_numpy("float64")
    of_model, of_lists = sums_by(state["profile"].to_numpy(), weight, len(place)) @ place, weight @ rows
    sites = state.groupby("site_id").agg(weight=("weight", "sum"), variance=("effect_variance", "first"))
    by_place = float(model.variance_of(of_model[None])[0]) + float((sites["weight"] ** 2 * sites["variance"]).sum())
    return learned.power**2 * by_place + float(learned.variance_of(of_lists[None])[0])


def _reasons(state: pd.DataFrame, place: Array, model: LossModel, learned: Landmark, rows: Array) -> list[str]:
    """In words, what raises each plant's chance above that of the average plant standing, strongest first.

    Each reason with how many times it raises the chance and the 95% interval of that.
    """
    profile = state["profile"].to_numpy()
    away = place - sums_by(profile, np.ones(len(state)), len(place)) @ place / max(len(state), 1)
    names = np.array([name.partition("[")[0] for name in model.names])
    log_times, variance = {}, {}
    for factor in ("species", *terms.FACTORS):
        part = away * np.isin(names, ["species", "group"] if factor == "species" else [factor])
        log_times[factor] = learned.power * (part @ model.beta)[profile]
        variance[factor] = learned.power**2 * model.variance_of(part)[profile]
    log_times["site"] = learned.power * np.log(state["effect"].to_numpy("float64"))
    variance["site"] = learned.power**2 * state["effect_variance"].to_numpy("float64")
    by_score = learned.condition_ratios().set_index("condition")
    log_times["condition"] = np.log(state["condition"].map(by_score["ratio"]).to_numpy("float64"))
    variance["condition"] = state["condition"].map(by_score["variance"]).to_numpy("float64")
    signs = rows[:, landmark.FIRST_SIGN :]
    log_times |= dict(zip(SIGNS, (signs * learned.sign_beta).T, strict=True))
    variance |= dict(zip(SIGNS, (signs**2 * learned.sign_variance).T, strict=True))
    words = _words(state)[list(log_times)].to_numpy()
    times = np.exp(np.column_stack(list(log_times.values())))
    factors = np.exp(model.quantile() * np.sqrt(np.column_stack(list(variance.values()))))
    texts = []
    for row, wide, word in zip(times, factors, words, strict=True):
        strong = [n for n in np.argsort(-row)[:MOST_REASONS] if row[n] >= REASON_FROM]
        named = [f"{word[n]} (x {row[n]:.1f}, {row[n] / wide[n]:.1f} to {row[n] * wide[n]:.1f})" for n in strong]
        texts.append("; ".join(named) or "nothing above the average plant")
    return texts


def _words(state: pd.DataFrame) -> pd.DataFrame:
    """What each reason is called, of each plant."""
    age = (state["age_band"] + " since install").where(state["installed"].notna(), "install date unknown")
    of_factors = {factor: f"{factor} " + state[factor].str.replace("_", " ") for factor in terms.FACTORS}
    return pd.DataFrame(
        of_factors
        | {
            "species": state["species"],
            "age_band": age,
            "repotted": "repotted (" + state["repotted"] + ")",
            "moved": "moved (" + state["moved"] + ")",
            "site": "this site's past losses",
            "condition": "condition " + state["condition"] + " at the last visit",
            **SIGNS,
        },
        index=state.index,
    )


def days_before(day: date) -> list[date]:
    """Days of the earlier lists that teach the one of a day: quarters' ends whose 90 days had passed, oldest first.

    Parameters
    ----------
    day : datetime.date

    Returns
    -------
    list of datetime.date
    """
    quarters = periods.previous_quarters(periods.quarter_of(day + timedelta(days=1)), PAST_LISTS + 1)[:PAST_LISTS]
    return [quarter.last_day for quarter in quarters if (day - quarter.last_day).days >= HORIZON]
