"""What changed between two packs, on tables small enough to compare by hand."""

from __future__ import annotations

import json
from pathlib import Path

import pandas as pd
import pytest

from plantstats import findings
from plantstats.reporting import revisions
from plantstats.reporting.errors import ReportError


def rate(period: str, losses: int, days: int, plants: int, **groups: str) -> dict[str, object]:
    return findings.finding(
        "loss_rate",
        period,
        100 * 365.25 * losses / days,
        n_plants=plants,
        plant_days=days,
        losses=losses,
        unit="per 100 plant-years",
        method="m",
        **groups,
    )


def decisions(*rows: tuple[str, str, str, str]) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["what", "where", "page", "anchor"], dtype="str")


def test_a_loss_found_late_is_told_with_both_counts_and_its_cause():
    # 4 lost in 36,525 plant-days are 4 in 100 plant-years; with the fifth, found in October, they are 5.
    then = findings.table([rate("2026-Q2", 4, 36_525, 400)])
    now = findings.table([rate("2026-Q2", 5, 36_525, 400), rate("2026-Q3", 7, 36_525, 400)])
    moved = revisions.restated(then, now)
    assert len(moved) == 1
    row = moved.iloc[0]
    assert (row["period"], row["losses_then"], row["losses_now"]) == ("2026-Q2", 4, 5)
    assert (row["estimate_then"], row["estimate_now"]) == (pytest.approx(4), pytest.approx(5))
    assert row["reason"] == "1 more lost: found late, or entered since"


@pytest.mark.parametrize(
    ("now", "cause"),
    [
        # Two of the four were entered twice.
        (rate("2026-Q2", 2, 36_525, 400), "2 fewer lost: corrected since, or no longer used"),
        # Ten plants that stood all quarter (91 days) had not been entered.
        (rate("2026-Q2", 4, 37_435, 410), "10 plants more: entered since"),
        (rate("2026-Q2", 4, 35_615, 390), "10 plants fewer: corrected since, or no longer used"),
        # One plant came a day later than was written.
        (rate("2026-Q2", 4, 36_524, 400), "other days in place: dates of plants entered or corrected since"),
        (rate("2026-Q2", 5, 37_435, 410), "1 more lost: found late, or entered since; 10 plants more: entered since"),
    ],
)
def test_the_cause_is_told_from_the_counts_that_moved(now, cause):
    moved = revisions.restated(findings.table([rate("2026-Q2", 4, 36_525, 400)]), findings.table([now]))
    assert moved["reason"].tolist() == [cause]


def test_the_same_counts_are_no_restatement_also_where_an_estimate_moved():
    then = findings.table([rate("2026-Q2", 4, 36_525, 400)])
    learned = then.assign(estimate=then["estimate"] * 1.02)
    assert revisions.restated(then, learned).empty
    assert revisions.restated(then, then).empty


def test_groups_are_compared_with_their_own_and_new_ones_with_nothing():
    then = findings.table([rate("2026-Q2", 1, 900, 10, site_id="S1"), rate("2026-Q2", 2, 900, 10, site_id="S2")])
    now = findings.table(
        [
            rate("2026-Q2", 1, 900, 10, site_id="S1"),
            rate("2026-Q2", 3, 900, 10, site_id="S2"),
            rate("2026-Q2", 9, 900, 10, site_id="S3"),
            rate("2026-Q2", 13, 2700, 30),
        ]
    )
    assert revisions.restated(then, now)["site_id"].tolist() == ["S2"]


def test_a_measure_with_another_definition_is_left_out():
    then, now = findings.table([rate("2026-Q2", 4, 900, 9)]), findings.table([rate("2026-Q2", 5, 900, 9)])
    assert revisions.restated(then, now, ["loss_rate"]).empty
    assert len(revisions.restated(then, now, ["death_rate"])) == 1


def test_decisions_are_new_open_or_gone():
    then = decisions(
        ("Visit every 14 days instead of 7", "S1", "visits", "site-S1"),
        ("Talk about the fee", "C1", "accounts", "client-C1"),
        ("Mend dates", "visits.csv", "records", "mend"),
    )
    now = decisions(
        ("Visit every 21 days instead of 7", "S1", "visits", "site-S1"),  # the same row: still to be decided
        ("Mend dates", "plants.csv", "records", "other"),  # the same thing asked
        ("Talk about the fee", "C2", "visits", "client-C2"),  # the same words on another page
    )
    compared = revisions.compare_decisions(then, now)
    assert compared[["state", "where"]].values.tolist() == [
        ["still open", "S1"],
        ["still open", "plants.csv"],
        ["new", "C2"],
        ["gone", "C1"],
    ]


def test_one_decision_of_today_answers_to_one_of_then():
    one = ("Mend dates", "a", "records", "mend")
    assert revisions.compare_decisions(decisions(one), decisions(one, one))["state"].tolist() == ["still open", "new"]


def write_pack(folder: Path, **changed: object) -> Path:
    folder.mkdir()
    findings.write(findings.table([rate("2026-Q2", 4, 36_525, 400)]), folder)
    decisions(("Mend dates", "a", "records", "mend")).to_csv(folder / "decisions.csv", index=False)
    record = {"made_at": "2026-07-02T09:00:00+00:00", "parameters": {"quarter": "2026-Q2", "client": ""}, "files": {}}
    record |= {"settings": {"small_group": 5}, "definitions": {"loss_rate": "as then"}} | changed
    (folder / "made_with.json").write_text(json.dumps({k: v for k, v in record.items() if v is not None}))
    return folder


def test_a_pack_is_read_back(tmp_path):
    pack = revisions.read_pack(write_pack(tmp_path / "2026-Q2"))
    assert (pack.quarter, pack.settings, pack.decisions["what"].tolist()) == (
        "2026-Q2",
        {"small_group": 5},
        ["Mend dates"],
    )
    assert pack.findings["losses"].tolist() == [4]


def test_what_is_no_pack_to_compare_with_is_refused_with_the_reason(tmp_path):
    with pytest.raises(ReportError, match="holds no review of all clients"):
        revisions.read_pack(tmp_path)
    with pytest.raises(ReportError, match="holds no review of all clients"):
        revisions.read_pack(write_pack(tmp_path / "client", parameters={"quarter": "2026-Q2", "client": "C1"}))
    with pytest.raises(ReportError, match="earlier version of this program; make it again"):
        revisions.read_pack(write_pack(tmp_path / "old", settings=None))


def test_unlike_settings_and_definitions_are_named():
    assert revisions.unlike_settings({"small_group": 5}, {"small_group": 5}) == []
    assert revisions.unlike_settings({"heating_season": {"a": 1}}, {"heating_season": {"a": 2}}) == ["heating_season"]
    assert revisions.unlike_settings({}, {"currency": "EUR"}) == ["currency None, now EUR"]
    assert revisions.unlike_definitions({"a": "x"}, {"a": "x", "b": "y"}) == []
