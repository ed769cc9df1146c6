"""Which file holds which table, and what each file really is, whatever its name says."""

from __future__ import annotations

import os
from pathlib import Path

from plantstats.records.csv import CsvFile
from plantstats.records.encodings import check_decodes
from plantstats.records.errors import RecordError
from plantstats.records.excel import WorkbookFile
from plantstats.records.parquet import ParquetFile
from plantstats.schema.tables import TABLES, Table
from plantstats.schema.text import normalize_header
from plantstats.settings import TableSettings

ENDINGS = (".csv", ".tsv", ".txt", ".xlsx", ".xlsm", ".xlsb", ".xls", ".ods", ".parquet")
PACKED = (".zip", ".gz", ".bz2", ".xz", ".zst", ".7z", ".rar", ".tar", ".tgz")
LEFT_BEHIND = ("~$", ".")  # by a spreadsheet program that has a file open, by a file system (._visits.csv)
TableFile = CsvFile | WorkbookFile | ParquetFile


def find_files(folder: Path, table: Table, options: TableSettings) -> list[Path]:
    """The files of a table.

    Parameters
    ----------
    folder : Path
    table : Table
    options : TableSettings
        May name the files.

    Returns
    -------
    list of Path
        None where the table was not supplied.

    Raises
    ------
    RecordError
        Where a named file is missing or lies outside the folder, or several files could be meant.
    """
    if options.files:
        paths = [folder / name for name in options.files]
        missing = [path.name for path in paths if not path.exists()]
        if missing:
            raise RecordError([f"{table.name}: no file {name} in the folder" for name in missing])
        root = folder.resolve()
        if any(root not in path.resolve().parents for path in paths):
            raise RecordError([f"{table.name}: a file of the settings lies outside the folder"])
        return paths
    files = [path for path in table_files(folder) if normalize_header(path.stem) == table.name]
    if outside := [path.name for path in files if folder.resolve() not in path.resolve().parents]:
        raise RecordError([f"{table.name}: {name} is a link out of the folder; copy the file" for name in outside])
    if not files and (others := find_out_of_place(folder, table)):
        names = ", ".join(others)
        raise RecordError(
            [
                f"{table.name}: no file of this name in the folder, but {names}; unpack or move it here, "
                f"or name the file under tables.{table.name}"
            ]
        )
    if len(files) > 1:
        names = ", ".join(path.name for path in files)
        raise RecordError([f"{table.name}: {names} could all be meant; set file (or files) under tables.{table.name}"])
    return files


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


def find_unused(folder: Path, used: list[Path]) -> dict[str, str]:
    """Files that no table takes: name -> what to do about it.

    Parameters
    ----------
    folder : Path
        Folder of the records.
    used : list of Path
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


def open_file(path: Path, folder: Path, table: Table, options: TableSettings) -> TableFile:
    """A reader for a file, chosen by its content.

    Parameters
    ----------
    path : Path
    folder : Path
        Of the records; messages name the file from there on.
    table : Table
    options : TableSettings

    Returns
    -------
    CsvFile, WorkbookFile or ParquetFile

    Raises
    ------
    RecordError
        Saying what the content is and what to do.
    """
    name = path.relative_to(folder).as_posix()
    if path.is_dir():
        raise RecordError([f"{name} is a folder, not a file; name the file inside it under tables.{table.name}"])
    if not path.is_file():
        raise RecordError([f"{name} is not a plain file"])
    with path.open("rb") as file:
        start = file.read(512)
    if not start.strip(b"\xef\xbb\xbf\xff\xfe\0 \r\n\t"):
        raise RecordError([f"{name} is empty (0 bytes of content); export it again"])
    if start.startswith(b"PK\x03\x04") or start.startswith(b"\xd0\xcf\x11\xe0"):
        if path.suffix.lower() not in (".xlsx", ".xlsm", ".xlsb", ".xls", ".ods"):
            raise RecordError([f"{name} is a workbook, not text; rename it to end in .xlsx, or save it as CSV"])
        return WorkbookFile(path, name, options, table)
    if start.startswith(b"PAR1"):
        return ParquetFile(path, name, options)
    head = start.lstrip(b"\xef\xbb\xbf\xff\xfe \r\n\t").replace(b"\0", b"")[:200].lower()
    if head.startswith((b"<!doctype html", b"<html", b"<table", b"<head", b"<body", b"<meta", b"<div")):
        raise RecordError([f"{name} is an HTML page, save it as CSV or XLSX"])
    if head.startswith((b"<?xml", b"%pdf", b"{\\rtf", b"\x1f\x8b", b"7z\xbc\xaf", b"rar!")):
        raise RecordError([f"{name} is neither a table of text nor a workbook; save it as CSV or XLSX"])
    if path.suffix.lower() in (".xlsx", ".xlsm", ".xlsb", ".xls", ".ods", ".parquet"):
        raise RecordError([f"{name} holds plain text, not a workbook; rename it to end in .csv"])
    text = CsvFile(path, name, options)
    if text.encoding not in ("utf-8", "cp1252") or options.encoding:
        check_decodes(path, text.encoding, name)
    return text
