"""Read a trial from the records made since: the effect with its interval, in money too, and the rule for stopping."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy import stats

from plantstats import findings
from plantstats.exposure import build
from plantstats.stats.cluster_trials import Effect, adjusted_effect, crossover_effect, parallel_effect
from plantstats.stats.intervals import CONF_LEVEL
from plantstats.trials.errors import TrialError
from plantstats.trials.outcomes import (
    COST,
    DRY,
    LOSSES,
    OUTCOMES,
    UNITS,
    cost_per_quarter,
    in_windows,
    site_days,
    values,
)
from plantstats.trials.protocol import Protocol
from plantstats.trials.sizing import CROSSOVER, LEAST_PER_ARM

if TYPE_CHECKING:
    from plantstats.records import Records

KEPT = 0.25  # a site's median gap between visits within this share of its interval: the interval was kept
LEAST_SHARE = 0.5  # of the sites that must be on record in every period
AS_GOOD, WORSE, OPEN, STOP, GO_ON = "as good", "worse", "open", "stop", "go on"
METHOD = {
    CROSSOVER: "one value a site and period; paired differences with a period term, Student's t on sites - 2",
    "parallel": "one value a site; difference of means, Student's t on sites - 2",
}


@dataclass(frozen=True)
class Reading:
    """What a trial says.

    Attributes
    ----------
    protocol : Protocol
    as_of : datetime.date
        Last day of the records that counts.
    finished : bool
        Whether the last counted day has passed.
    verdict : str
        At the end "as good" (the longer interval adds no more than the margin), "worse" (more than that) or "open"; at
        a look before it "stop" or "go on".
    interim : dict or None
        The latest look for harm: after, fraction, limit (as planned), z (standard errors by which dryness is beyond its
        margin, as of a normal distribution), excess (points).
    findings : pandas.DataFrame
        Measures trial_mean, trial_difference, trial_period_difference, trial_cost_difference; empty before the end.
    sites : pandas.DataFrame
        One row per site and period: as `Protocol.windows`, the counts of `in_windows`, and kept (the interval was).
    left_out : pandas.DataFrame
        Sites that could not be counted: site_id, reason.
    """

    protocol: Protocol
    as_of: date
    finished: bool
    verdict: str
    interim: dict[str, Any] | None
    findings: pd.DataFrame
    sites: pd.DataFrame
    left_out: pd.DataFrame


def read(records: Records, protocol: Protocol, as_of: date) -> Reading:
    """Read a trial by its protocol.

    Parameters
    ----------
    records : Records
        The company's records, up to the end of the trial or a look before it.
    protocol : Protocol
        As `protocol.read_protocol` gives it.
    as_of : datetime.date
        The last day that counts.

    Returns
    -------
    Reading

    Raises
    ------
    TrialError
        For records that end before the first look, lack the sites or the periods, or hold too few of them.
    """
    looks = [one for one in protocol.looks if date.fromisoformat(one["after"]) <= as_of]
    finished = as_of >= protocol.last_day
    if not finished and not looks:
        first = protocol.looks[0]["after"] if protocol.looks else protocol.last_day.isoformat()
        raise TrialError(
            f"the records end on {as_of} and the trial is first looked at after {first}; run it again with records "
            "that reach that day"
        )
    known = set(records.table("sites")["site_id"])
    if strangers := [site["site_id"] for site in protocol.sites if site["site_id"] not in known]:
        raise TrialError(
            f"{len(strangers)} sites of the protocol are not in these records ({', '.join(strangers[:5])}): another "
            "company's folder, or ids that were changed; give the folder that the trial was planned from"
        )
    days = site_days(build(records, as_of), records.settings, protocol.dry_depth)
    windows = protocol.windows()
    last = protocol.last_day if finished else date.fromisoformat(looks[-1]["after"])
    windows["end"] = windows["end"].map(lambda end: min(end, last + timedelta(days=1)))
    windows = windows[windows["start"] < windows["end"]].reset_index(drop=True)
    counts = in_windows(days, windows)
    counts["kept"] = _kept(counts, days.work)
    outcome = protocol.outcome if finished else DRY
    used, left_out = _complete(counts, outcome, protocol)
    _check_periods(used, counts, protocol)
    interim = interim_analysis(looks[-1], used, protocol) if looks else None
    harmed = interim is not None and interim["z"] >= interim["limit"]
    if not finished:
        verdict = STOP if harmed else GO_ON
        return Reading(protocol, as_of, False, verdict, interim, findings.table([]), counts, left_out)
    rows = _findings(counts, used, protocol, records)
    primary = findings.pick(rows, "trial_difference", ["term"])
    effect = primary[primary["term"].eq(protocol.outcome)].iloc[0]
    verdict = verdict_of(effect["low"], effect["high"], protocol.margin[protocol.outcome])
    if harmed:
        verdict = WORSE
    return Reading(protocol, as_of, True, verdict, interim, rows, counts, left_out)


def verdict_of(low: float, high: float, margin: float) -> str:
    """What an interval says of the longer interval.

    Parameters
    ----------
    low, high : float
        Limits of longer less shorter.
    margin : float
        Most that the longer interval may add.

    Returns
    -------
    str
        "as good", "worse" or "open".

    Examples
    --------
    >>> verdict_of(-2, 8, 10), verdict_of(11, 20, 10), verdict_of(2, 12, 10)
    ('as good', 'worse', 'open')
    """
    return AS_GOOD if high <= margin else WORSE if low > margin else OPEN


def effects(counts: pd.DataFrame, value: pd.Series, protocol: Protocol) -> tuple[Effect, Effect | None]:
    """Effect of the longer interval on a value, and of the period (crossover only).

    Parameters
    ----------
    counts : pandas.DataFrame
        One row per site and period: site_id, period, longer, longer_first.
    value : pandas.Series
        One value a row; sites with a missing one are left out.
    protocol : Protocol
        Its design.

    Returns
    -------
    tuple of Effect and (Effect or None)

    Raises
    ------
    ValueError
        With fewer than two sites an arm or order.
    """
    rows = counts.assign(value=value)
    if protocol.design != CROSSOVER:
        rows = rows[rows["value"].notna()]
        return parallel_effect(rows["value"], rows["longer"]), None
    both = rows.pivot(index="site_id", columns="period", values="value").dropna()
    order = rows.drop_duplicates("site_id").set_index("site_id")["longer_first"].reindex(both.index)
    return crossover_effect(both[1], both[2], order.to_numpy(dtype=bool))


def _complete(counts: pd.DataFrame, outcome: str, protocol: Protocol) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Rows of sites whose outcome is known in every period that is counted so far, and the others' reasons."""
    has_value = values(counts, outcome).notna()
    whole = has_value.groupby(counts["site_id"]).transform("all")
    missing = counts[~has_value].groupby("site_id")["period"].agg(lambda p: ", ".join(map(str, p)))
    left_out = pd.DataFrame(
        {"site_id": missing.index, "reason": [f"nothing counted in period {periods}" for periods in missing]}
    )
    return counts[whole].reset_index(drop=True), left_out


