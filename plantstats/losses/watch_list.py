"""Plants likely to be found lost in the next 90 days, with the reasons that count."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, timedelta
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from plantstats import exposure, periods
from plantstats.exposure.inputs import AGE_CUTS, age_bands
from plantstats.losses import terms
from plantstats.losses.fit import fit
from plantstats.losses.model import LossModel

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.records import Records

HORIZON = 90  # days ahead
PARTS = 3  # the horizon is looked at in this many parts, each with its own month and age
RECENT = 60  # a condition score older than this many days says nothing any more (common practice, no source)
PAST_LISTS = 4  # quarters that the list is tested on, and quarters that teach what a condition score means
# Pseudo-events, at as many expected ones, that shrink a condition's ratio to 1: few, as of plants in poor condition few
# losses are expected, and one pseudo-event would hide most of what their scores foretell.
CONDITION_PRIOR = 0.25
CONDITIONS = ("5", "4", "3", "1 or 2", "not noted")
REASON_FROM = 1.15  # a reason is named when it raises the risk by at least this
MOST_REASONS = 3


class Watch(NamedTuple):
    """Plants alive on a day with their chances, and the model and condition ratios behind them.

    Attributes
    ----------
    day : datetime.date
    plants : pandas.DataFrame
        One row per plant (or counted line), highest chance first: plant_id, client_id, site_id, species, light, pot,
        plants, condition (of `CONDITIONS`), expected (losses per plant in 90 days), low, high (95%), reasons.
    model : LossModel
    conditions : pandas.DataFrame
        One row per condition: condition, losses, expected, ratio, variance (of its log).
    """

    day: date
    plants: pd.DataFrame
    model: LossModel
    conditions: pd.DataFrame


@dataclass
class Memory:
    """What lists of several days share: plants alive on each, built once, and the last fit, to begin the next with."""

    standing: dict[date, pd.DataFrame] = field(default_factory=dict)
    model: LossModel | None = None


def watch(records: Records, day: date, species: pd.DataFrame | None = None, memory: Memory | None = None) -> Watch:
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

    Returns
    -------
    Watch

    Raises
    ------
    ModelError
        When the records up to the day do not carry a model.

    Notes
    -----
    Chance = loss model over the next 90 days x effect of the site x ratio of the last condition score.

    Examples
    --------
    >>> from plantstats import records
    >>> watch(records.load("data_demo"), date(2026, 9, 30)).plants.head(3)  # doctest: +SKIP
    """
    memory = memory or Memory()
    time = exposure.build(records, day, "found")
    memory.standing[day] = standing(time)
    model = fit(time.exposure_table(list(terms.EXPOSURE_BY)), species, start=memory.model)
    memory.model = model
    ahead = pd.date_range(day + timedelta(days=1), day + timedelta(days=HORIZON))
    model.coding.check_season(ahead.month, f"up to {day}")
    ratios = condition_ratios(records, time, model, memory)
    state = with_expected(memory.standing[day], model, day)
    state = state.assign(condition=last_condition(state, records.table("visits"), day))
    return Watch(day, with_chances(state, model, ratios), model, ratios)


def standing(time: PlantTime) -> pd.DataFrame:
    """Plants alive at the end of plant-time: the conditions of the last episode, plants, installed (day number).

    Parameters
    ----------
    time : PlantTime
        Plant-time of the records.

    Returns
    -------
    pandas.DataFrame
        One row per plant.
    """
    rows = time.engine.execute(
        """
        select s.plant_id, s.client_id, s.site_id, s.species, s.light, s.pot, s.planter, s.age_band, s.repotted,
               s.moved, s.plants - s.losses - s.client_exits - s.withdrawn as plants, p.installed
        from episodes s join spans p using (plant_id)
        where s.to_on = ? and s.plants > s.losses + s.client_exits + s.withdrawn
        order by s.plant_id
        """,
        [time.as_of + timedelta(days=1)],
    ).df()
    texts = [column for column in rows.columns if column not in ("plants", "installed")]
    return rows.astype(dict.fromkeys(texts, "str"))


