"""Plant-time, leaf and dry-down tables of companies of any size: time, memory and agreement of the engines.

    python -m tests.benchmarks.scale [--visits 2 20 100] [--spark sc://127.0.0.1:15002] [--spark-visits 20] [--keep DIR]

A company of the demo's generator (1,500 plants, three years) is written to Parquet as often as the millions of visits
ask for, each copy under ids of its own, so that every sum of the whole is the copies' number times that of one. Each
case runs in a process of its own; peak memory is that of this process, with `--server PID` that of the server too.
DuckDB may take 8 GB; beside it stands the most that it laid aside on disk, and Spark's steps.
Agreement is that of every result, to the unit, with DuckDB's of the same size. For Apache Spark itself, in another
environment with Java 17: `pip install "pyspark[connect]<4.1"`, then

    $SPARK_HOME/sbin/start-connect-server.sh --master "local[2]" --driver-memory 12g \
        --conf spark.sql.ansi.enabled=true --conf spark.sql.session.timeZone=UTC \
        --conf spark.sql.shuffle.partitions=4 --conf spark.driver.extraJavaOptions=-XX:+UseParallelGC

`--spark sail` starts the tests' own engine. Numbers belong to the machine they were measured on.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import suppress
from datetime import date
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import duckdb
import pandas as pd

from plantstats import simulate
from plantstats.exposure import READS, engines
from plantstats.schema.tables import OF_BRANCH
from plantstats.settings import EngineSettings
from tests.builders.engine_results import results
from tests.builders.invented_records import InventedRecords

AS_OF = date(2026, 9, 30)
MEMORY = "8 GB"  # of DuckDB; what goes beyond is laid aside on disk
PLANTS, SEED = 1500, 1  # of the company that is copied


class Copies:
    """What plant-time asks of records: Parquet files of a folder."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.cache, self.shared = folder, folder / "cache", dict[Any, Any]()
        engine = EngineSettings(memory=MEMORY)
        self.settings = SimpleNamespace(heating_season=((10, 1), (5, 1)), engine=engine)
        self.set_aside = pd.DataFrame(columns=["table", "column", "scope", "plant_id"], dtype="str")

    def parquet(self, name: str) -> Path:
        return self.folder / f"{name}.parquet"


def main() -> int:
    """Read the options; run one case, or measure all."""
    options = argparse.ArgumentParser(description=str(__doc__).splitlines()[0])
    options.add_argument("--visits", type=float, nargs="*", default=[2, 20, 100], help="millions, on DuckDB")
    options.add_argument("--spark", metavar="ADDRESS", help="of Spark Connect, or sail")
    options.add_argument("--spark-visits", type=float, nargs="*", default=[20], help="millions, there")
    options.add_argument("--server", type=int, metavar="PID", help="of the Spark server, for its memory")
    options.add_argument("--keep", type=Path, help="folder for the companies, kept")
    options.add_argument("--case", nargs=2, metavar=("ENGINE", "FOLDER"), help=argparse.SUPPRESS)
    given = options.parse_args()
    if given.case:
        run(given.case[0], Path(given.case[1]))
        return 0
    place = given.keep or Path(tempfile.mkdtemp(prefix="scale-"))
    try:
        return measure(place, given.visits, given.spark, given.spark_visits if given.spark else [], given.server)
    finally:
        if not given.keep:
            shutil.rmtree(place)


def measure(place: Path, sizes: list[float], spark: str | None, on_spark: list[float], server: int | None) -> int:
    """Run every case, print the figures side by side; 1 where engines disagree."""
    print(f"{os.cpu_count()} cores; seconds since the start of a case at the end of each result", flush=True)
    of_duckdb: dict[float, dict[str, str]] = {}
    wrong = 0
    for engine, millions in [("duckdb", m) for m in sizes] + [(str(spark), m) for m in on_spark]:
        folder = company(place, millions)
        before = processor_time(server)
        case = run_apart(engine, folder)
        if case is None:
            print(f"{engine}, {millions:g} million visits: did not end", flush=True)
            wrong = 1
            continue
        told = ", ".join(f"{name} {seconds:.0f}" for name, seconds in case["seconds"].items())
        on_server = server and engine.startswith("sc:")
        memory = f"peak {case['peak']:.1f} GiB" + (f", server {peak_of(server):.1f} GiB" if on_server else "")
        memory += f", disk {case['disk']:.1f} GiB"
        processor = case["processor"] + (processor_time(server) - before if on_server else 0)
        time_used = f"{case['total']:.0f} s, {processor:.0f} s of processor time"
        print(f"{engine}, {case['visits']:,} visits: {time_used}, {memory}; {told}", flush=True)
        digests = of_duckdb.setdefault(millions, case["digests"])
        unlike = [name for name, digest in case["digests"].items() if digests[name] != digest]
        if engine != "duckdb" and millions in sizes:
            agree = f"{len(digests) - len(unlike)} of {len(digests)} results the same to the unit as on DuckDB"
            print(f"  {agree}" + (f"; not: {', '.join(unlike)}" if unlike else ""), flush=True)
            wrong |= bool(unlike)
    return wrong


