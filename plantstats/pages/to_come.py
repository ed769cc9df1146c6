"""The section on losses still to come to light."""

from __future__ import annotations

import pandas as pd

from plantstats.findings import pick
from plantstats.pages import words
from plantstats.reporting.specs import Listing, Section, result_text
from plantstats.studies import Study


def section(study: Study, results: pd.DataFrame) -> Section | None:
    """The quarter both ways, as found so far and with losses not found yet; the last estimate and what came of it.

    Parameters
    ----------
    study : Study
        What the page is about.
    results : pandas.DataFrame
        Findings, with those of `Study.losses_to_come`.

    Returns
    -------
    Section or None
        None for one client.
    """
    row = result_text(results, study.small_group, "losses_to_come", study.period.name)
    if study.client or row.empty:
        return None
    if pd.isna(row["raw_estimate"]):
        return Section("not_found_yet", f"Losses not found yet: {row['note']}.")
    number = round(row["raw_estimate"])
    message = "Next to none of the plants lost by the quarter's end is still to come to light"
    if number:
        more = f"{number:,} more plant{'' if number == 1 else 's'}"
        message = f"About {more} lost by the quarter's end {'has' if number == 1 else 'have'} not come to light yet"
    quarters = [name for name in pick(results, "losses_to_come")["period"] if name != study.period.name] + [
        study.period.name
    ]
    records = pd.DataFrame([_both_ways(study, results, name) for name in quarters], dtype="object")
    return Section(
        "not_found_yet",
        f"{message}: {row['raw_low']:.0f} to {row['raw_high']:.0f}.",
        "Plants die between visits and are found at the next; lines are written later still. Accounts count by the day "
        "found.",
        sentences=[text for text in (_noted_dead(results, study.period.name), _came_since(results, quarters)) if text],
        table=Listing(
            "Losses by the day found, and by the day they happened (half-way between last seen alive and found)",
            records,
            numeric=[heading for heading in records if heading != "Quarter"],
        ),
    )


def _both_ways(study: Study, results: pd.DataFrame, quarter: str) -> dict[str, str]:
    """One quarter as found and as happened, each by the records of as many days after its end."""
    columns = {
        "Found": ("losses_on_record", "estimate"),
        "Happened, on record": ("losses_happened", "estimate"),
        "Still to come": ("losses_to_come", "result"),
        "Happened, in all": ("losses_with_to_come", "result"),
        "Came since": ("losses_come_since", "estimate"),
    }
    texts = {}
    for heading, (measure, column) in columns.items():
        row = result_text(results, study.small_group, measure, quarter)
        texts[heading] = "" if row.empty else str(row[column])
    return {"Quarter": quarter, **texts}


def _noted_dead(results: pd.DataFrame, quarter: str) -> str:
    noted = int(pick(results, "losses_noted_dead", period=quarter)["estimate"].sum())
    if not noted:
        return ""
    return f"Of them {words.plants(noted)} stood as dead in the visit log, with no replacement on record."


def _came_since(results: pd.DataFrame, quarters: list[str]) -> str:
    """What became of the estimate for the quarter before; empty where there was none."""
    before = quarters[0]
    came, row = pick(results, "losses_come_since", period=before), pick(results, "losses_to_come", period=before)
    if len(quarters) < 2 or came.empty or row["estimate"].isna().all():
        return ""
    number, low, high = int(came["estimate"].iloc[0]), row["low"].iloc[0], row["high"].iloc[0]
    verdict = (
        "as foretold" if low <= number <= high else "more than foretold" if number > high else "fewer than foretold"
    )
    return f"For {before} the same rule gave {low:.0f} to {high:.0f}; {number} came since: {verdict}."
