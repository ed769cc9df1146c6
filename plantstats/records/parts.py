"""Parts of a table, each read and typed once: kept under its digest, and read again only where it changed."""

from __future__ import annotations

import os
from functools import partial
from pathlib import Path

import pyarrow as pa
import pyarrow.parquet as pq

from plantstats.digests import file_digest
from plantstats.records import cache
from plantstats.records.detect import open_file
from plantstats.records.find import Source
from plantstats.records.rows import SET_ASIDE
from plantstats.records.write import TableWriter
from plantstats.schema.tables import Table
from plantstats.settings import Settings

ROWS, FAULTS = "rows.parquet", "set_aside.parquet"


def read(source: Source, folder: Path, table: Table, settings: Settings, digest: str, place: Path) -> Path:
    """The typed rows of a part with their account, made unless they are there as they were written.

    Parameters
    ----------
    source : Source
        The part.
    folder : Path
        Of the records; messages name the part from there on.
    table : Table
    settings : Settings
    digest : str
        Of the part's file.
    place : Path
        Where typed parts are kept.

    Returns
    -------
    Path
        A folder for `TableWriter.add_part`.

    Raises
    ------
    RecordError
        With every fault for which the part cannot be used.
    """
    name = source.path.relative_to(folder).as_posix()
    # All that its rows hang on; its name, as each row and fault bears it.
    target = place / cache.key_of({name: digest}, settings, [table.name, source.branch])
    cache.ensure(target, partial(_type, source, folder, table, settings, {name: digest}, target.name))
    os.utime(target / cache.CONTENT_FILE)
    return target


def _type(
    source: Source, folder: Path, table: Table, settings: Settings, digests: dict[str, str], key: str, target: Path
) -> None:
    options = settings.table(table.name)
    with TableWriter(table, target / ROWS) as writer:
        branch = source.branch if settings.ids_by_branch else ""
        writer.add_file(open_file(source.path, folder, table, options), options, settings, branch)
    faults = pa.concat_tables(writer.set_aside) if writer.set_aside else SET_ASIDE.empty_table()
    pq.write_table(faults, target / FAULTS, compression="zstd")
    content = {"account": writer.account, "notes": writer.notes, "supplied": writer.supplied}
    tables = {file: file_digest(target / file) for file in (ROWS, FAULTS)}
    cache.write_content(target, {"key": key, "digests": digests, "faults": [], "tables": tables, **content})


def add(writer: TableWriter, place: Path) -> None:
    """Add a typed part to its table.

    Parameters
    ----------
    writer : TableWriter
        Of the whole table.
    place : Path
        As `read` gives it.
    """
    content = cache.read_content(place)
    with pq.ParquetFile(place / ROWS) as rows:
        for batch in rows.iter_batches(1_000_000):
            writer.sink.write_table(pa.Table.from_batches([batch], writer.schema))
    writer.set_aside.append(pq.read_table(place / FAULTS, schema=SET_ASIDE))
    writer.account += content["account"]
    writer.notes += [tuple(note) for note in content["notes"]]
    writer.supplied += [name for name in content["supplied"] if name not in writer.supplied]
