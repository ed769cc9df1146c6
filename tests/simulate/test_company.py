"""The invented company: same seed same bytes, counts that conserve, and the truth that it claims to have.

The checks against the truth use a flat company (every coefficient zero but the one in question), where the
expected figure follows by hand. Bounds are three standard errors, worked beside each.
"""

from __future__ import annotations

import hashlib
import math
import re
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from plantstats import quality, records, simulate
from plantstats.simulate import layout, names
from plantstats.simulate.causes import CODES
from plantstats.simulate.params import cycle

DATA_DEMO = Path(__file__).parents[2] / "data_demo"
PARAMS = simulate.CompanyParams()


def zeros(table: dict) -> dict:
    return dict.fromkeys(table, 0.0)


FLAT = replace(
    PARAMS,
    species=tuple(replace(s, loss=0.0, leaf=0.0, dry_days=10.0) for s in simulate.SPECIES),
    light=zeros(PARAMS.light), pot=zeros(PARAMS.pot), age=zeros(PARAMS.age), cycle_cos=0.0, cycle_sin=0.0,
    humidity=0.0, moved=0.0, repotted=0.0, over_dry=0.0, site_sd=0.0, lease_end_rate=0.0,
    leaf_light=zeros(PARAMS.leaf_light), leaf_humidity=zeros(PARAMS.leaf_humidity), leaf_cycle_cos=0.0,
    leaf_new=0.0, leaf_moved=0.0, leaf_repotted=0.0, leaf_dry=0.0, leaf_before_loss=0.0, yellow_dry=0.0,
    dry_pot=zeros(PARAMS.dry_pot), dry_light=zeros(PARAMS.dry_light), dry_planter=zeros(PARAMS.dry_planter),
    dry_heating=0.0, dry_per_kpa=0.0, misclassification=0.0, water_early=0.0, extra_visits=0.0,
    visits_follow_trouble=0.0, building_failure=False,
)  # fmt: skip


@pytest.fixture(scope="module")
def firm() -> dict[str, pd.DataFrame]:
    return simulate.company(1500, 3, seed=7)


def losses(plants: pd.DataFrame) -> pd.Series:
    return plants["outcome"].isin(["died", "declined"]) & (plants["cause"] != "building_failure")


def digests(folder: Path) -> dict[str, str]:
    # Hidden entries are what the tool keeps beside records, such as its cache.
    files = (p for p in sorted(folder.iterdir()) if p.is_file() and not p.name.startswith("."))
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


# -- the same company each time ------------------------------------------------------------------------


def test_the_same_seed_gives_the_same_bytes_and_another_seed_does_not(tmp_path):
    for name, seed in (("a", 1), ("b", 1), ("c", 2)):
        simulate.make(tmp_path / name, 60, 1, seed)
    assert digests(tmp_path / "a") == digests(tmp_path / "b")
    other = digests(tmp_path / "c")
    assert all(digests(tmp_path / "a")[n] != other[n] for n in other if n != "records.toml")


def test_the_command_in_the_readme_makes_data_demo_again_to_the_byte(tmp_path):
    text = (DATA_DEMO / "README.md").read_text(encoding="utf-8")
    command = r"plantstats demo data_demo --plants (\d+) --years ([\d.]+) --seed (\d+) --faults"
    plants, years, seed = re.search(command, text).groups()
    simulate.make(tmp_path, int(plants), float(years), int(seed), faults=True)
    assert digests(tmp_path) == digests(DATA_DEMO)


def test_data_demo_is_small_and_the_third_quarter_of_2026_is_its_latest_complete_one():
    assert sum((DATA_DEMO / name).stat().st_size for name in digests(DATA_DEMO)) < 5_000_000
    days = pd.read_csv(DATA_DEMO / "visits.csv", usecols=["visited_on"])["visited_on"]
    assert "2026-10-01" <= days.max() < "2026-12-31"
    assert days.min() < "2023-08-01"


def test_a_company_of_one_plant_or_of_a_month_is_refused():
    with pytest.raises(ValueError, match="at least 2 plants"):
        simulate.company(1, 1, 1)
    with pytest.raises(ValueError, match=r"0\.25 years"):
        simulate.company(10, 0.1, 1)


# -- counts conserve -----------------------------------------------------------------------------------


