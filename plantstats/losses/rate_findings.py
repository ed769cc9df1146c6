"""Findings of loss rates: of any groups, against another period, and by cause."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from plantstats import findings
from plantstats.periods import Period
from plantstats.stats.intervals import CONF_LEVEL
from plantstats.stats.rates import CONDITIONAL, EXACT, PER_100_YEARS, RateError, loss_rate, rate_ratio, share_lost


def rates_by(
    exposure_table: pd.DataFrame, by: list[str], period: Period, conf_level: float = CONF_LEVEL
) -> pd.DataFrame:
    """Rates and shares lost of each group, by both definitions of a loss.

    Parameters
    ----------
    exposure_table : pandas.DataFrame
        One row per combination of `by`: n_plants, plant_days, losses, died.
    by : list of str
    period : Period
    conf_level : float

    Returns
    -------
    pandas.DataFrame
        Findings: loss_rate, death_rate (per 100 plant-years), share_lost, share_died (percent).

    Raises
    ------
    RateError
        When `exposure_table` has several rows of one group (plants cannot be added over them).
    """
    one_row_each(exposure_table, by)
    return rates_of(exposure_table, by, [period] * len(exposure_table), conf_level)


def rates_of(
    exposure_table: pd.DataFrame, by: list[str], periods: Sequence[Period], conf_level: float = CONF_LEVEL
) -> pd.DataFrame:
    """The same for rows of several periods.

    Parameters
    ----------
    exposure_table : pandas.DataFrame
        As in `rates_by`.
    by : list of str
    periods : sequence of Period
        One a row.
    conf_level : float

    Returns
    -------
    pandas.DataFrame
        As `rates_by`.
    """
    names, days = [one.name for one in periods], np.array([one.days for one in periods])
    parts = []
    for kind, counts, share_name in (("loss", "losses", "share_lost"), ("death", "died", "share_died")):
        rate = loss_rate(exposure_table[counts], exposure_table["plant_days"], conf_level)
        for measure, unit, interval in (
            (f"{kind}_rate", PER_100_YEARS, rate),
            (share_name, [f"% of plants in {n} days" for n in days], share_lost(rate, days)),
        ):
            parts.append(
                findings.rows(
                    exposure_table[[*by, "n_plants", "plant_days"]],
                    measure,
                    period="",
                    unit="",
                    method=EXACT,
                    by=by,
                    losses=exposure_table[counts].to_numpy(),
                    **interval._asdict(),
                ).assign(
                    period=names,
                    unit=unit,
                    conf_level=conf_level,
                    note=np.where(exposure_table["plant_days"] > 0, "", NO_DAYS),
                )
            )
    return findings.table(pd.concat(parts, ignore_index=True))


def ratios_by(
    exposure_table: pd.DataFrame,
    before: pd.DataFrame,
    by: list[str],
    *,
    period: Period,
    before_name: str,
    conf_level: float = CONF_LEVEL,
) -> pd.DataFrame:
    """Compare each group with itself in another period.

    Parameters
    ----------
    exposure_table, before : pandas.DataFrame
        Of the period, and of the other one; each has one row per combination of `by`.
    by : list of str
    period : Period
    before_name : str
        Name of the other period.
    conf_level : float

    Returns
    -------
    pandas.DataFrame
        Findings: loss_rate_ratio, death_rate_ratio, one row per group of `exposure_table`.

    Raises
    ------
    RateError
        As in `rates_by`.
    """
    one_row_each(exposure_table, by)
    one_row_each(before, by)
    counts = ["plant_days", "losses", "died"]
    if by:
        both = exposure_table.merge(before[[*by, *counts]], on=by, how="left", suffixes=("", "_before"))
    else:
        both = exposure_table.join(before[counts].add_suffix("_before"))
    both = both.fillna(dict.fromkeys((f"{c}_before" for c in counts), 0))
    parts = []
    for measure, count in (("loss_rate_ratio", "losses"), ("death_rate_ratio", "died")):
        rows = []
        for row in both.to_dict("records"):
            was, days_were = int(row[f"{count}_before"]), row["plant_days_before"]
            ratio = rate_ratio(int(row[count]), row["plant_days"], was, days_were, conf_level)
            why = _why_no_ratio(row["plant_days"], days_were, row[count], was)
            note = f"against {before_name}: {was} in {days_were:,.0f} plant-days{why}"
            rows.append({"estimate": ratio.estimate, "low": ratio.low, "high": ratio.high, "note": note})
        frame = both[[*by, "n_plants", "plant_days"]].assign(losses=both[count]).join(pd.DataFrame(rows, both.index))
        parts.append(
            findings.rows(frame, measure, period=period.name, unit="ratio", method=CONDITIONAL, by=by).assign(
                conf_level=conf_level
            )
        )
    return findings.table(pd.concat(parts, ignore_index=True))


def cause_specific_rates(
    losses: pd.DataFrame,
    exposure_table: pd.DataFrame,
    period: Period,
    column: str = "cause",
    always: Sequence[str] = (),
    conf_level: float = CONF_LEVEL,
) -> pd.DataFrame:
    """The loss rate of each cause, or of what the guarantee covers and what not.

    Parameters
    ----------
    losses : pandas.DataFrame
        One row per loss row: lost_on (those in the period count), quantity, and the column asked for.
    exposure_table : pandas.DataFrame
        The one row of the whole period: n_plants, plant_days.
    period : Period
    column : {"cause", "covered"}
    always : sequence of str
        Values that are told even where none was lost.
    conf_level : float

    Returns
    -------
    pandas.DataFrame
        Findings: loss_rate_by_cause or loss_rate_by_covered per value (missing: "unknown"), all over the same
        plant-days: the rates add up to the loss rate of all.
    """
    inside = losses_in(losses, period)
    value = inside[column].astype("object").where(inside[column].notna(), "unknown")
    counts = inside.groupby(value)["quantity"].sum()
    counts = counts.reindex(sorted({*counts.index, *always}), fill_value=0)
    whole = exposure_table.iloc[0]
    rate = loss_rate(counts.to_numpy(), np.full(len(counts), float(whole["plant_days"])), conf_level)
    frame = pd.DataFrame({column: counts.index.to_numpy(), "losses": counts.to_numpy(), **rate._asdict()})
    return findings.table(
        findings.rows(
            frame,
            f"loss_rate_by_{column}",
            period=period.name,
            unit=PER_100_YEARS,
            method=EXACT,
            by=[column],
            n_plants=whole["n_plants"],
            plant_days=whole["plant_days"],
        ).assign(conf_level=conf_level)
    )


def losses_in(losses: pd.DataFrame, period: Period) -> pd.DataFrame:
    """Rows whose lost_on lies in a period.

    Parameters
    ----------
    losses : pandas.DataFrame
        Rows of `PlantTime.losses`.
    period : Period
        The quarter, half-open.

    Returns
    -------
    pandas.DataFrame
    """
    return losses[(losses["lost_on"] >= pd.Timestamp(period.start)) & (losses["lost_on"] < pd.Timestamp(period.end))]


def one_row_each(exposure_table: pd.DataFrame, by: list[str]) -> None:
    """Refuse an exposure table that is finer than the groups asked for: plants would count twice.

    Parameters
    ----------
    exposure_table : pandas.DataFrame
        Plant-days and losses by conditions, as `PlantTime.exposure_table` gives them.
    by : list of str
        Groupings asked for.

    Raises
    ------
    RateError
        Naming the groupings.
    """
    several = exposure_table.duplicated(by).any() if by else len(exposure_table) != 1
    if several:
        raise RateError(
            f"an exposure table must have one row per combination of {by or 'nothing (one row in all)'}; "
            "ask plant-time for one by exactly these columns"
        )


NO_DAYS = "not available: no plant-days"


def _why_no_ratio(days: float, days_before: float, losses: int, losses_before: int) -> str:
    if days <= 0 or days_before <= 0:
        return "; not available: no plant-days to compare"
    if losses_before > 0:
        return ""
    return "; no upper end: none there" if losses > 0 else "; not available: none in either"