def with_expected(state: pd.DataFrame, model: LossModel, day: date) -> pd.DataFrame:
    """Add the losses that conditions alone lead to expect, per plant in the next 90 days.

    Parameters
    ----------
    state : pandas.DataFrame
        Standing plants, one row each.
    model : LossModel
        The fitted loss model.
    day : date
        The day on which the list is made.

    Returns
    -------
    pandas.DataFrame
        The plants whose conditions the model knows, with alone (at a site of effect 1), slope (row of derivatives by
        the coefficients, as an array), effect and effect_variance of the site.
    """
    known = state[model.knows(state)].reset_index(drop=True)
    slope = np.zeros((len(known), len(model.names)))
    alone = np.zeros(len(known))
    start = (day - date(1970, 1, 1)).days
    for part in range(PARTS):
        ahead = HORIZON * (part + 0.5) / PARTS
        rows, _ = model.rows(_profiles(known, model, start + ahead, day + timedelta(days=ahead)))
        x = rows.to_numpy()
        hazard = np.exp(x @ model.beta) * HORIZON / PARTS
        alone += hazard
        slope += x * hazard[:, None]
    effect, variance = model.effects_of(known["site_id"])
    return known.assign(alone=alone, slope=list(slope), effect=effect, effect_variance=variance)


def _profiles(state: pd.DataFrame, model: LossModel, at: float, on: date) -> pd.DataFrame:
    """The plants' conditions some time ahead: the month, the age; the rest as it is."""
    age = at - state["installed"].astype("float64")
    older = np.array(age_bands()[:-1])[np.searchsorted(AGE_CUTS, age.fillna(0))]
    band = pd.Series(np.where(age.isna(), state["age_band"], older), state.index)
    # An age that the model has not met keeps the band it knows.
    band = band.where(band.isin(model.coding.levels["age_band"]), state["age_band"])
    return state[["species", "light", "pot", "planter", "repotted", "moved"]].assign(age_band=band, month=on.month)


def last_condition(state: pd.DataFrame, visits: pd.DataFrame, day: date) -> pd.Series:
    """Last condition score of each plant within RECENT days before a day, as one of CONDITIONS.

    Parameters
    ----------
    state : pandas.DataFrame
        Standing plants, one row each.
    visits : pandas.DataFrame
        The visit log.
    day : date
        The day on which the list is made.

    Returns
    -------
    pandas.Series
        By row of `state`.
    """
    to = pd.Timestamp(day)
    recent = (visits["visited_on"] <= to) & (visits["visited_on"] > to - pd.Timedelta(days=RECENT))
    scored = exposure.completed(visits[recent & visits["condition"].notna()])
    in_order = scored.sort_values(["visited_on", "condition"], ascending=[True, False])
    score = state["plant_id"].map(in_order.groupby("plant_id")["condition"].last().astype("float64"))
    words = score.map({5.0: "5", 4.0: "4", 3.0: "3", 2.0: "1 or 2", 1.0: "1 or 2"})
    return words.fillna("not noted").astype("str")


def lost_within(time: PlantTime, day: date) -> pd.Series:
    """Plants found lost in the HORIZON days after a day, by plant_id.

    Parameters
    ----------
    time : PlantTime
        Plant-time of the records.
    day : date
        The day on which the list is made.

    Returns
    -------
    pandas.Series
        By plant_id.
    """
    lost = time.losses
    inside = (lost["lost_on"] > pd.Timestamp(day)) & (lost["lost_on"] <= pd.Timestamp(day) + pd.Timedelta(days=HORIZON))
    return lost[inside].groupby("plant_id")["quantity"].sum()


def condition_ratios(records: Records, time: PlantTime, model: LossModel, memory: Memory) -> pd.DataFrame:
    """Ratios that a condition score adds to what the conditions of the place say, from up to four earlier quarters.

    Parameters
    ----------
    records : Records
        The company's records, as `records.load` gives them.
    time : PlantTime
        Plant-time of the records.
    model : LossModel
        The fitted loss model.
    memory : Memory
        Keeps what earlier quarters gave.

    Returns
    -------
    pandas.DataFrame
        One row per condition: condition, losses, expected, ratio ((losses + prior) / (expected + prior)), variance (of
        its log). Only plants whose 90 days had passed by the end of `time` are counted.
    """
    ends = [d for d in _quarter_ends(time.as_of, PAST_LISTS) if (time.as_of - d).days >= HORIZON]
    parts, visits = [pd.DataFrame({"condition": [], "lost": [], "expected": []})], records.table("visits")
    for end in ends:
        if end not in memory.standing:
            memory.standing[end] = standing(exposure.build(records, end, "found"))
        if memory.standing[end].empty:
            continue
        state = with_expected(memory.standing[end], model, end)
        parts.append(
            pd.DataFrame(
                {
                    "condition": last_condition(state, visits, end),
                    "lost": state["plant_id"].map(lost_within(time, end)).fillna(0),
                    "expected": state["alone"] * state["effect"] * state["plants"],
                }
            )
        )
    sums = pd.concat(parts[1:] or parts).groupby("condition")[["lost", "expected"]].sum()
    sums = sums.reindex(list(CONDITIONS)).fillna(0.0)
    lost, expected = sums["lost"].to_numpy(), sums["expected"].to_numpy()
    return pd.DataFrame(
        {
            "condition": CONDITIONS,
            "losses": lost,
            "expected": expected,
            "ratio": (lost + CONDITION_PRIOR) / (expected + CONDITION_PRIOR),
            "variance": 1 / (lost + CONDITION_PRIOR),
        }
    )


