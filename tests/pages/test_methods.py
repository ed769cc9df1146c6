"""The method page: each page of the pack leads to its sections, and each section names its source."""

from __future__ import annotations

import pandas as pd

from plantstats.findings import table
from plantstats.pages import methods
from plantstats.quarterly import REVIEW_PACK
from plantstats.reporting.body import NEIGHBOUR
from plantstats.reporting.specs import Page
from plantstats.validation import figures
from plantstats.validation.figures import as_findings
from plantstats.validation.kinds import AS_MODELLED, KINDS


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


def test_a_promise_not_kept_on_other_companies_is_said_beside_the_one_that_was():
    row = {"share": 0.5, "low": 0.4, "high": 0.6, "of": "all", "companies": 9}
    rows = [
        {"kind": "dry_half", "situation": AS_MODELLED, "verdict": "holds", "target_low": 0.93, **row},
        {"kind": "dry_half", "situation": "second generator", "verdict": "not held: too seldom", "target_low": 0.93},
        {"kind": "dry_80", "situation": "second generator", "verdict": "not held: too often", "target_low": 0.93},
        {"kind": "longer_too_dry", "situation": "topsoil misread", "verdict": "not held: too often", "target_low": 0.0},
        {"kind": "needless_change", "situation": "topsoil misread", "verdict": "holds", "target_low": 0.0},
    ]
    proof = pd.DataFrame([{**row, **one} for one in rows])
    (text,) = methods._failures_elsewhere(proof, ("dry_half", "dry_80", "longer_too_dry", "needless_change"))
    assert text == (
        "Not held, in 100 cases, where companies are otherwise: "
        f"{KINDS['dry_half'][0]}: 50 (40 to 60; 9 companies: made in another way than our models take them); "
        f"{KINDS['longer_too_dry'][0]}: 50 (40 to 60; 9 companies: topsoil misread)."
    )
    assert methods._failures_elsewhere(proof, ("dry_80",)) == []
    assert methods._failures_elsewhere(proof.assign(companies=4), ("dry_half",)) == []


def test_the_headline_counts_what_the_sections_name():
    proof = figures()
    whole = proof[proof["of"].eq("all")]
    tested = whole[whole["situation"].eq(AS_MODELLED)].set_index("kind")
    message = methods._coverage(as_findings(proof), tested, whole).message
    named = "".join(text for m in methods.METHODS for text in methods._failures_elsewhere(whole, m.measured))
    kinds = {kind for m in methods.METHODS for kind in m.measured if f"{KINDS[kind][0]}: " in named}
    assert message.endswith(f"where they are otherwise, {len(kinds) or 'none'} more did not hold.")


def test_every_method_has_a_formula_a_source_and_what_was_measured_of_it():
    assert all(method.text and method.formula and method.source for method in methods.METHODS)
    assert {kind for method in methods.METHODS for kind in method.measured} <= set(KINDS)
    # Counting and accounts hold no interval that was put to the test by itself; places have a test of recovery alone.
    measured = {method.key for method in methods.METHODS if method.measured}
    assert {method.key for method in methods.METHODS} - measured == {"days", "accounts", "places"}
