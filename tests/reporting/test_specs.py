"""A table or chart shows what the findings say: rounded, withheld for small groups, rows left out counted."""

from __future__ import annotations

import pandas as pd
import pytest

from plantstats import findings
from plantstats.findings import TOO_FEW
from plantstats.losses import rate_findings as _defines  # noqa: F401 (the measures that the findings below bear)
from plantstats.reporting.charts import Bars, Dots, Intervals, Pairs, Squares
from plantstats.reporting.display import RESULTS_FOLDER, Named
from plantstats.reporting.specs import Field, Listing, Page, Rows, Section, Table, result_text
from plantstats.reporting.time_charts import Quarters

SMALL = 5


@pytest.fixture
def results() -> pd.DataFrame:
    rates = pd.DataFrame(
        {
            "light": ["low", "medium", "sun"],
            "n_plants": [40, 20, 2],
            "losses": [4, 1, 1],
            "estimate": [12.34, 6.0, 51.0],
            "low": [3.0, 0.2, 1.0],
            "high": [30.0, 30.0, 290.0],
        }
    )
    shared = {"unit": "per 100 plant-years", "method": "count", "conf_level": 0.95}
    parts = [
        findings.rows(rates, "loss_rate", period="2026-Q3", by=["light"], **shared),
        findings.rows(
            rates.head(2).assign(estimate=[3.0, 2.0], low=2.0, high=4.0),
            "death_rate",
            period="2026-Q3",
            by=["light"],
            unit="losses expected",
            method="model",
            conf_level=0.95,
        ),
        findings.rows(rates.head(1), "loss_rate", period="2026-Q2", **shared),
        findings.rows(rates.tail(1), "loss_rate", period="2026-Q3", **shared),
    ]
    return findings.table(pd.concat(parts, ignore_index=True))


RATES = Rows("loss_rate", ["light"], "2026-Q3")
COLUMNS = {
    "Light": "light",
    "Lost": "losses",
    "Rate": "estimate",
    "could be": "interval",
    "Expected": Field("estimate", "death_rate"),
}


def test_a_small_group_keeps_its_counts_and_not_its_estimate(results):
    frame = Table("t", RATES, COLUMNS).frame(results, SMALL).set_index("Light")
    assert frame.loc["sun", "Lost"] == "1"
    assert frame.loc["sun", "Rate"] == TOO_FEW.format(SMALL)
    assert frame.loc["sun", "could be"] == ""
    assert "51" not in Table("t", RATES, COLUMNS).show(results, SMALL)._repr_html_()


def test_a_small_group_is_not_drawn_and_not_in_the_words(results):
    for chart in (
        Intervals(RATES, lambda row: row["light"], "rate"),
        Squares(RATES, lambda row: row["light"]),
        Bars(RATES, lambda row: row["light"], "rate"),
    ):
        assert "sun" not in chart.words(results, SMALL)
        assert "low" in chart.words(results, SMALL)


def test_a_column_has_one_number_of_decimals(results):
    # The median of 51.0, 12.34 and 6.0 has two figures before the point: no decimals, for all.
    assert Table("t", RATES, {"Rate": "estimate"}).frame(results, 0)["Rate"].tolist() == ["51", "12", "6"]


def test_a_column_may_show_another_measure_of_the_same_groups(results):
    frame = Table("t", RATES, COLUMNS).frame(results, SMALL).set_index("Light")
    assert frame.loc["low", "Expected"] == "3.0"
    assert frame.loc["sun", "Expected"] == ""


def test_rows_left_out_are_counted(results):
    table = Table("t", Rows("loss_rate", ["light"], "2026-Q3", most=2), COLUMNS)
    assert "2 of 3 rows shown" in table.show(results, SMALL)._repr_html_()
    assert len(table.frame(results, SMALL)) == 3


def test_rows_can_be_linked_to(results):
    html = Table("t", RATES, COLUMNS, anchor="light").show(results, SMALL)._repr_html_()
    assert '<tr id="light-sun">' in html


