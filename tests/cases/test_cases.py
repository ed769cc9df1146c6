"""Each situation under tests/cases, run from its files from end to end, with the right values worked beside it."""

from __future__ import annotations

import re
from datetime import date
from pathlib import Path

import nbformat
import numpy as np
import pandas as pd
import pytest
from nbformat.v4 import new_code_cell, new_markdown_cell, new_notebook, new_output

import plantstats
from plantstats import exposure, findings, leaves, periods, quality
from plantstats.losses.lifetime_findings import survival_findings
from plantstats.losses.loss_rates import loss_rates
from plantstats.pages import losses as losses_page
from plantstats.pages import records as records_page
from plantstats.reporting import ReportError, body, page, safe_name
from plantstats.reporting.runner import run
from plantstats.stats import survival
from plantstats.stats.counts import POISSON
from plantstats.stats.logrank import log_rank
from tests.builders.case_folder import CASES, case_folder, load
from tests.builders.html_page import Reading
from tests.stats.test_counts import fit_rows

GIVEN = {"site_id": "S2", "quarter": "2025Q2"}


def time_of(place: Path, case: str, as_of: date, **other: str) -> exposure.PlantTime:
    return exposure.build(load(case_folder(place, case, **other)), as_of)


def heights(curve: pd.DataFrame) -> dict[int, float]:
    """Survival at each age at which something was lost."""
    lost = curve[curve["events"] > 0]
    return dict(zip(lost["age_days"].astype(int), lost["estimate"].round(4), strict=True))


# --- record logic and survival ---------------------------------------------------------------------------------------


def test_r01_impossible_and_missing_dates_leave_the_other_lives_as_they_are(tmp_path: Path) -> None:
    # P1, lost on the day it came, counts one day; P6 is named and left out: five plants, lives 1, 30, 45, 60, 90+.
    time = time_of(tmp_path / "a", "R01", date(2024, 4, 1))
    curve = survival.curves(time.lifetimes, [])
    assert heights(curve) == {1: 0.8, 30: 0.6, 45: 0.4, 60: 0.2}
    assert (curve["age_days"] >= 0).all() and curve["estimate"].iloc[-1] == pytest.approx(0.2)
    fates = time.account.set_index(["table", "fate"])["first_ids"]
    assert "P6" in fates.loc["plants"].tolist()
    # Without the day of its replacement P3 is neither lost nor alive: it is in no life, and named.
    blank = time_of(tmp_path / "b", "R01", date(2024, 4, 1), replacements="blank_date/replacements.csv")
    assert "P3" not in set(blank.lifetimes["plant_id"])
    assert blank.account["first_ids"].str.contains("P3").any()


def test_r02_a_plant_replaced_twice_counts_once_and_a_circle_ends(tmp_path: Path) -> None:
    time = time_of(tmp_path, "R02", date(2025, 6, 30))
    lost = time.losses
    assert lost.loc[lost["plant_id"] == "P1", "found_on"].astype("str").tolist() == ["2025-03-05"]
    assert len(lost) == 5  # P1, P3, P4, P5, P6; never 7
    assert "P77" in time.account.set_index("table").loc["replacements", "first_ids"].str.cat(sep=" ")


def test_r04_plants_taken_over_enter_when_the_records_of_their_site_begin(tmp_path: Path) -> None:
    place = case_folder(tmp_path, "R04")
    (place / "start.toml").write_text("[sites.K1]\nobserved_from = 2025-01-01\n")
    time = exposure.build(load(place, "start.toml"), date(2025, 12, 31))
    curve = survival.curves(time.lifetimes, [])
    steps = curve[curve["events"] > 0].set_index("age_days")
    assert steps["at_risk"].to_dict() == {90: 4, 214: 4, 383: 3, 436: 1, 801: 2}
    assert heights(curve) == {90: 0.75, 214: 0.5625, 383: 0.375, 436: 0.0, 801: 0.0}
    assert steps.loc[436, "few_at_risk"] and pd.isna(steps.loc[436, "low"])
    whole = time.exposure_table([]).iloc[0]
    assert (whole["plant_days"], whole["losses"]) == (1718, 5)
    assert round(365.25 * whole["losses"] / whole["plant_days"], 3) == 1.063
    # Without it: a warning, and no time before the first record.
    early = load(case_folder(tmp_path / "b", "R04"))
    assert "records_begin_late" in set(quality.check(early, date(2025, 12, 31))["code"])
    assert exposure.build(early, date(2025, 12, 31)).exposure_table([])["plant_days"].iloc[0] < 1718


