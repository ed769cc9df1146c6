"""The protocol of a trial, fixed before its start: what is asked, of whom, when, by which rule, and how it is read."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass, field
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pandas as pd

from plantstats.trials.allocation import allocate
from plantstats.trials.errors import TrialError
from plantstats.trials.sizing import CROSSOVER

FORMAT = 1
FILE, PAGE = "protocol.json", "protocol.html"
LARGEST = 20_000_000  # bytes of a protocol; a larger file is none


@dataclass(frozen=True)
class Protocol:
    """What is fixed before a trial starts.

    Attributes
    ----------
    company, currency : str
        As in the settings then.
    made_on_records_until : str
        Last day of the records that it was planned from.
    shorter, longer : int
        Days between visits.
    outcome, design : str
        One of `outcomes.OUTCOMES`, `sizing.DESIGNS`.
    dry_depth : float or None
        Centimetres down to which soil must be dry to count; None: the word for the topsoil.
    start : str
        First day.
    washout, weeks : int
        Weeks of a period that are not counted, and those that are.
    difference, power, mean : float
        The difference that the size is for, in the outcome's unit, the chance to see it, and the outcome before.
    margin : dict of str to float
        Most that the longer interval may add to an outcome and still be as good, in its unit.
    looks : list of dict
        Days on which harm is looked for: after (last counted day), fraction (of the information), limit (standard
        errors beyond the margin).
    seed : int
        Of the allocation.
    sites : list of dict
        site_id, route, plants, interval_now, before (the outcome in the year before; balance was sought on it and the
        plants), dry_before (the share found dry then), longer_first (the allocation).
    """

    company: str
    currency: str
    made_on_records_until: str
    shorter: int
    longer: int
    outcome: str
    design: str
    dry_depth: float | None
    start: str
    washout: int
    weeks: int
    difference: float
    power: float
    mean: float
    margin: dict[str, float]
    looks: list[dict[str, Any]]
    seed: int
    sites: list[dict[str, Any]] = field(default_factory=list)

    @property
    def periods(self) -> int:
        """Two in a crossover, else one."""
        return 2 if self.design == CROSSOVER else 1

    def counted(self, period: int) -> tuple[date, date]:
        """First counted day of a period, and the day after its last.

        Parameters
        ----------
        period : int
            1 or 2.

        Returns
        -------
        tuple of datetime.date
        """
        begins = date.fromisoformat(self.start) + timedelta(weeks=(period - 1) * (self.washout + self.weeks))
        return begins + timedelta(weeks=self.washout), begins + timedelta(weeks=self.washout + self.weeks)

    @property
    def last_day(self) -> date:
        """Last counted day."""
        return self.counted(self.periods)[1] - timedelta(days=1)

    def windows(self) -> pd.DataFrame:
        """The counted part of each site's periods.

        Returns
        -------
        pandas.DataFrame
            site_id, period, interval (days), longer, longer_first, begins (first day, washout and all), start, end
            (half-open counted days).
        """
        rows = []
        for period in range(1, self.periods + 1):
            start, end = self.counted(period)
            for site in self.sites:
                longer = site["longer_first"] if period == 1 else not site["longer_first"]
                rows.append(
                    {
                        "site_id": site["site_id"],
                        "period": period,
                        "interval": self.longer if longer else self.shorter,
                        "longer": longer,
                        "longer_first": site["longer_first"],
                        "begins": start - timedelta(weeks=self.washout),
                        "start": start,
                        "end": end,
                    }
                )
        return pd.DataFrame(rows)

    @property
    def digest(self) -> str:
        """SHA-256 of everything above, 64 hexadecimal letters."""
        text = json.dumps({"format": FORMAT, **asdict(self)}, sort_keys=True, ensure_ascii=False, allow_nan=False)
        return hashlib.sha256(text.encode("utf-8")).hexdigest()

    def text(self) -> str:
        """The file, its digest last.

        Returns
        -------
        str
        """
        content = {"format": FORMAT, **asdict(self), "digest": self.digest}
        return json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def read_protocol(path: Path, digest: str | None = None) -> Protocol:
    """Read a protocol and refuse one that is not as it was before the start.

    Parameters
    ----------
    path : Path
        Of protocol.json; the protocol's page, where it lies beside it, must carry the same digest.
    digest : str, optional
        The digest that was noted before the start.

    Returns
    -------
    Protocol

    Raises
    ------
    TrialError
        For a file that is no protocol, and for one that was changed: its digest is not that of its content, of its
        page or the one given, or its allocation is not the one that its seed gives.
    """
    try:
        if path.stat().st_size > LARGEST:
            raise TrialError(f"{path} is too large for the protocol of a trial")
        content = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise TrialError(f"{path}: cannot be read ({error.strerror}); name the {FILE} of the plan") from None
    except ValueError:
        raise TrialError(f"{path} is not the protocol of a trial; name the {FILE} of the plan") from None
    if not isinstance(content, dict) or "digest" not in content:
        raise TrialError(f"{path} is not the protocol of a trial; name the {FILE} of the plan")
    if content.get("format") != FORMAT:
        raise TrialError(f"{path} is of format {content.get('format')!r}; this version reads format {FORMAT}")
    stated = content.pop("digest")
    del content["format"]
    try:
        protocol = Protocol(**content)
        actual = protocol.digest
        allocated = allocate(pd.DataFrame(protocol.sites), protocol.seed).tolist()
        is_allocation = allocated == [site["longer_first"] for site in protocol.sites]
    except (TypeError, KeyError, ValueError, AttributeError):
        raise _changed(path, "what it holds is not what a plan writes") from None
    if stated != actual:
        raise _changed(path, f"its content has the digest {actual[:12]}..., and it says {str(stated)[:12]}...")
    if digest is not None and digest != actual:
        raise _changed(path, f"its digest is {actual[:12]}..., and the one given is {digest[:12]}...")
    page = path.with_name(PAGE)
    if page.is_file() and actual not in page.read_text(encoding="utf-8", errors="replace"):
        raise _changed(path, f"{PAGE} beside it carries another digest")
    if not is_allocation:
        raise _changed(path, f"its allocation is not the one that seed {protocol.seed} draws")
    return protocol


def _changed(path: Path, why: str) -> TrialError:
    return TrialError(f"{path} was changed after it was written: {why}. Read the trial by the protocol as it was then")
