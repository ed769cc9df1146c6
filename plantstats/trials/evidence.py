"""What trials said, for the visit advice: the result of a reading, found again in the folder of the records."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pandas as pd

from plantstats import findings
from plantstats.stats.intervals import CONF_LEVEL
from plantstats.trials.errors import TrialError
from plantstats.trials.files import PATTERN
from plantstats.trials.outcomes import UNITS
from plantstats.trials.reading import METHOD, Reading

LARGEST = 1_000_000  # bytes
Limits = tuple[float, float, float]


@dataclass(frozen=True)
class Evidence:
    """The result of one trial that was read at its end.

    Attributes
    ----------
    protocol : str
        Digest of its protocol.
    first_day, last_day : str
        First and last counted day.
    shorter, longer : int
        Days between visits.
    outcome, design, verdict : str
        As in the protocol, and `reading.Reading`.
    sites, plants : int
        That took part.
    margin : float
        Most that the longer interval might add.
    difference : tuple of float
        Longer less shorter, with its limits, in the unit of the outcome.
    cost : tuple of float or None
        The same of care at all its sites, per quarter.
    currency : str
    """

    protocol: str
    first_day: str
    last_day: str
    shorter: int
    longer: int
    outcome: str
    design: str
    verdict: str
    sites: int
    plants: int
    margin: float
    difference: Limits
    cost: Limits | None
    currency: str

    def findings(self) -> pd.DataFrame:
        """Its rows for the page that shows it: trial_difference, trial_cost_difference.

        Returns
        -------
        pandas.DataFrame
        """
        period = f"{self.first_day} to {self.last_day}"
        about: dict[str, Any] = {"method": METHOD[self.design], "n_plants": self.plants, "conf_level": CONF_LEVEL}
        about["interval_days"] = self.longer
        note = f"every {self.longer} days less every {self.shorter}"
        unit = UNITS[self.outcome]
        rows = [
            findings.finding(
                "trial_difference", period, *self.difference, unit=unit, note=note, term=self.outcome, **about
            )
        ]
        if self.cost:
            unit = f"{self.currency} per quarter"
            rows.append(findings.finding("trial_cost_difference", period, *self.cost, unit=unit, note=note, **about))
        return findings.table(rows)


def evidence_of(reading: Reading) -> Evidence:
    """What a finished trial leaves for the advice.

    Parameters
    ----------
    reading : Reading
        Finished.

    Returns
    -------
    Evidence
    """
    protocol = reading.protocol
    rows = findings.pick(reading.findings, "trial_difference", ["term"])
    row = rows[rows["term"].eq(protocol.outcome)].iloc[0]
    cost = findings.pick(reading.findings, "trial_cost_difference")
    return Evidence(
        protocol=protocol.digest,
        first_day=protocol.counted(1)[0].isoformat(),
        last_day=protocol.last_day.isoformat(),
        shorter=protocol.shorter,
        longer=protocol.longer,
        outcome=protocol.outcome,
        design=protocol.design,
        verdict=reading.verdict,
        sites=len(protocol.sites) - len(reading.left_out),
        plants=int(row["n_plants"]),
        margin=protocol.margin[protocol.outcome],
        difference=_limits(row),
        cost=_limits(cost.iloc[0]) if len(cost) else None,
        currency=protocol.currency,
    )


def _limits(row: pd.Series) -> Limits:
    return float(row["estimate"]), float(row["low"]), float(row["high"])


def text_of(evidence: Evidence) -> str:
    """The file that a reading writes.

    Parameters
    ----------
    evidence : Evidence

    Returns
    -------
    str
        JSON.
    """
    return json.dumps(asdict(evidence), indent=1) + "\n"


def evidence_in(folder: Path, as_of: date) -> list[Evidence]:
    """Results of trials that lie in the folder of the records and had ended by a day, the latest first.

    Parameters
    ----------
    folder : Path
        Of the records; files named trial_result*.json are read.
    as_of : datetime.date
        The last day that counts.

    Returns
    -------
    list of Evidence

    Raises
    ------
    TrialError
        For a file that no reading wrote.
    """
    read: dict[str, Evidence] = {}
    for path in sorted(folder.glob(PATTERN)):
        try:
            if path.stat().st_size > LARGEST:
                raise TrialError("too large")
            content = json.loads(path.read_text(encoding="utf-8"))
            for name in ("difference", "cost"):
                content[name] = content[name] and tuple(map(float, content[name]))
            result = Evidence(**content)
            result.findings()
            ended = date.fromisoformat(result.last_day)
        except (OSError, ValueError, TypeError, KeyError):
            raise TrialError(
                f"{path} is not the result of a trial; write it again with plantstats trial read"
            ) from None
        if ended <= as_of:
            read[result.protocol] = result  # a copy of the same result counts once
    return sorted(read.values(), key=lambda one: one.last_day, reverse=True)
