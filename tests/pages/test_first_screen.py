"""The answer first: few words and numbers stand before the first chart of each page of the demo's pack."""

from __future__ import annotations

import html
import re

import numpy as np
import pandas as pd
import pytest

import plantstats
from plantstats import findings
from plantstats.findings import pick
from plantstats.pages import accounts, brief, loss_costs, losses, records, visits, watch, wears
from plantstats.studies import Study
from tests.builders.demo_review import DEMO, DemoReview

MOST_WORDS, MOST_NUMBERS = 60, 12
NUMBER = re.compile(r"\d[\d,.]*")


@pytest.fixture(scope="module")
def study(demo: DemoReview) -> Study:  # by which its results are made, once for all tests
    return plantstats.study(DEMO, "2026-Q3")


def before_the_first_chart(page: str) -> str:
    """The text that a reader passes on the way to the first chart."""
    assert "<figure" in page, "a page has a chart"
    return html.unescape(re.sub(r"<[^>]+>", " ", page.split("<figure", 1)[0]))


@pytest.mark.parametrize("module", [brief, losses, accounts, visits, watch, wears, records], ids=lambda m: m.TITLE)
def test_a_page_comes_to_its_first_chart_in_few_words(study: Study, module) -> None:
    page = module.page(study)
    text = f"{page.title} " + before_the_first_chart(page._repr_html_())
    assert len(text.split()) < MOST_WORDS, text
    assert len(NUMBER.findall(text)) < MOST_NUMBERS, text


def test_a_page_of_many_sentences_does_not_hide_them_before_its_chart() -> None:
    assert before_the_first_chart("<p>one &amp; two</p><figure><p>three</p></figure>").split() == ["one", "&", "two"]


def test_the_brief_and_the_pages_it_leads_to_say_the_same_numbers(study: Study) -> None:
    # Largest remainders: 625.20 and 485.40 are 1,110.60, so 625 and 486 of 1,111. One rule for brief and page.
    boxes = [box.number for box in brief.page(study).boxes]
    cost = next(section.message for section in losses.page(study).sections if section.key == "cost")
    assert f"{boxes[1].removeprefix('EUR ')} paid by us" in cost
    assert accounts.page(study).verdict.startswith(f"{boxes[2]} accounts")
    assert f"; {boxes[3]} are found too dry" in visits.page(study).verdict
    lost = brief.page(study).findings
    assert boxes[0] == f"{pick(lost, 'loss_rate', period='2026-Q3')['losses'].iloc[0]} plants lost"


def test_each_box_of_the_brief_tells_the_year_before(study: Study) -> None:
    assert [("a year ago" in box.below) for box in brief.page(study).boxes] == [True] * 4


def test_a_longer_interval_is_said_with_what_it_came_to_where_dryness_is_noted_late(study: Study, monkeypatch) -> None:
    # 39 of 74 by hand: a proof says 53 in 100 (0.5270); one of another program, or none of that kind, says nothing.
    row = {"situation": "second generator", "of": "all", "companies": 27, "share": 39 / 74, "low": 0.4, "high": 0.66}
    longer = "Visit every 14 days instead of 7"
    for others, program, said in (([row], "", True), ([row], "older", False), ([], "", False)):
        table = pd.DataFrame([*others, row | {"situation": "as modelled", "share": 0.0}])
        monkeypatch.setattr(visits, "figures", lambda kinds, table=table: table)
        monkeypatch.setattr(visits, "older", lambda program=program: program)
        by_what = {decision.what: decision.confidence for decision in visits.decisions(study)}
        page = visits.page(study)._repr_html_()
        assert ("On 27 invented companies whose technicians do so 53 in 100" in page) is said
        assert ("noted moist, 47 in 100 (invented sites)" in by_what[longer]) is said
        assert "where just-dry soil is noted moist" in by_what[longer]
        assert all(
            "noted moist" not in text for what, text in by_what.items() if what == "Visit every 7 days instead of 14"
        )


def test_parts_of_the_cost_add_up_in_whole_amounts() -> None:
    rows = pd.DataFrame({"covered": ["chargeable", "guaranteed", "not_replaced"], "losses": [9, 3, 1]})
    amounts = pd.Series([625.20, 485.40, np.nan])
    made = findings.rows(
        rows, "replacement_cost", period="2026-Q3", unit="EUR", method="sum", by=["covered"], estimate=amounts
    )
    parts = loss_costs.cost_by_payer(made, "2026-Q3").set_index("covered")["whole"]
    assert parts.to_dict() == {"chargeable": 625, "guaranteed": 486, "not_replaced": 0}
