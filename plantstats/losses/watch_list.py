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
from plantstats.losses.common_cause import ordinary
from plantstats.losses.model import LossModel
from plantstats.losses.past_models import PastModels
from plantstats.losses.warning_signs import SIGNS, SignRatios, sign_ratios, signs_on

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
# The mean of a log-normal chance is at most so many times its middle: of conditions hardly on record the variance is
# what the prior leaves, and without a bound one list of a single species expected 192 losses of 347 plants (design
# rule; within it lie log standard errors up to 0.9).
MOST_MEAN_FACTOR = 1.5
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
    signs : SignRatios
    variance : float
        Of the log of all that is expected: of model, sites, conditions and signs.
    """

    day: date
    plants: pd.DataFrame
    model: LossModel
    conditions: pd.DataFrame
    signs: SignRatios
    variance: float


@dataclass
class Memory:
    """What lists of several days share.

    Attributes
    ----------
    time : PlantTime
        Up to the last of the days, dated "found", without losses of events (see `common_cause.ordinary`); lists of
        earlier days are made from it where it tells of them.
    standing : dict of date to pandas.DataFrame
        Plants alive on each day.
    built : dict of date to PlantTime
        Plant-time of days of which the shared one does not tell.
    scores : dict of date to pandas.Series
        Their last condition scores (see `last_scores`).
    signs : dict of date to pandas.DataFrame
        Their other signs (see `warning_signs.signs_on`), by plant_id.
    past : PastModels
        Loss models of that plant-time.
    """

    time: PlantTime | None = None
    standing: dict[date, pd.DataFrame] = field(default_factory=dict)
    scores: dict[date, pd.Series] = field(default_factory=dict)
    signs: dict[date, pd.DataFrame] = field(default_factory=dict)
    past: PastModels | None = None
    built: dict[date, PlantTime] = field(default_factory=dict)

    def time_of(self, records: Records, day: date) -> PlantTime:
        """Plant-time that tells of a day; records of later days may be in it.

        Parameters
        ----------
        records : Records
        day : datetime.date

        Returns
        -------
        PlantTime
        """
        if self.time is not None and self.time.tells_of(day):
            return self.time
        if day not in self.built:
            self.built[day] = ordinary(exposure.build(records, day, "found"))
        return self.built[day]

    def model_of(self, time: PlantTime, day: date, species: pd.DataFrame | None) -> LossModel:
        """Loss model of what was on record up to a day.

        Parameters
        ----------
        time : PlantTime
            That tells of the day.
        day : datetime.date
        species : pandas.DataFrame
            As in `fit`.

        Returns
        -------
        LossModel
        """
        if self.past is None or self.past.time is not time:
            self.past = PastModels(time, species)
        return self.past.before(day + timedelta(days=1))

    def standing_on(self, records: Records, day: date) -> pd.DataFrame:
        """Plants alive on a day.

        Parameters
        ----------
        records : Records
        day : datetime.date

        Returns
        -------
        pandas.DataFrame
            As `standing`.
        """
        if day not in self.standing:
            self.standing[day] = standing(self.time_of(records, day), day)
        return self.standing[day]

    def condition_on(self, records: Records, day: date, plant_ids: pd.Series) -> pd.Series:
        """Last condition score of plants on a day.

        Parameters
        ----------
        records : Records
        day : datetime.date
        plant_ids : pandas.Series

        Returns
        -------
        pandas.Series
            One of `CONDITIONS` per plant.
        """
        if day not in self.scores:
            self.scores[day] = last_scores(self.time_of(records, day), day)
        return plant_ids.map(self.scores[day]).fillna(CONDITIONS[-1]).astype("str")

    def signs_on(self, records: Records, day: date, plant_ids: pd.Series) -> pd.DataFrame:
        """Signs of plants on a day, beside their last score.

        Parameters
        ----------
        records : Records
        day : datetime.date
        plant_ids : pandas.Series

        Returns
        -------
        pandas.DataFrame
            One row per plant, aligned (see `warning_signs.signs_on`).
        """
        if day not in self.signs:
            plants = self.standing_on(records, day)
            self.signs[day] = signs_on(self.time_of(records, day), day, plants).set_index(plants["plant_id"])
        return self.signs[day].reindex(plant_ids).set_axis(plant_ids.index)


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
    Chance = loss model over the next 90 days x effect of the site x ratio of the last condition score x what the other
    signs of the visits have told so far (`warning_signs`).

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
    earlier = _earlier_lists(records, day, model, memory)
    ratios = condition_ratios(earlier)
    by_score = earlier["expected"] * earlier["condition"].map(ratios.set_index("condition")["ratio"])
    signs = sign_ratios(earlier, earlier["lost"].to_numpy("float64"), by_score.to_numpy("float64"))
    state = with_expected(memory.standing_on(records, day), model, day)
    if client:
        state = state[state["client_id"].eq(client)].reset_index(drop=True)
    state = state.assign(condition=memory.condition_on(records, day, state["plant_id"]))
    state = state.join(memory.signs_on(records, day, state["plant_id"]))
    plants, variance = with_chances(state, model, ratios, signs, with_reasons=with_reasons)
    return Watch(day, plants, model, ratios, signs, variance)


def standing(time: PlantTime, day: date) -> pd.DataFrame:
    """Plants alive on a day: the conditions of the episode that ends with it, plants, installed (day number).

    Parameters
    ----------
    time : PlantTime
        Plant-time that tells of the day.
    day : datetime.date
        Its end.

    Returns
    -------
    pandas.DataFrame
        One row per plant.
    """
    conditions = ", ".join(f"s.{name}" for name in terms.FACTORS)
    rows = time.engine.sql(
        f"""
        select s.plant_id, s.client_id, s.site_id, s.species, {conditions},
               s.plants - s.losses - s.client_exits - s.withdrawn as plants, p.installed
        from episodes s join spans p on p.plant_id = s.plant_id
        where s.to_on = ? and s.plants > s.losses + s.client_exits + s.withdrawn
        order by s.plant_id
        """,
        [day + timedelta(days=1)],
    )
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
    return state[["species", *terms.FACTORS]].assign(age_band=band, month=on.month)


def last_scores(time: PlantTime, day: date) -> pd.Series:
    """Last condition score of each plant within RECENT days before a day, the lower of two of one day.

    Parameters
    ----------
    time : PlantTime
        Plant-time that tells of the day; its visits are read.
    day : datetime.date
        The day.

    Returns
    -------
    pandas.Series
        One of `CONDITIONS` per plant that has a score, by plant_id.
    """
    number = (day - date(1970, 1, 1)).days
    scores = time.engine.sql(
        """
        select plant_id, min(condition)::double as score
        from (
            select plant_id, condition, "at", max("at") over (partition by plant_id) as newest from completed_visits
            where condition is not null and plant_id is not null and "at" > ? and "at" <= ?
        ) where "at" = newest group by plant_id
        """,
        [number - RECENT, number],
    )
    words = {5.0: "5", 4.0: "4", 3.0: "3", 2.0: "1 or 2", 1.0: "1 or 2"}
    return scores.set_index("plant_id")["score"].map(words).dropna().astype("str")


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


def _earlier_lists(records: Records, day: date, model: LossModel, memory: Memory) -> pd.DataFrame:
    """Plants that stood at the ends of up to four earlier quarters whose 90 days had passed by the day.

    One row per plant and quarter: condition, the signs, lost, expected (by the conditions of the place alone).
    """
    ends = [d for d in _quarter_ends(day, PAST_LISTS) if (day - d).days >= HORIZON]
    none = pd.DataFrame({"condition": pd.Series(dtype="str"), **dict.fromkeys([*SIGNS, "lost", "expected"], 0.0)})
    parts, time = [none.head(0)], memory.time_of(records, day)
    for end in ends:
        standing_then = memory.standing_on(records, end)
        if standing_then.empty:
            continue
        state = with_expected(standing_then, model, end)
        parts.append(
            memory.signs_on(records, end, state["plant_id"]).assign(
                condition=memory.condition_on(records, end, state["plant_id"]),
                lost=state["plant_id"].map(lost_within(time, end)).fillna(0.0),
                expected=state["alone"] * state["effect"] * state["plants"],
            )
        )
    return pd.concat(parts[1:] or parts, ignore_index=True)


def condition_ratios(earlier: pd.DataFrame) -> pd.DataFrame:
    """Ratios that a condition score adds to what the conditions of the place say, from up to four earlier quarters.

    Parameters
    ----------
    earlier : pandas.DataFrame
        Plants of earlier lists: condition, lost, expected.

    Returns
    -------
    pandas.DataFrame
        One row per condition: condition, losses, expected, ratio ((losses + prior) / (expected + prior)), variance (of
        its log).
    """
    sums = earlier.groupby("condition")[["lost", "expected"]].sum()
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


def with_chances(
    state: pd.DataFrame, model: LossModel, ratios: pd.DataFrame, signs: SignRatios, *, with_reasons: bool = True
) -> tuple[pd.DataFrame, float]:
    """Add the condition score and the signs to what is expected, the interval and the reasons, highest chance first.

    Parameters
    ----------
    state : pandas.DataFrame
        Standing plants, one row each, with condition and signs.
    model : LossModel
        The fitted loss model.
    ratios : pandas.DataFrame
        As `condition_ratios` gives them.
    signs : SignRatios
    with_reasons : bool
        As in `watch`.

    Returns
    -------
    plants : pandas.DataFrame
    variance : float
        Of the log of all that is expected of them.
    """
    by = ratios.set_index("condition")
    ratio = state["condition"].map(by["ratio"]).to_numpy("float64")
    slope = np.stack(state["slope"].to_list()) if len(state) else np.zeros((0, len(model.names)))
    relative = slope / state["alone"].to_numpy()[:, None]
    variance = model.variance_of(relative)
    # The mean of a log-normal chance lies above its middle; without this, plants of rarely seen conditions were
    # expected to be lost too seldom (back-tests of invented companies).
    mean = np.minimum(np.exp(variance / 2), MOST_MEAN_FACTOR)
    z = signs.standardized(state)
    of_condition = state["condition"].map(by["variance"]).to_numpy("float64")
    of_signs = ((z @ signs.covariance) * z).sum(axis=1)
    variance = variance + state["effect_variance"] + of_condition + of_signs
    expected = state["alone"] * state["effect"] * ratio * mean * np.exp(z @ signs.log_ratio)
    factor = np.exp(model.quantile() * np.sqrt(variance))
    parts = _Parts(relative, ratio, of_condition, z)
    rows = state.assign(
        expected=expected,
        low=expected / factor,
        high=expected * factor,
        reasons=_reasons(state, model, signs, parts) if with_reasons else "",
    )
    rows = rows[COLUMNS].sort_values(["expected", "plant_id"], ascending=[False, True], ignore_index=True)
    weighed = state.assign(share=expected * state["plants"], of_condition=of_condition)
    return rows, _variance_of_all(weighed, model, signs, parts)


class _Parts(NamedTuple):
    """Of each plant: derivatives of the log chance, ratio of its score, variance of its log, standardized signs."""

    relative: np.ndarray
    ratio: np.ndarray
    of_condition: np.ndarray
    signs: np.ndarray


def _variance_of_all(state: pd.DataFrame, model: LossModel, signs: SignRatios, parts: _Parts) -> float:
    """Relative variance of the sum: what plants share (model, site, score, signs) does not average out."""
    whole = float(state["share"].sum())
    if whole <= 0:
        return 0.0
    share = (state["share"] / whole).to_numpy()
    of_model, of_signs = share @ parts.relative, share @ parts.signs
    variance = float(model.variance_of(of_model[None])[0]) + float(of_signs @ signs.covariance @ of_signs)
    for group, column in (("site_id", "effect_variance"), ("condition", "of_condition")):
        by_group = pd.DataFrame({"share": share, "variance": state[column]}).groupby(state[group])
        variance += float((by_group["share"].sum() ** 2 * by_group["variance"].first()).sum())
    return variance


def _reasons(state: pd.DataFrame, model: LossModel, signs: SignRatios, parts: _Parts) -> list[str]:
    """In words, what raises each plant's chance above that of the average plant standing, strongest first.

    Each reason with how many times it raises the chance and the 95% interval of that.
    """
    relative = parts.relative
    away = relative - relative.mean(axis=0) if len(state) else relative
    names = np.array([name.partition("[")[0] for name in model.names])
    log_times, variance = {}, {}
    for factor in ("species", *terms.FACTORS):
        part = away * np.isin(names, ["species", "group"] if factor == "species" else [factor])
        log_times[factor] = part @ model.beta
        variance[factor] = model.variance_of(part)
    log_times |= {"site": np.log(state["effect"].to_numpy()), "condition": np.log(parts.ratio)}
    variance |= {"site": state["effect_variance"].to_numpy("float64"), "condition": parts.of_condition}
    log_times |= dict(zip(SIGNS, (parts.signs * signs.log_ratio).T, strict=True))
    variance |= dict(zip(SIGNS, (parts.signs**2 * np.diag(signs.covariance)).T, strict=True))
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


def _quarter_ends(day: date, n: int) -> list[date]:
    """The last days of the n calendar quarters that end before a day, oldest first."""
    return [q.last_day for q in periods.previous_quarters(periods.quarter_of(day + timedelta(days=1)), n + 1)][:n]
