"""From a folder of files to typed records and the account of every row."""

from __future__ import annotations

import time
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from plantstats.digests import file_digest
from plantstats.records import cache, derive, duplicates, installations, keys, observation, parts
from plantstats.records.detect import open_file
from plantstats.records.errors import RecordError
from plantstats.records.find import Source, branch_faults, find_files, find_unused
from plantstats.records.write import ACCOUNT, NOTES, TableWriter, set_aside_frame
from plantstats.schema.tables import TABLES, Table
from plantstats.schema.text import nearest
from plantstats.settings import Settings, SettingsError, read_settings

SETTINGS_FILE = "records.toml"
MISSING_TABLE = "missing table"  # kind of a note
COUNTS = ("line", "rows_read", "rows_used", "rows_set_aside", "count")  # columns of whole numbers


@dataclass(frozen=True)
class Records:
    """Typed records of one company, with the account of every row.

    Attributes
    ----------
    folder : Path
    settings : Settings
    supplied : dict of str to list of str
        Canonical columns that the files of each table have.
    account : pandas.DataFrame
        One row per table and file: table, file, rows_read, rows_used, rows_set_aside.
    set_aside : pandas.DataFrame
        One row per fault: table, file, line, column, text, code, scope, reason, plant_id, site_id. Where the scope is
        "row" the row is not used; where it is "cell" one value of it is missing.
    notes : pandas.DataFrame
        What was decided while reading: table, file, kind, column, count, text.
    digests : dict of str to str
        File name -> SHA-256, the settings file too.
    cache : Path
        Folder of the typed Parquet files.
    shared : dict
        What other rooms made of the records and use again, by a key of theirs.
    """

    folder: Path
    settings: Settings
    supplied: dict[str, list[str]]
    account: pd.DataFrame
    set_aside: pd.DataFrame
    notes: pd.DataFrame
    digests: dict[str, str]
    cache: Path
    _tables: dict[str, pd.DataFrame] = field(default_factory=dict, repr=False)
    # What rooms above made of these very records and may make use of again; another set of records begins empty.
    shared: dict[Any, Any] = field(default_factory=dict, init=False, repr=False, compare=False)

    def parquet(self, name: str) -> Path:
        """Typed Parquet file of a table.

        Parameters
        ----------
        name : str
            Of a canonical table.

        Returns
        -------
        Path

        Raises
        ------
        KeyError
            For a table that is not canonical.
        """
        if name not in TABLES:
            raise KeyError(f"no table {name!r}; tables: {', '.join(TABLES)}")
        return self.cache / f"{name}.parquet"

    def table(self, name: str) -> pd.DataFrame:
        """Typed table: one row per row used; the canonical columns, then raw cause texts, file, line.

        Parameters
        ----------
        name : str
            Of a canonical table.

        Returns
        -------
        pandas.DataFrame

        Raises
        ------
        KeyError
            For a table that is not canonical.
        """
        if name not in self._tables:
            self._tables[name] = to_pandas(pq.read_table(self.parquet(name)))
        return self._tables[name].copy()


def to_pandas(table: pa.Table) -> pd.DataFrame:
    """Arrow to pandas in the promised types: str, datetime64[us], boolean, Int64, float64.

    Parameters
    ----------
    table : pyarrow.Table
        Typed, as the schema says.

    Returns
    -------
    pandas.DataFrame
    """
    types: dict[pa.DataType, Any] = {pa.bool_(): pd.BooleanDtype(), pa.int64(): pd.Int64Dtype()}
    dates = [f.name for f in table.schema if pa.types.is_date(f.type)]
    for name in dates:
        at = table.schema.get_field_index(name)
        table = table.set_column(at, name, table.column(name).cast(pa.timestamp("us")))
    frame = table.to_pandas(types_mapper=types.get)
    for f in table.schema:
        if pa.types.is_string(f.type):
            frame[f.name] = frame[f.name].astype("str")
    if "line" in frame:
        frame["line"] = frame["line"].astype("int64")
    return frame


def load(folder: Path | str, settings: Path | Settings | None = None) -> Records:
    """Read the tables of a folder.

    Parameters
    ----------
    folder : Path or str
    settings : Path or Settings, optional
        A settings file; records.toml in the folder where not given.

    Returns
    -------
    Records

    Raises
    ------
    RecordError
        Naming every table that cannot be used and why.

    Notes
    -----
    For each file rows_read = rows_used + rows_set_aside; every fault stands in `set_aside`.
    """
    records, faults = survey(folder, settings)
    if faults:
        raise RecordError(faults)
    return records


