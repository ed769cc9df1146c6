"""Pages put into the folder of a report, each as soon as its notebook has ended."""

from __future__ import annotations

import functools
import shutil
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from plantstats.reporting import as_run, page, provenance
from plantstats.reporting.errors import is_reason
from plantstats.reporting.forks import Ended, Task
from plantstats.reporting.names import page_name
from plantstats.reporting.notebook_file import nbformat
from plantstats.reporting.parameters import Literal
from plantstats.reporting.processes import AFTER_LAST, Outcome

FOR_CLIENT = "This page could not be made."
PDF = ".pdf"
FILES = "files of "  # a page


@dataclass(frozen=True)
class PageWriter:
    """Where pages go, and what stands on them beside what their notebooks showed.

    Attributes
    ----------
    folder : Path
        Of the report that is being made.
    about : str
        One line for the head of the pages.
    record : mapping of str to object
        What made them (see `provenance.page_rows`), but for the commit.
    given : mapping of Path to mapping
        Notebooks of all pages, with the parameters of each.
    for_client, copies, method_page, as_pdf
        As in `runner.run`.
    """

    folder: Path
    about: str
    record: Mapping[str, object]
    given: Mapping[Path, Mapping[str, Literal]]
    for_client: bool
    copies: bool
    method_page: str
    as_pdf: Sequence[str]

    @functools.cached_property
    def commit(self) -> str | None:
        """Of this program."""
        return provenance.commit()

    @functools.cached_property
    def links(self) -> list[tuple[str, str]]:
        """File name and title of each page; none where there is one alone."""
        titles = {page_name(path): page.title(nbformat.read(path, as_version=4)) for path in self.given}
        return [(f"{name}.html", title or name) for name, title in titles.items()] if len(titles) > 1 else []

    def finished(self, outcome: Outcome) -> list[Task]:
        """Write a page, with a copy of its notebook and its files.

        Parameters
        ----------
        outcome : Outcome
            What became of the notebook.

        Returns
        -------
        list of Task
            Makes the files that the notebook left, and a PDF of the page, where one is wanted.
        """
        name, note = page_name(outcome.path), ""
        if outcome.error:
            note = FOR_CLIENT if self.for_client else f"This page could not be made. {reason(outcome)}"
        # Said once for all pages, where there is a page for it; a client is told what was done, not by which program.
        full = not self.for_client and name == (self.method_page or name)
        rows = provenance.page_rows({**self.record, "commit": self.commit}) if full else []
        html = page.render(outcome.notebook, outcome.body, name, self.about, rows, note, self.links)
        file = self.folder / f"{name}.html"
        file.write_text(html, encoding="utf-8")
        if is_unexpected(outcome) and not self.for_client:
            keep_failed(outcome, self.folder)
        for own in outcome.results.files if outcome.results else ():
            shutil.copy(own, self.folder / own.name)
        if self.copies and not outcome.error:
            as_run.write(outcome.notebook, self.folder / outcome.path.name, self.given[outcome.path])
        log, following = self.folder.parent / "following.log", []
        if outcome.results and (left := outcome.results.left):
            place = self._left(name)
            place.mkdir()
            following.append(Task(FILES + name, left["call"], {**left["arguments"], "folder": str(place)}, log))
        if name in self.as_pdf:
            following.append(Task(name + PDF, "plantstats.reporting.pdf:write_beside", {"page": str(file)}, log))
        return following

    def complete(self, outcome: Outcome, ended: Mapping[str, Ended]) -> Outcome:
        """Put in place what followed from a page; an error there costs the page, as one of its notebook does.

        Parameters
        ----------
        outcome : Outcome
            What became of the notebook; its page is written.
        ended : mapping of str to Ended
            How tasks ended, by their names.

        Returns
        -------
        Outcome
            The same, or with that error.
        """
        name = page_name(outcome.path)
        faults = [ended[task].fault for task in (FILES + name, name + PDF) if task in ended]
        if not any(faults):
            for path in self._left(name).glob("*"):
                path.replace(self.folder / path.name)
            return outcome
        kind, why = next(filter(None, faults))
        kind = kind.rpartition(":")[2]
        lost = replace(outcome, results=None, body="", error=kind, reason=why, cell=AFTER_LAST)
        (self.folder / outcome.path.name).unlink(missing_ok=True)
        self.finished(lost)
        return lost

    def _left(self, name: str) -> Path:
        """Where the files of a page are made that its notebook left."""
        return self.folder.parent / name / "left"


def reason(outcome: Outcome) -> str:
    """Why a page could not be made.

    Parameters
    ----------
    outcome : Outcome
        Of a notebook that an error ended.

    Returns
    -------
    str
        With the cell, unless it is for the user to put right.
    """
    if is_reason(outcome.error):
        return outcome.reason
    where = {0: "before the first cell", AFTER_LAST: "its files"}.get(outcome.cell, f"cell {outcome.cell}")
    return f"{outcome.path.name}: {where}: {outcome.error}: {outcome.reason}"


def is_unexpected(outcome: Outcome) -> bool:
    """Whether an error ended a notebook that its user cannot put right.

    Parameters
    ----------
    outcome : Outcome
        What became of it.

    Returns
    -------
    bool
    """
    return bool(outcome.error) and not is_reason(outcome.error)


def keep_failed(outcome: Outcome, folder: Path) -> Path:
    """Write what was made of a notebook that an unexpected error ended, for whoever looks for the fault.

    Parameters
    ----------
    outcome : Outcome
        What became of it.
    folder : Path
        Where to write.

    Returns
    -------
    Path
        <page>.failed.ipynb.
    """
    path = folder / f"{page_name(outcome.path)}.failed.ipynb"
    nbformat.write(outcome.notebook, path)
    return path
