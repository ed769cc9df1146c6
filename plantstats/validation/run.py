"""Prove many companies on several cores: stopped and continued at will, the same bytes whatever the workers."""

from __future__ import annotations

import io
import multiprocessing
import os
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import contextmanager
from hashlib import sha256
from pathlib import Path

import pandas as pd
from tqdm import tqdm

import plantstats
from plantstats import __version__
from plantstats.errors import PlantstatsError
from plantstats.reporting.names import notebook_path
from plantstats.reporting.runner import Report, run
from plantstats.validation import companies, coverage
from plantstats.validation.design import case
from plantstats.writing import write_whole

ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
DIGITS = 12
SUMS_TO = 10  # significant digits of the results table


class ValidationRunError(PlantstatsError, RuntimeError):
    """Companies that could not be put through the reports: a fault of the program, not of records."""


def validate(n: int, seed: int, out: Path, workers: int = 2) -> pd.DataFrame:
    """Make n invented companies, hold every printed interval against the truth, and write the table of results.

    Parameters
    ----------
    n : int
        Companies.
    seed : int
        Seed of the whole design.
    out : Path
        Folder. The table goes to results.csv in it. Each company leaves one file in companies-<code>-seed-<seed>; those
        that are there are not made again.
    workers : int, default 2
        Processes.

    Returns
    -------
    pandas.DataFrame
        The table of `coverage.table` with seed, asked (n), version and code. The same n and seed give the same bytes,
        whatever the workers and however often it was stopped.

    Raises
    ------
    ValidationRunError
        Naming every company that failed.
    """
    program = code()
    folder = out / f"companies-{program}-seed-{seed}"
    folder.mkdir(parents=True, exist_ok=True)
    missing = [number for number in range(n) if not _file(folder, number).exists()]
    if missing and (failures := _run(seed, missing, folder, workers)):
        raise ValidationRunError("\n".join(failures))
    rows = pd.concat([pd.read_parquet(_file(folder, number)) for number in range(n)], ignore_index=True)
    results = coverage.table(rows).assign(seed=seed, asked=n, version=__version__, code=program)
    text = results.to_csv(index=False, lineterminator="\n", float_format=f"%.{SUMS_TO}g").encode("utf-8")
    write_whole(out / "results.csv", text)
    return results


def _run(seed: int, numbers: list[int], folder: Path, workers: int) -> list[str]:
    """Make these companies in processes of their own; one text for each that fails, which stops no other."""
    # Fresh processes: none inherits threads or an open DuckDB.
    fresh = multiprocessing.get_context("spawn")
    with _one_thread(), ProcessPoolExecutor(min(workers, len(numbers)), fresh) as pool:
        try:
            waiting = {pool.submit(leave, seed, number, folder): number for number in numbers}
            progress = tqdm(as_completed(waiting), total=len(waiting), desc="companies", unit="company")
            return [
                f"invented company {waiting[done]} of seed {seed}: {type(fault).__name__}: {fault}"
                for done in progress
                if (fault := done.exception()) is not None
            ]
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def page(n: int, seed: int, out: Path, workers: int = 2) -> Report:
    """Validate, and make the page of the results.

    Parameters
    ----------
    n : int
        Companies.
    seed : int
        Seed of the whole design.
    out : Path
        Folder for reports; companies stand in out/validation-work, to be continued.
    workers : int, default 2
        Processes.

    Returns
    -------
    Report
        The page, in out/validation.
    """
    work = out / "validation-work"
    validate(n, seed, work, workers)
    about = f"{n} invented companies, seed {seed}, plantstats {__version__}"
    parameters = {"results_csv": str((work / "results.csv").resolve())}
    return run(notebook_path("validation"), parameters, out / "validation", about)


def code() -> str:
    """Digest of the program's own source: companies made with other code are not mixed with these.

    Returns
    -------
    str
        Hexadecimal.
    """
    home, whole = Path(plantstats.__file__).resolve().parent, sha256()
    for path in sorted(home.rglob("*.py")):
        whole.update(path.relative_to(home).as_posix().encode() + b"\0" + path.read_bytes())
    return whole.hexdigest()[:DIGITS]


def leave(seed: int, number: int, folder: Path) -> None:
    """Validate one company and leave its file; half a file is never seen.

    Parameters
    ----------
    seed : int
        Seed of the whole design.
    number : int
        Of the company, from 0.
    folder : Path
        For the file.
    """
    table = companies.validate_company(case(seed, number))
    binary = io.BytesIO()
    table.to_parquet(binary, index=False, compression="zstd")
    write_whole(_file(folder, number), binary.getvalue())


def _file(folder: Path, number: int) -> Path:
    return folder / f"{number:05d}.parquet"


@contextmanager
def _one_thread() -> Iterator[None]:
    """Workers do linear algebra on one thread each: the same sums in the same order on any machine of one kind."""
    before = {name: os.environ.get(name) for name in ONE_THREAD}
    os.environ.update(dict.fromkeys(ONE_THREAD, "1"))
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                os.environ.pop(name, None)
            else:
                os.environ[name] = value
