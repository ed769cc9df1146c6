"""What each file really is, whatever its name says."""

from __future__ import annotations

from pathlib import Path

from plantstats.records.csv import CsvFile
from plantstats.records.encodings import check_decodes
from plantstats.records.errors import RecordError
from plantstats.records.excel import WorkbookFile
from plantstats.records.parquet import ParquetFile
from plantstats.schema.tables import Table
from plantstats.settings import TableSettings

TableFile = CsvFile | WorkbookFile | ParquetFile


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
