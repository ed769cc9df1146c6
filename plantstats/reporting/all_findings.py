"""The findings of all pages of a report: one table, each once though several pages rest on it, and the workbook."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

import pandas as pd

from plantstats import findings as results
from plantstats.reporting.outputs import NotebookResults, load_results


def gather(saved: Sequence[NotebookResults]) -> pd.DataFrame:
    """All findings, each once.

    Parameters
    ----------
    saved : sequence of NotebookResults
        Of the pages, at least one.

    Returns
    -------
    pandas.DataFrame
        For `plantstats.findings.table`.
    """
    whole = pd.concat([one.findings for one in saved], ignore_index=True)
    key = [c for c in whole.columns if c in ("measure", "period", "unit", "method", *results.GROUPINGS)]
    return whole.drop_duplicates(key, ignore_index=True)


def meanings(saved: Iterable[NotebookResults]) -> dict[str, str]:
    """What the measures mean.

    Parameters
    ----------
    saved : iterable of NotebookResults
        Of the pages.

    Returns
    -------
    dict of str to str
        Measure to sentence.
    """
    return {measure: text for one in saved for measure, text in one.definitions.items()}


def write_workbook(report: Callable[[str], None], titles: Mapping[str, str], path: str) -> None:
    """Write findings.xlsx from what pages saved: their tables, and all findings.

    Parameters
    ----------
    report : callable
        Not needed here.
    titles : mapping of str to str
        Folder of what a page saved to its title, in the order of the pages.
    path : str
        The file to write.
    """
    from plantstats.reporting import workbook  # noqa: PLC0415 (xlsxwriter is slow to import)

    saved = {title: one for folder, title in titles.items() if (one := load_results(Path(folder))) is not None}
    tables = [(title, caption, frame) for title, one in saved.items() for caption, frame in one.tables]
    words = pd.DataFrame(sorted(meanings(saved.values()).items()), columns=["Measure", "What it means"], dtype="object")
    tables.append(("All pages", "What the measures mean", words))
    workbook.write(Path(path), tables, results.table(gather([*saved.values()])))
