"""Spark, by its Connect protocol: every step is written to Parquet before the next, so that no plan grows."""

from __future__ import annotations

import hashlib
import os
import socket
import uuid
from collections.abc import Mapping, Sequence
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

import duckdb
import pandas as pd
import pyarrow as pa
from typing_extensions import override

from plantstats.exposure.engines import translate
from plantstats.exposure.engines.base import Engine, EngineError, Levels, Parameters, plain_frame

if TYPE_CHECKING:
    from pyspark.sql.connect.session import SparkSession

WHOLE = ("HUGEINT", "BIGINT", "INTEGER")
PORT = 15002  # of Spark Connect, where an address names none
ANSWERS_WITHIN = 10.0  # seconds
MISSING = "Spark is asked for, but its client is not installed: pip install 'plantstats[spark]'"


class SparkEngine(Engine):
    """Tables in Parquet files of a folder that Spark can write to and read.

    Attributes
    ----------
    session : pyspark.sql.SparkSession
        By Spark Connect.
    folder : str
        A path or address, as Spark knows it.
    tables : dict of str to str
        What questions call a table, and the view that holds it.

    Notes
    -----
    A view is named by the digest of the query behind it, in which its sources are named likewise. So a step is the
    same wherever the same is asked of the same records: it is made once, also by a review that is begun again after
    Spark was stopped, and none is taken for another. A step counts once its mark (`.done`) is written, after it, and
    holds the name of the copy that it marks.
    """

    dialect = "pyspark"

    def __init__(self, session: SparkSession, folder: str, tables: Mapping[str, str], levels: Levels) -> None:
        self.session = session
        self.folder = folder
        self.tables = dict(tables)
        self._levels = {column: values for column, values in levels.items() if values is not None}
        self._whole: dict[str, str] = {}

    @classmethod
    def at(cls, address: str, folder: str) -> SparkEngine:
        """An engine by its address.

        Parameters
        ----------
        address : str
            Of Spark Connect: sc://host:15002.
        folder : str
            For the steps.

        Returns
        -------
        SparkEngine

        Raises
        ------
        EngineError
            Where the client is not installed, or nothing answers.
        """
        return cls(_session(address, os.getpid()), folder, {}, {})

    @override
    def read(self, name: str, path: Path) -> None:
        state = path.stat()
        view = _name(f"{path.resolve()} {state.st_size} {state.st_mtime_ns}")
        self._parquet(view, str(path.resolve()))
        self.tables[name] = view

    @override
    def add(self, name: str, frame: pd.DataFrame) -> None:
        rows = pa.Table.from_pandas(frame, preserve_index=False)
        fields = [pa.field(f.name, pa.string()) if pa.types.is_large_string(f.type) else f for f in rows.schema]
        rows = rows.cast(pa.schema(fields)).replace_schema_metadata(None)
        sink = pa.BufferOutputStream()
        with pa.ipc.new_stream(sink, rows.schema) as writer:
            writer.write_table(rows.combine_chunks())
        if frame.empty:
            types = ", ".join(
                f"cast(null as {'string' if f.type == pa.string() else f.type}) as {f.name}" for f in fields
            )
            given = self.session.sql(f"select {types} where false")
        else:
            given = self.session.createDataFrame(rows)
        self.tables[name] = self._step(_name(sink.getvalue().to_pybytes()), given)

    @override
    def cut(self, as_of: date) -> int:
        return (as_of - date(1970, 1, 1)).days

    @override
    def create(
        self,
        name: str,
        query: str,
        *,
        view: bool = False,
        levels: Levels | None = None,
        narrow: Sequence[str] = (),
        dialect: str = "duckdb",
    ) -> None:
        text = translate.to_spark(query, dialect, (), self.tables, self._whole, self._columns)
        self.tables[name] = self._step(_name(f"{self.session.version} {text}"), self.session.sql(text))
        # Their query is asked later, perhaps once a table that it reads was let go of: it keeps the views of now.
        new = {column: values for column, values in (levels or {}).items() if values is not None}
        self._levels |= {column: self._levels_text(values) for column, values in new.items()}

    @override
    def drop(self, name: str) -> None:
        del self.tables[name]

    @override
    def sql(self, query: str, parameters: Parameters = (), *, plain: bool = False) -> pd.DataFrame:
        text = translate.to_spark(query, "duckdb", parameters, self.tables, self._whole, self._columns)
        rows = _in_duckdb(self._run(lambda: self.session.sql(text).toArrow(), "answer a question"))
        if plain:
            return plain_frame(rows.to_arrow_table())
        frame = rows.df()
        for column in translate.columns_as_they_are(query):
            if column in self._levels and column in frame:
                frame[column] = pd.Categorical(frame[column], self._values(column), ordered=True)
        return frame

    @override
    def branch(self) -> SparkEngine:
        branch = SparkEngine(self.session, self.folder, self.tables, self._levels)
        branch._whole = dict(self.tables)
        return branch

    @override
    def in_order(self, column: str, levels: Sequence[str]) -> str:
        return f"case {column} " + " ".join(f"when '{level}' then {at}" for at, level in enumerate(levels)) + " end"

    def _values(self, column: str) -> list[str]:
        values = self._levels[column]
        if isinstance(values, str):
            asked = values
            rows = self._run(lambda: self.session.sql(asked).toArrow(), "answer a question")
            self._levels[column] = values = sorted(rows["level"].to_pylist())
        return list(values)

    def _levels_text(self, values: str | Sequence[str]) -> str | Sequence[str]:
        if not isinstance(values, str):
            return values
        query = f"select distinct level from ({values}) as v(level) where level is not null"
        return translate.to_spark(query, "duckdb", (), self.tables, self._whole, self._columns)

    def _columns(self, view: str) -> Sequence[str]:
        return self.session.table(view).columns

    def _step(self, view: str, rows: Any) -> str:
        """Write a step unless it stands there whole, and name it.

        Processes of one review may make the same step at one time: each writes a copy of its own, and the mark names
        the copies that are whole, so that none ever holds the rows of two.
        """
        path = f"{self.folder.rstrip('/')}/{view}"
        copy = self._whole_copy(path)
        if copy is None:
            own = uuid.uuid4().hex
            self._run(lambda: rows.write.parquet(f"{path}/{own}"), "make a step")
            mark = self.session.sql(f"select '{own}' as copy")
            try:
                mark.write.mode("ignore").parquet(f"{path}.done")
            except _pyspark_errors():
                # Another process marked its copy at the same moment.
                if self._whole_copy(path) is None:
                    self._run(lambda: mark.write.mode("ignore").parquet(f"{path}.done"), "mark a step")
            copy = own
        # A step without a row may have no file that tells its columns.
        self._parquet(view, f"{path}/{copy}", None if self._stands(f"{path}/{copy}") else rows.schema)
        return view

    def _whole_copy(self, path: str) -> str | None:
        """Name of a copy of a step that was written to its end."""
        try:
            marked = self.session.read.parquet(f"{path}.done").select("copy").toArrow()
        except _pyspark_errors():
            return None
        return min(map(str, marked["copy"].to_pylist()), default=None)

    def _stands(self, path: str) -> bool:
        try:
            return bool(self.session.read.parquet(path).columns)
        except _pyspark_errors():
            return False

    def _parquet(self, view: str, path: str, schema: Any = None) -> None:
        reader = self.session.read.schema(schema) if schema else self.session.read
        self._run(lambda: reader.parquet(path).createOrReplaceTempView(view), f"read {path}")

    def _run(self, action: Any, what: str) -> Any:
        try:
            return action()
        except _pyspark_errors() as error:
            raise EngineError(f"Spark could not {what}: {str(error).strip().splitlines()[0]}") from error