def test_each_plant_has_one_end_and_each_replacement_names_a_plant(firm):
    plants, swaps = firm["plants"], firm["replacements"]
    assert plants["plant_id"].is_unique
    assert swaps["plant_id"].is_unique
    removed = plants.set_index("plant_id")["removed_on"]
    assert (removed[swaps["plant_id"]].to_numpy() == swaps["replaced_on"].to_numpy()).all()
    assert (plants["removed_on"].isna() == plants["removal_reason"].isna()).all()
    # Every plant is there from the first day, or was added, or came as a replacement: none from nowhere.
    came = set(plants["plant_id"]) - set(swaps["replaced_by"])
    assert len(came) + len(swaps) == len(plants)


def test_a_replacement_stands_where_the_lost_plant_stood_from_the_day_of_the_swap(firm):
    plants, swaps = firm["plants"].set_index("plant_id"), firm["replacements"]
    new = plants.loc[swaps["replaced_by"]]
    assert swaps["replaced_by"].is_unique
    assert (new["installed_on"].to_numpy() == swaps["replaced_on"].to_numpy()).all()
    moves = firm["moves"].sort_values("moved_on", kind="stable").drop_duplicates("plant_id", keep="last")
    last = plants[["site_id", "position"]].copy()
    last.loc[moves["plant_id"], ["site_id", "position"]] = moves[["to_site_id", "to_position"]].to_numpy()
    old = last.loc[swaps["plant_id"]]
    assert (new["site_id"].to_numpy() == old["site_id"].to_numpy()).all()
    assert (new["position"].to_numpy() == old["position"].to_numpy()).all()


def test_without_planted_faults_no_position_holds_two_plants_at_a_time(firm):
    plants, moves = firm["plants"], firm["moves"]
    stays = plants[["plant_id", "site_id", "position", "installed_on"]].set_axis(
        ["plant_id", "site", "position", "from_on"], axis=1
    )
    later = moves[["plant_id", "to_site_id", "to_position", "moved_on"]].set_axis(stays.columns, axis=1)
    stays = pd.concat([stays, later]).fillna({"from_on": pd.Timestamp("1990-01-01")})
    stays = stays.sort_values(["plant_id", "from_on"], kind="stable")
    removed = stays["plant_id"].map(plants.set_index("plant_id")["removed_on"])
    moved = stays.groupby("plant_id")["from_on"].shift(-1)
    stays["to_on"] = moved.fillna(removed).fillna(pd.Timestamp("2100-01-01"))
    stays = stays.sort_values(["site", "position", "from_on", "to_on"])
    before = stays.groupby(["site", "position"])["to_on"].shift()
    assert not (stays["from_on"] < before).any()


def test_no_visit_falls_outside_a_plants_stay_and_missed_rounds_have_no_plant_lines(firm):
    visits, plants = firm["visits"], firm["plants"].set_index("plant_id")
    lines = visits.dropna(subset=["plant_id"])
    own = plants.loc[lines["plant_id"]]
    assert not (lines["visited_on"].to_numpy() < own["installed_on"].to_numpy()).any()
    assert not (lines["visited_on"].to_numpy() > own["removed_on"].to_numpy()).any()
    assert set(visits["status"]) == {"completed", "missed", "no_access"}
    assert (lines["status"] == "completed").all()
    rounds = visits[visits["plant_id"].isna()]
    assert rounds["site_id"].notna().all()
    assert {"missed", "no_access", "completed"} == set(rounds["status"])


def test_the_true_end_comes_before_it_is_found_and_some_are_not_found_at_the_first_visit(firm):
    true, visits = firm["true_plants"], firm["visits"]
    found = true.dropna(subset=["found_on"])
    delay = (found["found_on"] - found["ended_on"]).dt.days
    assert (delay >= 0).all()
    assert 3 < delay[losses(found)].mean() < 15
    dead = found.loc[losses(found), ["plant_id", "ended_on", "found_on"]]
    seen = visits.merge(dead, on="plant_id")
    between = (seen["visited_on"] >= seen["ended_on"]) & (seen["visited_on"] < seen["found_on"])
    # A visit finds it with chance 0.85, so it is missed at the first in about 15 of 100.
    assert 0.10 < seen.loc[between, "plant_id"].nunique() / len(dead) < 0.22


