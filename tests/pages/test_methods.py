"""The method page: each page of the pack leads to its sections, and each section names its source."""

from __future__ import annotations

from plantstats.findings import table
from plantstats.pages import methods
from plantstats.quarterly import REVIEW_PACK
from plantstats.reporting.page import NEIGHBOUR
from plantstats.reporting.specs import Page
from plantstats.validation.kinds import KINDS


def test_every_page_of_the_pack_leads_to_sections_that_are_there():
    keys = {method.key for method in methods.METHODS}
    assert {*methods.SECTIONS, "methods"} == set(REVIEW_PACK)
    assert all(sections and set(sections) <= keys for sections in methods.SECTIONS.values())
    # Nothing is written that no page leads to.
    assert {key for sections in (methods.SECTIONS | methods.BESIDE).values() for key in sections} == keys


def test_links_to_the_method_stand_on_the_page_and_not_on_paper():
    page = Page("Losses", "None.", [], table([]), 5, methods=methods.links_of("losses"))
    html = page._repr_html_()
    assert all(NEIGHBOUR.fullmatch(place) for place in page.methods), "a page keeps only links to its neighbours"
    assert '<a href="methods.html#rates">Loss rates</a>' in html
    assert "How this is worked out: " in html


def test_every_method_has_a_formula_a_source_and_what_was_measured_of_it():
    assert all(method.text and method.formula and method.source for method in methods.METHODS)
    assert {kind for method in methods.METHODS for kind in method.measured} <= set(KINDS)
    # Counting and accounts hold no interval that was put to the test by itself; losses to come are proved apart
    # (tests/benchmarks/losses_to_come.py) until the table of proofs holds them, as it will hold deliveries.
    measured = {method.key for method in methods.METHODS if method.measured}
    assert {method.key for method in methods.METHODS} - measured == {
        "days",
        "accounts",
        "to_come",
        "places",
        "deliveries",
        "pests",
        "warning",
    }
