"""Places that use up plants: every plant that stood in a position, against what light, species and chance explain."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, timedelta
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import pandas as pd

from plantstats.losses import rate_table, terms
from plantstats.losses.design import Array, sums_by
from plantstats.losses.model import LossModel
from plantstats.periods import add_months, quarter_of
from plantstats.stats import rates, smr
from plantstats.stats.intervals import CONF_LEVEL
from plantstats.stats.recurrence import MeanCumulative, mean_cumulative, upper_tail

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime

KEYS = ["site_id", "position"]
FEWEST_LOSSES = 2  # one loss is no recurrence
SWAP_DAYS = 42  # a swap takes one to three weeks to deliver; twice that is no swap (common practice, no source)
# Single plants only: a line of several stands in no one position.
FOLLOWED = """
    select s.plant_id, s.site_id, p.position, s.species, s.light, s.entry_day, s.exit_day
    from spans s join plants p using (plant_id)
    where s.exclusion_reason is null and s.n_listed = 1 order by s.plant_id"""
MOVED = """
    select plant_id, (moved_on - date '1970-01-01')::int as day, to_site_id, to_position, to_light
    from moves where moved_on is not null and moved_on <= $last order by plant_id, moved_on, to_site_id, to_position"""
AT_ONCE = 100_000  # stays times quarters whose plant-time is read together
MONTH = pd.offsets.MonthBegin(1)
EPOCH = pd.Timestamp("1970-01-01")


class Places(NamedTuple):
    """Places and the plants that stood there.

    Attributes
    ----------
    places : pandas.DataFrame
        One row per place: site_id, position, plants (that stood there), losses, first_day, last_day (followed, days
        since 1970-01-01), expected, variance (relative), p (of so many losses or more), flagged.
    stays : pandas.DataFrame
        One row per plant and place: plant_id, site_id, position, species, light, since, until (days, (since, until]),
        expected, lost (0 or 1), cause, lost_day.
    recurrence : MeanCumulative
        Plants lost per place since the place came under observation; errors by site.
    """

    places: pd.DataFrame
    stays: pd.DataFrame
    recurrence: MeanCumulative


def places(time: PlantTime, model: LossModel) -> Places:
    """Follow every position of single plants through all the plants that stood in it.

    Parameters
    ----------
    time : PlantTime
        Dated "found", without the losses of events (see `common_cause.ordinary`).
    model : LossModel
        Of all records: what a plant of that species in that light, age, season and site loses.

    Returns
    -------
    Places
        Without rows where no plant has a position.

    Notes
    -----
    A place is followed from the day on which its first plant came under observation to the last day of its last plant;
    the days between a plant and its successor are in it. A position in which two plants stood at once for longer than a
    swap takes holds several, and is no place of one plant: it is left out. Expected losses are the model's, plant-month
    by plant-month; a month in which a plant was moved is shared by days. A place is flagged where so many losses or
    more have a chance (negative binomial, with the relative variance of the site's effect) that survives a false
    discovery rate of 0.1 over all places; as young successors are expected to lose more, such a chance is told too
    large rather than too small.
    """
    stays = _with_losses(_of_one_plant(_stays(time)), time)
    stays = stays.assign(expected=_expected(time, model, stays))
    grouped = stays.groupby(KEYS, sort=True)
    table = grouped.agg(
        plants=("plant_id", "nunique"),
        losses=("lost", "sum"),
        first_day=("since", "min"),
        last_day=("until", "max"),
        expected=("expected", "sum"),
    ).reset_index()
    _, variance = model.effects_of(table["site_id"])
    chance = upper_tail(table["losses"], table["expected"], variance)
    table = table.assign(variance=variance, p=chance, flagged=smr.flagged(chance) & table["losses"].ge(FEWEST_LOSSES))
    return Places(table, stays, _recurrence(table, stays))


def _stays(time: PlantTime) -> pd.DataFrame:
    """Each plant's places in time: where it was listed, then where moves took it (none where they name no position)."""
    followed = time.query(FOLLOWED)
    moved = time.query(MOVED, {"last": time.as_of})
    moved = moved[moved["plant_id"].isin(followed["plant_id"])].groupby(["plant_id", "day"], as_index=False).last()
    first = followed[["plant_id", "site_id", "position", "light"]].assign(day=-(10**6))
    later = moved.rename(columns={"to_site_id": "site_id", "to_position": "position", "to_light": "light"})
    stays = pd.concat([first, later]).sort_values(["plant_id", "day"], kind="stable", ignore_index=True)
    stays[["site_id", "light"]] = stays.groupby("plant_id")[["site_id", "light"]].ffill()
    spans = followed[["plant_id", "species", "entry_day", "exit_day"]]
    stays = stays.merge(spans, on="plant_id")
    until = stays.groupby("plant_id")["day"].shift(-1).fillna(10**6)
    stays = stays.assign(
        since=np.maximum(stays["day"], stays["entry_day"]), until=np.minimum(until, stays["exit_day"]).astype("int64")
    )
    stays = stays[(stays["until"] > stays["since"]) & stays["position"].notna()]
    return stays.drop(columns=["day", "entry_day", "exit_day"]).reset_index(drop=True)


def _of_one_plant(stays: pd.DataFrame) -> pd.DataFrame:
    """Stays in positions that held one plant at a time."""
    ordered = stays.sort_values([*KEYS, "since", "until"], kind="stable")
    latest = ordered.assign(until=ordered.groupby(KEYS)["until"].cummax()).groupby(KEYS)["until"].shift()
    several = ordered[latest.gt(ordered["since"] + SWAP_DAYS)].set_index(KEYS).index
    return stays[~stays.set_index(KEYS).index.isin(several)].reset_index(drop=True)


def _with_losses(stays: pd.DataFrame, time: PlantTime) -> pd.DataFrame:
    """Stays with the loss that ended them."""
    lost = time.losses[["plant_id", "lost_on", "cause"]]
    lost = lost.assign(lost_day=(lost["lost_on"] - EPOCH).dt.days).drop(columns="lost_on")
    rows = stays.merge(lost.drop_duplicates("plant_id"), on="plant_id", how="left")
    ended = rows["lost_day"].gt(rows["since"]) & rows["lost_day"].le(rows["until"])
    return rows.assign(
        lost=ended.astype("int64"), cause=rows["cause"].where(ended), lost_day=rows["lost_day"].where(ended)
    )


def _expected(time: PlantTime, model: LossModel, stays: pd.DataFrame) -> pd.Series:
    """Expected losses of each stay, some quarters at once so that a large company fits into memory."""
    total = np.zeros(len(stays))
    plant, names = pd.factorize(stays["plant_id"])
    months = 3 * max(1, AT_ONCE // max(len(stays), 1))
    begin = quarter_of((EPOCH + pd.Timedelta(days=int(stays["since"].min()))).date()).start if len(stays) else None
    while begin is not None and begin <= time.as_of:
        after = add_months(begin, months)
        for month, of_plants in _by_month(time, model, pd.Index(names), begin, after):
            start, end = ((day - EPOCH).days - 1 for day in (month, month + MONTH))
            overlap = np.minimum(stays["until"], end) - np.maximum(stays["since"], start)
            overlap = overlap.clip(lower=0).to_numpy("float64")
            days = np.bincount(plant, overlap, len(names))[plant]
            total += of_plants[plant] * np.divide(overlap, days, out=np.zeros(len(stays)), where=days > 0)
        begin = after
    return pd.Series(total, stays.index)


def _by_month(
    time: PlantTime, model: LossModel, plants: pd.Index, start: date, end: date
) -> Iterator[tuple[pd.Timestamp, Array]]:
    """Expected losses of each plant in the months of a window."""
    rows = time.exposure_table(["plant_id", *terms.EXPOSURE_BY], start, end, count_plants=False)
    rows = rows.assign(plant=plants.get_indexer(rows["plant_id"]))
    rows = rows[(rows["plant_days"] > 0) & (rows["plant"] >= 0) & model.knows(rows)]
    effect, _ = model.effects_of(rows["site_id"])
    days = rows["plant_days"].to_numpy("float64")
    value = np.exp(model.log_rates(rate_table.conditions(rows))) * days * effect
    for month in rows["month"].unique():
        inside = rows["month"].eq(month).to_numpy()
        yield month, sums_by(rows["plant"].to_numpy()[inside], value[inside], len(plants))


def _recurrence(table: pd.DataFrame, stays: pd.DataFrame) -> MeanCumulative:
    unit = table["site_id"] + "\n" + table["position"]
    start = pd.Series(table["first_day"].to_numpy(), index=unit)
    lost = stays[stays["lost"].eq(1)]
    of = lost["site_id"] + "\n" + lost["position"]
    events = pd.DataFrame({"unit": of, "days": lost["lost_day"] - of.map(start)})
    followed = pd.DataFrame({"unit": unit, "days": table["last_day"] - table["first_day"]})
    return mean_cumulative(events, followed, table["site_id"])


def in_common(stays: pd.DataFrame) -> dict[str, tuple[str, int]]:
    """What the plants lost in a place had in common.

    Parameters
    ----------
    stays : pandas.DataFrame
        Rows of `Places.stays` of one place.

    Returns
    -------
    dict of str to tuple of (str, int)
        Of species, light and cause the most frequent value among the plants lost, and of how many; without those on
        record for fewer than two.
    """
    lost = stays[stays["lost"].eq(1)]
    shared = {}
    for column in ("species", "light", "cause"):
        counts = (
            lost[column].dropna().astype("str").value_counts().sort_index().sort_values(ascending=False, kind="stable")
        )
        if len(counts) and counts.iloc[0] >= FEWEST_LOSSES:
            shared[column] = (str(counts.index[0]), int(counts.iloc[0]))
    return shared


class Better(NamedTuple):
    """A species that has done better in a light: its losses and plant-days, and those of the ones lost there."""

    species: str
    losses: int
    plant_days: float
    n_plants: int
    ratio_high: float


def fits_better(time: PlantTime, species: list[str], light: str, small_group: int) -> Better | None:
    """The species with the lowest loss rate in a light that is clearly below that of the given ones there.

    Parameters
    ----------
    time : PlantTime
    species : list of str
        Those that were lost in the place.
    light : str
        Its light.
    small_group : int
        Species of fewer plants are not named.

    Returns
    -------
    Better or None
        None where no species is clearly better: exact limits of the ratio of rates, divided among all species compared
        (Bonferroni), must lie below 1.
    """
    table = time.exposure_table(["species"], None, time.as_of + timedelta(days=1), {"light": light})
    own = table[table["species"].isin(species)][["losses", "plant_days"]].sum()
    others = table[~table["species"].isin(species) & table["n_plants"].ge(small_group) & table["plant_days"].gt(0)]
    if not own["losses"] or others.empty or light == "unknown":
        return None
    level = 1 - (1 - CONF_LEVEL) / len(others)
    clear = []
    for row in others.itertuples():
        ratio = rates.rate_ratio(
            int(row.losses), float(row.plant_days), int(own["losses"]), float(own["plant_days"]), level
        )
        if ratio.high < 1:
            clear.append(Better(row.species, int(row.losses), float(row.plant_days), int(row.n_plants), ratio.high))
    return min(clear, key=lambda better: (better.ratio_high, better.species), default=None)
