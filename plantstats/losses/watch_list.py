"""Plants likely to be found lost in the next 90 days, with the reasons that count."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from plantstats import exposure, losses, periods
from plantstats.exposure.inputs import AGE_CUTS, age_bands
from plantstats.losses import LossModel

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.records import Records

HORIZON = 90  # days ahead
PARTS = 3  # the horizon is looked at in this many parts, each with its own month and age
RECENT = 60  # a condition score older than this many days says nothing any more (common practice, no source)
PAST_LISTS = 4  # quarters that the list is tested on, and quarters that teach what a condition score means
# Imagined losses, at as many expected ones, that draw a condition's ratio to 1: few, as of plants in poor condition few
# losses are expected, and one imagined loss would hide most of what their scores foretell.
CONDITION_PRIOR = 0.25
CONDITIONS = ("5", "4", "3", "1 or 2", "not noted")
REASON_FROM = 1.15  # a reason is named when it raises the risk by at least this
MOST_REASONS = 3


class Watch(NamedTuple):
    """Plants alive on a day with their chances, and the model and condition ratios behind them."""

    day: date
    plants: pd.DataFrame
    model: LossModel
    conditions: pd.DataFrame


def watch(
    records: Records, day: date, species: pd.DataFrame | None = None, built: dict[date, pd.DataFrame] | None = None
) -> Watch:
    """Chances of all plants alive on a day, from nothing that was recorded later.

    Takes:  records; day (its end); species as in `loss_model.fit`; built: plants alive on earlier days, kept here
            from call to call so that each day is built once.
    Gives:  Watch: plants: one row per plant (or counted line): plant_id, client_id, site_id, species, light, pot,
            plants, condition (of CONDITIONS), expected (losses per plant in 90 days), low, high (95%), reasons;
            conditions: ratio by condition with losses and expected.
    Raises: ModelError when the records up to the day do not carry a model.
    """
    time = exposure.build(records, day, "found")
    built = {} if built is None else built
    built[day] = standing(time)
    model = losses.fit(time.cells(list(losses.CELLS_BY)), species)
    ahead = pd.date_range(day + timedelta(days=1), day + timedelta(days=HORIZON))
    model.terms.check_season(ahead.month, f"up to {day}")
    visits = records.table("visits")
    ratios = learn_conditions(records, time, model, built)
    state = with_expected(built[day], model, day).assign(condition=lambda s: last_condition(s, visits, day))
    return Watch(day, with_chances(state, model, ratios), model, ratios)


def standing(time: PlantTime) -> pd.DataFrame:
    """Plants alive at the end of plant-time.

    Gives:  one row per plant: the conditions of its last stretch, plants (of the line), installed (day number).
    """
    found = time.engine.execute(
        """
        select s.plant_id, s.client_id, s.site_id, s.species, s.light, s.pot, s.planter, s.age_band, s.repotted,
               s.moved, s.plants - s.losses - s.client_exits - s.withdrawn as plants, p.installed
        from episodes s join spans p using (plant_id)
        where s.to_on = ? and s.plants > s.losses + s.client_exits + s.withdrawn
        order by s.plant_id
        """,
        [time.as_of + timedelta(days=1)],
    ).df()
    texts = [column for column in found.columns if column not in ("plants", "installed")]
    return found.astype(dict.fromkeys(texts, "str"))


def with_expected(state: pd.DataFrame, model: LossModel, day: date) -> pd.DataFrame:
    """Add the losses that conditions alone lead to expect, per plant in the next 90 days.

    Gives:  the plants whose conditions the model knows, with alone (at an average site), slope (row of derivatives by
            the coefficients, as an array), effect and effect_variance of the site.
    """
    known = state[model.knows(state)].reset_index(drop=True)
    slope = np.zeros((len(known), len(model.names)))
    alone = np.zeros(len(known))
    start = (day - date(1970, 1, 1)).days
    for part in range(PARTS):
        ahead = HORIZON * (part + 0.5) / PARTS
        x, _ = model.rows(_situations(known, model, start + ahead, day + timedelta(days=ahead)))
        hazard = np.exp(x.to_numpy() @ model.beta) * HORIZON / PARTS
        alone += hazard
        slope += x.to_numpy() * hazard[:, None]
    effects = model.site_effects.set_index("site_id")
    variance = (1 / effects["shape"]).reindex(known["site_id"]).fillna(model.site_spread).to_numpy()
    return known.assign(
        alone=alone,
        slope=list(slope),
        effect=effects["effect"].reindex(known["site_id"]).fillna(1.0).to_numpy(),
        effect_variance=variance if model.site_spread > 0 else 0.0,
    )


def _situations(state: pd.DataFrame, model: LossModel, at: float, on: date) -> pd.DataFrame:
    """The plants' conditions some time ahead: the month, the age; the rest as it is."""
    age = at - state["installed"].astype("float64")
    older = np.array(age_bands()[:-1])[np.searchsorted(AGE_CUTS, age.fillna(0))]
    band = pd.Series(np.where(age.isna(), state["age_band"], older), state.index)
    # An age that the model has not met keeps the band it knows.
    band = band.where(band.isin(model.terms.levels["age_band"]), state["age_band"])
    return state[["species", "light", "pot", "planter", "repotted", "moved"]].assign(age_band=band, month=on.month)