def test_r05_losses_found_at_visits_are_tied_and_compared_all_the_same(tmp_path: Path) -> None:
    # R survival: log-rank 4.168, p 0.041. Ours is the conditional logistic form of Breslow's method, log hazard ratio
    # 1.2115 (tests/losses/test_loss_model_published.py), and the method page says that losses lie between visits.
    lives = time_of(tmp_path, "R05", date(2024, 2, 13)).lifetimes
    drawn = survival.curves(lives, ["light"])
    assert heights(drawn[drawn["light"] == "low"]) == {14: 0.5, 28: 0.1667, 42: 0.0}
    assert heights(drawn[drawn["light"] == "medium"]) == {14: 0.8333, 28: 0.6667, 42: 0.5}
    test = log_rank(lives, ["light"])
    assert (test.chi2, test.p) == (pytest.approx(4.168, abs=5e-4), pytest.approx(0.041, abs=5e-4))


def test_r06_a_group_that_lost_none_and_a_group_of_one_are_told_and_nothing_breaks(tmp_path: Path) -> None:
    lives = time_of(tmp_path / "a", "R06", date(2024, 5, 31)).lifetimes
    drawn = survival.curves(lives, ["site_id"])
    by_site = {site: drawn[drawn["site_id"] == site] for site in ("SA", "SB", "SC")}
    assert heights(by_site["SA"]) == {30: 0.75, 60: 0.5, 120: 0.0}
    assert survival.median_life(by_site["SA"]).estimate == 60
    assert heights(by_site["SB"]) == {} and by_site["SB"]["age_days"].max() == 150
    made = survival_findings(drawn, lives, ["site_id"], ages=[90], horizon=60, period="all records")
    median = made[made["measure"] == "median_life"].set_index("site_id")
    assert median.loc["SB", "note"] == "not reached (0 of 3 lost, followed up to 150 days)"
    assert np.isfinite(log_rank(lives, ["site_id"]).chi2)
    shown = findings.for_display(made, small_group=5)
    assert not shown.map(lambda cell: isinstance(cell, str) and "nan" in cell.lower()).any(axis=None)
    none = time_of(tmp_path / "b", "R06", date(2024, 5, 31), replacements="none_lost/replacements.csv").lifetimes
    assert (survival.curves(none, ["site_id"])["estimate"] == 1).all()
    assert np.isnan(log_rank(none, ["site_id"]).chi2)


def test_r07_a_species_that_never_died_is_told_by_what_was_followed_and_by_a_limit(tmp_path: Path) -> None:
    # None of five cast-iron plants was lost, six of seven calatheas were. On these very lives the upper limit of the
    # ratio is 0.2215 and light keeps 0.5786 (0.9260): tests/losses/test_loss_model.py.
    lives = time_of(tmp_path, "R07", date(2025, 1, 1)).lifetimes
    never = lives[lives["species"] == "Aspidistra elatior"]
    assert (len(never), never["event"].sum()) == (5, 0)
    assert sorted(never["exit_age"]) == [300, 340, 365, 365, 365]
    assert lives.loc[lives["species"] != "Aspidistra elatior", "event"].tolist() == [1, 1, 1, 1, 1, 0, 1]
    drawn = survival.curves(lives, ["species"])
    made = survival_findings(drawn, lives, ["species"], ages=[90], horizon=60, period="all records")
    median = made[made["measure"] == "median_life"].set_index("species")
    assert median.loc["Aspidistra elatior", "note"].startswith("not reached (0 of 5 lost")


