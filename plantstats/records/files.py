"""Which file holds which table, and what each file really is, whatever its name says."""

from __future__ import annotations

from pathlib import Path

from plantstats.records.csv_text import CsvFile
from plantstats.records.encodings import readable
from plantstats.records.errors import RecordError
from plantstats.records.workbooks import ParquetFile, WorkbookFile
from plantstats.schema.tables import Table
from plantstats.schema.words import fold_head
from plantstats.settings import TableSettings

ENDINGS = (".csv", ".tsv", ".txt", ".xlsx", ".xlsm", ".xlsb", ".xls", ".ods", ".parquet")
TableFile = CsvFile | WorkbookFile | ParquetFile


def files_of(folder: Path, table: Table, options: TableSettings) -> list[Path]:
    """The files of a table.

    Takes:  folder; table; its settings (which may name the files).
    Gives:  paths, none where the table was not supplied.
    Raises: RecordError where a named file is missing, or several files could be meant.
    """
    if options.files:
        paths = [folder / name for name in options.files]
        missing = [p.name for p in paths if not p.exists()]
        if missing:
            raise RecordError([f"{table.name}: no file {name} in the folder" for name in missing])
        root = folder.resolve()
        if any(root not in p.resolve().parents for p in paths):
            raise RecordError([f"{table.name}: a file of the settings lies outside the folder"])
        return paths
    found = sorted(p for p in folder.iterdir() if p.suffix.lower() in ENDINGS and fold_head(p.stem) == table.name)
    if len(found) > 1:
        names = ", ".join(p.name for p in found)
        raise RecordError([f"{table.name}: {names} could all be meant; set file (or files) under tables.{table.name}"])
    return found


def open_file(path: Path, folder: Path, table: Table, options: TableSettings) -> TableFile:
    """A reader for a file, chosen by its content.

    Raises: RecordError saying what the content is and what to do.
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
    made = CsvFile(path, name, options)
    if made.encoding not in ("utf-8", "cp1252") or options.encoding:
        readable(path, made.encoding, name)
    return made
