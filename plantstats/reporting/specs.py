"""Pages as specs: sections of a message, at most one chart and one table, all made from findings."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import pandas as pd
from matplotlib.figure import Figure

from plantstats.findings import for_display, pick
from plantstats.reporting import display, drawing
from plantstats.reporting.display import Shown

NUMERIC = frozenset({"n_plants", "plant_days", "losses", "estimate", "result", "interval", "low", "high"})
MOST_ROWS = 20


@dataclass(frozen=True)
class Field:
    """What one column of a table shows.

    Attributes
    ----------
    name : str
        A column of `findings.for_display` ("estimate", "interval", "result", "losses", "n_plants", "note", "unit") or
        a grouping ("species").
    measure : str
        The measure whose row of the same groups is meant; "" is the table's own.
    period : str or None
        Likewise; None is the table's own.
    words : callable or None
        Text to text: a code into a name.
    """

    name: str = "result"
    measure: str = ""
    period: str | None = None
    words: Callable[[str], str] | None = None


@dataclass(frozen=True)
class Rows:
    """Which findings a chart or table shows, and in which order.

    Attributes
    ----------
    measure : str
        Its rows.
    by : sequence of str
        Split by exactly these groupings.
    period : str or None
        Of one period only.
    where : callable or None
        Findings to a boolean series: which rows to keep.
    order : str
        Column to sort by; ties by the groupings.
    descending : bool
        Largest first.
    most : int
        How many rows are shown; the rest is counted under the table.
    """

    measure: str
    by: Sequence[str] = ()
    period: str | None = None
    where: Callable[[pd.DataFrame], pd.Series] | None = None
    order: str = "estimate"
    descending: bool = True
    most: int = MOST_ROWS

    def select(self, findings: pd.DataFrame) -> pd.DataFrame:
        """All rows that qualify, in order.

        Parameters
        ----------
        findings : pandas.DataFrame
            Results.

        Returns
        -------
        pandas.DataFrame
        """
        rows = pick(findings, self.measure, list(self.by), self.period)
        if self.where is not None and len(rows):
            rows = rows[self.where(rows)]
        by = [c for c in self.by if c != self.order]
        return rows.sort_values([self.order, *by], ascending=[not self.descending] + [True] * len(by), kind="stable")


@dataclass(frozen=True)
class Table:
    """A table of findings.

    Attributes
    ----------
    caption : str
        Above the table.
    rows : Rows
        Which findings.
    columns : mapping of str to Field or str
        Heading to what stands there; a bare text is ``Field(text)``.
    anchor : str
        A row can be linked to as "#<anchor>-<its first group>"; "" for no anchors.
    rest : str
        The file that holds the rows left out.
    total : str
        What a last row of the whole, from the findings that are not split, is called; "" for none.
    """

    caption: str
    rows: Rows
    columns: Mapping[str, Field | str]
    anchor: str = ""
    rest: str = "findings.xlsx"
    total: str = ""

    def frame(self, findings: pd.DataFrame, small_group: int) -> pd.DataFrame:
        """What the table shows, as text: rounded, and withheld for small groups.

        Parameters
        ----------
        findings : pandas.DataFrame
            All findings of the page.
        small_group : int
            Groups with fewer plants keep their counts, not their estimates.

        Returns
        -------
        pandas.DataFrame
            One column per heading, all qualifying rows.
        """
        base = self.rows.select(findings)
        keys = [tuple(row) for row in base[list(self.rows.by)].itertuples(index=False, name=None)]
        shown: dict[tuple[str, str | None], pd.DataFrame] = {
            ("", None): for_display(base, small_group, same_decimals=True)
        }
        columns = {}
        for heading, wanted in self._fields.items():
            source = (wanted.measure, wanted.period)
            if source not in shown:
                period = wanted.period if wanted.period is not None else self.rows.period
                others = pick(findings, wanted.measure or self.rows.measure, list(self.rows.by), period)
                others = others.drop_duplicates(list(self.rows.by)) if self.rows.by else others.head(1)
                shown[source] = for_display(others, small_group, same_decimals=True)
            table = shown[source]
            if source == ("", None):
                values = list(table[wanted.name]) if wanted.name in table else [""] * len(table)
            else:
                known = table[list(self.rows.by)].itertuples(index=False, name=None)
                at = dict(zip(map(tuple, known), table[wanted.name], strict=True))
                values = [at.get(key, "") for key in keys]
            words = wanted.words
            columns[heading] = [words(str(v)) if words and v != "" else v for v in values]
        if self.total and len(base):
            for place, (heading, wanted) in enumerate(self._fields.items()):
                columns[heading].append(self.total if place == 0 else self._whole(findings, wanted))
        # A column that says nothing in any row takes room on a phone and says nothing.
        filled = {h: v for h, v in columns.items() if not v or any(str(x) != "" for x in v)}
        return pd.DataFrame(filled, dtype="object")

    @property
    def _fields(self) -> dict[str, Field]:
        return {h: f if isinstance(f, Field) else Field(f) for h, f in self.columns.items()}

    def _whole(self, findings: pd.DataFrame, wanted: Field) -> str:
        """A column's value of the findings that are not split."""
        rows = pick(findings, wanted.measure or self.rows.measure, [], wanted.period or self.rows.period).head(1)
        shown = for_display(rows, 0, same_decimals=True)
        return str(shown[wanted.name].iloc[0]) if len(shown) and wanted.name in shown and not wanted.words else ""

    def show(self, findings: pd.DataFrame, small_group: int, frame: pd.DataFrame | None = None) -> Shown:
        """The table for the page and JupyterLab.

        Parameters
        ----------
        findings : pandas.DataFrame
            Results.
        small_group : int
            Groups with fewer plants keep their counts, but not their estimates.
        frame : pandas.DataFrame, optional
            What `frame` gives, if made already.

        Returns
        -------
        Shown
        """
        firsts = self.rows.select(findings)[self.rows.by[0]].astype("str") if self.anchor else ()
        ids = [f"{self.anchor}-{first}" for first in firsts] if self.anchor else None
        if ids is not None and self.total:
            ids.append(f"{self.anchor}-total")
        return display.table(
            self.frame(findings, small_group) if frame is None else frame,
            self.caption,
            rows=self.rows.most,
            rest=self.rest,
            numeric={h for h, f in self._fields.items() if f.name in NUMERIC and f.words is None},
            soft={h for h, f in self._fields.items() if f.name in ("interval", "note")},
            ids=ids,
            total=bool(self.total),
        )


