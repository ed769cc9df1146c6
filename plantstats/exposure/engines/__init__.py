"""Where plant-time, count intervals and dry-downs are made: DuckDB in this process, or Spark at an address."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING

import pyarrow.parquet as pq

from plantstats.exposure.engines.base import Engine, EngineError
from plantstats.exposure.engines.in_process import DuckDBEngine
from plantstats.exposure.engines.text import LAST_DAY, sql_of

if TYPE_CHECKING:
    from plantstats.records import Records

VARIABLE = "PLANTSTATS_ENGINE"  # of the environment: set by `--engine`, for the processes that make pages too
STEPS = "spark"  # folder of steps beside the typed records, where the settings state none
SPILL = "spill"  # likewise of DuckDB's tables, where its memory is bounded
# From so many visits on it is, to so much, also where the settings state nothing: a table of them would not fit.
MANY_VISITS, OF_MANY = 5_000_000, "2 GB"

__all__ = ["LAST_DAY", "VARIABLE", "DuckDBEngine", "Engine", "EngineError", "connect", "sql_of"]


def connect(records: Records) -> Engine:
    """An engine for these records: as `--engine` says, else as `[engine]` of the settings does.

    Parameters
    ----------
    records : plantstats.records.Records

    Returns
    -------
    Engine
        With no table yet.

    Raises
    ------
    EngineError
        For an address that is none, or where nothing answers.
    """
    chosen = records.settings.engine
    address = os.environ.get(VARIABLE) or chosen.address
    if address == "duckdb":
        memory = chosen.memory or (OF_MANY if _n_visits(records) >= MANY_VISITS else None)
        if memory is None:
            return DuckDBEngine()
        return DuckDBEngine.within(memory, Path(chosen.folder or records.cache.parent / SPILL))
    # Only who asks for Spark waits for its client to be imported.
    from plantstats.exposure.engines.spark import SparkEngine  # noqa: PLC0415

    return SparkEngine.at(address, chosen.folder or str((records.cache.parent / STEPS).resolve()))


def _n_visits(records: Records) -> int:
    """Rows of the visit log."""
    return int(pq.read_metadata(records.parquet("visits")).num_rows)
