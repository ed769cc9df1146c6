"""Records of a site begin with the first thing noted there, and end with the last contract where nothing was since."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from plantstats import exposure, records

AS_OF = date(2025, 12, 31)
VISITS = "visited_on,plant_id,condition\n"
LOST = "plant_id,replaced_on,cause\n"


def firm(folder: Path, **tables: str) -> records.Records:
    """Two sites of two clients, a plant of 2020 at each and one of July 2025 at S1."""
    folder.mkdir(exist_ok=True)
    texts = {
        "sites": "site_id,client_id\nS1,C1\nS2,C2\n",
        "plants": "plant_id,site_id,species,installed_on\nP1,S1,Ficus lyrata,2020-01-01\n"
        "P2,S2,Ficus lyrata,2020-01-01\n"
        "P3,S1,Ficus lyrata,2025-07-01\n",
        "replacements": LOST,
    }
    for name, text in (texts | tables).items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return records.load(folder)


def days(of: records.Records) -> dict[str, int]:
    return exposure.build(of, AS_OF).exposure_table(["plant_id"]).set_index("plant_id")["plant_days"].to_dict()


def test_time_before_the_first_record_of_a_site_is_no_time_at_risk_and_its_rule_and_date_are_told(tmp_path):
    # Without observed_from five years without a record would count. S1 is first visited on 1 March, S2 on 1 June;
    # P3 came after the records of the company began, so it counts from its first day.
    loaded = firm(tmp_path, visits=VISITS + "2025-03-01,P1,4\n2025-06-01,P2,4\n2025-12-01,P1,4\n2025-12-01,P2,4\n")
    assert days(loaded) == {"P1": 305, "P2": 213, "P3": 183}
    told = loaded.notes.loc[loaded.notes["kind"].eq("records begin"), "text"].tolist()
    assert [text[:47] for text in told] == [
        "S1: no observed_from; its records begin on 2025",
        "S2: no observed_from; its records begin on 2025",
    ]
    assert "2025-03-01" in told[0] and "2025-06-01" in told[1]


def test_what_the_firm_says_of_the_beginning_stands(tmp_path):
    sites = "site_id,client_id,observed_from\nS1,C1,2025-01-01\nS2,C2,\n"
    loaded = firm(tmp_path, sites=sites, visits=VISITS + "2025-03-01,P1,4\n2025-06-01,P2,4\n")
    assert days(loaded) == {"P1": 364, "P2": 213, "P3": 183}
    assert loaded.notes["kind"].eq("records begin").sum() == 1


def test_a_site_whose_records_begin_with_an_installation_begins_with_it(tmp_path):
    plants = "plant_id,site_id,species,installed_on\nP1,S1,Ficus lyrata,2020-01-01\nP2,S2,Ficus lyrata,2025-05-01\n"
    loaded = firm(tmp_path, plants=plants, visits=VISITS + "2025-03-01,P1,4\n2025-06-01,P2,4\n")
    assert days(loaded) == {"P1": 305, "P2": 244}


CONTRACTS = "client_id,site_id,starts_on,ends_on\nC1,,2020-01-01,\nC2,,2020-01-01,2025-03-31\n"
SEEN = VISITS + "2025-01-01,P1,4\n2025-01-01,P2,4\n2025-03-20,P2,4\n2025-12-01,P1,4\n"


def test_plants_of_a_contract_that_ended_count_until_its_end_where_nothing_was_noted_since(tmp_path):
    # 1 January to 31 March 2025: 89 days after the first. Before, P2 stayed at risk to the end of the year.
    loaded = firm(tmp_path, contracts=CONTRACTS, visits=SEEN)
    assert days(loaded) == {"P1": 364, "P2": 89, "P3": 183}
    account = exposure.build(loaded, AS_OF).account
    assert account.loc[account["fate"].str.endswith("its site end"), "first_ids"].tolist() == ["P2"]
    (note,) = loaded.notes.loc[loaded.notes["kind"].eq("contract ended"), "text"]
    assert note.startswith("S2: the last contract ended on 2025-03-31")
    assert exposure.build(loaded, date(2025, 2, 28)).exposure_table([])["n_plants"].tolist() == [2]


def test_a_contract_that_was_renewed_or_a_site_still_seen_goes_on(tmp_path):
    renewed = CONTRACTS + "C2,S2,2025-04-01,\n"
    assert days(firm(tmp_path / "a", contracts=renewed, visits=SEEN))["P2"] == 364
    assert days(firm(tmp_path / "b", contracts=CONTRACTS, visits=SEEN + "2025-05-01,P2,4\n"))["P2"] == 364
    lost = LOST + "P2,2025-04-20,unknown\n"
    assert days(firm(tmp_path / "c", contracts=CONTRACTS, visits=SEEN, replacements=lost))["P2"] == 109


def test_a_plant_moved_to_a_site_that_goes_on_is_followed_there(tmp_path):
    moves = "plant_id,moved_on,to_site_id\nP2,2025-02-01,S1\n"
    assert days(firm(tmp_path, contracts=CONTRACTS, visits=SEEN, moves=moves))["P2"] == 364
