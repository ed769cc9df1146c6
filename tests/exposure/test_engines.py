"""The same numbers on DuckDB and on a Spark Connect engine from pip (Sail: no Java), for one invented company."""

from __future__ import annotations

import os
import re
import shutil
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from types import SimpleNamespace

import duckdb
import pandas as pd
import pytest
import sqlglot

from plantstats import QUERY_THREADS, cli, exposure, records, simulate
from plantstats.exposure import engines
from plantstats.exposure.engines import translate
from plantstats.exposure.engines.in_process import DuckDBEngine
from plantstats.exposure.engines.spark import SparkEngine
from plantstats.settings import SettingsError, settings_from
from tests.builders.engine_results import differences, results

AS_OF = date(2026, 9, 30)
EXPECTED = {
    *("cells", "totals", "losses", "losses dated half-way", "exits", "lifetimes", "account"),
    *("plants without install date", "cells with losses censored", "standing plants"),
    *("leaf table", "leaf sums by site", "leaf account", "dry-down table", "dry-down account"),
}


@pytest.fixture(scope="session")
def spark_connect() -> Iterator[str]:
    """Address of an engine that speaks Spark Connect."""
    reason = "runs on the tests' extra: pip install 'plantstats[test]'"
    pytest.importorskip("pyspark", reason=reason)
    sail = pytest.importorskip("pysail.spark", reason=reason)
    server = sail.SparkConnectServer()
    server.start(background=True)
    yield f"sc://127.0.0.1:{server.listening_address[1]}"
    server.stop()


@pytest.fixture(scope="module")
def company(tmp_path_factory: pytest.TempPathFactory) -> records.Records:
    """60 plants over a year, with moves, counted lines, and a loss whose day nobody can read."""
    folder = tmp_path_factory.mktemp("company")
    simulate.make(folder, 60, 1.0, 1)
    log = folder / "replacements.csv"
    head, first, *rows = log.read_text(encoding="utf-8").splitlines()
    unreadable = [re.sub(r"20\d\d-\d\d-\d\d", "some day", first)]
    log.write_text("\n".join([head, *unreadable, *rows]) + "\n", encoding="utf-8")
    return records.load(folder)


@pytest.fixture(scope="module")
def on_duckdb(company: records.Records) -> dict[str, pd.DataFrame]:
    return dict(results(company, AS_OF))


@pytest.fixture(scope="module")
def on_spark(company: records.Records, spark_connect: str) -> Iterator[dict[str, pd.DataFrame]]:
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(engines.VARIABLE, spark_connect)
        company.shared.clear()
        yield dict(results(company, AS_OF))
        company.shared.clear()


def test_every_table_is_the_same_to_the_unit_on_both_engines(
    on_duckdb: dict[str, pd.DataFrame], on_spark: dict[str, pd.DataFrame]
) -> None:
    assert set(on_duckdb) == set(on_spark) == EXPECTED
    assert {name: said for name in EXPECTED if (said := differences(on_duckdb[name], on_spark[name]))} == {}
    # They are not the same because there is nothing in them.
    assert [name for name, table in on_spark.items() if table.empty] == []
    assert on_spark["totals"]["losses"].sum() == on_spark["losses"]["quantity"].sum() > 5
    assert on_spark["account"]["fate"].str.contains("what tells its number or its end was set aside").any()


