"""The page of early warning: how late a rise is seen at this size, whether there is an alarm, where to look first."""

from __future__ import annotations

from datetime import date, timedelta

import pandas as pd

from plantstats.findings import pick
from plantstats.pages import words
from plantstats.pages.methods import METHODS
from plantstats.reporting.specs import Field, Listing, Page, Rows, Section, Table, result_text
from plantstats.reporting.time_charts import Weeks
from plantstats.studies import Study
from plantstats.surveillance import recent_alarms

TITLE = "Early warning"
LONG = 104  # weeks: beyond, a number says no more than "years"
GROUPS = {"region": "route", "site_id": "site", "species": "species", "cause": "cause"}
SHOWN = "Bars: {what}. Green: expected; band: limit of a single week, passed by chance in 1 of 200."
# Marang-van de Mheen, Abel and Shojania 2018, BMJ Quality and Safety 27:950: most of what follows an alert.
REGRESSION = (
    "An alarm picks weeks because they are high, so the weeks after it are mostly lower by themselves: most of the "
    "fall that follows is that, whatever is done. Look first, then change one thing, and judge it by the quarter."
)


def page(study: Study) -> Page:
    """The page of early warning.

    Parameters
    ----------
    study : Study
        Of all clients, up to the last day of the records.

    Returns
    -------
    Page

    Raises
    ------
    ModelError
        When the records do not carry an expectation of the last year's losses.
    """
    results = study.early_warning()
    alarms = recent_alarms(results)
    sections = [
        _losses(study, results),
        *_first(study, results, alarms),
        _leaves(results),
        _groups(study, results),
        _events(study, results),
        _method(),
    ]
    kept = [one for one in sections if one is not None]
    return Page(TITLE, verdict(study, results), kept, results, study.small_group, sentences(study, results))


def verdict(study: Study, results: pd.DataFrame) -> str:
    """How late a rise of losses is seen, and whether there is an alarm.

    Parameters
    ----------
    study : Study
    results : pandas.DataFrame
        Findings of `Study.early_warning`.

    Returns
    -------
    str
    """
    delay = f"A doubling of losses shows here after {_weeks(results, '', '2 times')}, a rise of half after "
    delay += f"{_weeks(results, '', '1.5 times')}"
    names = [_alarm_words(study, row) for _, row in recent_alarms(results).iterrows()]
    if names:
        return f"{delay}. Alarm: {words.listed(names, 3)}."
    return f"{delay}. {'Too few losses for a weekly alarm' if too_small(results) else 'No alarm'}."


def too_small(results: pd.DataFrame) -> bool:
    """Whether the company loses too few plants for a weekly alarm on losses.

    Parameters
    ----------
    results : pandas.DataFrame
        Findings of `Study.early_warning`.

    Returns
    -------
    bool
    """
    return pick(results, "alarm_level").empty


def sentences(study: Study, results: pd.DataFrame) -> list[str]:
    """What holds beside the verdict: false alarms, weeks not judged, leaf drop, what a small company reads instead.

    Parameters
    ----------
    study : Study
    results : pandas.DataFrame
        Findings of `Study.early_warning`.

    Returns
    -------
    list of str
    """
    waiting = result_text(results, 0, "weeks_not_judged")
    years = study.records.settings.early_warning.false_alarm_years
    entered = (
        f"To that come {words.count_of(waiting['raw_estimate'], 'week')} until the losses of a week are in the files "
        f"(grey in the chart)."
    )
    rare = f"Without any change, all charts together give one false alarm in about {years:g} years."
    if too_small(results):
        entered = (
            "That is longer than a quarter, so no weekly alarm is given on losses: read the quarterly review "
            "(plantstats review), which sees as much."
        )
    return [entered, rare, _leaf_sentence(results)]


def _leaf_sentence(results: pd.DataFrame) -> str:
    text = result_text(results, 0, "leaf_weeks_until_seen", term="2 times")
    if text.empty or pd.isna(text["raw_estimate"]):
        return f"Leaf drop is not watched: {text['note'].removeprefix('not available: ')}." if len(text) else ""
    return (
        f"Leaf drop, which may come before a loss, shows a doubling after {_weeks(results, 'leaf_', '2 times')} and "
        f"a rise of half after {_weeks(results, 'leaf_', '1.5 times')}."
    )


