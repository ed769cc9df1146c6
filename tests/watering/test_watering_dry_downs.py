"""Dry-downs: worked by hand from visits, and against an oracle that walks through each plant's visits."""

from __future__ import annotations

from collections import Counter
from datetime import date
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from plantstats import exposure, records, simulate
from plantstats.exposure import READS
from plantstats.settings import EngineSettings
from plantstats.watering import dry_down_table, dry_downs
from plantstats.watering.dry_down_table import DryDowns
from tests.builders.tiny_records import ARROW

HEATING = ((10, 1), (5, 1))
SITE = [{"site_id": "S1", "client_id": "C1"}]


class Tiny:
    """What `dry_down_table.build` asks of records, from rows written in a test."""

    def __init__(self, folder: Path, **tables: list[dict[str, Any]]) -> None:
        self.folder, self.settings = folder, SimpleNamespace(heating_season=HEATING, engine=EngineSettings())
        self.shared: dict[str, DryDowns] = {}
        for name, columns in READS.items():
            rows = tables.get(name, [])
            unknown = {key for row in rows for key in row} - set(columns)
            assert not unknown, f"{name} has no column {sorted(unknown)}"
            arrays = [
                pa.array(
                    [
                        date.fromisoformat(v) if kind == "date" and isinstance(v := row.get(c), str) else row.get(c)
                        for row in rows
                    ],
                    type=ARROW[kind],
                )
                for c, kind in columns.items()
            ]
            pq.write_table(pa.table(arrays, names=list(columns)), folder / f"{name}.parquet")

    def parquet(self, name: str) -> Path:
        return self.folder / f"{name}.parquet"


def plant(**more: Any) -> dict[str, Any]:
    base = {
        "plant_id": "P1",
        "site_id": "S1",
        "species": "Ficus lyrata",
        "light": "low",
        "pot_cm": 20.0,
        "planter": "direct",
        "installed_on": date(2024, 1, 1),
    }
    return base | more


def look(on: str, topsoil: str | None = None, watered: bool | None = None, **more: Any) -> dict[str, Any]:
    return {"visited_on": on, "plant_id": "P1", "status": "completed", "topsoil": topsoil, "watered": watered} | more


def made(folder: Path, visits: list[dict[str, Any]], as_of: str = "2025-12-31", **tables: Any) -> DryDowns:
    tables = {"sites": SITE, "plants": [plant()]} | tables
    return dry_down_table.build(Tiny(folder, visits=visits, **tables), date.fromisoformat(as_of))


def rows(of: DryDowns) -> list[tuple[Any, ...]]:
    """(moist inspections, previous, lower, upper, reason) in order; a missing upper or reason is None."""
    table = of.sql('select n_moist, previous, lower, upper, exclusion_reason from dry_downs order by plant_id, "at"')
    return [tuple(None if pd.isna(v) else v for v in row) for row in table.itertuples(index=False)]


def test_drying_lies_between_the_last_look_not_dry_and_the_first_dry_one(tmp_path: Path) -> None:
    # Watered on 3 March; moist on the 10th (day 7) and 17th (day 14), dry on the 24th (day 21).
    done = made(
        tmp_path,
        [
            look("2025-03-03", "dry", True),
            look("2025-03-10", "moist"),
            look("2025-03-17", "moist"),
            look("2025-03-24", "dry", True),
        ],
    )
    assert rows(done) == [(2, 7, 14, 21, None), (0, 0, 0, None, "not looked at again")]


def test_dry_at_the_first_look_is_left_censored(tmp_path: Path) -> None:
    done = made(tmp_path, [look("2025-03-03", "dry", True), look("2025-03-17", "dry", True)])
    assert rows(done)[0] == (0, 0, 0, 14, None)


def test_an_early_watering_ends_the_spell_as_not_yet_dry(tmp_path: Path) -> None:
    # On day 7 it was moist and watered all the same: it was not dry by day 7, and a new spell begins.
    done = made(
        tmp_path, [look("2025-03-03", "dry", True), look("2025-03-10", "moist", True), look("2025-03-17", "dry", True)]
    )
    assert rows(done)[:2] == [(1, 0, 7, None, None), (0, 0, 0, 7, None)]