def test_r11_leaves_belong_to_the_days_since_the_visit_before_whatever_the_order_of_rows(tmp_path: Path) -> None:
    # P1: 15 leaves over 56 days, 8.0357 per 30 days; P2: 6 over 14, 12.857; its visit before it came is set aside.
    rates_of = []
    for turn in (1, -1):
        place = case_folder(tmp_path / str(turn), "R11")
        lines = (place / "visits.csv").read_text(encoding="utf-8").splitlines()
        (place / "visits.csv").write_text("\n".join([lines[0], *lines[1:][::turn]]) + "\n", encoding="utf-8")
        intervals = leaves.build(exposure.build(load(place), date(2025, 3, 31)))
        sums = intervals.sql(
            "select plant_id, sum(green) as green, sum(days) as days from leaf_used group by 1 order by 1"
        )
        rates_of.append((30 * sums["green"] / sums["days"]).tolist())
        assert "P2" in intervals.account.set_index("fate").loc["before the plant was installed", "first_ids"]
    assert rates_of[0] == pytest.approx([8.0357, 12.857], abs=1e-3) and rates_of[0] == rates_of[1]


def test_r13_counts_hardly_spread_are_fitted_as_poisson_and_it_says_so(tmp_path: Path) -> None:
    made = load(case_folder(tmp_path, "R13"))
    rows = made.table("visits").merge(made.table("plants")[["plant_id", "species"]], on="plant_id")
    rows = rows.assign(species=rows["species"].map({"Ficus lyrata": "a", "Dracaena marginata": "b"}))
    fit = fit_rows(rows.assign(leaves_dropped=rows["leaves_dropped"].astype(float)), "leaves_dropped", "species")
    assert fit.family == POISSON and "no more spread than chance" in fit.family_reason
    figs, trees = (rows.loc[rows["species"] == s, "leaves_dropped"].astype(float).mean() for s in "ab")
    assert list(fit.params) == pytest.approx([np.log(figs), np.log(trees / figs)], abs=1e-6)
    assert np.isfinite(fit.se).all()


def test_r15_what_lies_after_the_cut_is_in_no_count_and_the_second_run_is_the_same(tmp_path: Path) -> None:
    runs = []
    for name in ("a", "b"):
        made = load(case_folder(tmp_path / name, "R15"))
        time = exposure.build(made, date(2025, 3, 31))
        lives = time.lifetimes.set_index("plant_id")
        assert lives["event"].to_dict() == {"P1": 0, "P2": 0, "P3": 1}
        assert lives.loc["P2", "exit_age"] == 84 and lives.loc["P3", "exit_age"] == 84
        assert lives["exit_age"].max() == 84
        seen = time.query("select count(*) as n from completed_visits")["n"].iloc[0]
        assert seen == 1
        runs.append(loss_rates(time, made, periods.quarter("2025-Q1")).to_csv())
    assert runs[0] == runs[1]


def test_r17_repotting_counts_from_its_day_on(tmp_path: Path) -> None:
    # 6 losses in 1,475 plant-days before and 3 in 440 after; "ever repotted" would give 6 in 815 and 3 in 1,100.
    table = time_of(tmp_path, "R17", date(2025, 1, 1)).exposure_table(["repotted"]).set_index("repotted")
    before = table.loc["never"]
    after = table.drop(index="never").sum()
    assert (before["losses"], before["plant_days"]) == (6, 1475)
    assert (after["losses"], after["plant_days"]) == (3, 440)


# --- notebooks -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("case", "given", "said"),
    [
        (
            "N01",
            {"site_id": "S2", "quater": "2025Q2"},
            r"unknown parameter quater \(known: quarter, site_id; did you mean",
        ),
        ("N02", GIVEN, "unknown parameter quarter .known: none; tag one cell parameters"),
    ],
)
def test_n01_n02_parameters_that_a_notebook_does_not_take_stop_the_run_before_its_first_cell(
    tmp_path: Path, case: str, given: dict[str, str], said: str
) -> None:
    with pytest.raises(ReportError, match=said):
        run(CASES / case / "report.ipynb", given, tmp_path / "out")
    assert not (tmp_path / "out").exists()


def test_n04_n08_a_notebook_runs_in_the_tools_own_python_and_its_page_asks_nothing_of_the_network(
    tmp_path: Path,
) -> None:
    paths = [CASES / name for name in ("N04/authors_env.ipynb", "N04/no_kernel.ipynb", "N08/report.ipynb")]
    report = run(paths, GIVEN, tmp_path / "out")
    assert report.missing == {}
    html = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    outside = r'(?:src|href)="(?:https?:)?//[^"]+|import[^;]{0,40}https?://[^"]+|url\((?:https?:)?//[^)]+'
    assert not re.findall(outside, html)
    assert "S(t)" in Reading(html).text and "prod" in Reading(html).text
    assert "'S2'" in Reading(html).text


