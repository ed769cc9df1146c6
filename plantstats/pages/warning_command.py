"""The command `plantstats watch`: the page of early warning, and an exit code for whoever runs it every week."""

from __future__ import annotations

import argparse
from pathlib import Path

from plantstats import exposure, records
from plantstats.pages import early_warning
from plantstats.reporting.names import notebook_path
from plantstats.reporting.runner import run
from plantstats.studies import open_study
from plantstats.surveillance import recent_alarms

FOLDER = "early_warning"  # below the folder for reports; its notebook bears the same name
QUIET, ALARM = 0, 3


def cli_watch(chosen: argparse.Namespace) -> int:
    """The command `plantstats watch FOLDER --out OUT [--as-of DATE]`.

    Parameters
    ----------
    chosen : argparse.Namespace
        folder, out (paths), as_of (date or None).

    Returns
    -------
    int
        0: no alarm. 3: an alarm in the last four weeks that could be judged. What the page says first is printed.

    Raises
    ------
    RecordError, StudyError, ModelError, ReportError
    """
    folder = Path(chosen.folder)
    loaded = records.load(folder)
    study = open_study(loaded, as_of=chosen.as_of or exposure.last_day(loaded) or "")
    results = study.early_warning()
    company = f"{loaded.settings.company}, " if loaded.settings.company else ""
    report = run(
        notebook_path(FOLDER),
        {"records_dir": str(folder), "as_of": study.as_of.isoformat()},
        Path(chosen.out) / FOLDER,
        f"{company}records until {study.as_of}",
        {"inputs": dict(loaded.digests), "account": loaded.account.to_dict("records"), "settings": study.settings()},
        digests=lambda: records.load(folder).digests,
        again=False,
    )
    print(early_warning.verdict(study, results))
    for sentence in early_warning.sentences(study, results):
        print(sentence)
    for page in report.pages:
        print(f"Report: {page}")
    return ALARM if len(recent_alarms(results)) else QUIET