def run_apart(engine: str, folder: Path) -> dict[str, Any] | None:
    """One case in a process of its own; None where it was ended (for want of memory)."""
    done = subprocess.run(
        [sys.executable, "-m", "tests.benchmarks.scale", "--case", engine, folder],
        check=False,
        stdout=subprocess.PIPE,
        text=True,
    )
    return json.loads(done.stdout.splitlines()[-1]) if done.returncode == 0 else None


def run(engine: str, folder: Path) -> None:
    """Run one case and print its figures as JSON."""
    if engine == "sail":
        from pysail.spark import SparkConnectServer

        server = SparkConnectServer()
        server.start(background=True)
        engine = f"sc://127.0.0.1:{server.listening_address[1]}"
    os.environ[engines.VARIABLE] = engine
    aside = folder / (engines.SPILL if engine == "duckdb" else engines.STEPS)
    shutil.rmtree(aside, ignore_errors=True)
    disk = Disk(aside)
    start = time.perf_counter()
    seconds, digests = {}, {}
    for name, table in results(Copies(folder), AS_OF, by_site=False):  # type: ignore[arg-type]
        seconds[name] = time.perf_counter() - start
        print(f"  {seconds[name]:7.0f} s  {name}", file=sys.stderr, flush=True)
        digests[name] = digest(table)
    count = duckdb.sql(f"select count(*) from '{folder / 'visits.parquet'}'").fetchall()[0][0]
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    total = time.perf_counter() - start
    used = resource.getrusage(resource.RUSAGE_SELF)
    figures = {"visits": count, "total": total, "peak": peak, "disk": disk.peak / 2**30}
    figures["processor"] = used.ru_utime + used.ru_stime
    print(json.dumps({**figures, "seconds": seconds, "digests": digests}))


class Disk(threading.Thread):
    """Watches how much stands in a folder; `peak` is the most, in bytes."""

    def __init__(self, folder: Path) -> None:
        super().__init__(daemon=True)
        self.folder, self.peak = folder, 0
        self.start()

    def run(self) -> None:
        """Look each second."""
        while True:
            size = 0
            for path in self.folder.rglob("*"):
                with suppress(OSError):  # gone meanwhile
                    size += path.stat().st_blocks * 512
            self.peak = max(self.peak, size)
            time.sleep(1)


def digest(table: pd.DataFrame) -> str:
    """Of all values in their order, however wide an engine keeps a number."""
    plain = {
        name: column.astype("float64")
        if pd.api.types.is_numeric_dtype(column) or pd.api.types.is_bool_dtype(column)
        else column.astype("str")
        for name, column in table.items()
    }
    hashed = pd.util.hash_pandas_object(pd.DataFrame(plain), index=True)
    return f"{len(table)} {hashed.sum() & (2**64 - 1):x}"


def processor_time(process: int | None) -> float:
    """Seconds of processor time that a process has used."""
    if process is None:
        return 0.0
    fields = Path(f"/proc/{process}/stat").read_text(encoding="utf-8").rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def peak_of(process: int) -> float:
    """Peak GiB of a process."""
    lines = Path(f"/proc/{process}/status").read_text(encoding="utf-8").splitlines()
    return int(next(line for line in lines if line.startswith("VmHWM")).split()[1]) / 2**20


def company(place: Path, millions: float) -> Path:
    """Folder of the company of so many visits, made where it is not there."""
    folder, one = place / f"{millions:g}", place / "one"
    if not (one / "visits.parquet").exists():
        one.mkdir(parents=True)
        InventedRecords(one, PLANTS, SEED, simulate.CompanyParams())
    made = folder / "made"
    if not made.exists():
        folder.mkdir(exist_ok=True)
        visits = duckdb.sql(f"select count(*) from '{one / 'visits.parquet'}'").fetchall()[0][0]
        copies = max(round(millions * 1e6 / visits), 1)
        for name, columns in READS.items():
            if name != "unknown_follow_up":
                copy(one / f"{name}.parquet", folder / f"{name}.parquet", list(columns), copies)
        made.touch()
    return folder


def copy(source: Path, target: Path, columns: list[str], copies: int) -> None:
    """The rows of a table once for each copy, with its number before every id."""
    new = [
        f"case when {name} is not null then printf('%04d-%s', b, {name}) end as {name}"
        for name in OF_BRANCH
        if name in columns
    ]
    chosen = f"t.* replace ({', '.join(new)})" if new else "t.*"
    # In the order of the rows all of them would wait in memory.
    writing = duckdb.connect(config={"memory_limit": MEMORY, "preserve_insertion_order": False})
    query = f"select {chosen} from range({copies}) r(b), '{source}' t"
    writing.execute(f"copy ({query}) to '{target}' (format parquet)")


if __name__ == "__main__":
    raise SystemExit(main())