def _check_periods(used: pd.DataFrame, counts: pd.DataFrame, protocol: Protocol) -> None:
    sites = used.drop_duplicates("site_id")
    arms = sites["longer_first"].sum(), (~sites["longer_first"]).sum()
    if len(sites) < LEAST_SHARE * len(protocol.sites) or min(arms) < LEAST_PER_ARM:
        seen = counts.groupby("period")["visits"].agg(lambda visits: int((visits > 0).sum()))
        by_period = "; ".join(
            f"period {period} ({protocol.counted(period)[0]} to {protocol.counted(period)[1] - timedelta(days=1)}): "
            f"{n} of {len(protocol.sites)} sites visited"
            for period, n in seen.items()
        )
        raise TrialError(
            f"these records lack the periods of the trial: {len(sites)} of {len(protocol.sites)} sites have all that "
            f"is counted ({by_period}). Give records that hold the visits of those weeks"
        )


def _kept(counts: pd.DataFrame, work: pd.DataFrame) -> np.ndarray:
    """Whether each site's median gap between visits, from the day before the counted ones on, was as allocated."""
    kept = []
    by_site = dict(list(work.groupby("site_id")["visited_on"]))
    for row in counts.to_dict("records"):
        on = by_site.get(row["site_id"], pd.Series(dtype="datetime64[us]"))
        begins = pd.Timestamp(row["start"]) - pd.Timedelta(days=row["interval"])
        gaps = on[(on >= begins) & (on < pd.Timestamp(row["end"]))].diff().dt.days
        kept.append(bool(abs(gaps.median() - row["interval"]) <= KEPT * row["interval"]))
    return np.array(kept)


