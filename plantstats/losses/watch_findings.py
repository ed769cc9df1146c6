"""How the watch list would have fared, and the list as findings."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import stats

from plantstats import findings, periods
from plantstats.losses.design import ModelError
from plantstats.losses.event_rate import EventRate
from plantstats.losses.landmark import CONDITION_SD, SIGN_SD
from plantstats.losses.quarters import chance_limits
from plantstats.losses.standing import HORIZON, lost_within
from plantstats.losses.warning_signs import SIGNS
from plantstats.losses.watch_list import PAST_LISTS, Watch, days_before, watch
from plantstats.losses.watch_memory import Memory
from plantstats.stats import intervals, rates

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.periods import Period
    from plantstats.records import Records

METHOD = "loss model x site effect x condition score x signs noted at visits, losses found within 90 days"
LEARNED = "complementary log-log regression of losses after earlier lists, shrunk to no effect"
FIFTHS = 5
TOP = 20  # plants and sites listed
NO_EVENTS = EventRate()


def back_test(
    records: Records, last: Period, after: PlantTime, species: pd.DataFrame | None = None, memory: Memory | None = None
) -> pd.DataFrame:
    """How the list would have fared on the last four quarters, each time from what was known at its start.

    Parameters
    ----------
    records : Records
    last : Period
        The last complete quarter.
    after : PlantTime
        Reaches its end; dated "found".
    species : pandas.DataFrame
        As in `fit`.
    memory : Memory
        As in `watch`.

    Returns
    -------
    pandas.DataFrame
        One row per plant and quarter: quarter, plant_id, site_id, plants, expected (losses), of_score (what the last
        condition score alone expects, the same for all plants of a score), lost. A quarter before which the records
        carry no model is left out.
    """
    memory = memory or Memory()
    parts: list[pd.DataFrame] = []
    quarters = [*periods.previous_quarters(last, PAST_LISTS - 1), last]
    starts = [quarter.start - timedelta(days=1) for quarter in quarters]
    memory.ask_of({*starts, *(day for start in starts for day in days_before(start))})
    for quarter, start in zip(quarters, starts, strict=True):
        try:
            listed = watch(records, start, species, memory, with_reasons=False)
        except ModelError:
            continue
        plants = listed.plants
        ratio = plants["condition"].map(listed.conditions.set_index("condition")["ratio"]).astype("float64")
        parts.append(
            plants[["plant_id", "site_id", "plants"]].assign(
                quarter=quarter.name,
                expected=plants["expected"] * plants["plants"],
                of_score=ratio * plants["plants"],
                lost=plants["plant_id"].map(lost_within(after, start)).fillna(0.0),
            )
        )
    columns = ["quarter", "plant_id", "site_id", "plants", "expected", "of_score", "lost"]
    return pd.concat(parts, ignore_index=True)[columns] if parts else pd.DataFrame(columns=columns)


def concordance(expected: pd.Series, lost: pd.Series) -> intervals.Interval:
    """Chance in 100 that a lost plant had been given more than one that was not.

    Parameters
    ----------
    expected, lost : pandas.Series
        Aligned; lost 0 or more.

    Returns
    -------
    Interval
        In percent, 95%; missing with fewer than two lost or kept.

    Notes
    -----
    Mann-Whitney probability with ties halved; limits on the logit scale.

    References
    ----------
    DeLong et al. 1988, Biometrics 44:837.

    Examples
    --------
    >>> float(concordance(pd.Series([0.9, 0.8, 0.2, 0.1]), pd.Series([1, 1, 0, 0])).estimate[0])
    100.0
    """
    of_high, of_low = _placements(expected, lost)
    if len(of_high) < 2 or len(of_low) < 2:
        none = np.array([np.nan])
        return intervals.Interval(none, none, none)
    middle = float(of_high.mean())
    error = np.sqrt(of_high.var(ddof=1) / len(of_high) + of_low.var(ddof=1) / len(of_low))
    inside = np.clip(middle, 1e-6, 1 - 1e-6)
    half_width = intervals.quantile() * error / (inside * (1 - inside))
    ends = 1 / (1 + np.exp(-(np.log(inside / (1 - inside)) + np.array([-half_width, half_width]))))
    return intervals.Interval(*(np.array([100 * v]) for v in (middle, min(ends[0], middle), max(ends[1], middle))))


def concordance_gain(expected: pd.Series, other: pd.Series, lost: pd.Series) -> intervals.Interval:
    """How much better one order tells lost plants from others than another does, in points of concordance.

    Parameters
    ----------
    expected, other, lost : pandas.Series
        Aligned; lost 0 or more.

    Returns
    -------
    Interval
        Concordance of `expected` less that of `other`, in percent, 95%; missing with fewer than two lost or kept.

    Notes
    -----
    With the placements V of each order, Var = var(V10a - V10b) / n_lost + var(V01a - V01b) / n_kept; normal limits.

    References
    ----------
    DeLong et al. 1988, Biometrics 44:837: correlated areas under the curve.

    Examples
    --------
    >>> worse = pd.Series([0.9, 0.1, 0.8, 0.2])
    >>> float(concordance_gain(pd.Series([0.9, 0.8, 0.2, 0.1]), worse, pd.Series([1, 1, 0, 0])).estimate[0])
    50.0
    """
    pairs = [_placements(order, lost) for order in (expected, other)]
    of_lost, of_kept = (one - another for one, another in zip(*pairs, strict=True))
    if len(of_lost) < 2 or len(of_kept) < 2:
        none = np.array([np.nan])
        return intervals.Interval(none, none, none)
    gain = float(of_lost.mean())
    half_width = intervals.quantile() * np.sqrt(of_lost.var(ddof=1) / len(of_lost) + of_kept.var(ddof=1) / len(of_kept))
    return intervals.Interval(*(np.array([100 * v]) for v in (gain, gain - half_width, gain + half_width)))


def _placements(expected: pd.Series, lost: pd.Series) -> tuple[np.ndarray, np.ndarray]:
    """Of each lost plant the share of the others given less, of each other one that of the lost given more."""
    was_lost = (lost > 0).to_numpy()
    high, low = expected.to_numpy("float64")[was_lost], expected.to_numpy("float64")[~was_lost]
    everyone = stats.rankdata(np.concatenate([high, low]))
    of_high = (everyone[: len(high)] - stats.rankdata(high)) / max(len(low), 1)
    of_low = 1 - (everyone[len(high) :] - stats.rankdata(low)) / max(len(high), 1)
    return of_high, of_low


def watch_findings(
    listed: Watch, tested: pd.DataFrame, period: str, events: EventRate = NO_EVENTS, top: int = TOP
) -> pd.DataFrame:
    """The list and its back-test as findings.

    Parameters
    ----------
    listed : Watch
    tested : pandas.DataFrame
        As `back_test` gives.
    period : str
        Name of the 90 days ahead.
    events : EventRate
        Of the events on record: no list foretells them, and they come on top.
    top : int
        Plants and sites listed.

    Returns
    -------
    pandas.DataFrame
        Findings: watch_losses_ahead (of all plants, events among them), watch_events_ahead, watch_chance by plant_id,
        site_id, species (reasons in the note), watch_site by site_id,
        condition_ratio by term, watch_concordance and watch_calibration (by quarter; over all; by fifth),
        watch_gain_over_score (over all), sign_ratio by term.
    """
    parts = [
        _ahead(listed, period, events),
        _signs(listed, period),
        _plants(listed, period, top),
        _sites(listed, period, top),
        _conditions(listed, period),
    ]
    if not tested.empty:
        quarters = list(tested["quarter"].drop_duplicates())
        spans = {str(name): rows for name, rows in tested.groupby("quarter")}
        span = f"{quarters[0]} to {quarters[-1]}"
        order = tested["expected"].rank(method="first").astype("int64")
        fifth = FIFTHS * (order - 1) // len(tested) + 1
        for name, rows in (spans | {span: tested}).items():
            limits = concordance(rows["expected"], rows["lost"])
            parts.append(_discrimination(rows, name, "watch_concordance", "% of pairs", limits))
        gain = concordance_gain(tested["expected"], tested["of_score"], tested["lost"])
        parts.append(_discrimination(tested, span, "watch_gain_over_score", "points of pairs", gain))
        parts += [_calibration(rows, name) for name, rows in (spans | {span: tested}).items()]
        parts += [_calibration(rows, span, f"fifth {n} of {FIFTHS}") for n, rows in tested.groupby(fifth)]
    return findings.table(pd.concat(parts, ignore_index=True))


def _ahead(listed: Watch, period: str, events: EventRate) -> pd.DataFrame:
    """Losses within 90 days of all plants: by the list, and with what events bring on average."""
    plants = listed.plants
    stand, ordinary = int(plants["plants"].sum()), float((plants["expected"] * plants["plants"]).sum())
    mean = events.expected(float(stand * HORIZON))
    by_events = 0.0 if np.isnan(mean.estimate[0]) else float(mean.estimate[0])
    # What chance makes of the list's part; events, mostly none, are in the expected number and not in its limits.
    limits = chance_limits(np.array([ordinary]), np.array([listed.variance]))
    common: dict[str, Any] = {"period": period, "unit": "losses in 90 days", "conf_level": intervals.CONF_LEVEL}
    whole = pd.DataFrame({"n_plants": [stand], **limits._asdict(), "estimate": ordinary + by_events})
    whole["high"] = whole[["high", "estimate"]].max(axis=1)
    beside = f"{events.n_events} events in {events.site_years:,.0f} site-years"
    known = "" if events.site_years else "not available: "
    part = pd.DataFrame({"n_plants": [stand], **mean._asdict(), "note": f"{known}{beside}"})
    return pd.concat(
        [
            findings.rows(whole, "watch_losses_ahead", method=f"{METHOD}; limits of chance without events", **common),
            findings.rows(part, "watch_events_ahead", method="events per site-year x share of plants lost", **common),
        ],
        ignore_index=True,
    )


def _signs(listed: Watch, period: str) -> pd.DataFrame:
    """What one standard deviation of each sign has told so far."""
    of = listed.learned
    half_width = intervals.quantile() * np.sqrt(of.sign_variance)
    rows = pd.DataFrame({"term": list(SIGNS), "estimate": np.exp(of.sign_beta)})
    return findings.rows(
        rows.assign(low=np.exp(of.sign_beta - half_width), high=np.exp(of.sign_beta + half_width)),
        "sign_ratio",
        period=period,
        unit="times",
        method=f"{LEARNED} (prior sd {SIGN_SD:g})",
        by=["term"],
        conf_level=intervals.CONF_LEVEL,
    )


def _plants(listed: Watch, period: str, top: int) -> pd.DataFrame:
    rows = listed.plants.head(top)
    there = listed.plants.groupby("site_id")["plants"].sum()
    chances = {column: 100 * rows[column] for column in ("low", "high")}
    return findings.rows(
        rows.assign(**chances, n_plants=rows["site_id"].map(there), note=rows["reasons"]),
        "watch_chance",
        period=period,
        unit="% in 90 days",
        method=METHOD,
        by=["plant_id", "site_id", "species"],
        conf_level=intervals.CONF_LEVEL,
        estimate=100 * rows["expected"],
    )


def _sites(listed: Watch, period: str, top: int) -> pd.DataFrame:
    plants = listed.plants
    numbers = plants[["expected", "low", "high"]].mul(plants["plants"], axis=0).assign(n_plants=plants["plants"])
    # Limits of the plants of one site move together: adding them is cautious.
    sites = numbers.groupby(plants["site_id"]).sum().sort_values("expected", ascending=False).head(top).reset_index()
    return findings.rows(
        sites,
        "watch_site",
        period=period,
        unit="losses in 90 days",
        method=METHOD,
        by=["site_id"],
        conf_level=intervals.CONF_LEVEL,
        estimate=sites["expected"],
    )


def _conditions(listed: Watch, period: str) -> pd.DataFrame:
    rows = listed.conditions
    factor = np.exp(intervals.quantile() * np.sqrt(rows["variance"]))
    return findings.rows(
        rows.assign(
            term="condition " + rows["condition"],
            low=rows["ratio"] / factor,
            high=rows["ratio"] * factor,
            note=[f"{n:.1f} expected" for n in rows["expected"]],
        ),
        "condition_ratio",
        period=period,
        unit="times",
        method=f"{LEARNED} (prior sd {CONDITION_SD:g})",
        by=["term"],
        conf_level=intervals.CONF_LEVEL,
        estimate=rows["ratio"],
    )


def _counts(rows: pd.DataFrame) -> pd.DataFrame:
    return pd.DataFrame({"n_plants": [int(rows["plants"].sum())], "losses": [int(rows["lost"].sum())]})


def _discrimination(
    rows: pd.DataFrame, period: str, measure: str, unit: str, limits: intervals.Interval
) -> pd.DataFrame:
    """Concordance of the list, or by how much it exceeds that of the last condition score alone."""
    return findings.rows(
        _counts(rows).assign(**limits._asdict()),
        measure,
        period=period,
        unit=unit,
        method="DeLong et al. 1988",
        conf_level=intervals.CONF_LEVEL,
        note="" if np.isfinite(limits.estimate[0]) else "not available: fewer than two lost or kept",
    )


def _calibration(rows: pd.DataFrame, period: str, term: str | None = None) -> pd.DataFrame:
    """Losses that came over those expected, and those expected, of the plants of some lists."""
    expected = float(rows["expected"].sum())
    limits = intervals.poisson_limits([rows["lost"].sum()])
    ratios = {name: ends / expected if expected > 0 else np.nan for name, ends in limits._asdict().items()}
    ratio = findings.rows(
        _counts(rows).assign(**ratios, term=term),
        "watch_calibration",
        period=period,
        unit="ratio",
        method=rates.EXACT,
        by=["term"],
        conf_level=intervals.CONF_LEVEL,
        note=f"{expected:.1f} expected" if expected > 0 else "not available: nothing expected",
    )
    should = findings.rows(
        _counts(rows).assign(estimate=expected, term=term),
        "watch_expected",
        period=period,
        unit="losses expected",
        method="sum of chances",
        by=["term"],
    )
    return pd.concat([ratio, should], ignore_index=True)
