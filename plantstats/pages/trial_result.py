"""The page of a trial that was read: the difference, what it means for the interval, and how the trial was kept."""

from __future__ import annotations

from collections.abc import Callable

import pandas as pd

from plantstats import findings
from plantstats.pages import words
from plantstats.pages.trial_words import OUTCOME, SHORT, amount, dry_means
from plantstats.reporting.charts import Dots
from plantstats.reporting.display import Named
from plantstats.reporting.specs import Field, Listing, Page, Rows, Section, Table, result_text
from plantstats.trials.outcomes import DRY, UNITS
from plantstats.trials.reading import AS_GOOD, STOP, WORSE, Reading

TITLE = "Result of a trial"


def page(reading: Reading, name_of: Callable[[str], Named], small_group: int) -> Page:
    """The page of a reading, at the end or at a look before it.

    Parameters
    ----------
    reading : Reading
        As `reading.read` gives it.
    name_of : callable
        Site id to its name.
    small_group : int
        Groups with fewer plants keep their counts, not their estimates.

    Returns
    -------
    Page
    """
    if not reading.finished:
        parts = [section for section in (_interim(reading), _kept(reading, name_of)) if section]
        return Page(TITLE, _interim_verdict(reading), parts, reading.findings, 0)
    sections = [_result(reading), _others(reading), _money(reading), _interim(reading), _kept(reading, name_of)]
    if reading.protocol.periods > 1:
        sections.append(_periods(reading))
    return Page(TITLE, verdict(reading), [s for s in sections if s], reading.findings, small_group)


def verdict(reading: Reading) -> str:
    """The answer in a line or two.

    Parameters
    ----------
    reading : Reading
        Finished.

    Returns
    -------
    str
    """
    protocol = reading.protocol
    margin = amount(protocol, protocol.margin[protocol.outcome])
    longer = f"every {protocol.longer} days"
    if reading.verdict == AS_GOOD:
        return f"Every {protocol.longer} days does as well as every {protocol.shorter}: it adds no more than {margin}."
    if reading.verdict == WORSE:
        if reading.interim is not None and reading.interim["z"] >= reading.interim["limit"]:
            margin = amount(protocol, protocol.margin[DRY], DRY)
        return f"Keep to every {protocol.shorter} days: {longer} adds more than {margin}."
    return f"Open: this trial does not tell whether {longer} adds more than {margin}. Keep to the visits you have."


def _interim_verdict(reading: Reading) -> str:
    if reading.verdict == STOP:
        return (
            f"Stop: every {reading.protocol.longer} days clearly leaves more plants dry than you tolerate. Visit all "
            f"sites of the trial every {reading.protocol.shorter} days again."
        )
    return f"Go on: the look shows no clear harm. The trial is read after {reading.protocol.last_day}."


def _result(reading: Reading) -> Section:
    protocol = reading.protocol
    means = findings.pick(reading.findings, "trial_mean", ["term", "interval_days"])
    means = means[means["term"].eq(protocol.outcome)].set_index("interval_days")["estimate"]
    shorter = float(means.get(str(protocol.shorter), float("nan")))
    lanes = {str(days): f"every {days} days" for days in (protocol.shorter, protocol.longer)}
    chart = Dots(
        Rows("trial_site", ["site_id", "interval_days"], most=1000),
        lambda row: str(row["interval_days"]),
        lanes,
        f"{OUTCOME[protocol.outcome]}; a dot is a site",
        shorter + protocol.margin[protocol.outcome],
        "the margin",
    )
    text = result_text(reading.findings, 0, "trial_difference", term=protocol.outcome)
    message = (
        f"Every {protocol.longer} days less every {protocol.shorter}: {text['estimate']} {UNITS[protocol.outcome]} "
        f"({words.could_be(text['interval'])})."
    )
    sentences = [dry_means(protocol)] if protocol.outcome == DRY else []
    shown = (
        f"{text['note'].split(';')[0]}, {reading.findings['period'].iloc[0]}. 95% interval. The margin: the mean of "
        f"every {protocol.shorter} days and {amount(protocol, protocol.margin[protocol.outcome])}."
    )
    return Section("result", message, shown, chart=chart, sentences=sentences)


