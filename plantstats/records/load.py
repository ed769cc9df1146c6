"""From a folder of files to typed records and the account of every row."""

from __future__ import annotations

import hashlib
import json
import os
import shutil
import tempfile
from dataclasses import dataclass, field, replace
from importlib import metadata
from pathlib import Path
from typing import Any

import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq

from plantstats.records import derive, old_caches, repeats
from plantstats.records.decoded import decode
from plantstats.records.errors import RecordError
from plantstats.records.files import ENDINGS, TableFile, files_of, open_file
from plantstats.records.intake import take_in
from plantstats.records.typed import NOTES, Writer, set_aside_frame
from plantstats.records.workbooks import digest_of
from plantstats.schema.tables import TABLES, schema
from plantstats.settings import Settings, SettingsError, read_settings

CACHE = ".plantstats_cache"
SETTINGS_FILE = "records.toml"
ACCOUNT = ("table", "file", "rows_read", "rows_used", "rows_set_aside")


@dataclass(frozen=True)
class Records:
    """Typed records of one company, with the account of every row."""

    folder: Path
    settings: Settings
    supplied: dict[str, list[str]]
    account: pd.DataFrame
    set_aside: pd.DataFrame
    notes: pd.DataFrame
    digests: dict[str, str]
    cache: Path
    _tables: dict[str, pd.DataFrame] = field(default_factory=dict, repr=False)

    def parquet(self, name: str) -> Path:
        """The typed Parquet file of a table."""
        if name not in TABLES:
            raise KeyError(f"no table {name!r}; tables: {', '.join(TABLES)}")
        return self.cache / f"{name}.parquet"

    def table(self, name: str) -> pd.DataFrame:
        """A typed table.

        Gives:  one row per row used: the canonical columns, then raw cause texts, file, line.
        """
        if name not in self._tables:
            self._tables[name] = to_pandas(pq.read_table(self.parquet(name)))
        return self._tables[name].copy()


def to_pandas(table: pa.Table) -> pd.DataFrame:
    """Arrow to pandas in the promised types: str, datetime64[us], boolean, Int64, float64."""
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

    Takes:  folder; settings: path of a settings file (default: records.toml in the folder) or Settings.
    Gives:  Records.
    Keeps:  for each file rows_read = rows_used + rows_set_aside; every fault stands in set_aside.
    Raises: RecordError, naming every table that cannot be used and why.
    """
    records, faults = survey(folder, settings)
    if faults:
        raise RecordError(faults)
    return records


def survey(folder: Path | str, settings: Path | Settings | None = None) -> tuple[Records, list[str]]:
    """Read as much of a folder as can be read, so that every fault is named in one run.

    Takes:  as `load`.
    Gives:  Records (a table that cannot be used is empty) and the faults of those tables; none means `load` works.
    Raises: RecordError for a folder or settings file that cannot be used.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise RecordError([f"{folder} is not a folder"])
    # What the settings say can move every number of a report, so their file counts among those read.
    said: dict[str, str] = {}
    if isinstance(settings, Settings):
        chosen = settings
    else:
        path = Path(settings) if settings is not None else folder / SETTINGS_FILE
        if settings is not None and not path.exists():
            raise RecordError([f"no settings file {path}"])
        try:
            chosen = read_settings(path)
        except SettingsError as error:
            raise RecordError(error.faults) from None
        said = {path.name: digest_of(path)} if path.exists() else {}
    paths, missing = _paths(folder, chosen)
    digests = {
        path.relative_to(folder).as_posix(): digest_of(path)
        for found in paths.values()
        for path in found
        if path.is_file()
    }
    unused = [
        path.name
        for path in sorted(folder.iterdir())
        if path.suffix.lower() in ENDINGS and all(path not in found for found in paths.values())
    ]
    target = _cache_folder(folder) / _key(digests, chosen, [*missing, *unused])
    if not _whole(target):
        shutil.rmtree(target, ignore_errors=True)
        target.parent.mkdir(parents=True, exist_ok=True)
        building = Path(tempfile.mkdtemp(prefix="building-", dir=target.parent))
        try:
            _build(folder, paths, chosen, digests, building, missing, unused)
            try:
                building.rename(target)
            except OSError:
                # Another run made the same cache first.
                if not _whole(target):
                    raise
        finally:
            shutil.rmtree(building, ignore_errors=True)
        old_caches.remove(target)
    records, faults = _from_cache(folder, target, chosen)
    return replace(records, digests=records.digests | said), faults