def _weeks(results: pd.DataFrame, prefix: str, term: str) -> str:
    value = result_text(results, 0, f"{prefix}weeks_until_seen", term=term)["raw_estimate"]
    if value > LONG:
        return "more than two years"
    return f"about {words.count_of(max(round(value), 1), 'week')}"


def _alarm_words(study: Study, row: pd.Series) -> str:
    """One alarm: what, where, since when, with its counts."""
    what = "leaf drop" if row["measure"].startswith("leaf_") else "losses"
    return f"{what} {_where(study, row)}, week to {_sunday(row['period'])} ({row['losses']:,} {row['note']})"


def _where(study: Study, row: pd.Series) -> str:
    for by in ("site_id", "region"):
        if by in row and pd.notna(row[by]):
            return f"at {study.name_of('site', row[by])}" if by == "site_id" else f"on route {row[by]}"
    return "in the whole company"


def _sunday(week: str) -> str:
    day = date.fromisocalendar(int(week[:4]), int(week[-2:]), 1) + timedelta(days=6)
    return f"{day.day} {day:%b %Y}"


def _losses(study: Study, results: pd.DataFrame) -> Section:
    alarms = recent_alarms(results)
    alarms = alarms[alarms["measure"].eq("alarm")]
    counts = pick(results, "weekly_counts")
    judged = counts[counts["note"].fillna("").eq("")]
    should = pick(results, "weekly_expected")
    expected = should[should["period"].isin(judged["period"])]["estimate"].sum()
    start = f"In {words.count_of(len(judged), 'week')} {judged['estimate'].sum():,.0f} losses came"
    counted = f"{start} where about {expected:,.0f} were expected"
    message = counted + ("; the evidence of the last weeks gave an alarm." if len(alarms) else ".")
    chart = Weeks("weekly_counts", "weekly_expected", "alarm", "losses found")
    return Section("losses", message, SHOWN.format(what="losses by week found; grey: not complete yet"), chart=chart)


def _first(study: Study, results: pd.DataFrame, alarms: pd.DataFrame) -> list[Section]:
    """Of recent alarms, what carries the excess: one table each for losses and leaves."""
    sections = []
    for prefix, what in (("", "losses"), ("leaf_", "leaves")):
        rows = results[results["measure"].eq(f"{prefix}excess")]
        if alarms[alarms["measure"].eq(f"{prefix}alarm")].empty or rows.empty:
            continue
        table = Listing(f"Where the excess of {what} lies, most first", _excess_rows(study, rows))
        first = rows.sort_values("estimate", ascending=False).drop_duplicates([*_by(rows)]).iloc[0]
        kind = next(by for by in GROUPS if by in rows and pd.notna(first.get(by)))
        named = _name(study, kind, str(first[kind]))
        message = f"Look first at {f'what was noted as {named}' if kind == 'cause' else named}."
        shown = f"{what.capitalize()} in the weeks in which the alarm came together."
        sections.append(Section(f"{prefix}first", message, shown, table=table, note=REGRESSION))
    return sections


def _by(rows: pd.DataFrame) -> list[str]:
    return [by for by in ("site_id", "species", "cause", "term") if by in rows]


def _excess_rows(study: Study, rows: pd.DataFrame) -> pd.DataFrame:
    """Counts of sites, species and causes; counts stand for small groups too."""
    lines = []
    for by in ("site_id", "species", "cause"):
        of = rows[rows[by].notna()] if by in rows else rows.head(0)
        for _, row in of.sort_values("estimate", ascending=False).iterrows():
            few = pd.notna(row["n_plants"]) and row["n_plants"] < study.small_group
            lines.append(
                {
                    "Alarm of": _chart_name(study, str(row["term"])),
                    "By": GROUPS[by],
                    "Which": _name(study, by, str(row[by])),
                    "Found": f"{row['losses']:,}",
                    "Expected": "withheld" if few else row["note"].removesuffix(" expected"),
                }
            )
    return pd.DataFrame(lines, dtype="object")


def _name(study: Study, kind: str, code: str) -> str:
    if kind == "cause":
        return words.cause(code)
    return str(study.name_of("site" if kind == "site_id" else kind, code)) if kind != "region" else code