def test_a_missed_visit_is_no_look_and_a_line_for_the_site_makes_no_spell(tmp_path: Path) -> None:
    done = made(
        tmp_path,
        [
            look("2025-03-03", "dry", True),
            look("2025-03-10", "dry", status="missed"),
            look("2025-03-17", "moist"),
            {"visited_on": "2025-03-20", "site_id": "S1", "status": "completed"},
            look("2025-03-24", "dry", True),
        ],
    )
    assert rows(done)[0] == (1, 0, 14, 21, None)
    fates = dict(zip(done.account["fate"], done.account["rows"], strict=True))
    assert fates["line for a whole site (starts no spell)"] == 1


def test_a_watering_of_the_whole_site_cuts_the_spells_of_its_plants(tmp_path: Path) -> None:
    # Moist on day 7; on day 10 somebody watered the site, not saying which plants: day 14 says nothing of our watering.
    done = made(
        tmp_path,
        [
            look("2025-03-03", "dry", True),
            look("2025-03-10", "moist"),
            {"visited_on": "2025-03-13", "site_id": "S1", "status": "completed", "watered": True},
            look("2025-03-17", "dry", True),
        ],
    )
    assert rows(done)[0] == (1, 0, 7, None, None)


@pytest.mark.parametrize("change", ["repotted", "moved"])
def test_a_repot_or_move_ends_the_spell_after_the_reading_of_that_day(tmp_path: Path, change: str) -> None:
    done = made(
        tmp_path,
        [
            look("2025-03-03", "dry", True),
            look("2025-03-10", "moist", **{change: True}),
            look("2025-03-17", "dry", True),
        ],
    )
    assert rows(done) == [(1, 0, 7, None, None), (0, 0, 0, None, "not looked at again")]


def test_a_watering_on_the_day_of_a_repot_starts_no_spell(tmp_path: Path) -> None:
    done = made(tmp_path, [look("2025-03-03", "dry", True, repotted=True), look("2025-03-10", "dry")])
    assert rows(done) == [(0, 0, 0, 7, "repotted or moved on the day")]


def test_a_move_in_the_list_of_moves_cuts_the_spell_and_the_next_has_the_new_light(tmp_path: Path) -> None:
    done = made(
        tmp_path,
        [
            look("2025-03-03", "dry", True),
            look("2025-03-10", "moist"),
            look("2025-03-17", "dry", True),
            look("2025-03-24", "dry", True),
        ],
        moves=[{"plant_id": "P1", "moved_on": "2025-03-12", "to_light": "high"}],
    )
    assert rows(done)[:2] == [(1, 0, 7, None, None), (0, 0, 0, 7, None)]
    assert done.sql('select light from dry_downs order by "at"')["light"].tolist()[:2] == ["low", "high"]


def test_a_reading_by_depth_is_dry_at_the_depth_of_its_pot_class(tmp_path: Path) -> None:
    # 15-24 cm pot: dry from 3 cm on (between 2.5 and 5 cm, common practice, no source).
    done = made(
        tmp_path,
        [
            look("2025-03-03", None, True),
            look("2025-03-10", dry_depth_cm=2.5),
            look("2025-03-17", dry_depth_cm=3.0, watered=True),
        ],
    )
    assert rows(done)[0] == (1, 0, 7, 14, None)
    assert done.distinct()["method"].tolist() == ["dry depth"]


@pytest.mark.parametrize("depth", [1.0, 9.0])
def test_a_spell_never_spans_two_measuring_methods(tmp_path: Path, depth: float) -> None:
    # Word on day 7, depth alone on day 14, moist or dry: the spell ends, not found dry, on day 7.
    done = made(
        tmp_path,
        [
            look("2025-03-03", "dry", True),
            look("2025-03-10", "moist"),
            look("2025-03-17", dry_depth_cm=depth),
            look("2025-03-24", "dry", True),
        ],
    )
    assert rows(done)[0] == (1, 0, 7, None, None)


