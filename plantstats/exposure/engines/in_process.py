"""DuckDB in this process: the default."""

from __future__ import annotations

import os
import uuid
import weakref
from collections.abc import Sequence
from datetime import date
from itertools import count
from pathlib import Path

import duckdb
import pandas as pd
from typing_extensions import override

from plantstats import QUERY_THREADS
from plantstats.exposure.engines.base import Engine, Levels, Parameters, plain_frame
from plantstats.exposure.engines.text import set_last_day

NUMBERS = count(1)  # of branches


class DuckDBEngine(Engine):
    """Tables in the memory of this process.

    Attributes
    ----------
    connection : duckdb.DuckDBPyConnection
        That holds them.
    """

    dialect = "duckdb"

    def __init__(self, connection: duckdb.DuckDBPyConnection | None = None) -> None:
        self.connection = connection or duckdb.connect(config=_config())
        self._path = "main"  # schemas in which a name is looked for, the own first
        self._compressed = False
        self._cut: date | None = None
        self._of: DuckDBEngine | None = None  # what it branched from lives as long as it does

    @classmethod
    def within(cls, memory: str, folder: Path) -> DuckDBEngine:
        """An engine that keeps its tables compressed, and lays aside on disk what does not fit into memory.

        Parameters
        ----------
        memory : str
            The most that it takes, such as "8 GB".
        folder : pathlib.Path
            Where it lays aside; each engine in a folder of its own, which it removes.

        Returns
        -------
        DuckDBEngine
        """
        folder.mkdir(parents=True, exist_ok=True)  # DuckDB makes only the last folder of a path
        place = folder / f"duckdb-{uuid.uuid4().hex}"
        engine = cls(duckdb.connect(config=_config() | {"memory_limit": memory, "temp_directory": str(place)}))
        engine.connection.execute("attach ':memory:' as steps (compress); use steps")
        engine._path, engine._compressed = "steps.main", True
        return engine

    @override
    def read(self, name: str, path: Path) -> None:
        self.connection.read_parquet(str(path)).create_view(name)

    @override
    def add(self, name: str, frame: pd.DataFrame) -> None:
        texts = frame.select_dtypes("str").columns
        self.connection.register("given_rows", frame.astype(dict.fromkeys(texts, object)))
        columns = ", ".join(f'"{c}"::varchar as "{c}"' if c in texts else f'"{c}"' for c in frame.columns)
        self.connection.execute(f"create or replace table {name} as select {columns} from given_rows")
        self.connection.unregister("given_rows")

    @override
    def cut(self, as_of: date) -> None:
        self._cut = as_of
        set_last_day(self.connection, as_of)

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
        types = dict.fromkeys(narrow, "int")
        for column, values in (levels or {}).items():
            types[column] = f"{name}_{column}_level"
            if values is not None:
                self.connection.execute(f"drop type if exists {types[column]}")
                self.connection.execute(f"create type {types[column]} as enum ({_listed(values)})")
        if types:
            replaced = ", ".join(f'"{column}"::{type_} as "{column}"' for column, type_ in types.items())
            query = f"select * replace ({replaced}) from ({query})"
        self.connection.execute(f"create or replace {'view' if view else 'table'} {name} as {query}")
        if self._compressed and not view:
            self.connection.execute("checkpoint steps")  # this is when tables are compressed, to a tenth

    @override
    def drop(self, name: str) -> None:
        self.connection.execute(f"drop table {name}")

    @override
    def sql(self, query: str, parameters: Parameters = (), *, plain: bool = False) -> pd.DataFrame:
        if not plain:
            return self.connection.execute(query, parameters).df()
        # The answer is turned to plain types, not the question: that would be planned once more.
        return plain_frame(self.connection.sql(query, params=parameters or None).to_arrow_table())

    @override
    def branch(self) -> DuckDBEngine:
        connection = self.connection.cursor()
        own = self._path.partition(",")[0]
        schema = f"{own}_{next(NUMBERS)}"
        # Names stand for what is made in it first, then for the tables of the whole.
        branch = DuckDBEngine(connection)
        branch._of = self
        branch.parent, branch._path, branch._compressed = own, f"{schema},{self._path}", self._compressed
        connection.execute(f"create schema {schema}; set search_path = '{branch._path}'")
        weakref.finalize(branch, connection.execute, f"drop schema {schema} cascade").atexit = False
        if self._cut:
            branch.cut(self._cut)
        return branch

    @override
    def in_order(self, column: str, levels: Sequence[str]) -> str:
        return column


def _config() -> dict[str, str | bool | int | float | list[str]]:
    """Settings of a connection: all cores, or this process's share of them."""
    return {"threads": os.environ[QUERY_THREADS]} if QUERY_THREADS in os.environ else {}


def _listed(values: str | Sequence[str]) -> str:
    """A query that gives levels in their order."""
    if isinstance(values, str):
        return f"select * from ({values}) as v(level) where level is not null order by 1"
    quoted = ", ".join("({}, '{}')".format(at, value.replace("'", "''")) for at, value in enumerate(values))
    return f"select level from (values {quoted}) as v(place, level) order by place"
