"""The reviews of the demo, made by the command once for all processes that run tests."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from dataclasses import asdict, dataclass
from pathlib import Path

from filelock import FileLock

from plantstats import cli
from tests.benchmarks import pack
from tests.remake_example import CLIENT, HOME, QUARTER

DEMO = HOME / "data_demo"


@dataclass(frozen=True)
class DemoReview:
    """A review of all clients and that of one, what the command said, and what the first took.

    Attributes
    ----------
    out : Path
        Folder of reports that holds the review of all clients alone.
    folder : Path
        That review.
    client : Path
        That of one client, alone in its folder.
    said : str
        What the command printed for the first.
    measured : pack.Measured
        Its time and memory.
    """

    out: Path
    folder: Path
    client: Path
    said: str
    measured: pack.Measured


def made_once(folder: Path, make: Callable[[Path], None]) -> Path:
    """A folder that the first process to ask for it fills; others wait for it."""
    with FileLock(folder.with_suffix(".lock")):
        if not folder.exists():
            building = folder.with_suffix(".building")
            building.mkdir()
            make(building)
            os.replace(building, folder)
    return folder


def demo_review(shared: Path) -> DemoReview:
    """The reviews of the demo in a folder that all processes share."""

    def make(folder: Path) -> None:
        measured = pack.measure(DEMO, folder / "reports", folder / "said.txt")
        (folder / "measured.json").write_text(json.dumps(asdict(measured)), encoding="utf-8")
        code = cli.main(["review", str(DEMO), "--client", CLIENT, "--out", str(folder / "client")])
        assert code == 0

    made = made_once(shared / "demo", make)
    return DemoReview(
        made / "reports",
        made / "reports" / QUARTER,
        made / "client" / f"{QUARTER}--{CLIENT}",
        (made / "said.txt").read_text(encoding="utf-8"),
        pack.Measured(**json.loads((made / "measured.json").read_text(encoding="utf-8"))),
    )