@lru_cache(maxsize=4)
def _session(address: str, _process: int) -> SparkSession:
    """One session an address and process: a connection does not live on in a fork."""
    try:
        from pyspark.sql.connect.session import SparkSession  # noqa: PLC0415
    except ImportError:
        raise EngineError(MISSING) from None
    place = urlsplit(address)
    try:
        # The client itself would try for minutes.
        socket.create_connection((place.hostname, place.port or PORT), timeout=ANSWERS_WITHIN).close()
    except OSError as error:
        raise EngineError(f"no Spark answers at {address}: {error.strerror or error}") from None
    try:
        session = SparkSession.builder.remote(address).create()
        session.conf.set("spark.sql.session.timeZone", "UTC")
        session.conf.set("spark.sql.ansi.enabled", "true")
        _ = session.version
    except _pyspark_errors() as error:
        reason = str(error).strip().splitlines()[0]
        raise EngineError(f"no Spark answers at {address}: {reason}") from None
    translate.prepare()
    return session


def _pyspark_errors() -> tuple[type[Exception], ...]:
    from pyspark.errors import PySparkException  # noqa: PLC0415

    return (PySparkException,)


def _name(content: str | bytes) -> str:
    """Name of a view by what it is made of."""
    raw = content.encode() if isinstance(content, str) else content
    return f"step_{hashlib.sha256(raw).hexdigest()[:32]}"


def _in_duckdb(rows: pa.Table) -> duckdb.DuckDBPyRelation:
    """Rows in the types in which DuckDB hands them over."""
    relation = duckdb.connect().from_arrow(rows)
    columns = []
    for name, type_ in zip(relation.columns, map(str, relation.types), strict=True):
        decimal = type_.startswith("DECIMAL")
        whole = type_ in WHOLE or (decimal and type_.endswith(",0)"))
        columns.append(f'"{name}"::{"bigint" if whole else "double" if decimal else type_} as "{name}"')
    return relation.project(", ".join(columns))
