"""Quote and offer: price on the chart, back-test said as it was; the offer holds what a client needs."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import pytest

import plantstats
from plantstats.guarantee.money import show, units
from plantstats.guarantee.priced_quote import PricedQuote
from plantstats.pages import guarantee_pages
from plantstats.pages.guarantee_charts import BackTestChart, CostChart
from plantstats.studies import Study

DEMO = Path(__file__).parents[2] / "data_demo"


@pytest.fixture(scope="module")
def study() -> Study:
    return plantstats.study(DEMO, as_of=date(2026, 9, 30))


@pytest.fixture(scope="module")
def made(study: Study) -> PricedQuote:
    return study.quote(DEMO / "quote" / "list.csv", DEMO / "quote" / "terms.toml")


def text_of(page) -> str:
    html = re.sub(r"<img[^>]*>", " ", page._repr_html_())
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", html))


def test_the_quote_says_first_what_last_year_was_expected_and_what_came(study: Study, made: PricedQuote) -> None:
    page = guarantee_pages.quote_page(study, made)
    test = made.back_test
    # As the records of the demo have it, more came than was expected.
    assert test.observed > test.expected
    assert f"expected too few: {test.expected:.0f}, and {test.observed} came" in page.verdict
    assert show(made.price.monthly, "EUR") in page.verdict


def test_the_price_stands_on_the_chart_of_the_cost(study: Study, made: PricedQuote) -> None:
    chart = CostChart(made.quote, made.price)
    assert chart.charged == pytest.approx(made.price.monthly * 24 / 100)
    texts = [text.get_text() for text in chart.draw(made.findings, 0).axes[0].texts]
    assert f"charge: {chart.charged:,.0f}" in texts
    assert len(texts) == 4
    assert BackTestChart(made.back_test).draw(made.findings, 0) is not None


def test_the_offer_has_validity_total_tax_note_terms_in_words_and_room_to_sign(study: Study, made: PricedQuote) -> None:
    page = guarantee_pages.offer_page(study, made)
    text = text_of(page)
    # The guarantee begins on 15 October 2026 (terms.toml), so the offer ends the day before.
    assert "valid until 14 October 2026" in text
    assert "Murrenstead Office, Kestrel House" in text
    assert "without value added tax" in text
    assert "theft, your own acts and failure of heating, cooling, light or water in the building" in text
    assert "Signature" in text
    plants = page.frame("plants")
    assert plants.iloc[-1]["Place"] == "In all"
    charge = [float(c.replace(",", "")) for c in plants["Monthly charge, EUR"]]
    assert sum(charge[:-1]) == pytest.approx(charge[-1]) == pytest.approx(float(units(made.price.monthly)))
    assert sum(int(n) for n in plants["Plants"][:-1]) == made.quote.plants


def test_the_offer_holds_no_code_and_no_cost_of_ours(study: Study, made: PricedQuote) -> None:
    html = guarantee_pages.offer_page(study, made)._repr_html_()
    for word in ("client_action", "building_failure", "margin", "wage", "expected", "95", "SHA"):
        assert word not in html, word
    words = set(re.findall(r"[\d.,]+", html))
    assert not words & {f"{units(c):,.2f}" for c in made.quote.lines["unit"]}
