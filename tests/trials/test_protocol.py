"""The lot, and a protocol that nobody can change unseen."""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from plantstats.trials import TrialError
from plantstats.trials.allocation import CANDIDATES, allocate
from plantstats.trials.protocol import PAGE, Protocol, read_protocol
from plantstats.trials.schedule import schedule

SITES = pd.DataFrame(
    {
        "site_id": [f"S{i:02d}" for i in range(13)],
        "route": ["T1"] * 5 + ["T2"] * 5 + ["T3"] * 3,
        "plants": [5, 40, 12, 8, 20, 7, 30, 9, 11, 25, 6, 14, 18],
        "before": [30.0, 60, 45, 50, 40, 35, 55, 42, 48, 52, 38, np.nan, 44],
    }
)


LOT = allocate(SITES, 7)


def protocol(**changed: object) -> Protocol:
    rows = SITES.assign(longer_first=LOT, interval_now=7, dry_before=40.0)
    sites = [{k: None if pd.isna(v) else v for k, v in row.items()} for row in rows.to_dict("records")]
    made = Protocol(
        "Acme (invented)", "EUR", "2026-10-05", 7, 14, "dry", "crossover", None, "2026-10-19", 2, 4, 10.0, 0.9, 45.0,
        {"dry": 20.0}, [{"after": "2026-11-29", "fraction": 0.5, "limit": 2.9}], 7, sites,
    )  # fmt: skip
    return replace(made, **changed)  # type: ignore[arg-type]


def test_the_lot_can_be_drawn_again_by_its_description() -> None:
    # `GENERATOR`, followed step by step without the program.
    rng, traits = np.random.default_rng(7), SITES[["plants", "before"]]
    scaled = ((traits - traits.mean()) / traits.std(ddof=0)).fillna(0).to_numpy()
    kept = []
    for _ in range(CANDIDATES):
        first: set[int] = set()
        for route in ("T1", "T2", "T3"):
            at = np.flatnonzero(SITES["route"] == route)
            mixed = rng.permutation(at)
            first |= set(mixed[: len(at) // 2 + (int(rng.integers(2)) if len(at) % 2 else 0)].tolist())
        if abs(len(first) - (13 - len(first))) <= 1:
            in_first = SITES.index.isin(first)
            gap = np.abs(scaled[in_first].mean(axis=0) - scaled[~in_first].mean(axis=0)).sum()
            kept.append((round(gap, 9), len(kept), first))
    best = sorted(sorted(kept)[: round(len(kept) / 10)], key=lambda one: one[1])
    chosen = best[int(rng.integers(len(best)))][2]
    assert set(np.flatnonzero(LOT)) == chosen


def test_the_lot_does_not_hang_on_the_order_of_the_rows() -> None:
    mixed = SITES.sample(frac=1, random_state=3)
    drawn = pd.Series(allocate(mixed, 5), index=mixed["site_id"]).sort_index()
    assert drawn.tolist() == allocate(SITES, 5).tolist()


def test_groups_are_even_within_routes_and_balanced_and_no_site_is_certain() -> None:
    drawn = np.array([allocate(SITES, seed) for seed in range(40)])
    per_route = pd.DataFrame(drawn.T).groupby(SITES["route"]).sum()
    assert set(np.unique(per_route.loc["T1"])) <= {2, 3} and set(np.unique(per_route.loc["T3"])) <= {1, 2}
    assert set(drawn.sum(axis=1)) <= {6, 7}
    gaps = [abs(SITES.loc[a, "plants"].mean() - SITES.loc[~a, "plants"].mean()) for a in drawn]
    # By a plain lot of 6 against 7 the mean gap is about 4.6 plants.
    assert np.mean(gaps) < 2.3
    share = drawn.mean(axis=0)
    assert share.min() > 0.15 and share.max() < 0.85


def test_a_protocol_comes_back_as_it_was_written(tmp_path: Path) -> None:
    (tmp_path / "protocol.json").write_text(protocol().text(), encoding="utf-8")
    (tmp_path / PAGE).write_text(f"Digest: {protocol().digest}", encoding="utf-8")
    read = read_protocol(tmp_path / "protocol.json", protocol().digest)
    assert read == protocol()
    # Two periods of six weeks from 19 October: counted 2 to 29 November and 14 December to 10 January.
    assert [read.counted(period)[0] for period in (1, 2)] == [date(2026, 11, 2), date(2026, 12, 14)]
    assert read.last_day == date(2027, 1, 10)


def _edited(tmp_path: Path, **changed: object) -> Path:
    path = tmp_path / "protocol.json"
    path.write_text(json.dumps({**json.loads(protocol().text()), **changed}), encoding="utf-8")
    return path


@pytest.mark.parametrize("field", [f for f in asdict(protocol()) if f not in ("sites", "looks", "margin", "dry_depth")])
def test_a_protocol_of_which_any_field_was_changed_is_refused(tmp_path: Path, field: str) -> None:
    value = getattr(protocol(), field)
    other = value + 1 if isinstance(value, int | float) else value + "x"
    with pytest.raises(TrialError, match="was changed after it was written"):
        read_protocol(_edited(tmp_path, **{field: other}))


def test_a_changed_protocol_with_a_digest_made_anew_is_refused_by_page_note_and_lot(tmp_path: Path) -> None:
    later = protocol(margin={"dry": 40.0})
    path = tmp_path / "protocol.json"
    path.write_text(later.text(), encoding="utf-8")
    with pytest.raises(TrialError, match="the one given is"):
        read_protocol(path, protocol().digest)
    (tmp_path / PAGE).write_text(f"Digest: {protocol().digest}", encoding="utf-8")
    with pytest.raises(TrialError, match="carries another digest"):
        read_protocol(path)
    swapped = [{**site, "longer_first": not site["longer_first"]} for site in protocol().sites]
    path.write_text(protocol(sites=swapped).text(), encoding="utf-8")
    (tmp_path / PAGE).unlink()
    with pytest.raises(TrialError, match="not the one that seed 7 draws"):
        read_protocol(path)


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"digest": 3}', '{"format": 1, "digest": "x"}', "\x00", '{"a":'])
def test_what_is_no_protocol_is_refused_in_words(tmp_path: Path, text: str) -> None:
    path = tmp_path / "protocol.json"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(TrialError, match=r"protocol\.json"):
        read_protocol(path)
    with pytest.raises(TrialError, match="cannot be read"):
        read_protocol(tmp_path / "none.json")


def test_visits_keep_weekday_and_interval_and_lie_in_their_period() -> None:
    fixed = protocol()
    visits = schedule(fixed, pd.Series({"S00": 2, "S01": 4}), pd.Series({"S00": "T1"}))
    on = pd.to_datetime(visits["visit_on"])
    assert on.dt.day_of_week[visits["site_id"].eq("S00")].eq(2).all()
    assert on.dt.day_of_week[visits["site_id"].eq("S02")].eq(0).all(), "Monday where no weekday is known"
    for (site, period), rows in visits.groupby(["site_id", "period"]):
        window = fixed.windows().set_index(["site_id", "period"]).loc[(site, period)]
        days = pd.to_datetime(rows["visit_on"])
        assert days.diff().dropna().dt.days.eq(window["interval"]).all()
        assert days.min() >= pd.Timestamp(window["begins"]) and days.max() < pd.Timestamp(window["end"])
        # No more than an interval from the period's first day to the first visit.
        assert (days.min() - pd.Timestamp(window["begins"])).days < window["interval"]
        assert (rows["counted"].eq("yes") == (days >= pd.Timestamp(window["start"]))).all()
