"""The page on accounts: margins stand whether or not a guarantee runs; what the provision leaves out is said."""

from types import SimpleNamespace

import pandas as pd
import pytest

from plantstats import findings
from plantstats.guarantee import accounts
from plantstats.guarantee.in_force import GuaranteeError
from plantstats.pages import accounts as page
from plantstats.periods import quarter
from plantstats.reporting.display import Named
from plantstats.studies import join
from tests.builders.guarantee_records import SMALL, write

Q3 = quarter("2026-Q3")


@pytest.fixture
def study(tmp_path):
    loaded = write(tmp_path, **SMALL)
    kinds = (accounts.CLIENTS, accounts.SITES)
    margins = join(*(accounts.findings_of(accounts.account_margins(loaded, Q3, by), Q3, "EUR", by) for by in kinds))
    return SimpleNamespace(
        records=loaded,
        period=Q3,
        client="",
        small_group=0,
        account_margins=lambda: margins,
        name_of=lambda what, code: Named(code, code),
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


def refused():
    raise GuaranteeError("no guarantee runs in 2026-Q3: every one has ended")


def test_a_contract_that_ends_within_the_next_quarter_is_to_be_renewed(study):
    # C2: 50.00 a month to 31 December 2026; its account left 567.00 (600.00 less 30.00 travel and 3.00 labour).
    study.provision = refused
    made = page.page(study)
    due = next(section for section in made.sections if section.key == "renewals")
    assert due.message == "1 contract ends in 2026-Q4."
    row = due.table.records.iloc[0]
    assert row[["Client", "Site", "Ends on", "Fee a month"]].tolist() == ["C2", "all", "2026-12-31", "50.00"]
    assert row["The account left"] == "567"
    renew = page.decisions(study)[0]
    assert (renew.what, renew.where, renew.value) == ("Renew 1 contract by 2026-12-31", "C2", 150.0)
    assert f'id="{renew.anchor}"' in made._repr_html_()


def test_each_account_adds_up_as_printed_and_a_few_plants_have_no_limits(study):
    study.provision, study.small_group = refused, 5
    made = page.page(study)
    rows = made.frame("margins").set_index("Client")
    # 1,200.00 - 15.00 - 6.00 - 50.00 = 1,129.00; four plants each.
    assert rows.loc["C1", ["Fee", "Travel", "Labour", "Replacements", "Left"]].tolist() == [
        "1,200",
        "15",
        "6",
        "50",
        "1,129",
    ]
    assert rows.loc["C1", "could be"] == "withheld: fewer than 5 plants"
    assert rows.loc["All accounts", "Left"] == "1,696"
    assert made.frame("sites").set_index("Site").loc["S2", ["Fee", "Travel", "Left"]].tolist() == [
        "",
        "30",
        "not known",
    ]


def test_shares_of_the_fee_are_those_of_the_records(study):
    study.provision = refused
    made = page.page(study)
    chart = next(section.chart for section in made.sections if section.key == "shares")
    # C2, the lower account, first: 30.00 and 3.00 of 600.00; C1: 15.00, 6.00 and 50.00 of 1,200.00.
    assert chart.words(made.findings, 0) == (
        "Stacked bars, of 100 paid; line: all that is paid: "
        "C2 travel 5, labour 0, replacements 0; C1 travel 1, labour 0, replacements 4."
    )
    assert chart.draw(made.findings, 0) is not None
