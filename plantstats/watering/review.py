"""The quarter's watering review: what is learned, advised, changed since the last quarter, and its findings."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date, timedelta
from typing import TYPE_CHECKING

import pandas as pd

from plantstats import findings, periods
from plantstats.periods import Period, previous_quarters
from plantstats.watering import follow_up, results
from plantstats.watering.advice import Advice, advise
from plantstats.watering.assumptions import Assumptions
from plantstats.watering.fit import WateringError, WateringModel, fit_watering
from plantstats.watering.profiles import profiles
from plantstats.watering.sensitivity import misclassification_sensitivity

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.losses.common_cause import CommonCause
    from plantstats.records import Records


@dataclass(frozen=True)
class WateringReview:
    """Everything that the page, intervals.csv and the care sheet are made from.

    Attributes
    ----------
    period : Period
    model : WateringModel
    advice : Advice
        For the season that begins or goes on after the last day.
    other_season : Advice
        For the other season, without ways out.
    profiles : pandas.DataFrame
        As `profiles.profiles`.
    as_of : datetime.date
        The last day that counts.
    turns_on, turns_back : datetime.date
        When the other season's inspection intervals begin, and when this season's begin again.
    changes, followed : pandas.DataFrame
        Since last quarter's advice, as `follow_up.changes` and `follow_up.followed`.
    by_gap : pandas.DataFrame
        As `follow_up.by_gap`.
    sensitivity : pandas.DataFrame
        As `sensitivity.misclassification_sensitivity`.
    max_still_moist_share : float
        Of the settings: looks that may find moist topsoil before they are told apart from waterings.
    findings : pandas.DataFrame
    """

    period: Period
    model: WateringModel
    advice: Advice
    other_season: Advice
    profiles: pd.DataFrame
    as_of: date
    turns_on: date
    turns_back: date
    changes: pd.DataFrame
    followed: pd.DataFrame
    by_gap: pd.DataFrame
    sensitivity: pd.DataFrame
    max_still_moist_share: float
    findings: pd.DataFrame = field(default_factory=pd.DataFrame)


def review(
    records: Records,
    period: Period,
    as_of: date,
    client: str = "",
    assumed: Assumptions | None = None,
    time: PlantTime | None = None,
    events: CommonCause | None = None,
) -> WateringReview:
    """Make the watering review of one quarter.

    Parameters
    ----------
    records : Records
    period : Period
    as_of : datetime.date
        The last day that counts.
    client : str
        Advice for its sites only ("" for all; what is learned rests on all records).
    assumed : Assumptions, optional
        In place of those of the settings.
    time : PlantTime, optional
        Plant-time up to as_of, losses dated "found", if at hand.
    events : CommonCause, optional
        The events in it, if at hand.

    Returns
    -------
    WateringReview
        With findings in the one shape.

    Raises
    ------
    WateringError
        Without dry-downs or without standing plants.
    """
    model = fit_watering(records, as_of, assumed, time, events)
    season = records.settings.heating_season
    heating = _heating_after(as_of, season)
    advice = advise(model, records, heating, client)
    other = advise(model, records, not heating, client, with_ways_out=False)
    if advice is None or other is None:
        raise WateringError(f"no plant stands on {as_of}: there is nothing to advise on")
    before_on = previous_quarters(period, 1)[0].last_day
    before = same_season = None
    if (known_then := _model_of(records, before_on, model.assumed)) is not None:
        heating_then = _heating_after(before_on, season)
        then = {
            each: advise(known_then, records, each, client, with_ways_out=False, intervals_alone=True)
            for each in {heating_then, heating}
        }
        before, same_season = then[heating_then], then[heating]
    turns_on = turn_of_season(as_of, season)
    result = WateringReview(
        period,
        model,
        advice,
        other,
        profiles(model, advice),
        as_of,
        turns_on,
        turn_of_season(turns_on, season),
        follow_up.changes(before, same_season, advice),
        follow_up.followed(before, before_on, model),
        follow_up.by_gap(model),
        misclassification_sensitivity(model),
        model.assumed.max_still_moist_share,
    )
    return replace(result, findings=findings.table(results.review_findings(result)))


def too_dry_on(records: Records, on: date, client: str = "") -> pd.DataFrame:
    """How often waterings found a plant too dry, by site, as seen on an earlier day for the season after it.

    Parameters
    ----------
    records : Records
    on : datetime.date
        Nothing noted later is used.
    client : str
        Its sites only ("" for all).

    Returns
    -------
    pandas.DataFrame
        One row per site: site_id, too_dry_now (share of waterings), as in `Advice.sites`; empty where too little was
        known.
    """
    columns = ["site_id", "too_dry_now"]
    if (model := _model_of(records, on, None)) is None:
        return pd.DataFrame(columns=columns)
    heating = _heating_after(on, records.settings.heating_season)
    # Shares are those of the estimates: samples, which give limits to money, move none of them.
    advice = advise(model, records, heating, client, n_samples=1, with_ways_out=False)
    return pd.DataFrame(columns=columns) if advice is None else advice.sites[columns]


def turn_of_season(as_of: date, season: periods.HeatingSeason) -> date:
    """The next day after `as_of` on which the heating season begins or ends.

    Parameters
    ----------
    as_of : date
        Last day that counts.
    season : periods.HeatingSeason
        (month, day) of its first day and of the day after its last.

    Returns
    -------
    date
    """
    turns = [date(as_of.year + more, month, day) for more in (0, 1) for month, day in season if (month, day) != (2, 29)]
    return min(turn for turn in turns if turn > as_of + timedelta(days=1))


def _heating_after(as_of: date, season: periods.HeatingSeason) -> bool:
    """Whether the day after lies in the heating season."""
    return (as_of + timedelta(days=1)).month in periods.heating_months(season)


def _model_of(records: Records, on: date, assumed: Assumptions | None) -> WateringModel | None:
    """What was known a quarter ago; None where nothing was."""
    try:
        return fit_watering(records, on, assumed)
    except WateringError:
        return None
