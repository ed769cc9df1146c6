"""The results table keeps its promises, and rounding and withholding happen once."""

import numpy as np
import pandas as pd
import pytest

from plantstats import findings
from plantstats.findings import FindingsError, finding, for_display, table, write


@pytest.fixture(autouse=True)
def own_measures(monkeypatch):
    monkeypatch.setattr(findings, "DEFINITIONS", {"m": "A test rate.", "other": "Another."})


def a(estimate=12.3456, low=8.12, high=17.94, **more):
    given = {
        "unit": "per 100 plant-years",
        "method": "exact",
        "n_plants": 40,
        "plant_days": 3652.5,
        "losses": 9,
        "conf_level": 0.95,
    } | more
    return finding(given.pop("measure", "m"), given.pop("period", "2026-Q3"), estimate, low, high, **given)


def test_totals_stand_before_their_parts_and_the_order_of_rows_given_does_not_matter():
    rows = [a(species="Ficus lyrata"), a(), a(species="Aglaonema"), a(measure="other")]
    got = table(rows)
    assert list(got["species"].fillna("all")) == ["all", "Aglaonema", "Ficus lyrata", "all"]
    assert list(got.columns) == ["measure", "species", *findings.COLUMNS[1:]]
    pd.testing.assert_frame_equal(got, table(rows[::-1]))
    pd.testing.assert_frame_equal(got, table(got))


def test_a_grouping_by_days_stays_whole_beside_rows_that_are_not_split_by_it():
    assert list(table([a(), a(age_days=90), a(age_days=365)])["age_days"].fillna("all")) == ["all", "365", "90"]


def test_an_empty_table_has_all_its_columns():
    assert list(table([]).columns) == list(findings.COLUMNS)
    assert for_display(table([]), 5).empty


@pytest.mark.parametrize(
    ("row", "fault"),
    [
        (a(low=13.0), "misses its estimate"),
        (a(high=12.0), "misses its estimate"),
        (a(losses=-1), "below zero"),
        (a(plant_days=-0.5), "below zero"),
        (a(high=np.inf), "infinite"),
        (a(conf_level=95), "between 0 and 1"),
        (a(conf_level=np.nan), "no confidence level"),
        (a(estimate=np.nan, low=np.nan, high=np.nan), "no note that says why"),
        (a(measure="nobody_defined_this"), "no definition of nobody_defined_this"),
        ({**a(), "shoe_size": 44}, "unknown columns \\['shoe_size'\\]"),
        ({k: v for k, v in a().items() if k != "losses"}, "missing columns \\['losses'\\]"),
        ({**a(), "unit": None}, "1 rows without unit"),
    ],
)
def test_a_result_that_breaks_a_promise_is_refused_by_name(row, fault):
    with pytest.raises(FindingsError, match=fault):
        table([row])


def test_all_faults_are_told_at_once_and_the_same_result_may_not_stand_twice():
    with pytest.raises(FindingsError) as said:
        table([a(site_id="S1"), a(site_id="S1"), a(losses=-1)])
    assert "stands twice (2 rows, such as m / S1 / 2026-Q3" in str(said.value)
    assert "below zero (1 rows, such as m / all / 2026-Q3" in str(said.value)


def test_a_grouping_nobody_knows_is_refused():
    with pytest.raises(FindingsError, match="no grouping colour"):
        a(colour="green")


def test_a_measure_has_one_meaning():
    findings.define(m="A test rate.")
    with pytest.raises(FindingsError, match="m defined twice"):
        findings.define(m="Something else.")


def test_display_rounds_to_three_figures_with_the_interval_alike():
    shown = for_display(
        table(
            [
                a(),
                a(1234.56, 900.4, 2000.6, species="B"),
                a(0.012345, 0.0012, 0.05, species="C"),
                a(0.0, 0.0, 3.68888, species="D"),
                a(2.0, np.nan, np.nan, species="E"),
                a(2.0, 1.5, np.nan, species="F"),
                a(7412.0, np.nan, np.nan, species="G", unit="plant-days"),
            ]
        ),
        small_group=5,
    )
    assert list(shown["result"]) == [
        "12.3 (8.1 to 17.9)",
        "1,235 (900 to 2,001)",
        "0.0123 (0.0012 to 0.0500)",
        "0.00 (0.00 to 3.69)",
        "2.00",
        "2.00 (1.50 or more)",
        "7,412",
    ]
    assert shown["species"][0] == "all"
    assert list(shown.loc[0, ["n_plants", "plant_days", "losses"]]) == ["40", "3,652", "9"]


