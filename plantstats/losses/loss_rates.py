"""The quarterly loss-rate review: which quarter can be reviewed, and the findings that its page rests on."""

from __future__ import annotations

from datetime import date
from difflib import get_close_matches
from typing import TYPE_CHECKING

import pandas as pd

from plantstats import exposure, findings
from plantstats.errors import PlantstatsError
from plantstats.losses import costs
from plantstats.periods import Period, latest_complete_quarter, previous_quarters, quarter, same_quarter_last_year
from plantstats.stats import competing_risks, intervals, rates

if TYPE_CHECKING:
    from plantstats.exposure import PlantTime
    from plantstats.records import Records

TREND_QUARTERS = 12  # three years: each season is seen three times
# The tables of the review, named beforehand, so that nobody picks the most striking split afterwards.
SPLITS = (["species", "light"], ["species"], ["light"], ["site_id"], ["client_id"], ["age_band"], ["pot"])

findings.define(
    loss_rate_ratio_without_largest_event="Loss rate of the period without its largest single event, divided by that "
    "of the same quarter a year before.",
    losses_found="Plants lost, each counted in the quarter in which the loss was found.",
    losses_at_midpoint="Plants lost, each dated half-way between last seen alive and found.",
    replacements_done="Plants of which the replacement was done in the quarter, whatever the reason.",
)


class ReviewError(PlantstatsError, ValueError):
    """A review that cannot be made; the message says why and what to ask for instead."""


def choose_quarter(records: Records, name: str = "", as_of: date | None = None) -> Period:
    """The quarter to review.

    Takes:  records; name: "2026-Q3", or nothing for the latest complete quarter; as_of: the day up to which the
            user says the records are complete (None: the last day on which they still run).
    Gives:  Period.
    Raises: ReviewError when the records hold no visit or replacement, when the quarter is not complete in
            them, or when they do not reach back to it. PeriodError for a name that is no quarter.
    """
    starts = records.settings.fiscal_year_starts
    last = exposure.last_day(records)
    if last is None:
        raise ReviewError("the records hold no completed visit and no replacement: there is nothing to review")
    latest = latest_complete_quarter(as_of or last, starts)
    asked = quarter(name, starts) if name else latest
    if asked.end > latest.end:
        raise ReviewError(
            f"{asked.name} is not complete: it ends on {asked.last_day}, the records on {as_of or last}. Ask for "
            f"{latest.name} or earlier, or say with --as-of {asked.last_day} that nothing is missing up to that day."
        )
    return asked


def check_client(records: Records, client: str) -> None:
    """Refuse a client whom the records do not know, with the nearest names."""
    known = sorted(records.table("sites")["client_id"].dropna().unique())
    if client and client not in known:
        near = get_close_matches(client, known, n=3) or known[:5]
        raise ReviewError(f"no client '{client}' in sites ({len(known)} clients; nearest: {', '.join(near)})")


def loss_rates(time: PlantTime, records: Records, period: Period, client: str = "") -> pd.DataFrame:
    """All findings of the loss-rate page.

    Takes:  plant-time with losses dated "found"; records; period; client: one client's plants, or "" for all.
    Gives:  findings: loss_rate, death_rate, share_lost, share_died in all, by the splits of SPLITS, and for up
            to twelve quarters before; loss_rate_ratio and death_rate_ratio to the same quarter last year;
            loss_rate_by_cause, loss_rate_by_covered; largest event; replacement_cost; losses_not_replaced and
            losses_taken_away_alive; losses_found, losses_at_midpoint and replacements_done.
    Raises: ReviewError when no plant was followed in the period.
    """
    where = {"client_id": client} if client else {}
    whole = time.cells([], period.start, period.end, where)
    if whole["plant_days"].iloc[0] == 0:
        of = f" of client '{client}'" if client else ""
        raise ReviewError(f"no plant{of} was under observation in {period.name}: the records do not reach back to it")
    losses = lost_in(time, period, client)
    made = [rates.rates_by(whole, [], period), *_trend(time, period, where)]
    made += [
        rates.rates_by(time.cells(by, period.start, period.end, where), by, period)
        for by in SPLITS
        if not (client and by == ["client_id"])
    ]
    before = same_quarter_last_year(period)
    cells_before = time.cells([], before.start, before.end, where)
    made.append(rates.ratios_by(whole, cells_before, [], period=period, before_name=before.name))
    event = rates.largest_event(losses, whole, period)
    made += [event, _ratio_without(event, whole, cells_before, period, before.name)]
    made.append(
        costs.replacement_costs(
            losses, period, wage_per_hour=records.settings.wage_per_hour, currency=records.settings.currency
        )
    )
    made.append(costs.not_replaced(losses, period))
    made.append(competing_risks.rates_by_kind(losses, whole, period))
    payers = losses.assign(covered=costs.who_pays(losses))
    made.append(competing_risks.rates_by_kind(payers, whole, period, "covered", always=costs.PAYERS))
    made.append(_other_dates(time, records, losses, period, client))
    return findings.table(pd.concat(made, ignore_index=True))