def test_with_found_late_off_an_end_is_found_on_its_day():
    true = simulate.company(300, 2, 3, replace(PARAMS, found_late=False))["true_plants"].dropna(subset=["ended_on"])
    assert (true["found_on"] == true["ended_on"]).all()


def test_every_code_of_the_log_is_in_the_settings_with_its_cause_and_outcome(tmp_path):
    simulate.make(tmp_path, 300, 2, 4)
    causes = tomllib.loads((tmp_path / "records.toml").read_text(encoding="utf-8"))["causes"]
    used = set(pd.read_csv(tmp_path / "replacements.csv")["cause"])
    used |= set(pd.read_csv(tmp_path / "plants.csv")["removal_reason"].dropna())
    assert used <= set(causes)
    assert {(k, v["cause"], v["outcome"]) for k, v in causes.items()} == set(CODES)


def test_the_truth_file_holds_every_coefficient_and_every_site(tmp_path):
    simulate.make(tmp_path, 100, 1, 4)
    params = tomllib.loads((tmp_path / "truth.toml").read_text(encoding="utf-8"))
    named = {f for f in PARAMS.__dataclass_fields__ if f != "species"}
    assert named == set(params["coefficients"])
    assert params["coefficients"]["light"] == dict(PARAMS.light)
    assert [s["site_id"] for s in params["site"]] == list(pd.read_csv(tmp_path / "sites.csv")["site_id"])
    assert [s["name"] for s in params["species"]] == [s.name for s in simulate.SPECIES]


# -- planted faults ------------------------------------------------------------------------------------


def listed_faults() -> list[tuple[str, str, list[int]]]:
    text = (DATA_DEMO / "README.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| \d+ \| (.+?) \| (\w+\.csv) \| ([\d, ]+) \|", text, re.MULTILINE)
    return [(name, file, [int(x) for x in lines.split(",")]) for name, file, lines in rows]


def test_the_faults_of_data_demo_are_on_the_lines_that_its_readme_names_and_nowhere_else(tmp_path):
    text = (DATA_DEMO / "README.md").read_text(encoding="utf-8")
    plants, years, seed = re.search(r"--plants (\d+) --years ([\d.]+) --seed (\d+)", text).groups()
    simulate.make(tmp_path, int(plants), float(years), int(seed))
    listed = listed_faults()
    assert len(listed) == 8
    for file in ("visits", "plants", "replacements"):
        clean = (tmp_path / f"{file}.csv").read_text("utf-8").splitlines()
        spoilt = (DATA_DEMO / f"{file}.csv").read_text("utf-8").splitlines()
        twice = [lines for name, f, lines in listed if f == f"{file}.csv" and name == "row exported twice"]
        for first, second in twice:
            assert spoilt[first - 1] == spoilt[second - 1]
            del spoilt[second - 1]
        assert len(clean) == len(spoilt)
        differ = {i + 1 for i, (a, b) in enumerate(zip(clean, spoilt, strict=True)) if a != b}
        named = {lines[-1] for name, f, lines in listed if f == f"{file}.csv" and name != "row exported twice"}
        assert differ == named
    for file in ("sites", "contracts", "moves", "readings"):
        assert (tmp_path / f"{file}.csv").read_bytes() == (DATA_DEMO / f"{file}.csv").read_bytes()


def test_each_planted_fault_is_what_its_name_says():
    tables = {n: pd.read_csv(DATA_DEMO / f"{n}.csv", dtype=str) for n in ("visits", "plants", "replacements")}
    at = {name: [tables[file[:-4]].iloc[line - 2] for line in lines] for name, file, lines in listed_faults()}
    known = tables["plants"].set_index("plant_id")
    assert at["visit of an unknown plant"][0]["plant_id"] not in known.index
    assert at["blank plant and site"][0][["plant_id", "site_id"]].isna().all()
    assert at["impossible date"][0]["visited_on"] == "2025-02-30"
    assert float(at["temperature in Fahrenheit"][0]["temp_c"]) > 60
    swap = at["replaced before it was installed"][0]
    assert swap["replaced_on"] < known.loc[swap["plant_id"], "installed_on"]
    one, two = at["two plants in one position"]
    assert one["plant_id"] != two["plant_id"]
    assert (one[["site_id", "position"]] == two[["site_id", "position"]]).all()
    assert pd.isna(one["removed_on"])
    assert pd.isna(two["removed_on"])
    assert at["misspelt species"][0]["species"] == "Ficus lyratta"