def test_rows_are_picked_by_measure_and_by_exactly_their_groupings():
    made = table([a(), a(species="B"), a(species="B", light="low"), a(measure="other"), a(period="2025-Q3")])
    assert len(findings.pick(made, "m", period="2026-Q3")) == 1
    assert list(findings.pick(made, "m")["period"]) == ["2025-Q3", "2026-Q3"]
    assert list(findings.pick(made, "m", ["species"])["species"]) == ["B"]
    assert len(findings.pick(for_display(made, 1), "m", ["light", "species"])) == 1
    assert findings.pick(made, "m", ["site_id"]).empty


def test_a_small_group_keeps_its_counts_and_loses_its_estimate():
    shown = for_display(table([a(n_plants=4), a(n_plants=5, species="B")]), small_group=5)
    assert list(shown["result"]) == ["withheld: fewer than 5 plants", "12.3 (8.1 to 17.9)"]
    assert list(shown["interval"]) == ["", "8.1 to 17.9"]
    assert list(shown["n_plants"]) == ["4", "5"]
    assert not shown.loc[0].str.contains("12.3", regex=False).any()


def test_a_missing_estimate_says_so_and_a_result_without_plants_is_not_withheld():
    gone = a(np.nan, np.nan, np.nan, note="no plant-days", n_plants=None, losses=None, plant_days=None)
    shown = for_display(table([gone]), small_group=5)
    assert shown["result"][0] == "not available"
    assert shown["losses"][0] == ""


def test_the_same_findings_give_the_same_bytes_in_full_precision(tmp_path):
    rows = [a(1 / 3, 0.1 + 0.2, 2 / 3, species="B"), a()]
    for folder, given in (("one", rows), ("two", rows[::-1])):
        write(table(given), tmp_path / folder)
    for name in ("findings.csv", "findings.parquet"):
        assert (tmp_path / "one" / name).read_bytes() == (tmp_path / "two" / name).read_bytes()
    back = pd.read_csv(tmp_path / "one" / "findings.csv")
    assert list(back["estimate"]) == [12.3456, 1 / 3]
    assert back["low"][1] == 0.1 + 0.2
    pd.testing.assert_frame_equal(pd.read_parquet(tmp_path / "one" / "findings.parquet"), table(rows))
    assert sorted(p.name for p in (tmp_path / "one").iterdir()) == ["findings.csv", "findings.parquet"]


@pytest.mark.parametrize("sign", ["=", "+", "-", "@", "\t"])
def test_no_text_of_the_records_becomes_a_formula_in_a_spreadsheet(tmp_path, sign):
    write(table([a(species=f"{sign}HYPERLINK(1)", estimate=-1.0, low=-2.0, high=0.0)]), tmp_path)
    row = pd.read_csv(tmp_path / "findings.csv").loc[0]
    assert row["species"] == f"'{sign}HYPERLINK(1)"
    # Numbers stay numbers.
    assert row["estimate"] == -1.0
    assert pd.read_parquet(tmp_path / "findings.parquet")["species"][0] == f"{sign}HYPERLINK(1)"


def test_rows_stand_as_a_stable_sort_by_pandas_puts_them_and_one_given_twice_is_found():
    random = np.random.default_rng(3)
    names = np.array(["b", "a", "Z", "\u00e9", "\u4e2d", None], dtype=object)
    frame = pd.DataFrame([a(site_id=s, light=w) for s, w in zip(*random.choice(names, (2, 60)), strict=True)])
    frame = frame.drop_duplicates(["site_id", "light"], ignore_index=True)
    got = table(frame)
    key = [c for c in got.columns if c in ("measure", "site_id", "light", "period", "unit", "method")]
    plain = got.sample(frac=1.0, random_state=1).sort_values(key, na_position="first", kind="stable", ignore_index=True)
    pd.testing.assert_frame_equal(got, plain)
    with pytest.raises(FindingsError, match=r"the same result stands twice \(2 rows"):
        table(pd.concat([frame, frame.tail(1)]))


def test_rows_that_stand_together_are_picked_as_those_that_do_not():
    results = table([a(measure=m, light=w) for m in ("m", "other") for w in (None, "high", "low")])
    scattered = results.iloc[[0, 3, 1, 4, 2, 5]]
    for by in ([], ["light"]):
        pd.testing.assert_frame_equal(findings.pick(results, "m", by), findings.pick(scattered, "m", by))