def survey(folder: Path | str, settings: Path | Settings | None = None) -> tuple[Records, list[str]]:
    """Read as much of a folder as can be read, so that every fault is named in one run.

    Parameters
    ----------
    folder, settings
        As of `load`.

    Returns
    -------
    records : Records
        A table that cannot be used is empty.
    faults : list of str
        Of those tables; none means that `load` works.

    Raises
    ------
    RecordError
        For a folder or settings file that cannot be used.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise RecordError([f"{folder} is not a folder"])
    chosen, settings_digest = _settings(folder, settings)
    sources, missing = _find_all(folder, chosen)
    paths = {source.path for files in sources.values() for source in files}
    digests = {path.relative_to(folder).as_posix(): file_digest(path) for path in sorted(paths) if path.is_file()}
    unused = find_unused(folder, paths)
    target = cache.folder_of(folder) / cache.key_of(digests, chosen, [*missing, *unused])
    if cache.ensure(target, partial(_build, folder, sources, chosen, digests, missing, unused, target)):
        cache.remove_earlier(target)
        cache.remove_parts(target, time.time())
    records, faults = _from_cache(folder, target, chosen)
    return replace(records, digests=records.digests | settings_digest), faults


def _settings(folder: Path, given: Path | Settings | None) -> tuple[Settings, dict[str, str]]:
    """The settings, and the digest of their file: what they say can move every number of a report."""
    if isinstance(given, Settings):
        return given, {}
    path = Path(given) if given is not None else folder / SETTINGS_FILE
    if given is not None and not path.exists():
        raise RecordError([f"no settings file {path}"])
    try:
        settings = read_settings(path)
    except SettingsError as error:
        raise RecordError(error.faults) from None
    return settings, {path.name: file_digest(path)} if path.exists() else {}


def _find_all(folder: Path, settings: Settings) -> tuple[dict[str, list[Source]], list[str]]:
    """The files of every table, and the faults of those that are missing or not clear."""
    faults: list[str] = []
    sources: dict[str, list[Source]] = {}
    for name, table in TABLES.items():
        sources[name] = []
        try:
            sources[name] = find_files(folder, table, settings.table(name))
        except RecordError as error:
            faults += error.faults
            continue
        if table.must_exist and not sources[name]:
            claim = "; an empty list is a claim that nothing was lost, so it must be made in writing"
            faults.append(f"no {name} file in the folder (such as {name}.csv){claim if name == 'replacements' else ''}")
    if settings.ids_by_branch:
        faults += branch_faults(folder, sources)
    return sources, faults


def _build(
    folder: Path,
    sources: dict[str, list[Source]],
    settings: Settings,
    digests: dict[str, str],
    missing: list[str],
    unused: dict[str, str],
    cached: Path,
    target: Path,
) -> None:
    """Fill a cache: a typed Parquet file for each table, the account, the faults and the notes."""
    faults = list(missing)
    supplied: dict[str, list[str]] = {}
    account: list[dict[str, Any]] = []
    set_aside: list[pa.Table] = []
    used_parts: list[str] = []
    notes: list[tuple[Any, ...]] = [("", name, "unused file", "", 0, why) for name, why in unused.items()]

    def type_table(table: Table) -> tuple[TableWriter, list[str], list[str]]:
        own_faults, own_parts = [], []
        options = settings.table(table.name)
        with TableWriter(table, target / f"{table.name}.parquet") as writer:
            for source in sources[table.name]:
                try:
                    if source.parts:
                        digest = digests[source.path.relative_to(folder).as_posix()]
                        place = parts.read(source, folder, table, settings, digest, cached.parent / cache.PARTS)
                        parts.add(writer, place)
                        own_parts.append(place.name)
                    else:
                        writer.add_file(open_file(source.path, folder, table, options), options, settings)
                except RecordError as error:
                    own_faults += error.faults
        return writer, own_faults, own_parts

    # The log of visits is as large as all others together; Arrow reads and writes without Python's lock.
    with ThreadPoolExecutor(2) as pool:
        for (name, files), (writer, own_faults, own_parts) in zip(
            sources.items(), pool.map(type_table, TABLES.values()), strict=True
        ):
            if not files:
                notes.append((name, "", MISSING_TABLE, "", 0, "no file of this table"))
            supplied[name] = writer.supplied
            account += writer.account
            set_aside += writer.set_aside
            notes += writer.notes
            faults += own_faults
            used_parts += own_parts
    set_aside += duplicates.set_aside(target, account)
    set_aside += keys.set_aside(target, account)
    doubled, notes_of_ids = installations.separate(target, settings.plant_ids, account)
    set_aside += doubled
    notes += notes_of_ids
    notes += derive.fill(target, settings)
    notes += observation.fill(target)
    faults += _unknown_sites(settings, target)
    set_aside_frame(set_aside).to_parquet(target / "set_aside.parquet")
    pd.DataFrame(account, columns=list(ACCOUNT)).to_parquet(target / "account.parquet")
    pd.DataFrame(notes, columns=list(NOTES)).to_parquet(target / "notes.parquet")
    tables = {path.name: file_digest(path) for path in sorted(target.glob("*.parquet"))}
    content = {"digests": digests, "supplied": supplied, "faults": faults, "tables": tables, "parts": used_parts}
    cache.write_content(target, {"key": cached.name, **content})


def _unknown_sites(settings: Settings, target: Path) -> list[str]:
    """Sites that only the settings know: a slip of the pen there would otherwise go without a word."""
    known = pq.read_table(target / "sites.parquet", columns=["site_id"])["site_id"].to_pylist()
    faults = []
    for site in settings.sites if known else ():
        if site not in known:
            near = nearest(site, known)
            hint = f"; did you mean {near}?" if near else ""
            faults.append(f"settings: sites.{site}: the table of sites has no such site{hint}")
    return faults


def _from_cache(folder: Path, target: Path, settings: Settings) -> tuple[Records, list[str]]:
    content = cache.read_content(target)
    frames = {name: pd.read_parquet(target / f"{name}.parquet") for name in ("account", "set_aside", "notes")}
    for frame in frames.values():
        for column in frame.columns.difference(COUNTS):
            frame[column] = frame[column].astype("str")
    records = Records(
        folder=folder,
        settings=settings,
        supplied=content["supplied"],
        digests=content["digests"],
        cache=target,
        **frames,
    )
    return records, content["faults"]
