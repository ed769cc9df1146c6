"""Losses by week of finding, and what the models of earlier quarters led to expect: events count once, not by plant."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from plantstats.losses import expected, rate_table, terms
from plantstats.losses.common_cause import CommonCause
from plantstats.losses.design import ModelError
from plantstats.losses.model import LossModel
from plantstats.periods import Period, previous_quarters, quarter_of
from plantstats.surveillance.weeks import WEEK, Weekly, due_by_week, monday_of, mondays

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.losses.past_models import PastModels

YEAR_WEEKS, BASELINE_WEEKS, FEWEST_BASELINE = 52, 104, 26
MOST_QUARTERS = 6  # that 52 weeks and the weeks not yet complete may touch
ENTERED = 0.95  # share of losses that are in the books once a week is judged
FEWEST_UNSETTLED, MOST_UNSETTLED = 1, 8  # weeks
ROWS = ["site_id", "species"]


def unsettled_weeks(time: PlantTime) -> int:
    """Weeks after which 95 in 100 losses are in the books, by the days from finding to replacing.

    Parameters
    ----------
    time : PlantTime

    Returns
    -------
    int
        From 1 to 8.

    Notes
    -----
    When a row was written stands in no record; a replacement may be written down as late as the day on which it was
    made.
    """
    lost = time.losses
    days = (lost["replaced_on"] - lost["found_on"]).dt.days
    days = days[days >= 0]
    if days.empty:
        return FEWEST_UNSETTLED
    return int(np.clip(np.ceil(days.quantile(ENTERED) / 7), FEWEST_UNSETTLED, MOST_UNSETTLED))


def losses_by_week(
    past: PastModels, events: CommonCause, region: pd.Series, fiscal_year_starts: int = 1, unsettled: int | None = None
) -> Weekly:
    """Losses of the last year by week, against the models of the quarters before each.

    Parameters
    ----------
    past : PastModels
        Of plant-time dated "found", without the losses of events.
    events : CommonCause
        Each counts as one loss in the week in which it was found.
    region : pandas.Series
        Of each site.
    fiscal_year_starts : int
        Month.
    unsettled : int, optional
        Weeks at the end that are not judged; by `unsettled_weeks` unless given.

    Returns
    -------
    Weekly

    Raises
    ------
    ModelError
        When no quarter has a past that carries a model, or too little of it for the dispersion.
    """
    time = past.time
    n_unsettled = unsettled_weeks(time) if unsettled is None else unsettled
    last = pd.Timestamp(time.as_of) - n_unsettled * WEEK
    quarters = _with_models(past, quarter_of(time.as_of, fiscal_year_starts), last)
    first = quarters[0]
    weeks = mondays(first.period.start - BASELINE_WEEKS * WEEK.to_pytimedelta(), time.as_of)
    judged = weeks[(weeks >= pd.Timestamp(first.period.start)) & (weeks + WEEK <= last + pd.Timedelta(days=1))]
    judged = judged[-YEAR_WEEKS:]
    if judged.empty:
        raise ModelError(f"no whole week since {first.period.start} is in the books yet")
    parts = [monthly_expected(first.model, time, None, first.period.start)]
    parts += [monthly_expected(one.model, time, one.period.start, one.period.end) for one in quarters]
    table = pd.concat(parts).groupby([*ROWS, "month"], as_index=False)["expected"].sum()
    monthly = table.pivot(index=ROWS, columns="month", values="expected")
    monthly = monthly.reindex(columns=pd.date_range(table["month"].min(), table["month"].max(), freq="MS", unit="us"))
    visits = time.query("select distinct at_site::varchar as site_id, visited_on from completed_visits")
    weeks = weeks[weeks >= mondays(table["month"].min().date(), time.as_of)[0]]
    due = due_by_week(monthly.fillna(0.0), visits, weeks, time.as_of)
    counts = _counted(time.losses, events, due)
    before = weeks[weeks < judged[0]]
    if len(before) < FEWEST_BASELINE:
        raise ModelError(f"{len(before)} weeks before the first that could be judged; {FEWEST_BASELINE} are needed")
    # Events are not in the model: they are expected as often as they came.
    n_ordinary = float(counts[0][before].to_numpy().sum())
    factor = 1 + float(counts[1][before].to_numpy().sum()) / max(n_ordinary, 1.0)
    inside = time.losses["found_on"].between(judged[0], judged[-1] + pd.Timedelta(days=6))
    left_out = float(time.losses.loc[inside, "quantity"].sum()) - float(counts[0][judged].to_numpy().sum())
    return Weekly(counts[0] + counts[1], factor * due, judged, _groups(quarters[-1], region), region, left_out)


def monthly_expected(model: LossModel, time: PlantTime, start: date | None, end: date) -> pd.DataFrame:
    """Losses that a model expects by site, species and month.

    Parameters
    ----------
    model : LossModel
    time : PlantTime
    start, end : datetime.date
        Half-open, whole months; None: from the beginning.

    Returns
    -------
    pandas.DataFrame
        site_id, species, month, expected. Conditions that the model never saw are left out.
    """
    rows = time.exposure_table(list(terms.EXPOSURE_BY), start, end, count_plants=False)
    rows = rows[model.knows(rows) & rows["plant_days"].gt(0)].reset_index(drop=True)
    alone = np.exp(model.log_rates(rate_table.conditions(rows))) * rows["plant_days"].to_numpy("float64")
    return rows[[*ROWS, "month"]].assign(expected=alone * model.effects_of(rows["site_id"])[0])


def _with_models(past: PastModels, now: Period, last: pd.Timestamp) -> list[expected.Expected]:
    """What is expected of the quarters that the last year touches, oldest first, as far back as models go."""
    begin = last - YEAR_WEEKS * WEEK
    quarters = [now, *reversed(previous_quarters(now, MOST_QUARTERS))]
    fits: list[expected.Expected] = []
    fault: ModelError | None = None
    for one in [q for q in quarters if pd.Timestamp(q.end) > begin]:
        try:
            one_fit = expected.expect(past.time, one, past=past)
        except ModelError as error:
            fault = error
            if fits:
                break
            continue
        if not one_fit.plants.empty:
            fits.append(one_fit)
    if not fits:
        raise fault or ModelError("no plant was followed in the last year")
    return fits[::-1]


def _counted(lost: pd.DataFrame, events: CommonCause, due: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Single losses, and events, by week in the form of what is due."""
    dated = lost.assign(week=monday_of(lost["found_on"]))
    single = dated.groupby([*ROWS, "week"])["quantity"].sum()
    first = events.losses.sort_values("found_on", kind="stable").drop_duplicates("event")
    once = first.assign(week=monday_of(first["found_on"]), quantity=1).groupby([*ROWS, "week"])["quantity"].sum()
    tables = (one.unstack("week").reindex(due.index).reindex(columns=due.columns) for one in (single, once))
    wide, apart = (table.fillna(0.0).astype("float64") for table in tables)
    return wide, apart


def _groups(now: expected.Expected, region: pd.Series) -> dict[str, pd.DataFrame]:
    """Plants of each group in the newest quarter, and how well its expectation is known."""
    named = now._replace(plants=now.plants.assign(region=now.plants["site_id"].map(region).fillna("")))
    groups = {}
    for by in ("", "region", "site_id"):
        rows = expected.groups(named, [by] if by else [])
        groups[by] = rows.set_index(by or pd.Index([""]))[["n_plants", "variance"]]
    return groups
