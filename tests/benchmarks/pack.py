"""Time, processor time and memory of the whole pack, made cold by the command, against stated limits.

    python -m tests.benchmarks.pack [--plants 400 20000] [--years 3] [--folder DIR ...] [--no-limits]

For each company: `plantstats review` with nothing kept from before; a second page of the same study, opened by hand;
once: `plantstats --help`. Every figure comes from the system's own account (getrusage of ended children, and the
record of the review); memory in all is the sum of the largest processes that ran beside each other. Ends with 1, and
says which, when a figure lies over its limit.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

from plantstats import simulate

MIB = 1024
# Most plants of a company -> seconds of the pack, GiB of a process, GiB of all that run beside each other.
LIMITS = {1_000: (15.0, 2.0, 6.0), 20_000: (60.0, 2.0, 6.0), 100_000: (240.0, 6.0, 6.0)}
HELP_SECONDS, SECOND_PAGE_SECONDS = 0.3, 3.0
GROWTH = (400, 20_000, 4.0)  # plants, plants, at most so many times the seconds
# What a page that follows another in one notebook costs; the first opens the study.
SECOND_PAGE = """
import json, sys, time
import plantstats
from plantstats.pages import losses, wears
study = plantstats.study(sys.argv[1])
wears.page(study).head
began = time.perf_counter()
page = losses.page(study)
page.head._repr_html_(), page.rest._repr_html_()
print(json.dumps(time.perf_counter() - began))
"""


@dataclass(frozen=True)
class Measured:
    """What one company's pack took.

    Attributes
    ----------
    plants, visits : int
        Size of the company.
    wall, cpu : float
        Seconds of the command, and of all its processes.
    parent_mib : float
        Largest memory of the command's own process, in MiB.
    processes : list of dict
        name, seconds (processor), peak_mib of each process that it started.
    second_page : float
        Seconds.
    """

    plants: int
    visits: int
    wall: float
    cpu: float
    parent_mib: float
    processes: list[dict[str, Any]]
    second_page: float

    @property
    def peak_gib(self) -> float:
        """Memory of the largest process."""
        return max(self.parent_mib, *(one["peak_mib"] for one in self.processes)) / MIB

    @property
    def all_gib(self) -> float:
        """Memory of the command with the two largest processes, which may run beside each other."""
        largest = sorted((one["peak_mib"] for one in self.processes), reverse=True)[:2]
        return (self.parent_mib + sum(largest)) / MIB


def measure(folder: Path, out: Path, said: Path) -> Measured:
    """Make the pack of a folder of records, then a second page of the same study.

    Parameters
    ----------
    folder : Path
        Records.
    out : Path
        Folder for reports: empty, or made here.
    said : Path
        File for what the command prints, its errors too.

    Returns
    -------
    Measured

    Raises
    ------
    subprocess.CalledProcessError
        When the command fails or a page is missing.
    """
    wall, cpu, peak = timed([sys.executable, "-m", "plantstats", "review", str(folder), "--out", str(out)], said)
    (record,) = out.glob("*/made_with.json")
    made = json.loads(record.read_text(encoding="utf-8"))
    rows = {row["table"]: 0 for row in made["account"]}
    for row in made["account"]:
        rows[row["table"]] += row["rows_read"]
    page = subprocess.run(
        [sys.executable, "-c", SECOND_PAGE, str(folder)], check=True, capture_output=True, text=True
    ).stdout
    return Measured(rows["plants"], rows["visits"], wall, cpu, peak, made["processes"], json.loads(page))


def timed(command: list[str], said: Path | str = os.devnull) -> tuple[float, float, float]:
    """Run a command: seconds, processor seconds with its children, largest memory of itself in MiB."""
    began = time.perf_counter()
    with open(said, "wb") as printed:
        errors = None if str(said) == os.devnull else subprocess.STDOUT
        process = subprocess.Popen(command, stdout=printed, stderr=errors)
        _, status, used = os.wait4(process.pid, 0)
    process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode:
        raise subprocess.CalledProcessError(process.returncode, command)
    return time.perf_counter() - began, used.ru_utime + used.ru_stime, used.ru_maxrss / MIB


def over(measured: list[Measured], help_seconds: float) -> list[str]:
    """Figures that lie over their limits, in words.

    Parameters
    ----------
    measured : list of Measured
        Companies.
    help_seconds : float
        Of `plantstats --help`.

    Returns
    -------
    list of str
        Empty when all limits hold.
    """
    checks = [("plantstats --help", help_seconds, HELP_SECONDS, "s")]
    for one in measured:
        name = f"{one.plants:,} plants"
        limits = next((limits for most, limits in LIMITS.items() if one.plants <= 1.2 * most), None)
        if limits is not None:
            checks += [
                (f"{name}: pack", one.wall, limits[0], "s"),
                (f"{name}: largest process", one.peak_gib, limits[1], "GiB"),
                (f"{name}: all processes", one.all_gib, limits[2], "GiB"),
            ]
        checks.append((f"{name}: second page", one.second_page, SECOND_PAGE_SECONDS, "s"))
    few, many, times = GROWTH
    small = [one for one in measured if 0.8 * few <= one.plants <= 1.5 * few]
    large = [one for one in measured if 0.8 * many <= one.plants <= 1.5 * many]
    if small and large:
        checks.append((f"pack at {many:,} plants / at {few}", large[0].wall / small[0].wall, times, "times"))
    return [f"{what}: {value:.2f} {unit}, limit {limit:g}" for what, value, limit, unit in checks if value > limit]


def main() -> int:
    """Make the companies, measure, print, and compare with the limits.

    Returns
    -------
    int
        1 when a figure lies over its limit.
    """
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--plants", type=int, nargs="*", default=[400, 20_000])
    parser.add_argument("--years", type=float, default=3)
    parser.add_argument("--folder", type=Path, nargs="*", default=[], help="records that are there already")
    parser.add_argument("--no-limits", action="store_true", help="print only")
    chosen = parser.parse_args()
    print(f"{date.today()}, {os.cpu_count()} cores, {platform.machine()}, Python {platform.python_version()}")
    help_seconds = min(timed([sys.executable, "-m", "plantstats", "--help"])[0] for _ in range(3))
    print(f"plantstats --help: {help_seconds:.2f} s")
    measured = []
    with tempfile.TemporaryDirectory(prefix="plantstats-benchmark-") as name:
        folders = list(chosen.folder)
        for plants in [] if folders else chosen.plants:
            folders.append(Path(name, str(plants)))
            simulate.make(folders[-1], plants=plants, years=chosen.years, seed=1)
        for number, folder in enumerate(folders):
            shutil.rmtree(folder / ".plantstats_cache", ignore_errors=True)  # nothing kept from before
            one = measure(folder, Path(name, f"reports{number}"), Path(os.devnull))
            measured.append(one)
            print(f"\n{one.plants:,} plants, {one.visits:,} visits: {one.wall:.1f} s, {one.cpu:.1f} s of processor")
            print(f"largest process {one.peak_gib:.2f} GiB, side by side {one.all_gib:.2f} GiB")
            print(f"second page of the study {one.second_page:.2f} s")
            for process in one.processes:
                print(f"{process['seconds']:8.1f} s {process['peak_mib']:6} MiB  {process['name'][:90]}")
    faults = [] if chosen.no_limits else over(measured, help_seconds)
    for fault in faults:
        print(f"OVER THE LIMIT: {fault}")
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