def test_records_read_a_company_without_planted_faults_and_set_nothing_aside(tmp_path):
    simulate.make(tmp_path, 300, 2, 4)
    read = records.load(tmp_path)
    assert read.set_aside.empty
    assert (read.account["rows_read"] == read.account["rows_used"]).all()
    assert set(read.table("plants")["species"]) <= {s.name for s in simulate.SPECIES}
    groups = records.species_table().set_index("name")["group"]
    assert all(groups[s.name] == s.group for s in simulate.SPECIES)


def test_records_and_checks_name_each_planted_fault_on_its_line(tmp_path):
    for name in digests(DATA_DEMO):
        (tmp_path / name).write_bytes((DATA_DEMO / name).read_bytes())
    read = records.load(tmp_path)
    lines = {name: (file, set(numbers)) for name, file, numbers in listed_faults()}
    kinds = {
        "row exported twice": "same_line_twice",
        "visit of an unknown plant": "orphan_plant",
        "blank plant and site": "missing_value",
        "impossible date": "unreadable_date",
        "temperature in Fahrenheit": "beyond_limits",
        "replaced before it was installed": "replaced_before_installed",
        "two plants in one position": "two_in_one_position",
    }
    assert set(lines) - set(kinds) == {"misspelt species"}
    found = quality.check(read)
    for name, kind in kinds.items():
        rows = found[found["code"] == kind]
        assert list(rows["file"]) == [lines[name][0]], name
        assert set(rows["line"]) <= lines[name][1], name
    assert "Ficus lyratta" in found.loc[found["code"] == "unknown_species", "text"].item()
    # What follows from the swap dated before its plant came; nothing else is impossible.
    also = {"found_after_replaced", "still_visited"}
    assert set(found.loc[found["severity"] == "impossible", "code"]) == {*kinds.values(), *also}


# -- what the records show of the truth ----------------------------------------------------------------


def test_about_three_in_ten_humidity_readings_are_missing(firm):
    lines = firm["visits"].dropna(subset=["plant_id"])
    # Missing by site and day: 0.30 with a standard error of about sqrt(0.21 / 13,000 rounds) = 0.004.
    assert lines["rh_percent"].isna().mean() == pytest.approx(0.30, abs=0.02)


def test_heated_air_is_dry_except_where_it_is_humidified(firm):
    by = firm["true_sites"].groupby("humidified")["heated_humidity"].mean()
    open_air = firm["true_sites"]["open_humidity"].mean()
    assert by[False] < 35
    assert by[True] > 39
    assert open_air - by[False] > 8


def test_with_collinear_air_no_site_differs_in_humidity():
    sites = simulate.company(300, 1, 3, replace(PARAMS, collinear=True))["true_sites"]
    assert not sites["humidified"].any()
    assert sites["heated_humidity"].std() < 1


def test_losses_per_plant_day_are_higher_in_the_first_90_days():
    # Only age acts: the ratio must be exp(0.8) = 2.23. About 180 losses before day 90 and 700 after give a
    # standard error of sqrt(1/180 + 1/700) = 0.08 on the log, three of them 0.25.
    params = replace(FLAT, age={**zeros(PARAMS.age), "days 1-90": 0.8}, base_rate=20.0)
    true = simulate.company(2000, 3, 5, params)["true_plants"]
    new = true[true["planted_on"] == true["known_from"]]
    age = (new["ended_on"] - new["planted_on"]).dt.days
    early = (new["plant_days"].clip(upper=90)).sum()
    late = new["plant_days"].sum() - early
    lost = losses(new)
    ratio = ((age <= 90) & lost).sum() / early / (((age > 90) & lost).sum() / late)
    assert abs(math.log(ratio) - 0.8) < 0.25


def test_days_left_dry_raise_losses_by_the_stated_ratio():
    # With over_dry 0.9 a share s of days left dry gives 1 + s (exp 0.9 - 1) = 1 + 1.46 s of the base rate.
    true = simulate.company(3000, 3, 5, replace(FLAT, over_dry=0.9, base_rate=10.0))["true_plants"]
    days = float(true["plant_days"].sum())
    share = float(true["over_dry_days"].sum()) / days
    expected = days * 10 / 36_525 * (1 + share * (math.exp(0.9) - 1))
    assert share > 0.15
    assert abs(int(losses(true).sum()) - expected) < 3 * math.sqrt(expected)
    base = days * 10 / 36_525
    assert losses(true).sum() > base + 3 * math.sqrt(base)


