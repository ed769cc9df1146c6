"""The page on the records: what was used, what should be mended first, how far doubt moves the loss rate."""

from __future__ import annotations

import math

import pandas as pd

from plantstats.findings import pick
from plantstats.pages import methods, words
from plantstats.pages.decisions import Decision
from plantstats.pages.words import month_name
from plantstats.quality.catalogue import CATALOGUE
from plantstats.reporting.charts import Bars
from plantstats.reporting.specs import Field, Listing, Page, Rows, Section, Table, result_text
from plantstats.studies import Study

TITLE = "Records"
MEND_FIRST = 5
SUSPICIONS = {
    "loss_rate_as_recorded": "as recorded",
    "loss_rate_without_doubtful": "without plants whose history cannot be",
    "loss_rate_with_swaps": "if each suspected silent swap was a loss",
}


def page(study: Study) -> Page:
    """The page on the records.

    Parameters
    ----------
    study : Study
        One quarter of a company.

    Returns
    -------
    Page
    """
    results, faults = study.quality(), study.faults()
    sections = [_visits(study, results), _mend(faults), _doubt(study, results), _files(study), _fates(study)]
    return Page(
        TITLE,
        _verdict(study),
        [s for s in sections if s],
        results,
        study.small_group,
        _sentences(study, results),
        methods=methods.links_of("records"),
    )


def _verdict(study: Study) -> str:
    account = study.records.account
    read, aside = int(account["rows_read"].sum()), int(account["rows_set_aside"].sum())
    if not aside:
        return f"All {read:,} rows of the records were used."
    return f"{aside:,} of {read:,} rows could not be used."


def _sentences(study: Study, results: pd.DataFrame) -> list[str]:
    lines = []
    visits = pick(results, "visits_completed_share", ["month"], study.period.name)
    if len(visits):
        last = visits.sort_values("month").iloc[-1]
        month, share = month_name(last["month"]), f"{last['estimate']:.0f}%"
        lines.append(f"In {month} the sites saw {share} of the planned visits ({last['note']}).")
    air = result_text(results, study.small_group, "air_known_share", study.period.name)
    if not air.empty:
        lines.append(f"The air is known for {air['estimate']}% of the plants' days.")
    return lines


def _mend(faults: pd.DataFrame) -> Section:
    """The faults to mend, most harmful first."""
    todo = _to_mend(faults)
    records = pd.DataFrame(
        {
            "What": [CATALOGUE[code].title for code in todo.index],
            "How many": [f"{count:,}" for count in todo["count"]],
            "First of them": [
                f"{row.file}, line {int(row.line)}" if pd.notna(row.line) else str(row.file)
                for row in todo.itertuples()
            ],
            "What to do": [CATALOGUE[code].remedy for code in todo.index],
        },
        dtype="object",
    )
    total = int(todo["count"].sum())
    message = (
        f"{words.count_of(total, 'row')} should be looked at; {CATALOGUE[todo.index[0]].title} first."
        if len(todo)
        else "No fault was found."
    )
    table = Listing("To mend, most harmful first", records, most=MEND_FIRST, rest="findings.xlsx")
    return Section("mend", message, "Histories that cannot be come before what is only odd.", table=table)


def _to_mend(faults: pd.DataFrame) -> pd.DataFrame:
    """One row per code that sound records do not have: severity, count, file and line of the first."""
    todo = faults[~faults["code"].isin([code for code, entry in CATALOGUE.items() if entry.expected])]
    kinds = todo.groupby("code", sort=False).agg(
        severity=("severity", "first"), count=("count", "sum"), file=("file", "first"), line=("line", "first")
    )
    return kinds.sort_values(["severity", "count"], ascending=[True, False], kind="stable")


def decisions(study: Study) -> list[Decision]:
    """Decision about the most harmful fault of the records.

    Parameters
    ----------
    study : Study
        What the page is about.

    Returns
    -------
    list of Decision
        None or one.
    """
    todo = _to_mend(study.faults())
    worst = todo[todo["severity"].eq("impossible")]
    if worst.empty:
        return []
    code, row = worst.index[0], worst.iloc[0]
    return [
        Decision(
            f"Mend the records: {CATALOGUE[code].title}",
            f"{row['file']}, {words.count_of(row['count'], 'row')}",
            float("nan"),
            "certain: the rows cannot all be true",
            1,
            "records",
            "mend",
        )
    ]


def _files(study: Study) -> Section:
    account = study.records.account
    names = {
        "table": "Table",
        "file": "File",
        "rows_read": "Rows read",
        "rows_used": "Used",
        "rows_set_aside": "Set aside",
    }
    missing = [name for name in ("visits", "contracts", "moves", "readings") if name not in set(account["table"])]
    message = "Every row is accounted for: read = used + set aside."
    sentences = [f"There is no table of {words.listed(missing)}: what rests on it is not told."] if missing else []
    table = Listing("Rows of the files", account.rename(columns=names))
    return Section("files", message, "", table=table, sentences=sentences)


def _doubt(study: Study, results: pd.DataFrame) -> Section:
    parts = {m: result_text(results, study.small_group, m, study.period.name) for m in SUSPICIONS}
    known = {m: row for m, row in parts.items() if not row.empty}
    records = pd.DataFrame(
        [
            {
                "Which": SUSPICIONS[m],
                "Lost": row["losses"],
                "Lost per 100 plants a year": row["estimate"],
                "could be": row["interval"],
                "Remark": row["note"],
            }
            for m, row in known.items()
        ],
        dtype="object",
    )
    least, most = (f(row["raw_estimate"] for row in known.values()) for f in (min, max))
    message = (
        "How far doubtful records move the loss rate cannot be told: no plant was followed."
        if math.isnan(most - least)
        else "Doubtful records do not move the loss rate."
        if most - least < 0.5
        else f"Doubtful records could move the loss rate from {least:.0f} to {most:.0f} per 100 plants a year."
    )
    table = Listing(f"Loss rate of {study.period.name}, with and without what is doubtful", records)
    return Section("doubt", message, "", table=table)


def _visits(study: Study, results: pd.DataFrame) -> Section | None:
    rows = Rows("visits_completed_share", ["site_id"], descending=False, most=12)
    counts = rows.select(results)
    if counts.empty:
        return None
    few = int(counts["estimate"].lt(90).sum())
    message = (
        f"{words.count_of(few, 'site')} saw fewer than 9 in 10 of the planned visits."
        if few
        else "All sites saw their planned visits."
    )
    chart = Bars(
        Rows("visits_completed_share", ["month"], order="month", descending=False, most=12),
        lambda row: month_name(row["month"]),
        "% of planned visits made",
        small=True,
    )
    columns: dict[str, Field | str] = {
        "Site": Field("site_id", words=lambda site: study.name_of("site", site)),
        "% of planned visits made": "estimate",
        "Visits": "note",
    }
    table = Table("Sites with the fewest planned visits made", rows, columns)
    return Section(
        "visits", message, f"In {study.period.name}; the chart: by month, all sites.", chart=chart, table=table
    )


def _fates(study: Study) -> Section:
    names = {
        "table": "From",
        "fate": "What became of it",
        "rows": "Rows",
        "plants": "Plants",
        "first_ids": "First of them",
    }
    table = Listing("What became of every plant row and every reported exit", study.account().rename(columns=names))
    return Section("fates", "Every plant and every reported exit is accounted for.", table=table, appendix=True)