def test_a_look_without_reading_is_no_reading(tmp_path: Path) -> None:
    done = made(tmp_path, [look("2025-03-03", "dry", True), look("2025-03-10"), look("2025-03-17", None, True)])
    assert rows(done)[0] == (0, 0, 0, None, "topsoil not read afterwards")


def test_a_dead_plant_is_not_read(tmp_path: Path) -> None:
    # Condition 1 on day 14 (found dead, soil dry): nobody had watered it, and a dead plant does not drink.
    done = made(
        tmp_path, [look("2025-03-03", "dry", True), look("2025-03-10", "moist"), look("2025-03-17", "dry", condition=1)]
    )
    assert rows(done)[0] == (1, 0, 7, None, None)


def test_litres_without_a_tick_are_a_watering(tmp_path: Path) -> None:
    done = made(tmp_path, [look("2025-03-03", "dry", None, litres=0.4), look("2025-03-10", "dry", True)])
    assert rows(done)[0] == (0, 0, 0, 7, None)


def test_two_lines_of_one_day_are_one_look(tmp_path: Path) -> None:
    done = made(
        tmp_path,
        [
            look("2025-03-03", "dry", True),
            look("2025-03-10", "moist"),
            look("2025-03-10", "moist"),
            look("2025-03-17", "dry", True),
        ],
    )
    assert rows(done)[0] == (1, 0, 7, 14, None)


def test_a_plant_that_is_not_listed_is_counted_and_not_used(tmp_path: Path) -> None:
    done = made(
        tmp_path, [look("2025-03-03", "dry", True) | {"plant_id": "P9"}, look("2025-03-10", "dry") | {"plant_id": "P9"}]
    )
    assert rows(done) == [(0, 0, 0, 7, "plant not in the list")]


def test_nothing_after_the_cut_is_looked_at(tmp_path: Path) -> None:
    done = made(
        tmp_path,
        [look("2025-03-03", "dry", True), look("2025-03-10", "moist"), look("2025-03-17", "dry", True)],
        as_of="2025-03-16",
    )
    assert rows(done) == [(1, 0, 7, None, None)]


@pytest.fixture(scope="module")
def company(tmp_path_factory: pytest.TempPathFactory) -> records.Records:
    folder = tmp_path_factory.mktemp("watering")
    simulate.make(folder, plants=60, years=1.5, seed=11)
    return records.load(folder)


def oracle(loaded: records.Records, as_of: pd.Timestamp) -> Counter[tuple[Any, ...]]:
    """Dry-downs by walking through each plant's days, written without looking at the chain."""
    visits = loaded.table("visits")
    visits = visits[visits["plant_id"].notna() & visits["status"].eq("completed") & (visits["visited_on"] <= as_of)]
    moved = set(zip(loaded.table("moves")["plant_id"], loaded.table("moves")["moved_on"], strict=True))
    known = set(loaded.table("plants")["plant_id"])
    found: Counter[tuple[Any, ...]] = Counter()
    for name, own in visits.groupby("plant_id"):
        if name not in known:
            continue
        days = [
            (
                d,
                g["topsoil"].eq("dry").any(),
                g["watered"].fillna(False).any(),
                g["condition"].eq(1).any(),
                g["repotted"].fillna(False).any() or g["moved"].fillna(False).any() or (name, d) in moved,
            )
            for d, g in own.groupby("visited_on")
        ]
        start, wet = None, []
        for day, dry, watered, dead, shifted in days:
            if start is not None and not dead:
                if dry:
                    found[len(wet), (wet[-2] if len(wet) > 1 else 0), (wet[-1] if wet else 0), (day - start).days] += 1
                    start = None
                else:
                    wet.append((day - start).days)
            if start is not None and (watered or shifted or dead) and wet:
                found[len(wet), (wet[-2] if len(wet) > 1 else 0), wet[-1], None] += 1
            if watered or shifted or dead:
                start, wet = (day if watered and not shifted else None), []
        if start is not None and wet:
            found[len(wet), (wet[-2] if len(wet) > 1 else 0), wet[-1], None] += 1
    return found