def interim_analysis(planned: dict[str, Any], counts: pd.DataFrame, protocol: Protocol) -> dict[str, Any]:
    """How far dryness under the longer interval is beyond what is tolerated.

    Parameters
    ----------
    planned : dict
        One of the protocol's.
    counts : pandas.DataFrame
        One row per site and period counted so far: site_id, period, longer, longer_first, looks, dry.
    protocol : Protocol

    Returns
    -------
    dict
        The look with z and excess (see `Reading`).

    Raises
    ------
    TrialError
        For records that read no topsoil.

    Notes
    -----
    In the first period sites are compared with each other, given the share found dry before and the interval that they
    had; once the second is counted, each with itself. Student's t is turned into the normal deviate of the same
    probability, so that few sites stop a trial no sooner than many.
    """
    value = values(counts, DRY)
    if value.isna().all():
        raise TrialError("these records read no topsoil in the trial, so that it cannot be looked at for harm")
    if counts["period"].max() > 1:
        effect, _ = effects(counts, value, protocol)
    else:
        before = pd.DataFrame(protocol.sites).set_index("site_id").reindex(counts["site_id"])
        known = before[["dry_before", "interval_now"]].astype("float64")
        rows = value.notna().to_numpy()
        covariates = known.fillna(known.mean()).fillna(0.0)[rows]
        effect = adjusted_effect(value[rows], counts.loc[rows, "longer"], covariates)
    t = (effect.estimate - protocol.margin[DRY]) / effect.se if effect.se else 0.0
    z = float(stats.norm.isf(stats.t.sf(t, effect.df)))
    return {**planned, "z": z, "excess": effect.estimate}


def _findings(counts: pd.DataFrame, used: pd.DataFrame, protocol: Protocol, records: Records) -> pd.DataFrame:
    """Means, differences and money, of the outcome that was asked about and of the others."""
    period = f"{protocol.counted(1)[0]} to {protocol.last_day}"
    method = METHOD[protocol.design]
    plants = {site["site_id"]: site["plants"] for site in protocol.sites}
    cost = cost_per_quarter(counts, records.settings, replacements=protocol.outcome == LOSSES)
    measured = [(name, values(counts, name), UNITS[name]) for name in OUTCOMES]
    measured.append(
        (COST, cost.where(counts["site_id"].isin(used["site_id"])), f"{protocol.currency} per site and quarter")
    )
    rows: list[dict[str, object]] = []
    for name, of_rows, unit in measured:
        value = of_rows.where(of_rows.notna().groupby(counts["site_id"]).transform("all"))
        try:
            effect, of_period = effects(counts, value, protocol)
        except ValueError:  # too few sites with a value: not every company counts leaves
            continue
        sites = counts.loc[value.notna(), "site_id"].unique()
        about: dict[str, Any] = {"unit": unit, "method": method, "n_plants": sum(plants[site] for site in sites)}
        if name == protocol.outcome:
            of_sites = counts.assign(value=value)[value.notna()]
            for row in of_sites[["site_id", "interval", "value"]].itertuples(index=False):
                site = {**about, "n_plants": plants[row.site_id], "site_id": row.site_id}
                rows.append(findings.finding("trial_site", period, row.value, **site, interval_days=row.interval))
        for interval, part in value.groupby(counts["interval"]):
            mean = float(part.mean())
            rows.append(findings.finding("trial_mean", period, mean, **about, term=name, interval_days=interval))
        for measure, each in (("trial_difference", effect), ("trial_period_difference", of_period)):
            if each is not None:
                about["note"] = f"{each.df + 2} sites; p = {each.p_value:.2g}"
                rows.append(findings.finding(measure, period, *each[:3], conf_level=CONF_LEVEL, **about, term=name))
        if name == COST:
            about["unit"] = f"{protocol.currency} per quarter"
            total = [len(protocol.sites) * limit for limit in effect[:3]]
            rows.append(findings.finding("trial_cost_difference", period, *total, conf_level=CONF_LEVEL, **about))
    return findings.table(rows)
