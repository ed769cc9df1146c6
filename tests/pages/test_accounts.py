"""The page on accounts: margins stand whether or not a guarantee runs; what the provision leaves out is said."""

from types import SimpleNamespace

import pandas as pd
import pytest

from plantstats import findings
from plantstats.guarantee import accounts
from plantstats.guarantee.in_force import GuaranteeError
from plantstats.pages import accounts as page
from plantstats.periods import quarter
from tests.builders.guarantee_records import SMALL, write

Q3 = quarter("2026-Q3")


@pytest.fixture
def study(tmp_path):
    loaded = write(tmp_path, **SMALL)
    margins = accounts.findings_of(accounts.account_margins(loaded, Q3), Q3, "EUR")
    return SimpleNamespace(
        records=loaded,
        period=Q3,
        client="",
        small_group=0,
        account_margins=lambda: margins,
        name_of=lambda what, code: code,
        run_off=lambda: findings.table([]),
    )


def test_accounts_keep_their_margins_where_no_guarantee_runs(study):
    def refuse():
        raise GuaranteeError("no guarantee runs in 2026-Q3: every one has ended")

    study.provision = refuse
    made = page.page(study)
    sections = {section.key: section for section in made.sections}
    assert {"margins", "provision", "renewals"} <= set(sections)
    assert sections["provision"].note == "no guarantee runs in 2026-Q3: every one has ended"
    assert "account_margin" in set(made.findings["measure"])


def test_the_page_says_how_far_the_provision_looks_ahead(study):
    note = "The guarantees of 5 plants run beyond 2031-09-30"
    rows = pd.DataFrame({"n_plants": [5], "estimate": [100.0], "note": [note]})
    provided = findings.rows(rows, "provision", period=Q3.name, unit="EUR", method="expected value")
    study.provision = lambda: provided
    sections = {section.key: section for section in page.page(study).sections}
    assert sections["provision"].note == note