def _paths(folder: Path, settings: Settings) -> tuple[dict[str, list[Path]], list[str]]:
    """The files of every table, and the faults of those that are missing or not clear."""
    faults: list[str] = []
    paths: dict[str, list[Path]] = {}
    for name, table in TABLES.items():
        try:
            paths[name] = files_of(folder, table, settings.table(name))
        except RecordError as error:
            faults += error.faults
            paths[name] = []
            continue
        if table.must_exist and not paths[name]:
            what = (
                "; an empty list is a claim that nothing was lost, so it must be made in writing"
                if (name == "replacements")
                else ""
            )
            faults.append(f"no {name} file in the folder (such as {name}.csv){what}")
    return paths, faults


def _cache_folder(folder: Path) -> Path:
    """The cache beside the data, or in the system's temporary folder where the data cannot be written to."""
    beside = folder / CACHE
    try:
        beside.mkdir(exist_ok=True)
        if os.access(beside, os.W_OK):
            return beside
    except OSError:
        pass
    name = hashlib.sha256(str(folder.resolve()).encode()).hexdigest()[:16]
    return Path(tempfile.gettempdir()) / f"plantstats-{os.getuid() if hasattr(os, 'getuid') else 'user'}" / name


def _whole(target: Path) -> bool:
    """Whether a cache folder is there with every file in its full length."""
    try:
        sizes = json.loads((target / "made.json").read_text(encoding="utf-8"))["sizes"]
        return all((target / name).stat().st_size == size for name, size in sizes.items())
    except (OSError, ValueError, KeyError):
        return False


def _code_digest() -> str:
    """Digest of the package's own reading code, so that a cache never outlives the code that made it."""
    here = Path(__file__).parent
    rooms = (here, here.parent / "schema", here.parent / "settings")
    parts = [p.read_bytes() for room in rooms for p in sorted(room.iterdir()) if p.suffix in (".py", ".csv")]
    return hashlib.sha256(b"".join(parts)).hexdigest()


def _key(digests: dict[str, str], settings: Settings, missing: list[str]) -> str:
    version = f"pyarrow {metadata.version('pyarrow')}"
    said = json.dumps([digests, repr(settings), missing, _code_digest(), version], sort_keys=True)
    return hashlib.sha256(said.encode()).hexdigest()[:32]


def _build(
    folder: Path,
    paths: dict[str, list[Path]],
    settings: Settings,
    digests: dict[str, str],
    target: Path,
    missing: list[str],
    unused: list[str],
) -> None:
    faults = list(missing)
    supplied: dict[str, list[str]] = {}
    account: list[dict[str, Any]] = []
    aside: list[pa.Table] = []
    notes: list[tuple[Any, ...]] = []
    for name, table in TABLES.items():
        options = settings.table(name)
        writer = Writer(table, target / f"{name}.parquet")
        seen: list[str] = []
        try:
            for path in paths[name]:
                try:
                    file: TableFile = open_file(path, folder, table, options)
                    taken = take_in(file, table, options, target / "spill.arrow")
                    decoded, questions = decode(taken, table, options, settings)
                    if questions:
                        raise RecordError([question.text for question in questions])
                    writer.file(taken, decoded, options)
                    seen += [c for c in taken.places if c not in seen]
                except RecordError as error:
                    faults += error.faults
                finally:
                    (target / "spill.arrow").unlink(missing_ok=True)
        finally:
            writer.close()
        supplied[name] = seen
        account += writer.out.account
        aside += writer.out.set_aside
        notes += writer.out.notes
    aside += repeats.set_aside(target, account)
    notes += [
        ("", name, "unused file", "", 0, "not read: it has no table's name; name it under tables, if it is one")
        for name in unused
    ]
    notes += derive.fill(target, settings, supplied)
    set_aside_frame(aside).to_parquet(target / "set_aside.parquet")
    pd.DataFrame(account, columns=list(ACCOUNT)).to_parquet(target / "account.parquet")
    pd.DataFrame(notes, columns=list(NOTES)).to_parquet(target / "notes.parquet")
    sizes = {path.name: path.stat().st_size for path in target.glob("*.parquet")}
    made = {"digests": digests, "supplied": supplied, "faults": faults, "sizes": sizes}
    (target / "made.json").write_text(json.dumps(made), encoding="utf-8")


def _from_cache(folder: Path, target: Path, settings: Settings) -> tuple[Records, list[str]]:
    made = json.loads((target / "made.json").read_text(encoding="utf-8"))
    frames = {}
    for name in ("account", "set_aside", "notes"):
        frame = pd.read_parquet(target / f"{name}.parquet")
        for column in frame:
            if column not in ("line", "rows_read", "rows_used", "rows_set_aside", "count"):
                frame[column] = frame[column].astype("str")
        frames[name] = frame
    records = Records(
        folder=folder, settings=settings, supplied=made["supplied"], digests=made["digests"], cache=target, **frames
    )
    return records, made["faults"]


__all__ = ["Records", "load", "replace", "schema", "to_pandas"]