def test_longer_visit_intervals_leave_plants_dry_for_longer():
    firm = simulate.company(1500, 2, 5, FLAT)
    true = firm["true_plants"].merge(firm["true_sites"], on="site_id")
    by = true.groupby("visit_days")[["plant_days", "over_dry_days"]].sum()
    share = by["over_dry_days"] / by["plant_days"]
    assert share[7] < share[14] < share[28]


def test_a_flat_company_loses_plants_at_the_base_rate():
    # 8 per 100 plant-years, to three standard errors of a Poisson count.
    true = simulate.company(3000, 3, 11, FLAT)["true_plants"]
    expected = float(true["plant_days"].sum()) * 8 / 36_525
    assert abs(int(losses(true).sum()) - expected) < 3 * math.sqrt(expected)


def test_site_effects_have_mean_1_and_the_stated_spread():
    for law in ("gamma", "lognormal"):
        effect = simulate.company(6000, 0.25, 2, replace(PARAMS, site_distribution=law))["true_sites"]["effect"]
        # About 490 sites: standard error of the mean 0.4 / 22 = 0.018.
        assert effect.mean() == pytest.approx(1, abs=0.06)
        assert effect.std() == pytest.approx(0.4, abs=0.08)


def test_the_share_found_dry_follows_the_weibull_law():
    # Watered at one visit, looked at a week later: dry with chance 1 - exp(-(7/10)^3) = 0.2904.
    params = replace(FLAT, missed_visits=0.0, no_access=0.0, visit_days={7: 1.0}, base_rate=0.01)
    visits = simulate.company(400, 1, 5, params)["visits"].dropna(subset=["plant_id"])
    visits = visits.sort_values(["plant_id", "visited_on"], kind="stable")
    watered = visits.groupby("plant_id")["watered"].shift().fillna(False).astype(bool)
    first = visits[watered & (visits["visited_on"].diff().dt.days == 7)]
    n = len(first)
    assert n > 5000
    expected = 1 - math.exp(-(0.7**3))
    assert abs((first["topsoil"] == "dry").mean() - expected) < 3 * math.sqrt(expected * (1 - expected) / n)


def test_technicians_misread_the_topsoil_as_often_as_stated_and_water_what_they_read_dry():
    # Nothing dries within a week when the scale is 100 days (chance 3e-4), so dry readings are misreadings.
    params = replace(FLAT, species=tuple(replace(s, dry_days=1000.0) for s in FLAT.species), misclassification=0.04)
    lines = simulate.company(300, 1, 5, params)["visits"].dropna(subset=["plant_id"])
    assert (lines["topsoil"] == "dry").mean() == pytest.approx(0.04, abs=0.006)
    alive = lines[lines["condition"] > 2]
    assert (alive["watered"] == (alive["topsoil"] == "dry")).all()


def test_leaves_dropped_have_the_stated_mean_and_negative_binomial_spread():
    # Weekly visits: mean 7 x 0.03 = 0.21, variance 0.21 + 0.21^2 / 2 = 0.232.
    params = replace(FLAT, visit_days={7: 1.0}, missed_visits=0.0, no_access=0.0, base_rate=0.01)
    lines = simulate.company(800, 1, 5, params)["visits"].dropna(subset=["plant_id"])
    gap = lines.groupby("plant_id")["visited_on"].diff().dt.days
    dropped = lines.loc[gap == 7, "leaves_dropped"].astype(float)
    assert dropped.mean() == pytest.approx(0.21, abs=3 * math.sqrt(0.232 / len(dropped)))
    assert dropped.var() == pytest.approx(0.232, rel=0.05)


