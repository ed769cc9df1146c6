"""Which files hold which table: one of its name, those of the settings, or a folder of parts."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import NamedTuple

from plantstats.records.errors import RecordError
from plantstats.schema.tables import TABLES, Table
from plantstats.schema.text import nearest, normalize_header
from plantstats.settings import TableSettings

TEXT = (".csv", ".tsv", ".txt")
ENDINGS = (*TEXT, ".xlsx", ".xlsm", ".xlsb", ".xls", ".ods", ".parquet")
PACKED = (".zip", ".gz", ".bz2", ".xz", ".zst", ".7z", ".rar", ".tar", ".tgz")
LEFT_BEHIND = ("~$", ".")  # by a spreadsheet program that has a file open, by a file system (._visits.csv)


class Source(NamedTuple):
    """A file of a table; where it is a part, the folder of the parts."""

    path: Path
    parts: Path | None = None

    @property
    def branch(self) -> str:
        """First folder below that of the parts: `north` of visits/north/2025-01.csv; "" where there is none."""
        inside = self.path.relative_to(self.parts).parts if self.parts else ()
        return inside[0] if len(inside) > 1 else ""


def find_files(folder: Path, table: Table, options: TableSettings) -> list[Source]:
    """The files of a table.

    Parameters
    ----------
    folder : Path
        Of the records.
    table : Table
    options : TableSettings
        May name files, or folders of parts.

    Returns
    -------
    list of Source
        None where the table was not supplied.

    Raises
    ------
    RecordError
        Where a named file is missing or lies outside the folder, several files could be meant, or a folder of parts
        is none.
    """
    if options.files:
        paths = [folder / name for name in options.files]
        missing = [path.name for path in paths if not path.exists()]
        if missing:
            raise RecordError([f"{table.name}: no file {name} in the folder" for name in missing])
        root = folder.resolve()
        if any(root not in path.resolve().parents for path in paths):
            raise RecordError([f"{table.name}: a file of the settings lies outside the folder"])
        return [source for path in paths for source in (_parts(path, folder) if path.is_dir() else [Source(path)])]
    files = [path for path in table_files(folder) if _table_name(path) == table.name and not path.is_dir()]
    # Also visits.parquet/, as engines write data sets.
    folders = [
        path
        for path in sorted(folder.iterdir())
        if path.is_dir() and not path.name.startswith(LEFT_BEHIND) and _table_name(path) == table.name
    ]
    if outside := [path.name for path in (*files, *folders) if folder.resolve() not in path.resolve().parents]:
        raise RecordError([f"{table.name}: {name} is a link out of the folder; copy the file" for name in outside])
    if not files and not folders and (others := find_out_of_place(folder, table)):
        names = ", ".join(others)
        raise RecordError(
            [
                f"{table.name}: no file of this name in the folder, but {names}; unpack or move it here, "
                f"or name the file under tables.{table.name}"
            ]
        )
    if len(files) + len(folders) > 1:
        names = ", ".join([path.name for path in files] + [f"{path.name}/" for path in folders])
        raise RecordError([f"{table.name}: {names} could all be meant; set file (or files) under tables.{table.name}"])
    return _parts(folders[0], folder) if folders else [Source(path) for path in files]


def _table_name(path: Path) -> str:
    """What a file or folder is named after."""
    return normalize_header(path.stem if path.suffix.lower() in ENDINGS else path.name)


def _parts(place: Path, folder: Path) -> list[Source]:
    """Files below a folder of parts, by name: all of text, or all Parquet."""
    name = place.relative_to(folder).as_posix()
    below = [
        Path(at) / file for at, _, files in _walk(place, name) for file in files if not file.startswith(LEFT_BEHIND)
    ]
    faults = [
        f"{path.relative_to(folder).as_posix()} is packed; unpack it, or take it out of {name}"
        for path in below
        if path.suffix.lower() in PACKED
    ]
    paths = [path for path in below if path.suffix.lower() in ENDINGS]
    root = folder.resolve()
    faults += [
        f"{path.relative_to(folder).as_posix()} is a link out of the folder; copy the file"
        for path in paths
        if root not in path.resolve().parents
    ]
    formats = {".csv" if path.suffix.lower() in TEXT else path.suffix.lower(): path for path in reversed(paths)}
    examples = ", ".join(path.relative_to(folder).as_posix() for _, path in sorted(formats.items()))
    if other := set(formats) - {".csv", ".parquet"}:
        faults.append(f"{name} holds {', '.join(sorted(other))} files ({examples}); parts are CSV or Parquet")
    elif len(formats) > 1:
        faults.append(f"{name} holds CSV and Parquet parts ({examples}); bring all of them to one format")
    if not paths and not faults:
        faults.append(f"{name} is a folder without a CSV or Parquet file; put the parts of the table in, or remove it")
    if faults:
        raise RecordError(faults)
    return [Source(path, place) for path in sorted(paths, key=lambda path: path.relative_to(folder).as_posix())]


def _walk(place: Path, name: str) -> Iterator[tuple[str, list[str], list[str]]]:
    """Folders below a folder of parts; one that cannot be opened is a fault, not a part left out."""

    def refuse(error: OSError) -> None:
        raise RecordError([f"{name}: {Path(error.filename).name} cannot be opened: {error.strerror}"])

    for at, folders, files in os.walk(place, onerror=refuse):
        folders[:] = [inside for inside in folders if not inside.startswith(LEFT_BEHIND)]
        yield at, folders, files


def branch_faults(folder: Path, sources: dict[str, list[Source]]) -> list[str]:
    """What keeps ids from being told apart by branch.

    Parameters
    ----------
    folder : Path
        Of the records.
    sources : dict of str to list of Source
        By table.

    Returns
    -------
    list of str
        Files that stand in no folder of a branch, and branches that have no file of sites.
    """
    faults = []
    known = sorted({source.branch for source in sources["sites"]} - {""})
    for table, files in sources.items():
        for path in (source.path for source in files if not source.branch):
            wanted = f"{table}/{known[0] if known else 'north'}/{path.name}"
            name = path.relative_to(folder).as_posix()
            faults.append(f"ids_by_branch: {name} stands in no folder of a branch, such as {wanted}")
        for branch in sorted({source.branch for source in files} - {"", *known}) if known else ():
            near = nearest(branch, known)
            hint = f"; did you mean {near}?" if near else ""
            faults.append(f"ids_by_branch: {table}: the table of sites has no branch {branch}{hint}")
    return faults


def table_files(folder: Path) -> list[Path]:
    """Files in a folder that end as a file of a table does, by name; what programs leave behind is left out.

    Parameters
    ----------
    folder : Path
        Folder of the records.

    Returns
    -------
    list of Path
    """
    return sorted(
        path for path in folder.iterdir() if path.suffix.lower() in ENDINGS and not path.name.startswith(LEFT_BEHIND)
    )


def find_out_of_place(folder: Path, table: Table) -> list[str]:
    """Files of a table that are packed, or stand in a folder of the folder: none of them is read by itself.

    Parameters
    ----------
    folder : Path
        Folder of the records.
    table : Table
        A canonical table.

    Returns
    -------
    list of str
        Their names.
    """
    packed = [
        path.name
        for path in folder.iterdir()
        if path.suffix.lower() in PACKED and normalize_header(path.name.split(".")[0]) == table.name
    ]
    nested = [
        path.relative_to(folder).as_posix()
        for inside in folder.iterdir()
        if inside.is_dir() and not inside.name.startswith(LEFT_BEHIND) and os.access(inside, os.R_OK | os.X_OK)
        for path in table_files(inside)
        if normalize_header(path.stem) == table.name
    ]
    return sorted(packed) + sorted(nested)


def find_unused(folder: Path, used: Iterable[Path]) -> dict[str, str]:
    """Files that no table takes: name -> what to do about it.

    Parameters
    ----------
    folder : Path
        Folder of the records.
    used : iterable of Path
        Files that tables take.

    Returns
    -------
    dict of str to str
        Name to what to do about it.
    """
    why = "not read: it has no table's name; name it under tables, if it is one"
    unused = {path.name: why for path in table_files(folder) if path not in used}
    for table in TABLES.values():
        for name in find_out_of_place(folder, table):
            if folder / name not in used:
                unused[name] = (
                    f"not read: unpack it, or name it under tables.{table.name}, if it belongs to these records"
                )
    return unused
