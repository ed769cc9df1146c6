"""The answer first: few words and numbers stand before the first chart of each page of the demo's pack."""

from __future__ import annotations

import html
import re
from pathlib import Path

import pytest

import plantstats
from plantstats.pages import accounts, brief, losses, records, visits, watch, wears
from plantstats.studies import Study

DEMO = Path(__file__).parents[2] / "data_demo"
MOST_WORDS, MOST_NUMBERS = 60, 12
NUMBER = re.compile(r"\d[\d,.]*")


@pytest.fixture(scope="module")
def study() -> Study:
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
