"""What changed since an earlier pack: things to decide that are new, open or gone, and numbers that were restated."""

from __future__ import annotations

from functools import partial
from pathlib import Path
from types import ModuleType

import pandas as pd

from plantstats import findings
from plantstats.findings import DEFINITIONS, GROUPINGS
from plantstats.pages import accounts, brief, losses, records, visits, watch, wears, words
from plantstats.reporting import revisions
from plantstats.reporting.specs import Listing, Page, Section
from plantstats.studies import Study, join, unless_refused

TITLE = "Changes"
PAGES = (losses, accounts, visits, watch, wears, records)
KINDS = {"site_id": "site", "client_id": "client", "species": "species"}
MOST = 20


def page(study: Study, earlier_dir: str) -> Page:
    """The page on what changed since an earlier pack.

    Parameters
    ----------
    study : Study
        One quarter of a company.
    earlier_dir : str
        Folder of the earlier pack; "" for none.

    Returns
    -------
    Page
        Where settings differ, one that says so and compares nothing.

    Raises
    ------
    ReportError
        For a folder that holds no pack that can be compared.
    """
    nothing = findings.table([])
    if not earlier_dir:
        return Page(TITLE, "No earlier review was named to compare with.", [], nothing, study.small_group)
    pack = revisions.read_pack(Path(earlier_dir))
    unlike = revisions.unlike_settings(pack.settings, study.settings())
    if unlike:
        verdict = f"Not compared with the review of {pack.quarter}: the settings are not the same."
        sentences = [f"{words.listed(unlike)}. Make that review again with the settings of today to compare."]
        return Page(TITLE, verdict, [], nothing, study.small_group, sentences)
    other = revisions.unlike_definitions(pack.definitions, DEFINITIONS)
    moved = revisions.restated(pack.findings, _results(study), other)
    decisions = revisions.compare_decisions(pack.decisions, brief.decision_table(study))
    count = decisions["state"].value_counts()
    verdict = (
        f"Since the review of {pack.quarter}: {count.get('new', 0)} things to decide are new, "
        f"{count.get('still open', 0)} still open, {count.get('gone', 0)} gone."
    )
    sections = [_decisions(decisions), _restated(study, moved, pack.quarter)]
    if other:
        left_out = f"Not compared, as they mean something else now: {words.listed(other)}."
        sections.append(Section("definitions", "Some measures have another definition.", sentences=[left_out]))
    return Page(TITLE, verdict, sections, nothing, study.small_group)


def _results(study: Study) -> pd.DataFrame:
    """All findings of the pack, as far as the records carry them."""
    whole = join(*(unless_refused(partial(_findings, one, study), findings.table([])) for one in PAGES))
    return whole.drop_duplicates(["measure", "period", "unit", "method", *findings.groupings(whole)])


def _findings(module: ModuleType, study: Study) -> pd.DataFrame:
    return module.page(study).findings


def _decisions(decisions: pd.DataFrame) -> Section:
    shown = decisions.rename(columns={"state": "State", "what": "What", "where": "Where"})[["State", "What", "Where"]]
    message = "What there was and is to decide." if len(shown) else "There was nothing to decide, and there is nothing."
    table = Listing("Things to decide, then and now", shown.astype("object"), most=MOST)
    below = "Gone: no longer asked for by the records, whether acted on or not."
    return Section("decisions", message, below, table=table if len(shown) else None)


def _restated(study: Study, moved: pd.DataFrame, quarter: str) -> Section:
    if moved.empty:
        return Section("restated", f"No number of {quarter} or before has changed.")
    records = pd.DataFrame(
        {
            "Quarter": list(moved["period"]),
            "What": [f"{name.replace('_', ' ')}{_group(study, row)}" for name, row in _named(moved)],
            "Lost, then": [_count(value) for value in moved["losses_then"]],
            "Lost, now": [_count(value) for value in moved["losses_now"]],
            "Then": _estimates(study, moved, "then"),
            "Now": _estimates(study, moved, "now"),
            "Unit": list(moved["unit"]),
            "Why": list(moved["reason"]),
        },
        dtype="object",
    )
    message = (
        f"{words.count_of(len(moved), 'number')} of earlier quarters {'has' if len(moved) == 1 else 'have'} changed."
    )
    shown = "Results whose counts of plants, days or losses are not what the earlier review said."
    return Section("restated", message, shown, table=Listing("Numbers restated", records, most=MOST))


def _named(moved: pd.DataFrame) -> list[tuple[str, dict[str, str]]]:
    groups = [c for c in GROUPINGS if c in moved]
    return list(zip(moved["measure"], moved[groups].to_dict("records"), strict=True))


def _group(study: Study, row: dict[str, str]) -> str:
    names = [study.name_of(KINDS.get(column, column), value) for column, value in row.items() if value]
    return f" ({', '.join(names)})" if names else ""


def _count(value: float) -> str:
    return "" if pd.isna(value) else f"{value:,.0f}"


def _estimates(study: Study, moved: pd.DataFrame, when: str) -> list[str]:
    """Estimates rounded, and withheld for small groups as everywhere."""
    columns = {f"{name}_{when}": name for name in ("n_plants", "losses", "plant_days", "estimate")}
    rows = moved.rename(columns=columns).assign(method="", note="").reindex(columns=list(findings.COLUMNS))
    return list(findings.for_display(rows, study.small_group)["estimate"])