def _chart_name(study: Study, term: str) -> str:
    by, _, name = term.partition(" ")
    return f"{GROUPS[by]} {_name(study, by, name)}" if name else "whole company"


def _leaves(results: pd.DataFrame) -> Section | None:
    counts = pick(results, "leaf_weekly_counts")
    if counts.empty:
        return None
    expected = pick(results, "leaf_weekly_expected")["estimate"].sum()
    alarms = recent_alarms(results)
    alarmed = bool(alarms["measure"].eq("leaf_alarm").any())
    message = f"Leaves: {counts['estimate'].sum():,.0f} dropped where about {expected:,.0f} were expected"
    chart = Weeks("leaf_weekly_counts", "leaf_weekly_expected", "leaf_alarm", "leaves dropped")
    return Section(
        "leaves",
        message + (", with an alarm in the last weeks." if alarmed else "."),
        SHOWN.format(what="green leaves counted at the visits of a week"),
        chart=chart,
        note="Cleaners take leaves too, and a word such as few is no number: what is compared is like with like.",
    )


def _groups(study: Study, results: pd.DataFrame) -> Section | None:
    """Every chart: how late it sees a rise, how rare its false alarms are, where it stands."""
    lines = []
    level = results[results["measure"].eq("alarm_level")]
    delay = results[
        results["measure"].isin(["weeks_until_seen", "leaf_weeks_until_seen"]) & results["estimate"].notna()
    ]
    by = [column for column in ("region", "site_id") if column in delay]
    for key, rows in delay.groupby(["measure", *by], dropna=False, sort=False):
        leaf = str(key[0]).startswith("leaf_")
        group = dict(zip(by, key[1:], strict=True))
        levels = results[results["measure"].eq("leaf_alarm_level")] if leaf else level
        for column, value in group.items():
            levels = levels[levels[column].isna() if pd.isna(value) else levels[column].eq(value)]
        weeks = rows.set_index("term")["estimate"]
        lines.append(
            {
                "Chart": ("leaf drop " if leaf else "losses ") + _where(study, pd.Series(group)),
                "Doubling seen after, weeks": _number(weeks["2 times"]),
                "Rise of half after, weeks": _number(weeks["1.5 times"]),
                "Evidence now, alarm at 100": f"{levels.sort_values('period')['estimate'].iloc[-1]:.0f}"
                if len(levels)
                else "no alarm given",
            }
        )
    if not lines:
        return None
    records = pd.DataFrame(lines, dtype="object")
    n_groups = sum("whole company" not in line["Chart"] for line in lines)
    message = (
        f"Beside the company, {words.count_of(n_groups, 'route or site')} carries enough losses for a chart."
        if n_groups == 1
        else f"Beside the company, {n_groups} routes and sites carry enough losses for charts of their own."
        if n_groups
        else "No route or site alone loses enough for a chart of its own."
    )
    numeric = [column for column in records if column != "Chart"]
    table = Listing("The charts, and how late each sees a rise", records, numeric=numeric)
    return Section("charts", message, "Routes: the regions of the sites. Weeks on average, from now on.", table=table)


def _number(weeks: float) -> str:
    return f"over {LONG}" if weeks > LONG else f"{weeks:.0f}"


def _events(study: Study, results: pd.DataFrame) -> Section | None:
    rows = pick(results, "weekly_event", ["site_id", "cause"])
    if rows.empty:
        return None
    table = Table(
        "Single events since the first week of the chart",
        Rows("weekly_event", ["site_id", "cause"], order="period"),
        {
            "Site": Field("site_id", words=lambda code: str(study.name_of("site", code))),
            "Cause": Field("cause", words=words.cause),
            "First week": Field("period", words=lambda week: f"to {_sunday(week)}"),
            "Plants": "losses",
        },
    )
    n = len(rows)
    message = f"{words.count_of(n, 'event')} took several plants at once, and {'counts' if n == 1 else 'count'} once."
    return Section("events", message, "An event is no sign of a rise, and would hide one.", table=table)


def _method() -> Section:
    method = next(one for one in METHODS if one.key == "warning")
    return Section("method", method.title, method.formula, sentences=[f"{method.text} Source: {method.source}."])