def test_charts_draw_what_is_there_and_nothing_of_nothing(results):
    of_none = Rows("loss_rate", ["species"])
    label = lambda row: row.iloc[0]  # noqa: E731
    for make in (
        lambda rows: Intervals(rows, label, "u", 1, log=True),
        lambda rows: Bars(rows, label, "u"),
        lambda rows: Squares(rows, label),
        lambda rows: Dots(rows, lambda _: "a", {"a": "A"}, "u", 10, "limit"),
    ):
        assert make(of_none).draw(results, SMALL) is None
        assert make(RATES).draw(results, SMALL) is not None
    assert Quarters("no_such").draw(results, SMALL) is None
    assert "2026-Q2 4" in Quarters().words(results, SMALL)


def test_text_from_data_stays_text(results):
    listed = Listing("<b>c</b>", pd.DataFrame({"Site": ["<script>alert(1)</script>"]}))
    page = Page("t", "<i>v</i>", [Section("k", "<u>m</u>", table=listed)], results, SMALL, ["<s>s</s>"])
    html = page._repr_html_()
    assert not any(tag in html for tag in ("<script", "<b>", "<i>", "<u>", "<s>"))
    assert page.frame("k")["Site"].item().startswith("<script>")
    with pytest.raises(KeyError, match="sections: k"):
        page["none"]


def test_a_result_for_a_sentence_is_rounded_and_withheld(results):
    assert result_text(results, SMALL, "loss_rate", "2026-Q3", light="low")["result"] == "12.3 (3.0 to 30.0)"
    assert result_text(results, SMALL, "loss_rate", "2026-Q3", light="sun")["estimate"] == TOO_FEW.format(SMALL)
    assert result_text(results, SMALL, "loss_rate", "1999-Q1").empty


def test_a_notebook_by_hand_shows_the_look_of_the_page_and_one_under_the_runner_leaves_it_to_the_page(
    results, monkeypatch
):
    page = Page("t", "verdict", [Section("k", "message")], results, SMALL)
    monkeypatch.delenv(RESULTS_FOLDER, raising=False)
    for thing in (page, page.head, page["k"]):
        assert thing._repr_mimebundle_()["text/html"].startswith('<div class="plantstats"><style>')
    monkeypatch.setenv(RESULTS_FOLDER, "somewhere")
    assert "<style>" not in page._repr_mimebundle_()["text/html"]


def test_names_come_first_and_codes_stand_in_grey():
    name = Named("Larch <House>", "S0013")
    assert name == "Larch <House> (S0013)"
    assert name.html == 'Larch &lt;House&gt; <span class="code">S0013</span>'
    assert Named("", "S0013") == Named("S0013", "S0013") == "S0013"
    html = Listing("c", pd.DataFrame({"Site": [name]}, dtype="object")).show(pd.DataFrame(), 0)._repr_html_()
    assert '<span class="code">S0013</span>' in html


def test_a_last_row_of_the_whole_stands_below_a_table_of_findings(results):
    table = Table("t", RATES, {"Light": "light", "Lost": "losses"}, total="All")
    frame = table.frame(results, SMALL)
    assert frame.iloc[-1].tolist() == ["All", "1"]  # the unsplit row of the quarter
    assert '<tr class="total">' in table.show(results, SMALL)._repr_html_()


def test_a_pair_of_values_stands_on_one_line_and_is_told_in_words() -> None:
    values = pd.DataFrame({"label": ["African fig", "ZZ plant"], "first": [33.0, 15.0], "second": [10.0, 4.0]})
    chart = Pairs(values, ("hard place", "easy place"), "lost per 100 plants a year", (7, 14))
    figure = chart.draw(pd.DataFrame(), 0)
    axes = figure.axes[0]
    drawn = [
        sorted(map(tuple, points.get_offsets().data)) for points in axes.collections if len(points.get_offsets()) == 2
    ]
    assert drawn == [[(15.0, 0.0), (33.0, 1.0)], [(4.0, 0.0), (10.0, 1.0)]]
    assert [line.get_xdata()[0] for line in axes.lines] == [7, 14]
    assert chart.words(pd.DataFrame(), 0) == (
        "lost per 100 plants a year, hard place and easy place: African fig 33 and 10; ZZ plant 15 and 4."
    )
    assert Pairs(values.head(0), ("a", "b"), "c").draw(pd.DataFrame(), 0) is None