def _ratio_without(
    event: pd.DataFrame, whole: pd.DataFrame, cells_before: pd.DataFrame, period: Period, before: str
) -> pd.DataFrame:
    """The ratio to the same quarter last year when this quarter's largest event is left out."""
    row, was = whole.iloc[0], cells_before.iloc[0]
    left = int(row["losses"]) - largest_event_losses(event, period)
    ratio = rates.rate_ratio(left, row["plant_days"], int(was["losses"]), was["plant_days"])
    return findings.table(
        [
            findings.finding(
                "loss_rate_ratio_without_largest_event",
                period.name,
                *ratio[:3],
                unit="ratio",
                method=rates.CONDITIONAL,
                n_plants=int(row["n_plants"]),
                plant_days=float(row["plant_days"]),
                losses=left,
                level=intervals.CONF_LEVEL,
                note=f"against {before}, whole"
                + ("" if pd.notna(ratio.estimate) else "; not available: nothing to divide by"),
            )
        ]
    )


def lost_in(time: PlantTime, period: Period, client: str = "") -> pd.DataFrame:
    """The losses of a period, one row each, as `PlantTime.losses` gives them."""
    lost = time.losses
    inside = (lost["lost_on"] >= pd.Timestamp(period.start)) & (lost["lost_on"] < pd.Timestamp(period.end))
    return lost[inside & (lost["client_id"].eq(client) if client else True)]


def _trend(time: PlantTime, period: Period, where: dict[str, str]) -> list[pd.DataFrame]:
    """Rates of the quarters before, as far back as plants were followed."""
    made = []
    for earlier in previous_quarters(period, TREND_QUARTERS):
        cells = time.cells([], earlier.start, earlier.end, where)
        if cells["plant_days"].iloc[0] > 0:
            made.append(rates.rates_by(cells, [], earlier))
    return made


def _other_dates(time: PlantTime, records: Records, losses: pd.DataFrame, period: Period, client: str) -> pd.DataFrame:
    """The same losses under other dates, so that the page can be reconciled with the books."""
    start, end = pd.Timestamp(period.start), pd.Timestamp(period.end)
    half_way = time.lost_when("midpoint")
    half_way = half_way[(half_way["lost_on"] >= start) & (half_way["lost_on"] < end)]
    half_way = half_way[half_way["client_id"].eq(client) if client else slice(None)]
    done = time.exits[(time.exits["replaced_on"] >= start) & (time.exits["replaced_on"] < end)]
    done = done[done["source"].eq("replacements") & (done["client_id"].eq(client) if client else True)]
    counts = {
        "losses_found": (losses["quantity"].sum(), ""),
        "losses_at_midpoint": (half_way["quantity"].sum(), "a loss found after the quarter's end is not in it yet"),
        "replacements_done": (done["quantity"].sum(), "with upgrades, rotation and client causes"),
    }
    return findings.table(
        [
            findings.finding(
                measure, period.name, float(count), unit="plants", method="count", losses=int(count), note=note
            )
            for measure, (count, note) in counts.items()
        ]
    )


def page_date(period: Period, as_of: date | None = None) -> date:
    """The last day that counts: the given one, else the quarter's last.

    Raises: ReviewError for a day before the quarter's end.
    """
    cut = as_of or period.last_day
    if cut < period.last_day:
        raise ReviewError(f"as_of {cut} lies before the end of {period.name} ({period.last_day})")
    return cut


def largest_event_losses(found: pd.DataFrame, period: Period) -> int:
    """Losses of the largest single event of the period, 0 where there was no loss."""
    rows = found[found["measure"].eq("largest_event_share") & found["period"].eq(period.name)]
    return int(rows["losses"].iloc[0]) if len(rows) else 0


def join(*tables: pd.DataFrame) -> pd.DataFrame:
    """Several findings tables as one."""
    return findings.table(pd.concat(tables, ignore_index=True))
