"""Pests: words, looks and first findings by hand; spread seen where it is and nowhere else; what the pages say."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from plantstats import exposure, records, simulate
from plantstats.findings import pick
from plantstats.pages import pests as page
from plantstats.periods import quarter
from plantstats.pests import transmission
from plantstats.pests.inspections import PestError, at_risk, inspections
from plantstats.pests.pest_findings import pest_findings
from plantstats.schema.pests import pest_of
from plantstats.studies import Study

AS_OF = date(2026, 9, 30)


@pytest.mark.parametrize(
    ("text", "pest"),
    [
        ("SPIDER MITES", "mites"),
        ("Mealybug, light", "mealybug"),
        ("soft scale", "scale"),
        ("thrips", "other"),
        ("none", "none"),
        ("No", "none"),
        # Reddish dots on the newest leaves of F. lyrata are edema, no pest (common practice, no source).
        ("Edema", "none"),
        ("reddish dots on newest leaves", "none"),
    ],
)
def test_words_of_technicians_name_a_pest_or_none(text, pest):
    assert pest_of(text) == pest


SITES = "site_id,client_id,observed_from\nS1,C1,2025-01-01\nS2,C1,2025-01-01\n"
PLANTS = "plant_id,site_id,species,installed_on\n" + "".join(
    f"P{n},S{1 + (n > 3)},Ficus lyrata,2024-06-01\n" for n in range(1, 7)
)
# P1: looked at 10 January and 9 February, found on 11 March: 30 + 30 = 60 days. P2: found at its first look: no days.
# P3: looked at once. P4: edema is no pest: 10 January to 10 April, 90 days. P5: found with mealybug, later mites.
# P6: no word at all, so nobody looked.
VISITS = """plant_id,visited_on,pest,pest_degree
P1,2025-01-10,none,
P1,2025-02-09,none,
P1,2025-03-11,mites,moderate
P1,2025-04-10,none,
P2,2025-01-10,mites,trace
P2,2025-02-09,mites,severe
P3,2025-01-10,none,
P4,2025-01-10,none,
P4,2025-04-10,edema,
P5,2025-01-10,none,
P5,2025-02-09,mealybug,
P5,2025-03-11,spider mite,
P6,2025-01-10,,
P6,2025-02-09,,
"""
NO_LOSS = "plant_id,replaced_on,cause\n"


def tiny(folder, visits: str = VISITS):
    folder.mkdir(exist_ok=True)
    for name, text in {"sites": SITES, "plants": PLANTS, "replacements": NO_LOSS, "visits": visits}.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return exposure.build(records.load(folder), date(2025, 4, 30), "found")


def test_first_findings_and_days_between_looks_worked_by_hand(tmp_path):
    of = inspections(tiny(tmp_path))
    assert of.looks["plant_id"].nunique() == 5
    first = of.first.set_index(["plant_id", "pest"])["new"].to_dict()
    assert first == {("P1", "mites"): True, ("P2", "mites"): False, ("P5", "mealybug"): True, ("P5", "mites"): True}
    mites = at_risk(of, "mites").groupby("plant_id")[["days", "found"]].sum()
    assert mites.loc["P1"].tolist() == [60, 1]
    assert mites.loc["P5"].tolist() == [60, 1]
    assert mites.loc["P4"].tolist() == [90, 0]
    assert set(mites.index) == {"P1", "P4", "P5"}
    # Of any pest P5 was found first after 30 days: 2 findings in 60 + 30 + 90 days, 2 / 180 x 36,525 = 405.8.
    rows = pest_findings(tiny(tmp_path), of, date(2025, 4, 30))
    rate = pick(rows, "pest_rate").iloc[0]
    assert (rate["losses"], rate["plant_days"]) == (2, 180)
    assert rate["estimate"] == pytest.approx(2 / 180 * 36_525)


def test_absence_is_only_where_somebody_looked(tmp_path):
    found = "\n".join(line for line in VISITS.splitlines() if ",none," not in line and ",edema," not in line)
    with pytest.raises(PestError, match="only where one was seen"):
        inspections(tiny(tmp_path / "a", found + "\nP4,2025-03-01,scale,\n"))
    few = "\n".join(line for line in VISITS.splitlines() if "mite" not in line)
    with pytest.raises(PestError, match="1 findings"):
        inspections(tiny(tmp_path / "b", few + "\n"))


def test_where_a_pest_goes_round_now_and_whom_to_look_at_first(tmp_path):
    time = tiny(tmp_path)
    rows = transmission.going_round(
        inspections(time), time.query("select plant_id, site_id, species from plants"), AS_OF
    )
    assert rows.empty
    # On 31 March 2025 the findings at S2 are P5 alone; at S1 P1 and P3 were found with mites for the first time within
    # eight weeks. P2 had them before, on 10 January: found again on 9 February it is one of the plants with them.
    more = VISITS + "P3,2025-03-20,mites,trace\n"

    def listed(name, visits):
        time = tiny(tmp_path / name, visits)
        standing = time.query("select plant_id, site_id, species from plants")
        rows = transmission.going_round(inspections(time), standing, date(2025, 3, 31))
        assert rows[["site_id", "pest"]].drop_duplicates().values.tolist() == [["S1", "mites"]]
        assert rows["n_found"].eq(rows["found"].sum()).all()
        return rows[["plant_id", "found", "degree"]].fillna("").values.tolist()

    # The longest not looked at (9 February, 20 March, 10 April) first.
    p3, p1 = ["P3", True, "trace"], ["P1", True, "moderate"]
    assert listed("again", more) == [["P2", True, "severe"], p3, p1]
    # Found before these weeks alone, it is no new neighbour.
    assert listed("before", more.replace("P2,2025-02-09,mites,severe\n", "")) == [p3, p1]


@pytest.fixture(scope="module")
def company(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pests") / "records"
    simulate.make(folder, 500, 2.5, 11)
    return records.load(folder)


@pytest.fixture(scope="module")
def results(company):
    study = Study(company, quarter("2026-Q3"), AS_OF)
    return study, study.pests()


def test_a_pest_that_passes_from_plant_to_plant_is_seen_to_go_round(results):
    _, rows = results
    ratio, chance = pick(rows, "pest_neighbours").iloc[0], pick(rows, "pest_neighbours_by_chance").iloc[0]
    assert ratio["estimate"] > chance["high"]
    assert ratio["low"] > 1


def test_where_none_passes_it_on_no_spread_is_told(tmp_path):
    # All from outside, four times as many (0.0032 a plant-week): sites and weeks alike but for dry air.
    params = replace(simulate.CompanyParams(), pest_transmission=0.0, pest_outside=0.0032)
    simulate.make(tmp_path / "records", 400, 2, 12, params)
    time = exposure.build(records.load(tmp_path / "records"), AS_OF, "found")
    rows = pest_findings(time, inspections(time), AS_OF)
    ratio, chance = pick(rows, "pest_neighbours").iloc[0], pick(rows, "pest_neighbours_by_chance").iloc[0]
    assert chance["low"] < ratio["estimate"] < chance["high"]


def test_a_finding_foretells_losses_where_pests_kill_and_no_leaves(results):
    # In the invented company plants lost to mites had them for six weeks before; leaves do not hang on pests.
    _, rows = results
    assert pick(rows, "losses_after_pest")["low"].iloc[0] > 1
    leaves = pick(rows, "leaves_after_pest").iloc[0]
    assert leaves["low"] < 1 < leaves["high"]


def test_pages_say_what_was_found_and_advise_no_treatment(results):
    study, rows = results
    sections = [s for s in [*page.sections(study, rows), page.now(study)] if s]
    assert [s.key for s in sections] == ["pests", "pests-spread", "pests-now"]
    text = " ".join(" ".join([s.message, s.shown, *s.sentences, s.note]) for s in sections)
    assert "it goes round" in text
    assert "edema" in text
    assert "the label, local codes and a licensed person decide" in text
    assert "one delivery" in text
    assert not {"spray", "dose", "insecticide", "re-entry"} & set(text.lower().split())


def test_plants_to_look_at_stand_in_place_and_those_found_come_first(results):
    study, _ = results
    rows = study.pests_now()
    assert set(rows["plant_id"]) <= set(study.standing()["plant_id"])
    for _, own in rows.groupby(["site_id", "pest"]):
        assert own["found"].is_monotonic_decreasing
    asked = page.decisions(study)
    assert [(one.page, one.anchor) for one in asked] == ([("watch", "pests-now")] if len(rows) else [])


def test_pests_change_nothing_else_of_the_invented_company():
    # Pests come from random numbers of their own, laid over lives that are lived without them.
    one = simulate.company(60, 1, 3)
    other = simulate.company(60, 1, 3, replace(simulate.CompanyParams(), pest_outside=0.02, pest_transmission=0.5))
    for name in ("plants", "replacements", "true_plants"):
        pd.testing.assert_frame_equal(one[name], other[name])
    visits = [table["visits"].drop(columns=["pest", "pest_degree"]) for table in (one, other)]
    pd.testing.assert_frame_equal(*visits)
    assert (one["visits"]["pest"].isna() == other["visits"]["pest"].isna()).all()
    seen = [int((table["visits"]["pest"].fillna("none") != "none").sum()) for table in (one, other)]
    assert seen[1] > 3 * seen[0]


def test_the_invented_pest_transmissions_as_its_parameters_say():
    # From outside b, gone with chance 1 / w a week: with nothing passed on, and three pests of b each, the share
    # infested settles where 3 b (1 - x) = x / w, at x = 3 b w / (1 + 3 b w) = 0.24 / 1.24.
    from plantstats.simulate import layout, pests, run

    params = replace(
        simulate.CompanyParams(), pest_outside=0.01, pest_transmission=0.0, pest_dry_air=0.0, building_failure=False
    )
    streams = [np.random.default_rng(n) for n in range(3)]
    lay = layout.draw(streams[0], 600, 2, params)
    log = run.live(lay, params, streams[1])
    state = pests.infest(lay, params, log, streams[2])
    come = np.array([p["known"] for p in log.plants])
    gone = np.array([min(p.get("lost", lay.days), p.get("removed", lay.days)) for p in log.plants])
    weeks = np.arange(60, state.pest.shape[1] - 1)
    here = (come[:, None] // 7 <= weeks - 30) & (gone[:, None] // 7 >= weeks + pests.BEFORE_LOSS + 1)
    share = (state.pest[:, weeks] >= 0)[here].mean()
    assert share == pytest.approx(0.24 / 1.24, abs=0.015)