def test_n05_n06_a_failing_cell_a_cell_that_may_fail_and_a_dead_kernel_give_no_page(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "fail.html").write_text("the page of an earlier run", encoding="utf-8")
    names = ("N05/fail", "N05/raises_tag", "N06/suicide")
    with pytest.raises(ReportError) as error:
        run([CASES / f"{name}.ipynb" for name in names], GIVEN, out)
    lines = str(error.value).splitlines()
    assert lines[0] == "no page fail: fail.ipynb: cell 3: ValueError: visits.csv row 7: bad date"
    assert lines[1].startswith("no page raises_tag: raises_tag.ipynb: cell 2: ZeroDivisionError")
    # The process dies in the last cell: the notebook on disk may look whole.
    assert lines[2].startswith("no page suicide: suicide.ipynb: cell 2: ") and "(out of memory?)" in lines[2]
    assert (out / "fail.html").read_text(encoding="utf-8") == "the page of an earlier run"
    assert sorted(path.name for path in out.iterdir()) == [
        "fail.failed.ipynb",
        "fail.html",
        "raises_tag.failed.ipynb",
        "suicide.failed.ipynb",
    ]


def test_n05_a_shell_line_is_refused_before_anything_runs(tmp_path: Path) -> None:
    with pytest.raises(ReportError, match=r"shell.ipynb: cell 2 runs a shell line"):
        run(CASES / "N05" / "shell.ipynb", GIVEN, tmp_path / "out")


def test_n11_noise_leaves_a_small_page_that_says_what_it_leaves_out() -> None:
    cell = nbformat.read(CASES / "N11" / "noise.ipynb", as_version=4).cells[1]
    # What its first cell prints, as a kernel hands it over: twenty thousand pieces.
    outputs = [new_output("stream", name="stdout", text="." * 100) for _ in range(20_000)]
    outputs.append(new_output("stream", name="stdout", text="the last line\n"))
    ran = new_code_cell(cell.source, execution_count=1, outputs=outputs)
    notebook = new_notebook(cells=[new_markdown_cell("# Noise"), ran])
    html = page.render(notebook, body.of(notebook), "noise", "", [])
    assert len(html) < 100_000
    assert "the last line" in html and "1,980,014 letters of what was printed are left out" in html


def test_n11_all_seventy_sites_and_the_end_of_every_note_are_there(tmp_path: Path) -> None:
    made = load(case_folder(tmp_path, "N11"))
    assert made.table("visits")["note"].str[-5:].tolist() == [f"end{n:02d}" for n in range(1, 71)]
    time = exposure.build(made, date(2025, 3, 31))
    by_site = time.exposure_table(["site_id"])
    assert len(by_site) == 70 and by_site["plant_days"].sum() == time.exposure_table([])["plant_days"].iloc[0]


# --- safety ----------------------------------------------------------------------------------------------------------


def test_p01_markup_in_the_records_stays_text_on_every_page(tmp_path: Path) -> None:
    place = case_folder(tmp_path, "P01")
    for line in ("P1,2025-03-31,mechanical,,N,10,5\n", "P2,2025-03-31,mechanical,,N,10,5\n"):
        with (place / "replacements.csv").open("a", encoding="utf-8") as file:
            file.write(line)
    study = plantstats.study(place, "2025-Q1")
    for module in (losses_page, records_page):
        html = module.page(study)._repr_html_()
        reading = Reading(html)
        assert not {"script", "iframe"} & {tag for tag, _ in reading.tags}
        assert not any(name.startswith("on") for _, given in reading.tags for name in given)
        assert "127.0.0.1:9" not in str([given for _, given in reading.tags])
    assert "<img src=x onerror=\"document.title='PWNED'\">" in Reading(losses_page.page(study)._repr_html_()).text


