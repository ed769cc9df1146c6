"""Parquet files as rows of text: numbers marked as numbers."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq

from plantstats.records.csv import CODED, TEXT, Block
from plantstats.records.errors import RecordError
from plantstats.records.parse.context import NUMBER_CELL
from plantstats.settings import TableSettings


class ParquetFile:
    """One Parquet file of a user."""

    epoch = None

    def __init__(self, path: Path, name: str, options: TableSettings) -> None:
        self.path, self.name = path, name
        self.notes: list[tuple[str, str]] = [("parquet", "read as Parquet")]
        try:
            self.file = pq.ParquetFile(path)
            self.header = list(self.file.schema_arrow.names)
        except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
            raise _damaged(name, error) from None

    def preview(self) -> list[tuple[int, list[str]]]:
        """Header, as row 0.

        Returns
        -------
        list of tuple of int, list of str
            0, and the heads.
        """
        return [(0, self.header)]

    def blocks(
        self, header_line: int, n_columns: int, wanted: dict[int, bool], record_test: Callable[[list[str]], bool]
    ) -> Iterator[Block]:
        """Rows; see `CsvFile.blocks`. The line is the number of the row, from 1.

        Parameters
        ----------
        header_line : int
            Line of the header.
        n_columns : int
            Number of columns of the header.
        wanted : dict of int to bool
            Position to whether its texts are coded.
        record_test : callable
            Whether the cells of a line look like a record of the table.

        Yields
        ------
        Block

        Raises
        ------
        RecordError
            For a damaged file.
        """
        names = self.header
        line = 1
        batches = self.file.iter_batches(500_000, columns=[names[n] for n in wanted])
        while True:
            try:
                batch = next(batches)
                batch.validate(full=True)
                columns = {n: _as_text(batch.column(names[n]), coded) for n, coded in wanted.items()}
            except StopIteration:
                return
            except (pa.ArrowException, OSError, UnicodeDecodeError) as error:
                raise _damaged(self.name, error) from None
            yield Block(columns, np.arange(line, line + len(batch), dtype="int64"))
            line += len(batch)


def _damaged(name: str, error: Exception) -> RecordError:
    why = " ".join(str(error).split())[:200]
    return RecordError([f"{name}: cannot be read as Parquet ({why}); copy or export it again"])


def _as_text(array: pa.Array, coded: bool) -> pa.Array:
    if pa.types.is_dictionary(array.type):
        array = array.dictionary_decode()
    number = pa.types.is_integer(array.type) or pa.types.is_floating(array.type) or pa.types.is_decimal(array.type)
    if pa.types.is_floating(array.type):
        array = pc.if_else(pc.is_nan(array), pa.scalar(None, array.type), array)
    if not coded:
        return pc.fill_null(array.cast(TEXT), "")
    coded_array = array.dictionary_encode()
    texts = coded_array.dictionary.cast(TEXT)
    if number:
        texts = pc.binary_join_element_wise(pa.scalar(NUMBER_CELL), texts, "")
    if coded_array.null_count:
        texts = pa.concat_arrays([texts, pa.array([""], TEXT)])
    codes = pc.fill_null(coded_array.indices, len(texts) - 1)
    return pa.DictionaryArray.from_arrays(codes.cast(pa.int32()), texts).cast(CODED)