def test_a_step_that_was_written_whole_is_not_made_again(
    company: records.Records, on_spark: dict[str, pd.DataFrame], spark_connect: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(engines.VARIABLE, spark_connect)
    steps = company.cache.parent / engines.STEPS
    before = {path: path.stat().st_mtime_ns for path in steps.iterdir()}
    again = exposure.build(company, AS_OF)
    assert {path: path.stat().st_mtime_ns for path in steps.iterdir()} == before
    # One without its mark was not written to its end: it is made again, and the numbers are the same.
    view = again.engine.tables["episodes"]
    shutil.rmtree(steps / f"{view}.done")
    company.shared.clear()
    assert differences(exposure.build(company, AS_OF).exposure_table([]), on_spark["totals"]) == ""
    assert (steps / f"{view}.done").is_dir()
    assert (steps / view).stat().st_mtime_ns > before[steps / view]


def test_two_processes_that_make_one_step_at_one_time_do_not_add_up_their_rows(
    company: records.Records, spark_connect: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(engines.VARIABLE, spark_connect)
    first, second, third = made = [engines.connect(company) for _ in range(3)]
    for engine in made:
        engine.add("one", pd.DataFrame({"a": range(1000)}))

    def rows_of(engine: engines.Engine) -> int:
        engine.create("two", "select a, count(*) as n from one group by a")
        return int(engine.sql("select sum(n) as n from two", plain=True)["n"].item())

    assert rows_of(first) == 1000
    place = company.cache.parent / engines.STEPS / first.tables["two"]  # type: ignore[attr-defined]
    written = set(place.rglob("*.parquet"))
    with monkeypatch.context() as patch:
        # It looked before the first had written its mark.
        patch.setattr(SparkEngine, "_whole_copy", lambda *_: None)
        assert rows_of(second) == 1000
    # What the first reads is as it was; who comes later reads one of the two.
    assert written < set(place.rglob("*.parquet"))
    assert first.sql("select sum(n) as n from two", plain=True)["n"].tolist() == [1000]
    assert rows_of(third) == 1000


def test_an_engine_that_does_not_answer_is_named(company: records.Records, monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("pyspark", reason="runs on the tests' extra: pip install 'plantstats[test]'")
    monkeypatch.setenv(engines.VARIABLE, "sc://127.0.0.1:1")
    with pytest.raises(engines.EngineError, match=r"no Spark answers at sc://127\.0\.0\.1:1"):
        engines.connect(company)


def test_the_command_hands_the_engine_to_every_process_of_a_review(monkeypatch: pytest.MonkeyPatch) -> None:
    assert cli.ENGINE == engines.VARIABLE
    monkeypatch.setenv(engines.VARIABLE, "")
    # A folder that is not there: the command ends at once, with its engine said.
    assert cli.main(["review", "no such folder", "--engine", "sc://host:15002"]) == 1
    assert os.environ[engines.VARIABLE] == "sc://host:15002"
    with pytest.raises(SystemExit):
        cli.main(["review", "no such folder", "--engine", "postgres"])


@pytest.mark.parametrize("address", ["spark://host:7077", "sc://", "postgres", ""])
def test_an_address_that_is_none_is_refused(address: str) -> None:
    with pytest.raises(SettingsError, match=r"engine\.address"):
        settings_from({"engine": {"address": address}}, "records.toml")


def test_what_does_not_fit_into_the_memory_that_is_given_is_laid_aside_in_the_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(engines.VARIABLE, "duckdb")
    chosen = settings_from({"engine": {"memory": "40 MB", "folder": str(tmp_path / "not" / "yet")}}, "records.toml")
    company = SimpleNamespace(settings=chosen, cache=tmp_path)
    engine = engines.connect(company)  # type: ignore[arg-type]
    # Hashes do not compress: 8 bytes each, 48 MB and more.
    engine.create("numbers", "select i, hash(i) as h from range(6000000) t(i)")
    total = engine.sql("select sum(i) as total from numbers", plain=True)["total"].item()
    assert total == 6_000_000 * 5_999_999 // 2
    (own,) = (tmp_path / "not" / "yet").iterdir()
    assert sum(path.stat().st_size for path in own.iterdir()) > 0
    with pytest.raises(SettingsError, match=r'engine\.memory: wants the most .* such as "8 GB", has \'8\''):
        settings_from({"engine": {"memory": "8"}}, "records.toml")


def test_tables_of_an_engine_within_a_memory_are_compressed(tmp_path: Path) -> None:
    # By hand: 2 million rows of two whole numbers in 32 bits are 16 MB; runs of 50 and a count to 50 need few bits.
    rows = "select i // 50 as run, i % 50 as place from range(2000000) t(i)"
    held = "select sum(memory_usage_bytes)::bigint as bytes from duckdb_memory()"

    def bytes_of(engine: DuckDBEngine) -> int:
        before = engine.sql(held, plain=True)["bytes"].item()
        engine.create("numbers", rows, narrow=["run", "place"])
        return int(engine.sql(held, plain=True)["bytes"].item() - before)

    assert bytes_of(DuckDBEngine()) > 16e6
    bounded = DuckDBEngine.within("1 GB", tmp_path)
    assert bytes_of(bounded) < 16e6 / 3
    # A branch of it does the same, and reads the whole's tables by `parent`.
    branch = bounded.branch()
    assert bytes_of(branch) < 16e6 / 3
    alike = branch.sql(f"select count(*) as n from numbers join {branch.parent}.numbers using (run, place)", plain=True)
    assert alike["n"].item() == 2_000_000


def test_from_many_visits_on_memory_is_bounded_and_the_numbers_are_the_same(
    company: records.Records, on_duckdb: dict[str, pd.DataFrame], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv(engines.VARIABLE, "duckdb")
    monkeypatch.setattr(engines, "MANY_VISITS", 100)
    company.shared.clear()
    bounded = {name: differences(table, on_duckdb[name]) for name, table in results(company, AS_OF)}
    assert bounded == dict.fromkeys(EXPECTED, "")
    limit = "select current_setting('memory_limit') as of"
    assert exposure.build(company, AS_OF).query(limit)["of"].item() == "1.8 GiB"  # 2 GB, as DuckDB says it
    company.shared.clear()


def test_a_process_beside_others_takes_its_share_of_the_cores(monkeypatch: pytest.MonkeyPatch) -> None:
    asked = "select current_setting('threads')::int as n"
    monkeypatch.setenv(QUERY_THREADS, "3")
    assert DuckDBEngine().sql(asked)["n"].item() == 3
    monkeypatch.delenv(QUERY_THREADS)
    assert DuckDBEngine().sql(asked)["n"].item() == DuckDBEngine(duckdb.connect()).sql(asked)["n"].item()


def test_values_are_put_into_a_question_as_values() -> None:
    named = translate.to_spark(
        "select a from t where b = $b and c > $c", "duckdb", {"c": AS_OF, "b": "x' or 'y"}, {}, {}
    )
    assert named == "SELECT a FROM t WHERE b = 'x\\' or \\'y' AND c > CAST('2026-09-30' AS DATE)"
    in_turn = translate.to_spark("select a from t where b in (?, ?) and c > ?", "duckdb", [1, 2, 3.5], {}, {})
    assert in_turn == "SELECT a FROM t WHERE b IN (1, 2) AND c > 3.5"
    # What stands in `with` comes first in the text.
    query = "with x as (select max(case when a = ? then 1 end) as a from t where b > ?) select a from x where a < ?"
    assert translate.to_spark(query, "duckdb", ["one", 2, 3], {}, {}) == (
        "WITH x AS (SELECT MAX(CASE WHEN a = 'one' THEN 1 END) AS a FROM t WHERE b > 2) SELECT a FROM x WHERE a < 3"
    )


def test_an_early_day_has_four_digits_of_its_year() -> None:
    asked = translate.to_spark("select a from t where b > ?", "duckdb", [date.min], {}, {})
    assert asked == "SELECT a FROM t WHERE b > CAST('0001-01-01' AS DATE)"


def test_a_question_may_hold_a_part_that_reads_no_table() -> None:
    asked = translate.to_spark(
        "with day as (select ? as d) select a from t, day where t.b < day.d", "duckdb", [3], {}, {}
    )
    assert asked == "WITH day AS (SELECT 3 AS d) SELECT a FROM t, day WHERE t.b < day.d"


def test_names_of_a_branch_stand_for_its_own_tables_first() -> None:
    query = "with seen as (select * from events) select s.a, e.b from seen s join main.events e on e.a = s.a"
    asked = translate.to_spark(query, "duckdb", (), {"events": "own", "seen": "not_this"}, {"events": "of_all"})
    assert "FROM own AS events" in asked and "JOIN of_all AS e" in asked and "not_this" not in asked


def test_each_row_of_an_asof_join_holds_until_the_next() -> None:
    # Plant P: dry-downs begin on days 1 and 5; looks on days 0, 1, 4, 5, 9 belong to none, 1, 1, 5, 5.
    query = """select l."at" as look, d."at" as began from looks l
        asof join dry d on d.plant_id = l.plant_id and l."at" >= d."at" order by 1"""
    engine = engines.DuckDBEngine()
    engine.add("looks", pd.DataFrame({"plant_id": "P", "at": [0, 1, 4, 5, 9]}))
    engine.add("dry", pd.DataFrame({"plant_id": "P", "at": [1, 5]}))
    asked = translate.to_spark(query, "duckdb", (), {}, {})
    there = sqlglot.transpile(asked, read="spark", write="duckdb")[0]
    for text in (query, there):
        assert engine.sql(text).to_numpy().tolist() == [[1, 1], [4, 1], [5, 5], [9, 5]]
    assert "ASOF" not in asked
