"""Plants in place on the last day stand where their last move put them."""

from __future__ import annotations

from datetime import date
from pathlib import Path

from plantstats import exposure, records
from plantstats.exposure.standing import standing

FILES = {
    "sites": "site_id,client_id,observed_from\nS1,C1,2026-01-01\nS2,C1,2026-01-01\n",
    "plants": "plant_id,site_id,position,room,species,installed_on\n"
    "P1,S1,1-01,hall,Ficus elastica,2026-01-02\n"
    "P2,S2,1-01,study,Ficus elastica,2026-01-02\n"
    "P3,S1,1-02,hall,Ficus elastica,2026-01-02\n",
    "moves": "plant_id,moved_on,to_site_id,to_position,to_light\n"
    "P1,2026-02-01,S2,1-01,low\n"
    "P3,2026-02-01,S1,1-07,low\n"
    "P3,2026-05-01,S1,1-09,low\n",
    "replacements": "plant_id,replaced_on,cause,outcome\nP2,2026-01-30,light,died\n",
}


def places(folder: Path, day: date) -> dict[str, tuple[str, str, str]]:
    for name, text in FILES.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    rows = standing(exposure.build(records.load(folder), day))
    rows = rows[["plant_id", "site_id", "position", "room"]].astype("object").fillna("")
    return {row.plant_id: (row.site_id, row.position, row.room) for row in rows.itertuples()}


def test_a_moved_plant_stands_where_its_last_move_put_it(tmp_path: Path) -> None:
    # P1 took the place of P2 at S2, a study; nobody said which room 1-07 of S1 is in; May is after the last day.
    assert places(tmp_path, date(2026, 3, 31)) == {"P1": ("S2", "1-01", "study"), "P3": ("S1", "1-07", "")}


def test_a_plant_that_was_never_moved_stands_where_it_was_listed(tmp_path: Path) -> None:
    assert places(tmp_path, date(2026, 1, 20))["P3"] == ("S1", "1-02", "hall")
