"""The section [watering] of records.toml: read, refused with all faults at once, used, shown, and part of the reuse "
"key."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from plantstats import quarterly, records, simulate
from plantstats.settings import Assumptions, SettingsError, settings_from
from plantstats.watering import assumptions, fit_watering

AS_OF = date(2026, 9, 30)
HOME = Path(__file__).parents[2]
NAMES = list(Assumptions.model_fields)


def read(**given: object) -> Assumptions:
    return settings_from({"watering": given}, "records.toml").watering


def test_what_is_silent_is_assumed_and_what_is_given_is_used() -> None:
    assert settings_from({}, "records.toml").watering == Assumptions()
    made = settings_from({"watering": {"max_too_dry_share": 0.1, "visit_days": [14, 7]}}, "records.toml")
    assert made.watering.max_too_dry_share == 0.1
    assert made.watering.visit_days == (7, 14)  # in order, whatever the order in the file
    assert made.watering.confidence == Assumptions().confidence
    assert made.watering.model_fields_set == {"visit_days", "max_too_dry_share"}


def test_all_faults_are_named_at_once_with_file_key_rule_and_what_holds_otherwise() -> None:
    given = {
        "max_too_dry_share": 20,  # a percentage where a share is wanted
        "confidence": "high",
        "visit_days": [7, 7.5],
        "max_inspection_interval": 56.5,
        "dropped_leaf_cost": -1,
        "too_dry_minuts": 5,
    }
    with pytest.raises(SettingsError) as refused:
        settings_from({"watering": given, "small_group": 0}, "records.toml")
    said = str(refused.value).splitlines()
    for wanted in (
        r"records\.toml: watering\.max_too_dry_share: wants a number from 0\.01 to 0\.9, has 20; correct it, or leave "
        r"it out: 0\.2 is then assumed",
        r"records\.toml: watering\.confidence: wants a number, has 'high'; correct it, or leave it out: 0\.9",
        r"records\.toml: watering\.visit_days: wants 1 to 8 different whole numbers of days, each from 1 to 91, has "
        r"\[7, 7\.5\]; .*7, 14, 21, 28 is then assumed",
        r"records\.toml: watering\.max_inspection_interval: wants a whole number, has 56\.5",
        r"records\.toml: watering\.dropped_leaf_cost: wants a number from 0 to 10000, has -1",
        r"records\.toml: watering\.too_dry_minuts: is not a setting; did you mean too_dry_minutes\?",
        r"records\.toml: small_group: wants",
    ):
        assert sum(bool(re.search(wanted, line)) for line in said) == 1, (wanted, said)


@pytest.mark.parametrize("days", [[], [7, 7], [0], [92], [True], list(range(1, 10)), "7"])
def test_visit_days_that_no_route_could_keep_are_refused(days: object) -> None:
    with pytest.raises(SettingsError, match=r"watering\.visit_days"):
        read(visit_days=days)


def test_a_look_that_is_shorter_than_a_visit_interval_is_refused() -> None:
    with pytest.raises(
        SettingsError, match="max_inspection_interval is 21 days, but visit_days offers visits every 28 days"
    ):
        read(max_inspection_interval=21)
    assert read(max_inspection_interval=21, visit_days=[7, 14]).max_inspection_interval == 21


@pytest.mark.parametrize("name", NAMES)
def test_each_assumption_has_limits_a_meaning_and_a_line_in_the_readme(name: str) -> None:
    # Far outside whatever the limits are, and its own default inside them.
    beyond = [10**9] if name == "visit_days" else 1e9
    with pytest.raises(SettingsError, match=rf"watering\.{name}: wants"):
        read(**{name: beyond if name != "max_inspection_interval" else 10**9})
    default = getattr(Assumptions(), name)
    if default is not None:
        assert read(**{name: list(default) if isinstance(default, tuple) else default}) == Assumptions()
    assert Assumptions.model_fields[name].description
    assert re.search(rf"^ *(# )?{name} = ", (HOME / "README.md").read_text(encoding="utf-8"), re.MULTILINE)


def test_the_readme_states_the_figures_that_are_assumed() -> None:
    text = (HOME / "README.md").read_text(encoding="utf-8")
    for name in NAMES:
        default = getattr(Assumptions(), name)
        if default is not None:
            shown = list(default) if isinstance(default, tuple) else f"{default:g}"
            assert re.search(rf"^ *{name} = {re.escape(str(shown))} +#", text, re.MULTILINE), name


def test_the_page_says_of_each_figure_whose_it_is() -> None:
    settings = settings_from({"visit_cost": 20.0, "watering": {"default_monthly_fee": 10.0}}, "records.toml")
    shown = assumptions.table(settings.watering, settings).set_index("Setting")
    assert len(shown) == len(NAMES) + 2
    # Given, though equal to what would be assumed: still the owner's.
    assert shown.loc["default_monthly_fee", "Whose"] == "from your settings"
    assert shown.loc["visit_cost"].tolist()[:2] == ["20", "from your settings"]
    assert shown.loc["wage_per_hour", "Whose"] == "assumed here"
    assert shown.loc["confidence", "Whose"] == "assumed here"
    assert shown.loc["dropped_leaf_cost", "Value"] == "not priced"


@pytest.fixture(scope="module")
def home(tmp_path_factory: pytest.TempPathFactory) -> Path:
    made = tmp_path_factory.mktemp("records")
    simulate.make(made, plants=60, years=1, seed=5)
    return made


def with_settings(home: Path, text: str) -> Path:
    """The records with a section of watering at the end of their settings."""
    plain = (home / "records.toml").read_text(encoding="utf-8").partition("[watering]")[0]
    (home / "records.toml").write_text(plain + text, encoding="utf-8")
    return home


def test_what_is_learned_takes_the_figures_of_the_settings(home: Path) -> None:
    with_settings(home, "[watering]\ntoo_dry_minutes = 11\ndropped_leaf_cost = 0.25\n")
    loaded = records.load(home)
    made = fit_watering(loaded, AS_OF)
    assert made.assumed.too_dry_minutes == 11
    assert made.assumed.leaves_priced and made.leaf_drop is not None
    assert fit_watering(loaded, AS_OF, Assumptions(too_dry_minutes=2.0)).assumed.too_dry_minutes == 2.0


def test_changed_settings_make_the_review_anew(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    keys: list[dict[str, str]] = []

    def noted(*given: Any, **_: object) -> None:
        keys.append(given[4]["inputs"])  # notebooks, parameters, place, about, sources

    monkeypatch.setattr(quarterly, "run", noted)
    for confidence in (0.8, 0.95, 0.8):
        with_settings(home, f"[watering]\nconfidence = {confidence}\n")
        quarterly.review(home, None, None, AS_OF, home / "out")
    assert keys[0] == keys[2]
    # What the runner compares (`made_from`) holds these digests: the settings' file is among them and has moved.
    assert {name for name in keys[0] if keys[0][name] != keys[1][name]} == {"records.toml"}
