"""A client's page holds nothing of another client and nothing of ours; searched in the whole of what it shows."""

from __future__ import annotations

import re
from pathlib import Path

import pandas as pd
import pytest

import plantstats
from plantstats import simulate
from plantstats.pages import client_page
from plantstats.studies import Study, StudyError

PLANTS, YEARS = 120, 1.5


@pytest.fixture(scope="module", params=[3, 4])
def company(request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An invented company whose sites, clients and plants have names, and whose costs can be told by their digits."""
    folder = tmp_path_factory.mktemp("records") / "company"
    simulate.make(folder, PLANTS, YEARS, request.param)
    sites = pd.read_csv(folder / "sites.csv", dtype="str")
    sites = sites.assign(
        site_name="House " + sites["site_id"],
        client_name="Owner " + sites["client_id"],
        address="1 " + sites["site_id"],
    )
    sites.to_csv(folder / "sites.csv", index=False)
    replacements = pd.read_csv(folder / "replacements.csv", dtype="str")
    replacements["plant_cost"] = "987.65"
    replacements.to_csv(folder / "replacements.csv", index=False)
    return folder


@pytest.fixture(scope="module")
def whole(company: Path) -> Study:
    return plantstats.study(company)


@pytest.fixture(scope="module")
def html_of(whole: Study) -> dict[str, str]:
    """The page of each client."""
    clients = sorted(whole.records.table("sites")["client_id"].unique())
    return {own: client_page.page(whole.of_client(own))._repr_html_() for own in clients}


def test_no_page_of_a_client_holds_anything_of_another(whole, html_of):
    sites = whole.records.table("sites")
    plants = whole.records.table("plants")
    technicians = set(whole.records.table("visits")["technician"].dropna())
    site_client = dict(zip(sites["site_id"], sites["client_id"], strict=True))
    checked = 0
    for own, html in html_of.items():
        words = set(re.findall(r"\w+", html))
        mine = set(sites.loc[sites["client_id"].eq(own), "site_id"])
        assert not words & (set(sites["client_id"]) - {own})
        assert not words & (set(site_client) - mine)
        assert not words & set(plants.loc[~plants["site_id"].isin(mine), "plant_id"])
        assert not words & technicians
        assert f"Owner {own}" in html
        checked += len(mine)
    assert checked == len(sites)


def test_no_page_of_a_client_holds_a_cost_wage_or_word_of_ours(html_of):
    assert html_of
    for html in html_of.values():
        assert "987" not in html
        for word in ("margin", "wage", "withheld", "not available", "95%", "SHA", "technician", "replacement_cost"):
            assert word not in html, word


def test_each_client_is_told_how_many_plants_stand(whole, html_of):
    standing = whole.standing().groupby("client_id")["plants"].sum()
    for own, plants in standing.items():
        assert re.search(rf"\b{plants:,} plants? stand", html_of[own])


def test_a_client_page_of_nobody_is_refused(whole):
    with pytest.raises(StudyError, match="needs a client"):
        client_page.page(whole)


def test_visits_of_each_month_add_up_to_those_made(whole):
    for own in sorted(whole.records.table("sites")["client_id"].unique()):
        study = whole.of_client(own)
        made = study.visits_made()
        done = made[made["measure"].eq("visits_completed")].set_index("site_id")["estimate"]
        months = study.visits_by_month().groupby("site_id")["visits"].sum().reindex(done.index, fill_value=0)
        assert months.tolist() == done.tolist()


def test_losses_of_four_quarters_are_counted_and_the_last_are_those_of_the_quarter(whole):
    rows = whole.lost_by_quarter()
    assert len(rows) == 4
    assert rows["losses"].iloc[-1] == whole.losses()["quantity"].sum()
    clients = sorted(whole.records.table("sites")["client_id"].unique())
    assert sum(whole.of_client(own).lost_by_quarter()["losses"].sum() for own in clients) == rows["losses"].sum()


def test_a_client_page_has_room_for_what_is_agreed_and_both_names(whole):
    own = sorted(whole.standing()["client_id"].unique())[0]
    rows = client_page.page(whole.of_client(own)).frame("agreed")
    assert rows["For"].tolist() == [f"Owner {own}", whole.records.settings.company or "us"]
    assert {"Contact", "Name and signature"} <= set(rows.columns)
