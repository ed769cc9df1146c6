"""The quarter against what one like it should lose: findings for the loss-rate page."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from plantstats import findings, records
from plantstats.losses import expected
from plantstats.losses.common_cause import CommonCause, common_cause
from plantstats.losses.design import ModelError
from plantstats.losses.event_rate import EventRate
from plantstats.losses.expected import Expected, groups, widen
from plantstats.losses.past_models import PastModels
from plantstats.losses.smr_findings import smr_findings
from plantstats.losses.technicians import with_technicians
from plantstats.periods import Period
from plantstats.stats import smr
from plantstats.stats.intervals import CONF_LEVEL, Interval

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime

BY_GROUP = (["client_id"], ["site_id"], ["species"], ["technician"])
EXPECTED = "losses expected"
WORSE = 1.5  # times the losses to be expected: the quarter whose chance to be called worse is told

VISITS_OF_PERIOD = """
    select visited_on, plant_id, site_id, status, technician from visits
    where visited_on >= $start and visited_on < $end
"""


def as_expected(
    time: PlantTime, period: Period, client: str = "", past: PastModels | None = None, events: CommonCause | None = None
) -> pd.DataFrame:
    """Observed against expected losses of the company (or one client), its sites, species and technicians.

    Losses to common-cause events count neither as observed nor towards what is compared with them; what events bring on
    average stands beside it.

    Parameters
    ----------
    time : PlantTime
        With losses dated "found".
    period : Period
        The quarter.
    client : str
        One client's plants, or "" for all.
    past : PastModels
        Models of that plant-time without the losses of events.
    events : CommonCause
        The events on record, if at hand.

    Returns
    -------
    pandas.DataFrame
        Findings of `expected_findings`, expected_losses also by site (of effect 1), expected_event_losses (by events on
        record before the quarter), and shared_sites. A client's
        findings hold no technicians and no other client. Where the earlier quarters carry no model: expected_losses
        alone, not available, with the reason.
    """
    events = events or common_cause(time)
    try:
        past = past or PastModels(time.censored_at(events.losses), records.species_table())
        of_all = expected.expect(past.time, period, past=past)
    except ModelError as fault:
        row = pd.DataFrame({"estimate": [np.nan], "note": [f"not available: {fault}"]})
        return findings.table(
            findings.rows(row, "expected_losses", period=period.name, method="loss model", unit=EXPECTED)
        )
    of_plants = of_all.of_client(client) if client else of_all
    if of_plants.plants.empty:
        return findings.table([])
    parts = [_of_events(EventRate.before(events, time, period.start), of_plants)]
    if not client and bool(time.query("select count(technician) > 0 as known from visits")["known"].iloc[0]):
        inside = time.query(VISITS_OF_PERIOD, {"start": period.start, "end": period.end})
        of_plants, shared = with_technicians(of_plants, inside)
        parts.append(shared)
    rows = expected_findings(of_plants)
    if client:
        # The client's rows and those of the whole are the same.
        rows = rows.drop(columns="client_id", errors="ignore")
        rows = rows[~rows.duplicated(["measure", *findings.groupings(rows), "period", "unit", "method"])]
    of_sites = groups(of_plants, ["site_id"], own_past=False)
    sites = findings.rows(
        of_sites.assign(estimate=of_sites["expected"]),
        "expected_losses",
        period=period.name,
        method="loss model, an average site",
        by=["site_id"],
        unit=EXPECTED,
    )
    return findings.table(pd.concat([*parts, rows, sites], ignore_index=True))


def _of_events(rate: EventRate, expected: Expected) -> pd.DataFrame:
    """What events bring to these plants in a quarter, on average."""
    plants = expected.plants
    mean = rate.expected(float(plants["plant_days"].sum()))
    note = f"{rate.n_events} in {rate.site_years:,.0f} site-years before {expected.period.start}"
    return findings.rows(
        pd.DataFrame({**mean._asdict(), "note": note if rate.site_years else f"not available: {note}"}),
        "expected_event_losses",
        period=expected.period.name,
        unit=EXPECTED,
        method="events per site-year x share of plants lost in one",
        conf_level=CONF_LEVEL,
    )


def expected_findings(expected: Expected) -> pd.DataFrame:
    """Observed against expected losses, for the whole company and by group.

    Parameters
    ----------
    expected : Expected

    Returns
    -------
    pandas.DataFrame
        Findings: expected_losses, observed_expected (in all, and by client, site and species) with limits widened for
        over-dispersion between sites and for the uncertainty of the model; losses_called_worse, worse_quarter_power;
        shrunk_ratio, over_dispersion by group.
        Groups that stand out say so (false discovery 10%).
    """
    ways = [by for by in BY_GROUP if set(by) <= set(expected.plants.columns)]
    parts = [_whole(expected), *by_groups(expected, ways)]
    return findings.table(pd.concat(parts, ignore_index=True))


def _whole(expected: Expected) -> pd.DataFrame:
    """The rows of the whole company (or of the client whose plants are left)."""
    model, whole, sites = expected.model, groups(expected, []), groups(expected, ["site_id"])
    dispersion = smr.over_dispersion(sites["losses"], sites["expected"])
    rows = partial(findings.rows, period=expected.period.name, conf_level=CONF_LEVEL, note=_excluded(expected))
    factor = np.exp(model.quantile() * np.sqrt(whole["variance"]))
    should = whole["expected"]
    limits = widen(smr.observed_expected(whole["losses"], should, dispersion), whole["variance"].to_numpy(), model)
    method = f"loss model of {model.losses} losses before {expected.period.start}"
    parts = [
        rows(
            whole.assign(estimate=should, low=should / factor, high=should * factor),
            "expected_losses",
            method=method,
            unit=EXPECTED,
        ),
        rows(whole.assign(**limits._asdict()), "observed_expected", unit="ratio", method=smr.EXACT),
        _called_worse(expected, float(should.iloc[0]), float(whole["variance"].iloc[0]), dispersion),
    ]
    return findings.table(pd.concat(parts, ignore_index=True))


def _called_worse(expected: Expected, should: float, variance: float, dispersion: float) -> pd.DataFrame:
    """From how many losses on the quarter would be called worse, and how often one half as bad again reaches it.

    Losses of such a quarter are Poisson, or negative binomial of as much over-dispersion.
    """
    most = int(10 * should) + 50
    losses = np.arange(most)
    limits = smr.observed_expected(losses, np.full(most, should), dispersion)
    called = np.flatnonzero(widen(limits, np.full(most, variance), expected.model).low > 1)
    if not len(called):
        return pd.DataFrame()
    first, mean = int(called[0]), WORSE * should
    of = stats.nbinom(mean / (dispersion - 1), 1 / dispersion) if dispersion > 1 else stats.poisson(mean)
    rows = {
        "losses_called_worse": (float(first), "losses"),
        "worse_quarter_power": (100 * float(of.sf(first - 1)), "%"),
    }
    parts = [
        findings.rows(
            pd.DataFrame({"estimate": [value]}), name, period=expected.period.name, unit=unit, method=smr.EXACT
        )
        for name, (value, unit) in rows.items()
    ]
    return pd.concat(parts, ignore_index=True)


def by_groups(expected: Expected, ways: list[list[str]]) -> list[pd.DataFrame]:
    """Observed / expected of groups; sites against a site of effect 1, other groups against their own past.

    Parameters
    ----------
    expected : Expected
    ways : list of list of str
        Ways of grouping, each by columns of its plants.

    Returns
    -------
    list of pandas.DataFrame
        Findings, one table per way. Of all groups of all ways that are said to stand out, one in ten may by chance.
    """
    compared = []
    for by in ways:
        one = smr.compare(groups(expected, by, own_past=by != ["site_id"]))
        raw = Interval(*(one[column].to_numpy() for column in ("ratio", "low", "high")))
        limits = widen(raw, one["variance"].to_numpy(), expected.model)
        compared.append(one.assign(low=limits.low, high=limits.high))
    out = smr.flagged(np.concatenate([one["p"].to_numpy() for one in compared] or [np.empty(0)]))
    parts = []
    for by, one in zip(ways, compared, strict=True):
        own, out = out[: len(one)], out[len(one) :]
        clear = (one["low"] > 1) | (one["high"] < 1)
        rows = smr_findings(one.assign(flagged=own & clear), by, expected.period.name)
        # One measure of over-dispersion per way of grouping: name the way, or they would stand as one result.
        of_all = rows["measure"].eq("over_dispersion")
        term = pd.Series(f"between groups by {by[0]}", rows.index).where(of_all)
        parts.append(findings.table(rows.assign(term=term)))
    return parts


def _excluded(expected: Expected) -> str:
    out = expected.excluded
    if out.empty:
        return ""
    return (
        f"{out['plant_days'].sum():,.0f} plant-days and {out['losses'].sum():,.0f} losses left out of both: "
        "conditions that earlier quarters never saw"
    )
