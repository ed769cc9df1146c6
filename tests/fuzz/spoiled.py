"""What must hold of any spoiled folder: check, plant-time, every page, and now and then the command itself."""

from __future__ import annotations

import contextlib
import hashlib
import io
import re
import shutil
import tempfile
import traceback
from collections import Counter
from dataclasses import dataclass, field
from pathlib import Path

import duckdb
import numpy as np
import pandas as pd

import plantstats
from plantstats import cli, exposure, records
from plantstats.errors import PlantstatsError
from plantstats.pages import accounts, brief, client_page, losses, methods, visits, watch, wears
from plantstats.pages import records as records_page
from tests.fuzz.mutations import spoil

PAGES = (brief, losses, accounts, visits, watch, wears, records_page, methods)
# Tracebacks are what is searched for: whatever libraries raise, and warnings, which are errors here.
UNEXPECTED = (
    *(ArithmeticError, AssertionError, AttributeError, LookupError, NameError, OSError, RuntimeError, SystemExit),
    *(TypeError, ValueError, Warning, duckdb.Error, PlantstatsError),
)
# What no reader should meet on a page; pictures are left out before it is searched.
NOT_ON_A_PAGE = re.compile(r"\bnan\b|\bNaN\b|<NA>|\bNaT\b|Traceback|object at 0x|/tmp/|site-packages|Warning:")


@dataclass
class Counts:
    """What became of all folders: counts by outcome, and every fault of the program with the seed that shows it."""

    outcomes: Counter[str] = field(default_factory=Counter)
    reasons: Counter[str] = field(default_factory=Counter)
    faults: list[str] = field(default_factory=list)

    def text(self) -> str:
        """A table of the counts, the reasons why pages were missing, and the faults."""
        lines = [f"{n:7,}  {what}" for what, n in sorted(self.outcomes.items())]
        lines += ["", "why pages were missing:"]
        lines += [f"{n:7,}  {why}" for why, n in self.reasons.most_common(40)]
        return "\n".join([*lines, "", f"faults of the program: {len(self.faults)}", *self.faults])


def digests(folder: Path) -> dict[str, str]:
    """Digest of every file of the user's, by its path in the folder."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        for path in sorted(folder.rglob("*"))
        if path.is_file() and ".plantstats_cache" not in path.parts
    }


def command(*arguments: str) -> tuple[int, str, str]:
    """The command in this process: exit code, output, error stream."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = cli.main(arguments)
    return code, out.getvalue(), err.getvalue()