def test_figs_drop_leaves_after_rewatering_and_others_while_dry():
    params = replace(
        FLAT, leaf_dry=1.0, base_rate=0.01, leaf_base=0.1, missed_visits=0.0, no_access=0.0, visit_days={7: 1.0}
    )
    firm = simulate.company(600, 1, 5, params)
    lines = firm["visits"].dropna(subset=["plant_id"]).copy()
    lines["fig"] = lines["plant_id"].map(firm["plants"].set_index("plant_id")["species"]).str.startswith("Ficus")
    lines["dry"] = lines["topsoil"] == "dry"
    lines["dry_before"] = lines.groupby("plant_id")["dry"].shift()
    lines = lines.dropna(subset=["dry_before"])
    means = lines.astype({"leaves_dropped": float}).groupby(["fig", "dry_before", "dry"])["leaves_dropped"].mean()
    # The stated ratio is e = 2.72; the other condition must do nothing.
    assert means[True, True, False] / means[True, False, False] == pytest.approx(math.e, rel=0.15)
    assert means[True, False, True] / means[True, False, False] == pytest.approx(1, rel=0.15)
    assert means[False, False, True] / means[False, False, False] == pytest.approx(math.e, rel=0.15)
    assert means[False, True, False] / means[False, False, False] == pytest.approx(1, rel=0.15)


def test_one_building_failure_kills_many_plants_of_one_site_at_once_in_the_last_complete_year(firm):
    true = firm["true_plants"]
    killed = true[true["cause"] == "building_failure"]
    assert len(killed) >= 15
    assert list(killed["ended_on"].unique()) == [pd.Timestamp("2025-12-12")]
    assert killed["site_id"].nunique() <= 2  # a plant may have been moved there from the client's other site
    quiet = simulate.company(200, 1, 7, replace(PARAMS, building_failure=False))["true_plants"]
    assert not (quiet["cause"] == "building_failure").any()


def test_condition_scores_fall_before_most_losses(firm):
    true, visits = firm["true_plants"], firm["visits"].dropna(subset=["plant_id"])
    lost = true[losses(true)][["plant_id", "ended_on"]]
    before = visits.merge(lost, on="plant_id")
    ahead = (before["ended_on"] - before["visited_on"]).dt.days
    month = before[(ahead > 0) & (ahead <= 30)].groupby("plant_id")["condition"].min()
    year = before[(ahead > 180)].groupby("plant_id")["condition"].median()
    assert 0.5 < (month <= 3).mean() < 0.9  # warned_share is 0.65; a chance dip adds some
    assert (year <= 3).mean() < 0.05


def test_failing_plants_get_extra_visits_only_when_asked_for():
    def off_round(params: simulate.CompanyParams) -> int:
        firm = simulate.company(400, 2, 5, replace(params, visit_days={14: 1.0}, move_rate=0.0))
        lines = firm["visits"].dropna(subset=["plant_id"])
        site = lines["plant_id"].map(firm["plants"].set_index("plant_id")["site_id"])
        turn = (lines["visited_on"] - pd.Timestamp("2024-01-01")).dt.days % 14
        usual = turn.groupby(site).transform(lambda t: t.mode()[0])
        return int((turn != usual).sum())

    assert off_round(replace(PARAMS, extra_visits=0.0)) == 0
    assert off_round(replace(PARAMS, extra_visits=0.1)) > 50


def test_unrecorded_swaps_leave_no_replacement_row():
    some, none = (simulate.company(400, 2, 5, replace(PARAMS, unrecorded_swaps=u)) for u in (0.5, 0.0))
    hidden = int(some["true_plants"]["silent_swaps"].sum())
    assert int(none["true_plants"]["silent_swaps"].sum()) == 0
    assert hidden > 20
    assert len(some["replacements"]) < len(none["replacements"]) - hidden / 2


def test_a_single_species_moved_into_light_it_is_not_sold_for_is_replaced_by_its_own_kind():
    # Zamioculcas stands in no sun; moves take some there. Of those lost in the sun each twelfth draws another species
    # among those sold for sun: there is none.
    only = replace(PARAMS, species=tuple(s for s in simulate.SPECIES if s.group == "Zamioculcas"), move_rate=1500.0)
    made = simulate.company(400, 2, 3, replace(only, base_rate=60.0))
    sun = made["moves"].loc[made["moves"]["to_light"].eq("sun"), "plant_id"]
    assert made["replacements"]["plant_id"].isin(sun).sum() > 12
    assert set(made["plants"]["species"]) == {"Zamioculcas zamiifolia"}