@dataclass(frozen=True)
class Listing:
    """A list of records (plants lost, faults): no estimates, so nothing to withhold.

    Attributes
    ----------
    caption : str
        Above the list.
    records : pandas.DataFrame
        One row per record, columns as headings, values as text or numbers.
    most : int
        How many rows are shown.
    rest : str
        The file that holds the rows left out.
    ids : sequence of str or None
        Anchor of each row.
    links : mapping of str to sequence of str
        Heading to where each of its cells leads: a page of the pack and a row on it.
    numeric, soft : sequence of str
        Headings whose cells stand at the right, or in grey.
    total : bool
        Whether the last row is the sum of the others.
    room : bool
        Whether its cells are to be written in.
    """

    caption: str
    records: pd.DataFrame
    most: int = 100
    rest: str = "findings.xlsx"
    ids: Sequence[str] | None = None
    links: Mapping[str, Sequence[str]] = field(default_factory=dict)
    numeric: Sequence[str] = ()
    soft: Sequence[str] = ()
    total: bool = False
    room: bool = False

    def frame(self, _findings: pd.DataFrame, _small_group: int) -> pd.DataFrame:
        """The records themselves.

        Parameters
        ----------
        _findings : pandas.DataFrame
            Not needed.
        _small_group : int
            Not needed: whole quarters of the company.

        Returns
        -------
        pandas.DataFrame
        """
        return self.records

    def show(self, _findings: pd.DataFrame, _small_group: int, _frame: pd.DataFrame | None = None) -> Shown:
        """The list for the page and JupyterLab.

        Parameters
        ----------
        _findings : pandas.DataFrame
            Not needed.
        _small_group : int
            Not needed: whole quarters of the company.
        _frame : pandas.DataFrame, optional
            Not needed: the records themselves.

        Returns
        -------
        Shown
        """
        return display.table(
            self.records,
            self.caption,
            rows=self.most,
            rest=self.rest,
            numeric=self.numeric or None,
            soft=self.soft,
            ids=self.ids,
            links=self.links,
            total=self.total,
            room=self.room,
        )


