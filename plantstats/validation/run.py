"""Prove many companies on several cores: stopped and continued at will, the same bytes whatever the workers."""

from __future__ import annotations

import io
import multiprocessing
from concurrent.futures import ProcessPoolExecutor, as_completed
from pathlib import Path

import pandas as pd
from tqdm import tqdm

from plantstats import THREADS, __version__
from plantstats.errors import PlantstatsError
from plantstats.reporting.forks import environment
from plantstats.reporting.names import notebook_path
from plantstats.reporting.runner import Report, run
from plantstats.validation import companies, coverage, second_companies
from plantstats.validation.design import case
from plantstats.validation.program import code, commit, seed_of
from plantstats.writing import write_whole

SECOND = "second-"
SUMS_TO = 10  # significant digits of the results table


class ValidationRunError(PlantstatsError, RuntimeError):
    """Companies that could not be put through the reports: a fault of the program, not of records."""


def validate(n: int, seed: int | None, out: Path, workers: int = 2, second: int | None = None) -> pd.DataFrame:
    """Make invented companies of both generators, hold every printed interval against the truth, and write the results.

    Parameters
    ----------
    n : int
        Companies of the generator that is our model's family.
    seed : int or None
        Seed of the whole design. None, for a proof: drawn from the code, so that it cannot have been developed on these
        companies. Any other is for development, and says so in the results.
    out : Path
        Folder. The table goes to results.csv in it. Each company leaves one file in companies-<code>-seed-<seed>; those
        that are there are not made again.
    workers : int, default 2
        Processes.
    second : int, optional
        Companies of the second generator; as many as of the first unless given.

    Returns
    -------
    pandas.DataFrame
        The table of `coverage.table` with seed, drawn (whether from the code), asked (n), version, code and commit. The
        same n and seed give the same bytes, whatever the workers and however often it was stopped.

    Raises
    ------
    ValidationRunError
        Naming every company that failed; or when the program changed while they were made.
    """
    program = code()
    of = seed_of(program) if seed is None else seed
    folder = out / f"companies-{program}-seed-{of}"
    folder.mkdir(parents=True, exist_ok=True)
    names = [f"{number:05d}" for number in range(n)]
    names += [f"{SECOND}{number:05d}" for number in range(n if second is None else second)]
    missing = [name for name in names if not _file(folder, name).exists()]
    if missing and (failures := _run(of, missing, folder, workers)):
        raise ValidationRunError("\n".join(failures))
    if code() != program:
        raise ValidationRunError(
            f"the program changed while companies were made (it was {program}, it is {code()}): nothing is reported; "
            "run it again on the program as it is now"
        )
    rows = pd.concat([pd.read_parquet(_file(folder, name)) for name in names], ignore_index=True)
    rows = rows.assign(company=rows["company"].astype("str"))
    results = coverage.table(rows).assign(
        seed=of, drawn=seed is None, asked=n, version=__version__, code=program, commit=commit()
    )
    text = results.to_csv(index=False, lineterminator="\n", float_format=f"%.{SUMS_TO}g").encode("utf-8")
    write_whole(out / "results.csv", text)
    return results


def _run(seed: int, names: list[str], folder: Path, workers: int) -> list[str]:
    """Make these companies in processes of their own; one text for each that fails, which stops no other."""
    # Fresh processes: none inherits threads or an open DuckDB. One thread of linear algebra each: the same sums in the
    # same order on any machine of one kind.
    fresh = multiprocessing.get_context("spawn")
    with environment(dict.fromkeys(THREADS, "1")), ProcessPoolExecutor(min(workers, len(names)), fresh) as pool:
        try:
            waiting = {pool.submit(leave, seed, name, folder): name for name in names}
            progress = tqdm(as_completed(waiting), total=len(waiting), desc="companies", unit="company")
            return [
                f"invented company {waiting[done].lstrip('0') or '0'} of seed {seed}: {type(fault).__name__}: {fault}"
                for done in progress
                if (fault := done.exception()) is not None
            ]
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def page(n: int, seed: int | None, out: Path, workers: int = 2) -> Report:
    """Validate, and make the page of the results.

    Parameters
    ----------
    n : int
        Companies.
    seed : int or None
        As `validate`.
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
    results = validate(n, seed, work, workers)
    whose = "drawn from the code" if seed is None else "for development"
    about = f"{n} invented companies of each of two generators, seed {results['seed'].iloc[0]} ({whose}), plantstats "
    about += __version__
    parameters = {"results_csv": str((work / "results.csv").resolve())}
    return run(notebook_path("validation"), parameters, out / "validation", about)


def leave(seed: int, name: str, folder: Path) -> None:
    """Validate one company and leave its file; half a file is never seen.

    Parameters
    ----------
    seed : int
        Seed of the whole design.
    name : str
        Number of the company, from 0, after "second-" where the second generator makes it.
    folder : Path
        For the file.
    """
    number = int(name.removeprefix(SECOND))
    if name.startswith(SECOND):
        table = second_companies.validate_company(seed, number)
    else:
        table = companies.validate_company(case(seed, number))
    binary = io.BytesIO()
    table.assign(company=table["company"].astype("str")).to_parquet(binary, index=False, compression="zstd")
    write_whole(_file(folder, name), binary.getvalue())


def _file(folder: Path, name: str) -> Path:
    return folder / f"{name}.parquet"