COLUMNS = ["plant_id", "client_id", "site_id", "species", "light", "pot", "plants"]
COLUMNS += ["condition", "expected", "low", "high", "reasons"]


def with_chances(state: pd.DataFrame, model: LossModel, ratios: pd.DataFrame) -> pd.DataFrame:
    """Add the condition score to what is expected, the interval and the reasons, highest chance first.

    Parameters
    ----------
    state : pandas.DataFrame
        Standing plants, one row each.
    model : LossModel
        The fitted loss model.
    ratios : pandas.DataFrame
        As `condition_ratios` gives them.

    Returns
    -------
    pandas.DataFrame
    """
    by = ratios.set_index("condition")
    ratio = state["condition"].map(by["ratio"]).to_numpy("float64")
    slope = np.stack(state["slope"].to_list()) if len(state) else np.zeros((0, len(model.names)))
    relative = slope / state["alone"].to_numpy()[:, None]
    variance = np.einsum("ij,jk,ik->i", relative, model.covariance, relative)
    # The mean of a log-normal chance lies above its middle; without this, plants of rarely seen conditions were
    # expected to be lost too seldom (back-tests of invented companies).
    mean = np.exp(variance / 2)
    of_condition = state["condition"].map(by["variance"]).to_numpy("float64")
    variance = variance + state["effect_variance"] + of_condition
    expected = state["alone"] * state["effect"] * ratio * mean
    factor = np.exp(model.quantile() * np.sqrt(variance))
    rows = state.assign(
        expected=expected,
        low=expected / factor,
        high=expected * factor,
        reasons=_reasons(state, model, relative, ratio, of_condition),
    )
    return rows[COLUMNS].sort_values(["expected", "plant_id"], ascending=[False, True], ignore_index=True)


def _reasons(
    state: pd.DataFrame, model: LossModel, relative: np.ndarray, ratio: np.ndarray, of_condition: np.ndarray
) -> list[str]:
    """In words, what raises each plant's chance above that of the average plant standing, strongest first.

    `relative`: derivatives of the log chance; `ratio` and `of_condition`: ratio of the condition score, and the
    variance of its log. Each reason with how many times it raises the chance and the 95% interval of that.
    """
    away = relative - relative.mean(axis=0) if len(state) else relative
    names = np.array([name.partition("[")[0] for name in model.names])
    log_times, variance = {}, {}
    for factor in ("species", *terms.FACTORS):
        part = away * np.isin(names, ["species", "group"] if factor == "species" else [factor])
        log_times[factor] = part @ model.beta
        variance[factor] = np.einsum("ij,jk,ik->i", part, model.covariance, part)
    log_times |= {"site": np.log(state["effect"].to_numpy()), "condition": np.log(ratio)}
    variance |= {"site": state["effect_variance"].to_numpy("float64"), "condition": of_condition}
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
    return pd.DataFrame(
        {
            "species": state["species"],
            "light": "light " + state["light"],
            "pot": "pot " + state["pot"],
            "planter": "planter " + state["planter"].str.replace("_", " "),
            "age_band": age,
            "repotted": "repotted (" + state["repotted"] + ")",
            "moved": "moved (" + state["moved"] + ")",
            "site": "this site's past losses",
            "condition": "condition " + state["condition"] + " at the last visit",
        },
        index=state.index,
    )


def _quarter_ends(day: date, n: int) -> list[date]:
    """The last days of the n calendar quarters that end before a day, oldest first."""
    return [q.last_day for q in periods.previous_quarters(periods.quarter_of(day + timedelta(days=1)), n + 1)][:n]