class Chart(ABC):
    """A chart made from findings: which rows it shows, how they are drawn and told (see `reporting.charts`)."""

    @abstractmethod
    def _rows(self, findings: pd.DataFrame, small_group: int) -> pd.DataFrame:
        """What is shown: nothing of a group too small, but for counts and money of our own."""

    @abstractmethod
    def _drawing(self, rows: pd.DataFrame) -> Figure:
        """These rows, at least one, as a drawing."""

    @abstractmethod
    def _in_words(self, rows: pd.DataFrame) -> str:
        """These rows in a sentence or two."""

    def draw(self, findings: pd.DataFrame, small_group: int) -> Figure | None:
        """The drawing.

        Parameters
        ----------
        findings : pandas.DataFrame
            Results.
        small_group : int
            Groups with fewer plants keep their counts, but not their estimates.

        Returns
        -------
        Figure or None
            None where there is nothing to draw.
        """
        rows = self._rows(findings, small_group)
        return None if rows.empty else self._drawing(rows)

    def words(self, findings: pd.DataFrame, small_group: int) -> str:
        """What it shows, in one or two sentences, for those who cannot see it.

        Parameters
        ----------
        findings, small_group
            As in `draw`.

        Returns
        -------
        str
            Empty where there is nothing to draw.
        """
        rows = self._rows(findings, small_group)
        return "" if rows.empty else self._in_words(rows)


@dataclass(frozen=True)
class Section:
    """One message of a page, with what it rests on.

    Attributes
    ----------
    key : str
        Its name in the notebook and its anchor.
    message : str
        The heading: what was found, made from findings.
    shown : str
        A grey line below: what is shown, of what, with which limits.
    chart : Chart or None
        At most one.
    table : Table or Listing or None
        At most one.
    sentences : sequence of str
        Further sentences, below the chart.
    note : str
        A caution, last.
    half : bool
        It may stand beside another of half the width.
    appendix : bool
        Whether its table stands in findings.xlsx alone.
    """

    key: str
    message: str
    shown: str = ""
    chart: Chart | None = None
    table: Table | Listing | None = None
    sentences: Sequence[str] = ()
    note: str = ""
    half: bool = False
    appendix: bool = False


@dataclass(frozen=True)
class Box:
    """One number of the brief: large, with a line below.

    Attributes
    ----------
    number : str
        Such as "13 plants lost".
    below : str
        What it is compared with.
    warns : bool
        Whether its edge carries the colour of warning.
    """

    number: str
    below: str
    warns: bool = False


