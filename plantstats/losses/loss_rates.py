"""The quarter's loss rates: all findings on what was lost, where, why and at what cost."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pandas as pd

from plantstats import findings
from plantstats.errors import PlantstatsError
from plantstats.losses import costs
from plantstats.losses.common_cause import CommonCause, common_cause
from plantstats.losses.event_findings import event_findings
from plantstats.losses.rate_findings import cause_specific_rates, rates_by, rates_of, ratios_by
from plantstats.periods import Period, previous_quarters, same_quarter_last_year

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.records import Records

TREND_QUARTERS = 12  # three years: each season is seen three times
# The tables of the review, named beforehand, so that nobody picks the most striking split afterwards.
SPLITS = (["species", "light"], ["species"], ["light"], ["site_id"], ["client_id"], ["age_band"], ["pot"])


class PeriodNotOnRecordError(PlantstatsError, ValueError):
    """No plant was under observation in the period; the message says so."""


def loss_rates(
    time: PlantTime, records: Records, period: Period, client: str = "", events: CommonCause | None = None
) -> pd.DataFrame:
    """All findings of the loss-rate page.

    Parameters
    ----------
    time : PlantTime
        With losses dated "found".
    records : Records
    period : Period
        The quarter.
    client : str
        One client's plants, or "" for all.
    events : CommonCause
        The events on record; found here where not given.

    Returns
    -------
    pandas.DataFrame
        Findings: loss_rate, death_rate, share_lost, share_died in all, by the splits of `SPLITS`, and for up to twelve
        quarters before; loss_rate_ratio and death_rate_ratio to the same quarter last year; loss_rate_by_cause,
        loss_rate_by_covered; events; replacement_cost; losses_not_replaced and losses_taken_away_alive;
        losses_found, losses_at_midpoint and replacements_done.

    Raises
    ------
    PeriodNotOnRecordError
        When no plant was followed in the period.
    """
    where = {"client_id": client} if client else {}
    whole = time.exposure_table([], period.start, period.end, where)
    if whole["plant_days"].iloc[0] == 0:
        of = f" of client '{client}'" if client else ""
        raise PeriodNotOnRecordError(
            f"no plant{of} was under observation in {period.name}: the records do not reach back to it"
        )
    losses = lost_in(time, period, client)
    before = same_quarter_last_year(period)
    year_ago = time.exposure_table([], before.start, before.end, where)
    events = events or common_cause(time)
    inside = time.censored_at(events.losses)
    payers = losses.assign(covered=costs.who_pays(losses))
    settings = records.settings
    parts = [
        rates_by(whole, [], period),
        trend(time, period, where),
        *(
            rates_by(time.exposure_table(by, period.start, period.end, where), by, period)
            for by in SPLITS
            if not (client and by == ["client_id"])
        ),
        ratios_by(whole, year_ago, [], period=period, before_name=before.name),
        event_findings(events, losses, period),
        *_without_events(inside, period, where),
        costs.replacement_costs(losses, period, wage_per_hour=settings.wage_per_hour, currency=settings.currency),
        costs.not_replaced(losses, period),
        cause_specific_rates(losses, whole, period),
        cause_specific_rates(payers, whole, period, "covered", always=costs.PAYERS),
        _other_dates(time, losses, period, client),
    ]
    return findings.table(pd.concat([part for part in parts if len(part)], ignore_index=True))


def _without_events(ordinary: PlantTime, period: Period, where: dict[str, str]) -> list[pd.DataFrame]:
    """The quarter's rate without the losses of events, and its ratio to that of the same quarter last year."""
    before = same_quarter_last_year(period)
    now, then = (ordinary.exposure_table([], one.start, one.end, where) for one in (period, before))
    rows = [rates_by(now, [], period), ratios_by(now, then, [], period=period, before_name=before.name)]
    wanted = ["loss_rate", "loss_rate_ratio"]
    return [one[one["measure"].isin(wanted)].assign(measure=lambda f: f["measure"] + "_without_events") for one in rows]


def lost_in(time: PlantTime, period: Period, client: str = "") -> pd.DataFrame:
    """Losses of a period, one row each, as `PlantTime.losses` gives them.

    Parameters
    ----------
    time : PlantTime
        Plant-time of the records.
    period : Period
        The quarter, half-open.
    client : str, default ''
        Id of a client; "" is all.

    Returns
    -------
    pandas.DataFrame
    """
    return _inside(time.losses, "lost_on", period, client)


def trend(time: PlantTime, period: Period, where: dict[str, str]) -> pd.DataFrame:
    """Rates of the quarters before, as far back as plants were followed.

    Parameters
    ----------
    time : PlantTime
        Plant-time of the records.
    period : Period
        The quarter, half-open.
    where : dict of str to str
        Column and value to choose by, such as a client.

    Returns
    -------
    pandas.DataFrame
        Findings of each quarter.
    """
    earlier = previous_quarters(period, TREND_QUARTERS)
    tables = [time.exposure_table([], one.start, one.end, where) for one in earlier]
    exposure_table = pd.concat(tables, ignore_index=True)
    followed = exposure_table["plant_days"].gt(0).to_numpy()
    return rates_of(exposure_table[followed], [], [one for one, some in zip(earlier, followed, strict=True) if some])


def _other_dates(time: PlantTime, losses: pd.DataFrame, period: Period, client: str) -> pd.DataFrame:
    """The same losses under other dates, so that the page can be reconciled with the books."""
    exits = time.exits[time.exits["source"].eq("replacements")]
    done = _inside(exits, "replaced_on", period, client)
    midpoint = _inside(time.lost_when("midpoint"), "lost_on", period, client)
    counts = {
        "losses_found": (losses, ""),
        "losses_at_midpoint": (midpoint, "a loss found after the quarter's end is not in it yet"),
        "replacements_done": (done, "with upgrades, rotation and client causes"),
    }
    parts = [
        findings.rows(
            pd.DataFrame({"losses": [int(rows["quantity"].sum())]}),
            measure,
            period=period.name,
            unit="plants",
            method="count",
            note=note,
            estimate=float(rows["quantity"].sum()),
        )
        for measure, (rows, note) in counts.items()
    ]
    return pd.concat(parts, ignore_index=True)


def _inside(rows: pd.DataFrame, column: str, period: Period, client: str) -> pd.DataFrame:
    """Rows dated in a period, of one client or all."""
    day = rows[column]
    inside = (day >= pd.Timestamp(period.start)) & (day < pd.Timestamp(period.end))
    return rows[inside & rows["client_id"].eq(client)] if client else rows[inside]
