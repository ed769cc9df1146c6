"""What the store keeps comes back as it was, once; what is stale, cut off or another's is never believed."""

from __future__ import annotations

import json
import shutil
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd
import pytest
from scipy import sparse

from plantstats.stats.rates import Interval
from plantstats.store import RESULT, Store, StoreError, decode, encode


def fails():
    raise AssertionError("computed again")


@pytest.fixture
def store(tmp_path: Path) -> Store:
    return Store(tmp_path / "results")


def kept_file(store: Store, name: str) -> Path:
    (found,) = store.folder.glob(f"*/{name}")
    return found


def test_what_is_kept_comes_back_with_its_types(store):
    frame = pd.DataFrame(
        {
            "text": pd.Series(["a", None], dtype="str"),
            "day": pd.to_datetime(["2026-01-01", None]).astype("datetime64[us]"),
            "n": pd.array([1, None], dtype="Int64"),
            "label": pd.Categorical(["x", "y"], ["y", "x"]),
            "yes": pd.array([True, None], dtype="boolean"),
            3: [1.5, np.nan],
        },
        index=[7, 9],
    )
    value = {
        "frame": frame,
        "array": np.arange(6.0).reshape(2, 3),
        "sparse": sparse.csr_array(np.array([[0.0, 2.0], [0.0, 0.0]])),
        "day": date(2026, 1, 2),
        "numbers": (1, 0.1, float("inf"), None, True),
        "limits": Interval(np.array([1.0]), np.array([0.5]), np.array([2.0])),
    }
    store.get("all", {}, lambda: value)
    back = store.get("all", {}, fails)
    pd.testing.assert_frame_equal(back["frame"], frame)
    np.testing.assert_array_equal(back["array"], value["array"])
    np.testing.assert_array_equal(back["sparse"].toarray(), value["sparse"].toarray())
    assert back["day"] == date(2026, 1, 2)
    assert back["numbers"] == value["numbers"]
    assert isinstance(back["limits"], Interval)


def test_another_key_is_another_result(store):
    assert store.get("n", {"quarter": "2026-Q3"}, lambda: 1) == 1
    assert store.get("n", {"quarter": "2026-Q2"}, lambda: 2) == 2


@pytest.mark.parametrize("damage", ["cut off", "one byte", "no table", "not json", "another key"])
def test_what_is_not_whole_or_not_its_own_is_made_again(store, damage):
    store.get("t", {"of": "other"}, lambda: pd.DataFrame({"n": [0]}))
    shutil.move(next(store.folder.glob("t-*[!k]")), store.folder / "other")
    store.get("t", {"of": "this"}, lambda: pd.DataFrame({"n": [1]}))
    (place,) = (p for p in store.folder.glob("t-*") if p.is_dir())
    table, said = place / "0000.parquet", place / RESULT
    if damage == "cut off":
        table.write_bytes(table.read_bytes()[:-20])
    elif damage == "one byte":
        content = bytearray(table.read_bytes())
        content[len(content) // 2] ^= 1
        table.write_bytes(content)
    elif damage == "no table":
        table.unlink()
    elif damage == "not json":
        said.write_text("null")
    else:
        shutil.rmtree(place)
        shutil.move(store.folder / "other", place)
    again = store.get("t", {"of": "this"}, lambda: pd.DataFrame({"n": [2]}))
    assert again["n"].tolist() == [2]
    assert store.get("t", {"of": "this"}, fails)["n"].tolist() == [2]


def test_nothing_but_dataclasses_and_named_tuples_of_this_package_is_ever_called(store, tmp_path):
    mark = tmp_path / "ran"
    for name in ("os:system", "plantstats.store:Store", "plantstats.cli:main"):
        with pytest.raises(TypeError):
            decode({"type": name, "fields": {"command": f"touch {mark}"}}, [])
    assert not mark.exists()


def test_a_file_that_names_a_function_is_not_believed(store):
    store.get("x", {}, lambda: 1)
    said = kept_file(store, RESULT)
    outer = json.loads(said.read_text())
    outer["content"] = outer["content"].replace(
        '"value": 1', '"value": {"type": "os:system", "fields": {"command": "true"}}'
    )
    said.write_text(json.dumps(outer))
    assert store.get("x", {}, lambda: 2) == 2


def test_what_cannot_be_kept_as_tables_and_json_is_said():
    with pytest.raises(StoreError, match="function"):
        encode(fails, [])


def slow(folder: Path) -> int:
    """Asked for by two processes at once; leaves a mark each time it is computed."""

    def compute() -> int:
        (folder / f"computed-{len(list(folder.glob('computed-*')))}").touch()
        import time

        time.sleep(0.5)
        return 42

    return Store(folder / "results").get("slow", {}, compute)


def test_two_who_need_the_same_result_at_once_do_not_both_compute_it(tmp_path):
    with ProcessPoolExecutor(2) as pool:
        assert list(pool.map(slow, [tmp_path, tmp_path])) == [42, 42]
    assert len(list(tmp_path.glob("computed-*"))) == 1


def test_a_result_that_failed_does_not_keep_others_waiting(store):
    for _ in range(2):
        with pytest.raises(AssertionError):
            store.get("n", {}, fails)
    assert store.get("n", {}, lambda: 3) == 3


def test_where_nothing_can_be_written_the_result_is_computed_all_the_same(tmp_path):
    (tmp_path / "results").write_text("a file in place of the folder")
    assert Store(tmp_path / "results").get("n", {}, lambda: 5) == 5


class Pair(NamedTuple):
    a: int
    b: int


@dataclass(frozen=True)
class Other:
    a: int


def test_classes_of_others_are_written_but_never_read_back(store):
    # A class of a test is not of this package: its result is computed each time rather than trusted.
    for value in (Pair(1, 2), Other(1)):
        name = type(value).__name__
        store.get(name, {}, lambda value=value: value)
        assert store.get(name, {}, lambda: "again") == "again"