def last_condition(state: pd.DataFrame, visits: pd.DataFrame, day: date) -> pd.Series:
    """The last condition score of each plant within RECENT days before a day, as one of CONDITIONS."""
    to = pd.Timestamp(day)
    recent = (visits["visited_on"] <= to) & (visits["visited_on"] > to - pd.Timedelta(days=RECENT))
    seen = exposure.completed(visits[visits["condition"].notna() & recent])
    in_order = seen.sort_values(["visited_on", "condition"], ascending=[True, False])
    score = state["plant_id"].map(in_order.groupby("plant_id")["condition"].last().astype("float64"))
    words = score.map({5.0: "5", 4.0: "4", 3.0: "3", 2.0: "1 or 2", 1.0: "1 or 2"})
    return words.fillna("not noted").astype("str")


def lost_within(time: PlantTime, day: date) -> pd.Series:
    """Plants found lost in the HORIZON days after a day, by plant_id."""
    lost = time.losses
    inside = (lost["lost_on"] > pd.Timestamp(day)) & (lost["lost_on"] <= pd.Timestamp(day) + pd.Timedelta(days=HORIZON))
    return lost[inside].groupby("plant_id")["quantity"].sum()


def learn_conditions(
    records: Records, time: PlantTime, model: LossModel, built: dict[date, pd.DataFrame]
) -> pd.DataFrame:
    """What a condition score adds to what the conditions of the place say, from up to four earlier quarters.

    Takes:  records; time up to the day of the list; its model; built as in `watch`.
    Gives:  one row per condition: condition, losses, expected, ratio ((losses + prior) / (expected + prior)),
            variance (of its log). Only plants whose 90 days had passed by then are counted.
    """
    ends = [d for d in _quarter_ends(time.as_of, PAST_LISTS) if (time.as_of - d).days >= HORIZON]
    seen, visits = [], records.table("visits")
    for end in ends:
        if end not in built:
            built[end] = standing(exposure.build(records, end, "found"))
        state = built[end]
        if state.empty:
            continue
        state = with_expected(state, model, end)
        state["condition"] = last_condition(state, visits, end)
        state["lost"] = state["plant_id"].map(lost_within(time, end)).fillna(0)
        state["expected"] = state["alone"] * state["effect"] * state["plants"]
        seen.append(state[["condition", "lost", "expected"]])
    empty = pd.DataFrame({"condition": [], "lost": [], "expected": []})
    sums = pd.concat(seen or [empty]).groupby("condition")[["lost", "expected"]].sum()
    sums = sums.reindex(list(CONDITIONS)).fillna(0.0)
    ratio = (sums["lost"] + CONDITION_PRIOR) / (sums["expected"] + CONDITION_PRIOR)
    return pd.DataFrame(
        {
            "condition": CONDITIONS,
            "losses": sums["lost"].to_numpy(),
            "expected": sums["expected"].to_numpy(),
            "ratio": ratio.to_numpy(),
            "variance": 1 / (sums["lost"].to_numpy() + CONDITION_PRIOR),
        }
    )