def test_the_true_risk_by_quarter_adds_up_to_the_plant_days_and_foretells_the_losses(firm):
    true, risk = firm["true_plants"], firm["true_quarters"]
    days = risk.groupby("plant_id")["plant_days"].sum()
    whole = true.set_index("plant_id")["plant_days"].fillna(0)
    assert (days.reindex(whole.index).fillna(0) == whole).all()
    assert risk["over_dry_days"].sum() == true["over_dry_days"].sum()
    assert (risk.groupby(["quarter", "plant_id"])["plant_days"].sum() <= 92).all()
    expected = float(risk["expected_losses"].sum())
    assert abs(int(losses(true).sum()) - expected) < 3 * math.sqrt(expected)
    by_light = risk.groupby("light")[["expected_losses", "plant_days"]].sum()
    rate = by_light["expected_losses"] / by_light["plant_days"].astype(float)
    assert rate["low"] > rate["medium"] > 0


# -- helpers for recovery tests ------------------------------------------------------------------------


def test_true_rate_is_the_product_worked_by_hand():
    # Ficus lyrata 0.45, low light 0.50, under 15 cm 0.25, day 30 0.80, 25% humidity 1.5 x 0.30 = 0.45:
    # sum 2.45; 8 x exp(2.45) = 92.71; a tenth of days dry: x (1 + 0.1 x 1.4596) = 106.24.
    rate = simulate.true_rate(
        PARAMS, "Ficus lyrata", light="low", pot="under 15 cm", age_days=30, humidity=25, over_dry_share=0.1
    )
    assert rate == pytest.approx(106.24, abs=0.01)
    # Day 90 is the last of the first band (log ratio 0.80), day 91 the first of the next (0).
    day_90, day_91 = (simulate.true_rate(PARAMS, "Ficus elastica", age_days=day) for day in (90, 91))
    assert (day_90 / day_91, day_91) == (pytest.approx(math.exp(0.8)), pytest.approx(8.0))
    with pytest.raises(KeyError, match="Ficus lyratta"):
        simulate.true_rate(PARAMS, "Ficus lyratta")


def test_the_risk_that_each_plant_ran_is_true_rate_added_up_over_its_days():
    # An independent walk through each plant's days: its places from moves, its repottings from visits.
    params = replace(PARAMS, over_dry=0.0, heating=0.2, ageing_shape=1.3, move_rate=60.0, repot_rate=60.0)
    firm = simulate.company(25, 1, 5, params)
    air = layout.draw(np.random.Generator(np.random.PCG64(np.random.SeedSequence(5).spawn(3)[0])), 25, 1, params)
    number = {site: i for i, site in enumerate(firm["sites"]["site_id"])}
    effect = firm["true_sites"].set_index("site_id")["effect"]
    risk = firm["true_quarters"].groupby("plant_id")["expected_losses"].sum()
    pots = firm["plants"].set_index("plant_id")["pot_cm"]
    visits, moves = firm["visits"], firm["moves"]
    moved_plants = 0
    for p in firm["true_plants"].dropna(subset=["plant_days"]).itertuples():
        repots = visits.loc[(visits["plant_id"] == p.plant_id) & visits["repotted"].fillna(False), "visited_on"]
        shifts = moves[moves["plant_id"] == p.plant_id]
        moved_plants += len(shifts) > 0
        pot = ("under 15 cm", "15-24 cm", "25-34 cm", "35 cm and more")[np.digitize(pots[p.plant_id], (15, 25, 35))]
        total = 0.0
        for day in pd.date_range(p.known_from, periods=int(p.plant_days) + 1)[1:]:
            before = shifts[shifts["moved_on"] < day].tail(1)
            site = before["to_site_id"].iloc[0] if len(before) else p.site_id
            total += simulate.true_rate(
                params,
                p.species,
                light=before["to_light"].iloc[0] if len(before) else p.light,
                pot=pot,
                age_days=(day - p.planted_on).days,
                on=day.date(),
                humidity=air.humidity_28[number[site], (day.date() - air.first).days],
                moved=bool(len(before)) and (day - before["moved_on"].iloc[0]).days <= 90,
                repotted=bool(((repots < day) & (repots >= day - pd.Timedelta(days=90))).any()),
                site_effect=effect[site],
                heating=day.month in (10, 11, 12, 1, 2, 3, 4),
            )
        assert risk.get(p.plant_id, 0.0) == pytest.approx(total / 36_525, rel=1e-9), p.plant_id
    assert moved_plants > 5


