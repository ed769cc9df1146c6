"""The section on places where one stands out: what it says, and what it asks the brief to decide."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from plantstats import findings
from plantstats.findings import finding
from plantstats.pages import places
from plantstats.reporting.display import Named

BY = {"site_id": "S1", "position": "1-04"}


@pytest.fixture
def results():
    common = {"method": "by hand", "period": "2026-Q3"}

    def row(measure, estimate, unit="plants", **more):
        return finding(measure, estimate=estimate, unit=unit, **common, **more)

    return findings.table(
        [
            row("places_followed", 300.0, "places", losses=90),
            row("place_mean_losses", 18.0, "plants per 100 places", low=13.0, high=24.0, conf_level=0.95, age_days=365),
            row("place_losses", 4.0, losses=4, n_plants=5, **BY),
            row("place_expected", 0.5, "losses expected", losses=4, n_plants=5, **BY),
            row("place_flagged", 0.0002, "probability", losses=4, n_plants=5, **BY),
            row("place_in_common", 4.0, losses=4, term="light", note="low", **BY),
            row("place_in_common", 3.0, losses=3, term="cause", note="water_excess", **BY),
            row(
                "place_fits_better",
                2.0,
                "per 100 plant-years",
                species="Zamioculcas zamiifolia",
                losses=1,
                plant_days=18_262.5,
                **BY,
            ),
        ]
    )


@pytest.fixture
def study(results):
    names = {"S1": "Larch House", "Zamioculcas zamiifolia": "ZZ plant"}
    return SimpleNamespace(
        client="", places=lambda: results, name_of=lambda kind, code: Named(names.get(code, ""), code)
    )


def test_a_place_that_stands_out_is_told_in_one_line(study, results):
    section = places.section(study, results)
    assert section.message == ("1 place used up more plants than species, light and chance explain: Larch House 1-04.")
    line = section.table.records.iloc[0]
    assert (line["Place"], line["Lost"], line["Expected"]) == ("Larch House 1-04", "4 of 5", "0.500")
    assert line["Alike among them"] == "too much water (3), low light (4)"
    assert line["Fits that light better"] == "ZZ plant: 1 lost in 50 plant-years"
    assert section.table.ids == ["place-S1-1-04"]


def test_the_brief_is_asked_to_decide_on_it_and_only_then(study, results):
    asked = places.decisions(study)
    assert [(one.what, one.where, one.confidence) for one in asked] == [
        (
            "Put another kind in, or none: 1 place",
            "Larch House 1-04",
            "lost 4 where 0.5 were expected of such plants in such light",
        )
    ]
    assert asked[0].anchor == places.section(study, results).table.ids[0]
    study.places = lambda: results[results["measure"].ne("place_flagged")]
    assert places.decisions(study) == []
    assert "No place" in places.section(study, study.places()).message