def with_chances(state: pd.DataFrame, model: LossModel, ratios: pd.DataFrame) -> pd.DataFrame:
    """Add the condition score to what is expected, the interval and the reasons, highest chance first."""
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
    reach = np.exp(model.quantile() * np.sqrt(variance))
    made = state.assign(
        expected=expected,
        low=expected / reach,
        high=expected * reach,
        reasons=_reasons(state, model, relative, ratio, of_condition),
    )
    keep = [
        "plant_id",
        "client_id",
        "site_id",
        "species",
        "light",
        "pot",
        "plants",
        "condition",
        "expected",
        "low",
        "high",
        "reasons",
    ]
    return made[keep].sort_values(["expected", "plant_id"], ascending=[False, True], ignore_index=True)


def _reasons(
    state: pd.DataFrame, model: LossModel, relative: np.ndarray, ratio: np.ndarray, of_condition: np.ndarray
) -> list[str]:
    """In words, what raises each plant's chance above that of the average plant standing, strongest first.

    Takes:  state; model; relative: derivatives of the log chance; ratio of the condition score, and the variance of
            its log.
    Gives:  one text per plant: reasons, each with how many times it raises the chance and the 95% interval of that.
    """
    away = relative - relative.mean(axis=0) if len(state) else relative
    names = np.array([name.partition("[")[0] for name in model.names])
    raised, variance = {}, {}
    for factor in ("species", "light", "pot", "planter", "age_band", "repotted", "moved"):
        part = away * np.isin(names, ["species", "group"] if factor == "species" else [factor])
        raised[factor] = part @ model.beta
        variance[factor] = np.einsum("ij,jk,ik->i", part, model.covariance, part)
    raised |= {"site": np.log(state["effect"].to_numpy()), "condition": np.log(ratio)}
    variance |= {"site": state["effect_variance"].to_numpy("float64"), "condition": of_condition}
    words = pd.DataFrame(
        {
            "species": state["species"],
            "light": "light " + state["light"],
            "pot": "pot " + state["pot"],
            "planter": "planter " + state["planter"].str.replace("_", " "),
            "age_band": (state["age_band"] + " since install").where(
                state["installed"].notna(), "install date unknown"
            ),
            "repotted": "repotted (" + state["repotted"] + ")",
            "moved": "moved (" + state["moved"] + ")",
            "site": "this site's past losses",
            "condition": "condition " + state["condition"] + " at the last visit",
        },
        index=state.index,
    )
    times = np.exp(pd.DataFrame(raised, index=state.index).to_numpy())
    reach = np.exp(model.quantile() * np.sqrt(pd.DataFrame(variance, index=state.index)[list(raised)].to_numpy()))
    said = []
    for row, wide, word in zip(times, reach, words[list(raised)].to_numpy(), strict=True):
        strong = [n for n in np.argsort(-row)[:MOST_REASONS] if row[n] >= REASON_FROM]
        told = [f"{word[n]} (x {row[n]:.1f}, {row[n] / wide[n]:.1f} to {row[n] * wide[n]:.1f})" for n in strong]
        said.append("; ".join(told) or "nothing above the average plant")
    return said


def _quarter_ends(day: date, n: int) -> list[date]:
    """The last days of the n calendar quarters that end before a day, oldest first."""
    return [q.last_day for q in periods.previous_quarters(periods.quarter_of(day + timedelta(days=1)), n + 1)][:n]