class Case:
    """One spoiled folder and what is found wrong with the program on it."""

    def __init__(self, sound: Path, seed: int, number: int, counts: Counts) -> None:
        self.rng = np.random.default_rng([seed, number])
        self.name = f"seed {seed} number {number}"
        self.sound, self.counts = sound, counts
        self.wrong: list[str] = []

    def expect(self, holds: bool, text: str) -> None:
        """Note what does not hold."""
        if not holds:
            self.wrong.append(text)

    def run(self, pages: bool, review: bool) -> None:
        """Spoil a copy of the sound folder and hold the program to what it promises."""
        with tempfile.TemporaryDirectory(prefix="fuzz-") as temporary:
            folder = Path(temporary) / "records"
            folder.mkdir()
            for path in self.sound.iterdir():
                if path.is_file():
                    shutil.copy(path, folder)
            spoiled = spoil(folder, self.rng)
            before = digests(folder)
            try:
                usable = self._check(folder, spoiled.rows)
                if usable:
                    self._build(folder)
                    if pages:
                        self._pages(folder)
                if review:
                    self._review(folder)
            except UNEXPECTED as error:
                own = [f for f in traceback.extract_tb(error.__traceback__) if "plantstats/" in f.filename][-3:]
                place = " <- ".join(f"{Path(f.filename).name}:{f.lineno} {f.line}" for f in reversed(own))
                self.wrong.append(f"{type(error).__name__}: {str(error)[:300]} at {place}")
            self.expect(digests(folder) == before, "a file of the user's was changed")
        self.counts.outcomes["folders"] += 1
        self.counts.faults += [f"{self.name} ({'; '.join(spoiled.done)}): {text}" for text in self.wrong]

    def _check(self, folder: Path, rows: dict[str, int]) -> bool:
        listed = folder.parent / "set_aside.csv"
        code, out, err = command("check", str(folder), "--set-aside", str(listed))
        self.counts.outcomes[f"check ends with {code}"] += 1
        self.expect(code in (0, 1), f"check ends with {code}")
        self.expect("Traceback" not in out + err, "a traceback on the screen")
        if err:
            self.expect(code == 1 and err.startswith("plantstats check: "), f"error stream: {err[:200]}")
            self.counts.outcomes["settings or folder refused"] += 1
            return False
        made, unusable = records.survey(folder)
        for row in made.account.itertuples():
            self.expect(
                row.rows_read == row.rows_used + row.rows_set_aside and row.rows_set_aside >= 0,
                f"account does not balance: {row}",
            )
            whole = made.set_aside[(made.set_aside["file"] == row.file) & (made.set_aside["scope"] == "row")]
            self.expect(
                whole["line"].nunique() == row.rows_set_aside,
                f"{row.file}: {whole['line'].nunique()} lines told, {row.rows_set_aside} set aside",
            )
        read = made.account.groupby("table")["rows_read"].sum()
        for name, n in rows.items():
            if name in read:
                self.expect(int(read[name]) == n, f"{name}: {n} rows in, {read[name]} read")
        allowed = made.set_aside["code"].isin(made.settings.allowed_faults)
        aside = ((made.set_aside["scope"] == "row") & ~allowed).any()
        self.expect(code == int(bool(unusable) or aside), f"check ends with {code}: {unusable or aside}")
        told = pd.read_csv(listed, dtype="str")
        self.expect(len(told) == len(made.set_aside), "the list of rows set aside is not whole")
        self.counts.outcomes["rows read"] += int(made.account["rows_read"].sum())
        self.counts.outcomes["rows set aside"] += int(made.account["rows_set_aside"].sum())
        if unusable:
            self.counts.outcomes["a table that cannot be used"] += 1
        return not unusable

    def _build(self, folder: Path) -> None:
        made = records.load(folder)
        try:
            as_of = exposure.last_day(made)
            for dated in ("found", "midpoint"):
                time = exposure.build(made, as_of, dated)
                days = time.exposure_table([])["plant_days"]
                self.expect(bool(np.isfinite(days.astype(float)).all() and (days >= 0).all()), "plant-days below 0")
                account = time.account
                self.expect(len(account) > 0, "plant-time has no account")
        except PlantstatsError as refusal:
            self.expect(len(str(refusal)) > 20, f"a refusal without a reason: {refusal}")
            self.counts.outcomes["plant-time refused"] += 1
            return
        self.counts.outcomes["plant-time built"] += 1

    def _pages(self, folder: Path) -> None:
        try:
            study = plantstats.study(folder)
        except PlantstatsError as refusal:
            self._refused("no quarter", refusal)
            return
        for module in PAGES:
            try:
                html = module.page(study)._repr_html_()
            except PlantstatsError as refusal:
                self._refused(module.TITLE, refusal)
                continue
            self._look_at(html, module.TITLE)
        clients = sorted(study.records.table("sites")["client_id"].dropna().unique())
        if clients:
            try:
                html = client_page.page(study.of_client(str(self.rng.choice(clients))))._repr_html_()
                self._look_at(html, "client")
            except PlantstatsError as refusal:
                self._refused("client", refusal)

    def _look_at(self, html: str, title: str) -> None:
        self.counts.outcomes["pages made"] += 1
        found = NOT_ON_A_PAGE.search(re.sub(r"base64,[A-Za-z0-9+/=]*", "", html))
        if found:
            around = html[max(found.start() - 80, 0) : found.end() + 80]
            self.wrong.append(f"page {title} shows {found.group()!r}: {around!r}")

    def _refused(self, title: str, refusal: PlantstatsError) -> None:
        self.counts.outcomes["pages missing for a stated reason"] += 1
        plain = re.sub(r"'[^']*'|\b[A-Z]\d{3,}\b|\d[\d,.-]*", "…", str(refusal).splitlines()[0])[:110]
        self.counts.reasons[f"{title}: {plain}"] += 1
        self.expect(len(str(refusal)) > 20, f"a refusal without a reason: {refusal}")

    def _review(self, folder: Path) -> None:
        out = folder.parent / "reports"
        code, _, err = command("review", str(folder), "--out", str(out))
        self.counts.outcomes[f"review ends with {code}"] += 1
        self.expect(code in (0, 1) and "Traceback" not in err, f"review ends with {code}: {err[-300:]}")
        made = sorted(path for path in out.rglob("*") if path.is_file()) if out.exists() else []
        failed = [path.name for path in made if path.name.endswith(".failed.ipynb")]
        self.expect(not failed, f"{failed} left: {err[-500:]}")
        self.expect(code == 1 or len([path for path in made if path.suffix == ".html"]) == len(PAGES), "a page is lost")
        self.expect(code == 0 or len(err) > 20, f"review ends with {code} and gives no reason")
        self.expect(code == 1 or "no page" not in err, f"review ends with {code} but says {err[:300]}")


def run_one(sound: Path, seed: int, number: int, counts: Counts, *, pages: bool = True, review: bool = False) -> None:
    """Spoil one folder and count what came of it.

    Parameters
    ----------
    sound : Path
        Folder of sound records in plain CSV.
    seed, number : int
        They give the spoiling; the same again for the same two.
    counts : Counts
        Added to.
    pages : bool
        Build every page.
    review : bool
        Run the command `plantstats review` too, with its notebooks.
    """
    Case(sound, seed, number, counts).run(pages, review)