def test_the_chain_gives_the_spells_that_a_walk_through_the_visits_gives(company: records.Records) -> None:
    as_of = date(2026, 9, 30)
    done = dry_down_table.build(company, as_of)
    cells = done.distinct()
    chain: Counter[tuple[Any, ...]] = Counter()
    for row in cells.itertuples():
        chain[row.n_moist, row.previous, row.lower, None if np.isnan(row.upper) else int(row.upper)] += row.n
    assert chain == oracle(company, pd.Timestamp(as_of))
    assert sum(chain.values()) > 1000


def test_every_watering_is_a_spell_used_or_off_for_a_reason(company: records.Records) -> None:
    done = dry_down_table.build(company, date(2026, 9, 30))
    visits = company.table("visits")
    watered = visits[
        visits["plant_id"].notna() & visits["watered"].fillna(False) & (visits["visited_on"] <= "2026-09-30")
    ]
    waterings = len(watered.drop_duplicates(["plant_id", "visited_on"]))
    account = done.account[done.account["fate"].str.startswith("watering")]
    assert account["rows"].sum() == waterings
    assert done.distinct()["n"].sum() == account.loc[account["fate"].str.contains("spell used"), "rows"].sum()
    assert set(account["fate"].str.removeprefix("watering: ")) <= {*dry_downs.EXCLUSIONS} | {
        f"spell used, {how}"
        for how in ("dry at the first look", "dry between two looks", "not found dry before its end")
    }


def test_labels_of_dry_downs_are_those_of_plant_time(company: records.Records) -> None:
    # The same plants in the same places: every combination of a spell occurs in plant-time.
    of_dry_downs = set(
        map(tuple, dry_down_table.build(company, date(2026, 9, 30)).distinct()[["species", "light", "pot"]].to_numpy())
    )
    cells = exposure.build(company, date(2026, 9, 30)).exposure_table(["species", "light", "pot"])
    assert of_dry_downs <= set(map(tuple, cells[["species", "light", "pot"]].to_numpy()))


def test_dry_downs_of_an_earlier_day_are_those_made_for_it_alone(company: records.Records) -> None:
    later = dry_down_table.build(company, date(2026, 9, 30))
    for day in (date(2026, 6, 30), date(2025, 9, 30)):
        cut = dry_down_table.build(company, day)
        company.shared.clear()
        alone = dry_down_table.build(company, day)
        company.shared[dry_down_table.KEPT] = later
        assert cut.engine.sql("select count(*) as n from main.days")["n"][0] > len(alone.sql("select * from days"))
        for query in (
            'select * from days order by plant_id, "at"',
            "select * from dry_downs order by all",
            f'select * from minutes where "at" <= {(day - date(1970, 1, 1)).days} order by all',
        ):
            pd.testing.assert_frame_equal(cut.sql(query), alone.sql(query))


MOVED = {"plants": [plant(site_id="S2")], "moves": [{"plant_id": "P1", "moved_on": "2025-04-01", "to_site_id": "S1"}]}
WATERED = {"visited_on": "2025-03-13", "site_id": "S1", "status": "completed", "watered": True}
BLANKS = [look(f"2025-{month:02}-{day:02}", None, True) for month in (5, 6) for day in range(1, 29)]


@pytest.mark.parametrize(("noted_since", "tables"), [([WATERED], MOVED), (BLANKS, {})])
def test_what_was_noted_since_changes_no_dry_down_of_an_earlier_day(
    tmp_path: Path, noted_since: list[dict[str, Any]], tables: dict[str, Any]
) -> None:
    # A plant moved since to a site watered as a whole; a technician who has since left topsoil blank.
    visits = [look("2025-03-03", "dry", True), look("2025-03-10", "moist"), look("2025-03-17", "dry", True)]
    visits = [each | {"technician": "T1"} for each in (*visits, *noted_since)]
    known = Tiny(tmp_path, visits=visits, **{"sites": [*SITE, {"site_id": "S2"}], "plants": [plant()]} | tables)
    later = dry_down_table.build(known, date(2025, 12, 31))
    assert rows(later)[0] != (1, 0, 7, 14, None)
    assert rows(dry_down_table.build(known, date(2025, 3, 31)))[0] == (1, 0, 7, 14, None)
    assert dry_down_table.build(known, date(2025, 12, 31)) is later