@dataclass(frozen=True)
class Page:
    """A page: verdict, sections, and the findings that every number on it comes from.

    Attributes
    ----------
    title : str
        The page's name, such as "Losses".
    verdict : str
        The first line: the answer.
    sections : sequence of Section
        In their order.
    findings : pandas.DataFrame
        All results of the page.
    small_group : int
        See `findings.for_display`.
    sentences : sequence of str
        Below the first chart, a few short ones; the command prints them too.
    boxes : sequence of Box
        Below the verdict.
    methods : mapping of str to str
        Sections of the method page that say how its numbers are worked out: address to title.
    """

    title: str
    verdict: str
    sections: Sequence[Section]
    findings: pd.DataFrame
    small_group: int
    sentences: Sequence[str] = field(default=())
    boxes: Sequence[Box] = field(default=())
    methods: Mapping[str, str] = field(default_factory=dict)
    _frames: dict[int, pd.DataFrame] = field(default_factory=dict, init=False, repr=False, compare=False)

    def __getitem__(self, key: str) -> Shown:
        """One section, to be looked at; in JupyterLab its numbers are at hand as `frame(key)`."""
        return self._show(self._section(key))

    def _section(self, key: str) -> Section:
        by_key = {section.key: section for section in self.sections}
        if key not in by_key:
            raise KeyError(f"no section {key!r}; sections: {', '.join(by_key)}")
        return by_key[key]

    def frame(self, key: str) -> pd.DataFrame:
        """The table of a section as a frame, for further work.

        Parameters
        ----------
        key : str
            Of the section.

        Returns
        -------
        pandas.DataFrame
        """
        table = self._section(key).table
        return pd.DataFrame() if table is None else self._frame(table)

    def _frame(self, table: Table | Listing) -> pd.DataFrame:
        """What a table shows, made once: it is shown, measured and saved."""
        if id(table) not in self._frames:
            self._frames[id(table)] = table.frame(self.findings, self.small_group)
        return self._frames[id(table)]

    def tables(self) -> list[tuple[str, pd.DataFrame]]:
        """The tables of the page, all rows, with their captions.

        Returns
        -------
        list of tuple of str, pandas.DataFrame
        """
        tables = [section.table for section in self.sections if section.table is not None]
        return [(table.caption, self._frame(table)) for table in tables]

    @property
    def head(self) -> Shown:
        """The verdict, and the boxes below it."""
        parts = [display.head(self.verdict)]
        if self.boxes:
            parts.append(display.boxes([(box.number, box.below, box.warns) for box in self.boxes]))
        return display.join(parts)

    @property
    def rest(self) -> Shown:
        """All sections, in order; the page's sentences below the first chart; last, how they are worked out."""
        sections = list(self.sections)
        if sections and self.sentences:
            sections[0] = replace(sections[0], sentences=[*self.sentences, *sections[0].sentences])
        parts = [self._show(section) for section in sections]
        return display.join([*parts, display.links("How this is worked out", self.methods)] if self.methods else parts)

    def _repr_html_(self) -> str:
        return display.join([self.head, self.rest])._repr_html_()

    def _repr_mimebundle_(self, include: object = None, exclude: object = None) -> dict[str, str]:
        return display.join([self.head, self.rest])._repr_mimebundle_()

    def __repr__(self) -> str:
        """The plain form."""
        return "\n".join([self.verdict, *self.sentences, *(f"- {s.key}: {s.message}" for s in self.sections)])

    def _show(self, section: Section) -> Shown:
        parts = [display.heading(section.message, section.key, section.shown)]
        has_figure = False
        if section.chart is not None:
            figure = section.chart.draw(self.findings, self.small_group)
            if figure is not None:
                words = section.chart.words(self.findings, self.small_group)
                has_figure = True
                parts.append(drawing.figure(figure, f"{section.message} {words}".strip()))
        if section.sentences:
            parts.append(display.paragraphs(section.sentences))
        if section.table is not None and section.appendix:
            parts.append(display.rest(f"{section.table.caption}: in {section.table.rest}."))
        elif section.table is not None:
            parts.append(section.table.show(self.findings, self.small_group, self._frame(section.table)))
        if section.note:
            parts.append(display.note(section.note))
        pair = (
            has_figure
            and section.table is not None
            and not section.appendix
            and len(self._frame(section.table).columns) <= 4
        )
        return display.block(display.join(parts), "half" if section.half else "section pair" if pair else "section")


def result_text(
    findings: pd.DataFrame, small_group: int, measure: str, period: str | None = None, **groups: str
) -> pd.Series:
    """One result as text for a sentence: estimate, interval, losses, n_plants, note, and the raw values as `raw_*`.

    Parameters
    ----------
    findings : pandas.DataFrame
        All findings.
    small_group : int
        See `findings.for_display`.
    measure, period : str
        Which result.
    **groups : str
        Grouping to value; none for the whole.

    Returns
    -------
    pandas.Series
        Empty where there is no such result: ``if not result_text(...).empty``.
    """
    rows = pick(findings, measure, list(groups), period)
    for column, value in groups.items():
        rows = rows[rows[column].eq(value)]
    if rows.empty:
        return pd.Series(dtype="object")
    raw = rows.head(1)
    text = for_display(raw, small_group).iloc[0]
    numbers = {f"raw_{c}": raw[c].iloc[0] for c in ("estimate", "low", "high", "losses", "n_plants", "plant_days")}
    return pd.concat([text, pd.Series(numbers, dtype="object")])