def _others(reading: Reading) -> Section:
    protocol = reading.protocol
    rows = findings.pick(reading.findings, "trial_difference", ["term"])
    means = findings.pick(reading.findings, "trial_mean", ["term", "interval_days"])

    def of(interval: int) -> dict[str, str]:
        part = means[means["interval_days"].eq(str(interval))]
        return dict(zip(part["term"], findings.for_display(part, 0)["estimate"], strict=True))

    columns: dict[str, Field | str] = {
        "Outcome": Field("term", words=lambda term: OUTCOME[term] + (" *" if term == protocol.outcome else "")),
        f"Every {protocol.shorter} days": Field("term", words=lambda term: of(protocol.shorter).get(term, "")),
        f"Every {protocol.longer} days": Field("term", words=lambda term: of(protocol.longer).get(term, "")),
        "Difference": "estimate",
        "could be": "interval",
        "Unit": "unit",
    }
    table = Table("Outcomes", Rows("trial_difference", ["term"], order="term", descending=False), columns)
    message = "All outcomes side by side." if len(rows) > 1 else "No other outcome could be counted."
    shown = "* what the trial is about. The others are read beside it and decide nothing."
    return Section("outcomes", message, shown, table=table)


def _money(reading: Reading) -> Section | None:
    protocol = reading.protocol
    rows = findings.pick(reading.findings, "trial_cost_difference")
    if rows.empty:
        return None
    row = rows.iloc[0]
    low, high = sorted((abs(row["low"]), abs(row["high"])))
    change = "saves" if row["high"] < 0 else "costs" if row["low"] > 0 else ""
    interval = f"{low:,.0f} to {high:,.0f}" if change else f"{row['low']:,.0f} to {row['high']:,.0f}".replace("-", "−")
    if change:
        about = words.money(protocol.currency, abs(row["estimate"]))
        message = f"At its {len(protocol.sites)} sites the longer interval {change} {about} a quarter ({interval})."
    else:
        message = f"In money the trial does not tell the intervals apart ({protocol.currency} {interval} a quarter)."
    shown = "Visits at the cost in your settings and recorded minutes at the plants at your wage."
    return Section("money", message, shown)


def _interim(reading: Reading) -> Section | None:
    interim = reading.interim
    if interim is None:
        return None
    harmed = interim["z"] >= interim["limit"]
    message = (
        "The rule for stopping was met: dryness is clearly beyond what you tolerate."
        if harmed
        else "The rule for stopping was not met."
    )
    shown = (
        f"Look after {interim['after']}: {interim['z']:.2f} standard errors beyond the margin of "
        f"{reading.protocol.margin[DRY]:.0f} looks in 100; the limit is {interim['limit']:.2f}."
    )
    return Section("stopping", message, shown)


def _kept(reading: Reading, name_of: Callable[[str], Named]) -> Section:
    sites = reading.sites
    kept, total = int(sites["kept"].sum()), len(sites)
    per = "sites and periods" if reading.protocol.periods > 1 else "sites"
    message = f"The interval was kept in {kept} of {total} {per}."
    sentences = []
    if len(reading.left_out):
        names = [f"{name_of(row.site_id)} ({row.reason})" for row in reading.left_out.itertuples()]
        sentences.append(f"Left out: {words.listed(names, 10)}.")
    broken = sites[~sites["kept"]]
    shown = "Kept: the usual gap between visits lay within a quarter of the interval. All count as the lot had it."
    if broken.empty:
        return Section("kept", message, shown, sentences=sentences)
    rows = pd.DataFrame(
        {
            "Site": [name_of(site) for site in broken["site_id"]],
            "Period": broken["period"].astype(str),
            "Allocated": [f"every {days} days" for days in broken["interval"]],
            "Visits": broken["visits"].astype(str),
        },
        dtype="object",
    )
    return Section(
        "kept", message, shown, sentences=sentences, table=Listing("Not kept", rows, most=40, rest="the records")
    )


def _periods(reading: Reading) -> Section:
    text = result_text(reading.findings, 0, "trial_period_difference", term=reading.protocol.outcome)
    outcome = SHORT[reading.protocol.outcome]
    return Section(
        "periods",
        f"Second period less first: {text['estimate']} {outcome} ({words.could_be(text['interval'])}).",
        "Season and whatever else changed meanwhile; it is taken out of the difference above.",
    )
