"""Places that use up plants: lives and moves by hand; bad places of an invented company found, ordinary ones not."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import numpy as np
import pandas as pd
import pytest

from plantstats import exposure
from plantstats.findings import pick
from plantstats.losses import EXPOSURE_BY, check_collinearity, places, terms
from plantstats.losses.place_findings import place_findings
from plantstats.losses.places import fits_better, in_common
from plantstats.periods import quarter
from plantstats.simulate import CompanyParams
from tests.builders.invented_records import InventedRecords
from tests.builders.tiny_records import TinyRecords

LAST = date(2026, 9, 30)


class Flat:
    """A loss model under which every plant-day loses 1 in 1,000, at a site of no effect."""

    def knows(self, rows):
        return pd.Series(True, rows.index)

    def log_rates(self, rows):
        return np.full(len(rows), np.log(0.001))

    def effects_of(self, sites):
        return np.ones(len(sites)), np.zeros(len(sites))


def day(text: str) -> int:
    return (date.fromisoformat(text) - date(1970, 1, 1)).days


def plant(name, position, installed, species="Ficus lyrata", **more):
    return {
        "plant_id": name,
        "site_id": "S1",
        "position": position,
        "species": species,
        "light": "low",
        "installed_on": installed,
    } | more


@pytest.fixture(scope="module")
def by_hand(tmp_path_factory):
    plants = [
        plant("P1", "A1", "2024-12-31"),
        plant("P2", "A1", "2025-03-10"),
        plant("P3", "A1", "2025-07-05"),
        plant("P4", "A2", "2024-12-31"),
        plant("P5", "lobby", "2024-12-31"),
        plant("P6", "lobby", "2024-12-31"),
    ]
    lost = [
        {"plant_id": "P1", "replaced_on": "2025-03-01", "cause": "light", "outcome": "died", "replaced_by": "P2"},
        {"plant_id": "P2", "replaced_on": "2025-06-30", "cause": "light", "outcome": "died", "replaced_by": "P3"},
    ]
    moves = [{"plant_id": "P4", "moved_on": "2025-04-10", "to_position": "A3"}]
    sites = [{"site_id": "S1", "client_id": "C1", "observed_from": "2024-12-31"}]
    records = TinyRecords(
        tmp_path_factory.mktemp("places"),
        [],
        ((10, 1), (5, 1)),
        sites=sites,
        plants=plants,
        replacements=lost,
        moves=moves,
    )
    return exposure.build(records, date(2025, 12, 31), "found")


def test_a_place_is_followed_through_the_plants_that_stood_in_it(by_hand):
    table = places.places(by_hand, Flat()).places.set_index("position")
    # The lobby held two at once, and is no place of one plant.
    assert list(table.index) == ["A1", "A2", "A3"]
    assert table.loc["A1", ["plants", "losses"]].tolist() == [3, 2]
    assert table.loc["A1", ["first_day", "last_day"]].tolist() == [day("2024-12-31"), day("2025-12-31")]
    # P1 60 days at risk, P2 112, P3 179: at 1 in 1,000 a day 0.351.
    assert table.loc["A1", "expected"] == pytest.approx(0.351)
    # P4 was moved on 10 April: 100 days in A2, 265 in A3; April is shared by days.
    assert table.loc["A2", "expected"] == pytest.approx(0.100)
    assert table.loc["A3", "expected"] == pytest.approx(0.265)
    # Two where 0.351 are expected: 1 - e^-0.351 x 1.351.
    assert table.loc["A1", "p"] == pytest.approx(1 - np.exp(-0.351) * 1.351, rel=1e-6)


def test_plants_lost_in_a_place_share_what_most_of_them_had(by_hand):
    stays = places.places(by_hand, Flat()).stays
    shared = in_common(stays[stays["position"].eq("A1")])
    assert shared == {"species": ("Ficus lyrata", 2), "light": ("low", 2), "cause": ("light", 2)}
    assert in_common(stays[stays["position"].eq("A2")]) == {}


def test_the_mean_number_of_plants_used_up_counts_every_place(by_hand):
    # Three places from day 0 (A3 from its own first day on, for 265 days): losses on days 60 and 181 of A1, when A2
    # (followed for 100 days) is there for the first alone: 1/3 + 1/2.
    mcf = places.places(by_hand, Flat()).recurrence
    assert (mcf.time.tolist(), mcf.at_risk.tolist()) == ([60, 181], [3, 2])
    assert mcf.estimate[-1] == pytest.approx(5 / 6)


def test_a_species_fits_better_only_where_its_limits_say_so():
    table = pd.DataFrame(
        {
            "species": ["lost", "better", "few", "like"],
            "n_plants": [20, 20, 2, 20],
            "losses": [20, 1, 0, 15],
            "plant_days": [9_000, 9_000, 9_000, 9_000],
        }
    )
    time = type("Time", (), {"as_of": LAST, "exposure_table": lambda self, *_: table})()
    assert fits_better(time, ["lost"], "low", 5).species == "better"
    assert fits_better(time, ["lost", "better"], "low", 5) is None
    assert fits_better(time, ["lost"], "unknown", 5) is None


def company(folder, seed, **params):
    drawn = replace(CompanyParams(), base_rate=14.0, building_failure=False, over_dry=0.0, move_rate=0.0, **params)
    records = InventedRecords(folder, 300, seed, drawn, 4)
    time = exposure.build(records, LAST, "found")
    midpoint = exposure.build(records, LAST, "midpoint")
    table = midpoint.exposure_table(list(EXPOSURE_BY), end=terms.settled(LAST))
    return time, check_collinearity(table, records.species).model, records


@pytest.fixture(scope="module")
def with_bad_places(tmp_path_factory):
    time, model, records = company(tmp_path_factory.mktemp("bad"), 5, bad_place=2.2, bad_place_share=0.05)
    return place_findings(time, model, quarter("2026-Q3"), 5), records


def test_bad_places_are_found_and_the_rest_left_alone(with_bad_places):
    results, records = with_bad_places
    bad = records.true["true_plants"].merge(records.table("plants")[["plant_id", "position"]], on="plant_id")
    bad = set(map(tuple, bad.loc[bad["bad_place"], ["site_id", "position"]].to_numpy()))
    named = set(map(tuple, pick(results, "place_flagged", ["site_id", "position"])[["site_id", "position"]].to_numpy()))
    # 5 in 100 of some 300 places lose 9 times as many; those named are such places.
    assert len(bad) >= 8
    assert len(named & bad) >= 3
    assert len(named - bad) <= 1


def test_places_by_losses_add_up_to_all_places(with_bad_places):
    results, _ = with_bad_places
    whole = pick(results, "places_followed").iloc[0]
    rows = pick(results, "places_by_losses", ["term"]).set_index("term")["estimate"]
    assert rows.sum() == whole["estimate"]
    least = rows["1"] + 2 * rows["2"] + 3 * rows["3 or more"]
    assert least <= whole["losses"]


def test_no_ratio_where_less_than_one_loss_was_expected(with_bad_places):
    results, _ = with_bad_places
    by = ["site_id", "position"]
    ratio = pick(results, "place_ratio", by).merge(pick(results, "place_expected", by), on=by)
    assert len(ratio)
    assert ratio["estimate_y"].ge(1).all()
    assert ratio["estimate_x"].tolist() == pytest.approx((ratio["losses_x"] / ratio["estimate_y"]).tolist())