def test_true_survival_of_a_flat_company_is_the_exponential_and_matches_its_plants():
    # exp(-40 x 365 / 36,525) = 0.6705.
    params = replace(FLAT, base_rate=40.0, client_rate=0.0, withdrawn_rate=0.0)
    expected = simulate.true_survival(params, "Ficus elastica")
    assert expected == pytest.approx(0.6705, abs=0.0001)
    true = simulate.company(1500, 3, 5, params)["true_plants"]
    new = true[(true["planted_on"] == true["known_from"]) & (true["planted_on"] < "2025-09-01")]
    lasted = ~((new["ended_on"] - new["planted_on"]).dt.days < 365)
    assert abs(lasted.mean() - expected) < 3 * math.sqrt(expected * (1 - expected) / len(new))


def test_drying_quantile_is_the_weibull_quantile_worked_by_hand():
    # Half of Weibull(3, 10) is 10 x (ln 2)^(1/3) = 8.850; heating -0.10 and 1 kPa more -0.15 on the log.
    assert simulate.drying_quantile(PARAMS, "Ficus benjamina", 0.5) == pytest.approx(8.850, abs=0.001)
    dry = simulate.drying_quantile(PARAMS, "Ficus benjamina", 0.5, heating=True, vpd_kpa=2.2)
    assert dry == pytest.approx(8.850 * math.exp(-0.25), abs=0.001)


def test_the_share_of_days_left_dry_is_worked_by_hand_where_drying_takes_no_chance():
    # Shape 1e6: every spell dries on day 10. Visited every 7 days it is watered on day 14: 4 / 14 left dry.
    sure = replace(FLAT, dry_shape=1e6, missed_visits=0.0, no_access=0.0)
    assert simulate.over_dry_share(sure, "Ficus elastica", 7) == pytest.approx(4 / 14, abs=1e-4)
    # Missed one time in two, then 7 days more on average (1/2 x 7 + 1/4 x 14 + ... less): 11 / 21.
    missed = replace(sure, missed_visits=0.5)
    assert simulate.over_dry_share(missed, "Ficus elastica", 7) == pytest.approx(11 / 21, abs=1e-4)


def test_the_share_of_days_left_dry_is_what_the_company_shows():
    params = replace(FLAT, misclassification=0.04, water_early=0.02, visit_days={14: 1.0}, base_rate=0.01)
    true = simulate.company(800, 3, 5, replace(params, client_rate=0.0, withdrawn_rate=0.0))["true_plants"]
    share = true["over_dry_days"].sum() / true["plant_days"].sum()
    # 800 plants x about 60 spells: the share is known to about half of one per cent of itself.
    assert share == pytest.approx(simulate.over_dry_share(params, "Ficus elastica", 14), rel=0.02)


def test_the_yearly_cycle_is_highest_at_the_turn_of_the_year_and_sums_to_nothing():
    days = np.arange(365.25)
    assert cycle(0.15, 0.0, 0.0) == pytest.approx(0.15)
    assert cycle(0.15, 0.05, days).mean() == pytest.approx(0, abs=0.001)


# -- names ---------------------------------------------------------------------------------------------


def test_every_site_has_a_name_of_its_own_and_a_client_one_name(firm):
    sites, plants = firm["sites"], firm["plants"]
    assert sites["site_name"].is_unique
    assert sites.groupby("client_id")["client_name"].nunique().eq(1).all()
    assert sites["client_name"].nunique() == sites["client_id"].nunique()
    assert plants["room"].notna().all()
    assert plants.groupby(["site_id", "position"])["room"].nunique().eq(1).all()
    assert plants.groupby("species")["common_name"].nunique().eq(1).all()


def test_names_of_a_thousand_sites_and_clients_are_each_given_once():
    assert len(set(names.site_names([0, 1, 2, 0, 0] * 200))) == 1000
    assert len(set(names.client_names(1000))) == 1000


def test_the_proposal_finds_the_columns_that_hold_names(tmp_path):
    simulate.make(tmp_path / "made", 40, 0.5, 3)
    (tmp_path / "made" / "records.toml").unlink()
    text = records.propose_settings(tmp_path / "made").read_text(encoding="utf-8")
    for column in ("site_name", "client_name", "address", "access_note", "room", "common_name"):
        assert f'{column} = "{column}"' in text, column