def test_p02_every_id_gets_a_file_name_of_its_own_inside_the_folder(tmp_path: Path) -> None:
    made = load(case_folder(tmp_path, "P02"))
    ids = made.table("plants")["site_id"].unique().tolist()
    names = [safe_name(one) for one in ids]
    assert len({name.casefold() for name in names}) == len(ids)
    assert all(re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]{0,50}", name) for name in names)
    assert names == [safe_name(one) for one in ids]


# --- every case is held by tests that are there -----------------------------------------------------------------------

RECORDS, GUARANTEE, REPORTING = "tests/records/test_cases_", "tests/guarantee/test_guarantee_", "tests/reporting/test_"
MODEL = "tests/losses/test_loss_model::"
OWN = "tests/cases/test_cases::test_"
HELD: dict[str, str] = {
    "D01": RECORDS + "dates::test_one_day_beyond_twelve_proves_the_order_for_the_whole_column",
    "D02": RECORDS + "dates::test_an_order_that_nothing_proves_is_asked_for "
    "test_two_orders_in_one_column_are_both_shown_and_never_read_by_a_third_rule",
    "D04": RECORDS + "dates::test_bare_serial_numbers_follow_the_workbooks_own_day_count",
    "D05": RECORDS + "dates::test_two_digit_years_have_a_stated_window_and_impossible_ones_are_named",
    "D07": RECORDS + "dates::test_twelve_months_from_29_february_end_on_28_february_that_day_included",
    "D09": RECORDS + "dates::test_month_names_of_another_language_need_its_declaration "
    "test_the_machines_locale_changes_no_date",
    "D10": RECORDS + "dates::test_iso_weeks_at_the_turn_of_the_year_belong_to_the_iso_year",
    "D12": RECORDS + "dates::test_a_time_of_day_takes_no_day_from_a_life",
    "E01": RECORDS + "text::test_one_table_in_six_disguises_is_one_table "
    "test_an_encoding_that_cannot_be_proved_is_asked_for_and_obeyed "
    "test_an_encoding_that_cannot_be_told_apart_is_shown_with_a_sample",
    "E03": RECORDS + "text::test_codes_that_look_like_missing_values_are_codes_in_ids_and_names",
    "E04": RECORDS + "text::test_ids_are_never_numbers",
    "E05": RECORDS + "text::test_a_lost_quote_mark_costs_its_own_row_only "
    "test_a_note_over_several_lines_keeps_its_breaks_and_quotes "
    "test_a_quote_that_is_never_closed_is_named_by_its_line",
    "E06": RECORDS + "text::test_an_empty_extra_field_is_harmless_and_said_once "
    "test_a_row_with_a_comma_too_many_is_set_aside_whichever_row_comes_first test_a_row_cut_short_is_set_aside",
    "E08": RECORDS + "sheets::test_doubled_heads_stop_the_load_until_a_rule_is_given",
    "E09": RECORDS + "sheets::test_flags_in_every_dress_are_yes_no_missing_or_set_aside "
    "test_numbers_with_units_are_said_and_limits_are_never_numbers",
    "E12": RECORDS + "sheets::test_a_file_that_is_not_what_its_name_says_is_refused_in_one_line "
    "test_a_folder_in_place_of_a_file_is_refused test_heads_alone_are_a_table_of_no_rows",
    "M01": GUARANTEE + "quote::test_the_same_list_costs_the_same_twice_and_in_any_order "
    "test_one_position_more_leaves_the_others_as_they_are test_another_seed_moves_the_amounts_within_the_stated_error "
    "test_more_draws_have_a_smaller_error test_too_few_draws_are_refused",
    "M03": GUARANTEE + "money::test_the_total_is_the_sum_of_the_lines_shown "
    "test_half_cents_of_either_sign_follow_the_rule_and_zero_has_no_sign",
    "M05": GUARANTEE + "renewal::test_daily_steps_give_known_numbers_of_replacements "
    "test_plants_that_live_100_days_are_replaced_on_days_100_200_and_300",
    "N01": OWN + "n01_n02_parameters_that_a_notebook_does_not_take_stop_the_run_before_its_first_cell",
    "N02": OWN + "n01_n02_parameters_that_a_notebook_does_not_take_stop_the_run_before_its_first_cell",
    "N04": OWN + "n04_n08_a_notebook_runs_in_the_tools_own_python_and_its_page_asks_nothing_of_the_network",
    "N05": OWN + "n05_n06_a_failing_cell_a_cell_that_may_fail_and_a_dead_kernel_give_no_page "
    "test_n05_a_shell_line_is_refused_before_anything_runs",
    "N06": REPORTING + "runner::test_a_run_stopped_from_outside_leaves_no_process_and_no_file "
    "test_notebooks_that_do_not_reach_their_end_give_no_page",
    "N08": REPORTING + "page::test_a_page_needs_no_network_and_a_formula_can_be_read_without_it",
    "N09": "tests/test_notebooks::test_n09_the_worked_example_is_the_same_under_another_clock_and_locale",
    "N11": REPORTING + "page::test_every_row_and_every_end_of_a_long_note_is_on_the_page "
    "test_rows_left_out_are_counted_and_the_file_that_has_them_is_named",
    "N13": REPORTING + "pdf::test_a_missing_library_is_said_with_how_to_get_it "
    "test_a_page_becomes_the_same_tagged_pdf_twice",
    "P01": REPORTING + "page::test_notes_stand_on_the_page_letter_for_letter_and_stay_text "
    "test_notes_in_figures_alt_texts_and_captions_stay_text",
    "P02": RECORDS + "records::test_ids_that_attack_file_names_are_kept_as_they_are_or_set_aside",
    "P04": RECORDS + "records::test_code_in_the_settings_is_refused_and_never_run "
    "test_code_in_a_column_head_is_only_a_head",
    "R01": RECORDS + "records::test_a_plant_replaced_before_it_was_installed_is_named "
    "test_a_replacement_without_a_date_is_set_aside_and_its_plant_named",
    "R02": RECORDS + "records::test_chains_that_cannot_be_are_each_named_and_the_walk_ends",
    "R04": RECORDS + "records::test_the_start_of_the_records_can_stand_in_the_settings",
    "R05": "tests/losses/test_loss_model_published::test_cells_and_plants_agree_with_cox_regression_on_ties_at_visits",
    "R06": "tests/stats/test_survival::test_groups_without_a_loss_and_of_one_plant_get_an_honest_answer_and_no_nan_"
    "without_reason",
    "R07": MODEL + "test_the_profile_limit_is_that_of_the_worked_case "
    "test_a_species_that_never_died_has_an_upper_limit_and_its_name_and_no_estimate "
    "test_the_other_terms_hardly_feel_a_species_that_never_died",
    "R08": MODEL + "test_season_and_humidity_that_carry_the_same_information_are_named "
    "test_one_of_two_equal_terms_stands_for_both",
    "R09": MODEL + "test_incomplete_rows_are_refused_with_their_number_and_a_single_level_is_named",
    "R10": MODEL + "test_a_species_never_seen_is_refused_or_falls_to_its_group_out_loud_with_a_wider_"
    "interval test_predictions_are_in_the_unit_of_the_fit",
    "R11": "tests/leaves/test_leaves_intervals::test_leaves_belong_to_the_days_since_the_visit_before",
    "R13": "tests/stats/test_counts::test_counts_less_spread_than_chance_fall_back_to_poisson_and_say_so",
    "R15": RECORDS + "records::test_a_far_future_date_is_an_error_and_a_late_one_is_after_the_cut",
    "R17": MODEL + "test_repotting_counts_from_its_date_on",
    "R19": MODEL + "test_a_term_that_the_model_does_not_have_is_refused_by_name",
    "U01": RECORDS + "units::test_fahrenheit_among_celsius_is_set_aside_or_flagged_and_never_converted_by_guess "
    "test_a_technicians_unit_converts_all_of_that_technicians_readings",
    "U03": RECORDS + "units::test_millilitres_gallons_and_inches_are_converted_where_they_are_clear "
    "test_a_declared_gallon_is_used",
}


@pytest.mark.parametrize("case", list(HELD))
def test_the_tests_that_hold_a_case_are_there(case: str) -> None:
    file, _, names = HELD[case].partition("::")
    text = (CASES.parents[1] / f"{file}.py").read_text(encoding="utf-8")
    for name in names.split():
        assert f"def {name}(" in text, name
