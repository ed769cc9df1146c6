"""Spoil a small company's files for some minutes and tell what came of it: `python -m tests.fuzz --minutes 30`."""

from __future__ import annotations

import argparse
import os
import signal
import sys
import tempfile
import time
import warnings
from pathlib import Path
from types import FrameType

from plantstats import simulate
from tests.fuzz.spoiled import Counts, run_one

SLOWEST = 300  # seconds in which a spoiled folder of this size is through, whatever it holds
EACH = {"pages": 4, "review": 60}  # every so many-th folder


class TooSlowError(RuntimeError):
    """A folder that is not through in time."""


def _too_slow(_signal: int, _frame: FrameType | None) -> None:
    raise TooSlowError(f"not through in {SLOWEST} seconds")


def main() -> int:
    """Run until the time is up; 1 where the program showed a fault."""
    parser = argparse.ArgumentParser(prog="python -m tests.fuzz", description=__doc__)
    parser.add_argument("--minutes", type=float, default=10)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", type=int, help="this number alone, with every page")
    chosen = parser.parse_args()
    os.environ.setdefault("MPLBACKEND", "agg")
    warnings.simplefilter("error")
    signal.signal(signal.SIGALRM, _too_slow)
    counts, until, number = Counts(), time.monotonic() + 60 * chosen.minutes, chosen.only or 0
    with tempfile.TemporaryDirectory(prefix="fuzz-sound-") as temporary:
        sound = Path(temporary) / "records"
        simulate.make(sound, 30, 1.0, 3)
        while time.monotonic() < until:
            pages = number % EACH["pages"] == 0 or chosen.only is not None
            said = len(counts.faults)
            signal.alarm(SLOWEST)
            run_one(
                sound, chosen.seed, number, counts, pages=pages, review=number % EACH["review"] == EACH["review"] - 1
            )
            signal.alarm(0)
            for fault in counts.faults[said:]:
                print(fault, flush=True)
            number += 1
            if chosen.only is not None:
                break
            if number % 50 == 0:
                print(f"--- {number} folders\n{counts.text()}", flush=True)
    print(counts.text())
    return 1 if counts.faults else 0


if __name__ == "__main__":
    sys.exit(main())
