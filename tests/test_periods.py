"""Quarters, weeks and seasons are half-open and say what they mean."""

from datetime import date, timedelta

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from plantstats import periods
from plantstats.periods import PeriodError, quarter

DAYS = st.dates(date(1990, 1, 1), date(2090, 12, 31))
MONTHS = st.integers(1, 12)


@pytest.mark.parametrize("name", ["2026-Q3", "2026Q3", " 2026-q3 ", "FY2026-Q3"])
def test_the_third_quarter_holds_july_to_september_and_not_the_first_of_october(name):
    q3 = quarter(name)
    assert (q3.name, q3.start, q3.end) == ("2026-Q3", date(2026, 7, 1), date(2026, 10, 1))
    assert q3.last_day == date(2026, 9, 30)
    assert q3.days == 31 + 31 + 30


def test_a_fiscal_year_is_named_for_the_year_in_which_it_ends():
    # Start in July: FY2026 = 1 Jul 2025 to 30 Jun 2026; its third quarter is Jan to Mar 2026.
    assert quarter("FY2026-Q1", 7).start == date(2025, 7, 1)
    third = quarter("FY2026-Q3", 7)
    assert (third.name, third.start, third.end) == ("FY2026-Q3", date(2026, 1, 1), date(2026, 4, 1))
    # Start in November: the first quarter runs over the turn of the year.
    assert quarter("FY2026-Q1", 11).end == date(2026, 2, 1)


def test_a_name_that_could_be_the_calendars_or_the_fiscal_years_quarter_is_refused_with_both_by_date():
    # Start in July: FY2026-Q3 is January to March 2026; July to September 2026 opens FY2027.
    with pytest.raises(PeriodError) as said:
        quarter("2026-Q3", 7)
    assert str(said.value) == (
        "quarter '2026-Q3' can be read two ways, as the fiscal year does not start in January: write FY2026-Q3 for "
        "2026-01-01 to 2026-03-31, or FY2027-Q1 for the calendar's quarter, 2026-07-01 to 2026-09-30"
    )
    # Start in May: no fiscal quarter begins with July.
    with pytest.raises(
        PeriodError,
        match=r"write FY2026-Q3 for 2025-11-01 to 2026-01-31; the calendar's quarter, "
        r"2026-07-01 to 2026-09-30, is no quarter of this fiscal year",
    ):
        quarter("2026-Q3", 5)


@pytest.mark.parametrize("name", ["2026-Q5", "Q3 2026", "2026-3", "", "26-Q3"])
def test_a_quarter_that_cannot_be_read_is_named_with_what_is_accepted(name):
    with pytest.raises(PeriodError) as said:
        quarter(name)
    assert repr(name) in str(said.value) and "2026-Q3" in str(said.value)


def test_a_fiscal_start_outside_the_year_is_refused():
    with pytest.raises(PeriodError, match="fiscal_year_starts is 13"):
        quarter("2026-Q1", 13)


def test_the_same_quarter_last_year_keeps_the_fiscal_year():
    assert periods.same_quarter_last_year(quarter("2026-Q1")) == quarter("2025-Q1")
    assert periods.same_quarter_last_year(quarter("FY2026-Q2", 4)) == quarter("FY2025-Q2", 4)


def test_the_quarters_before_come_oldest_first():
    names = [p.name for p in periods.previous_quarters(quarter("2026-Q2"), 3)]
    assert names == ["2025-Q3", "2025-Q4", "2026-Q1"]


def test_only_a_quarter_has_quarters_before_it():
    with pytest.raises(PeriodError, match="not a quarter"):
        periods.previous_quarters(periods.Period(date(2026, 1, 1), date(2027, 1, 1), "2026"), 1)


def test_a_quarter_is_complete_on_its_last_day_and_not_the_day_before():
    assert periods.latest_complete_quarter(date(2026, 9, 30)).name == "2026-Q3"
    assert periods.latest_complete_quarter(date(2026, 9, 29)).name == "2026-Q2"
    # Fiscal year from July: July to September 2026 opens FY2027.
    assert periods.latest_complete_quarter(date(2026, 11, 25), 7).name == "FY2027-Q1"


@given(DAYS, MONTHS)
def test_every_day_lies_in_exactly_the_quarter_that_is_named_for_it(day, starts):
    q = periods.quarter_of(day, starts)
    assert q.start <= day < q.end
    assert quarter(q.name, starts) == q
    assert periods.previous_quarters(q, 1)[0].end == q.start


@given(DAYS, MONTHS)
def test_the_latest_complete_quarter_ends_by_the_day_and_the_next_one_does_not(day, starts):
    q = periods.latest_complete_quarter(day, starts)
    assert q.last_day <= day < periods.add_months(q.end, 3) - timedelta(days=1)


def test_adding_months_stops_at_the_end_of_a_short_month():
    assert periods.add_months(date(2024, 2, 29), 12) == date(2025, 2, 28)
    assert periods.add_months(date(2024, 2, 29), 48) == date(2028, 2, 29)
    assert periods.add_months(date(2025, 1, 31), 1) == date(2025, 2, 28)
    assert periods.add_months(date(2025, 1, 31), -2) == date(2024, 11, 30)


def test_a_heating_season_over_the_turn_of_the_year_is_half_open():
    season = ((10, 15), (4, 15))
    days = pd.Series(pd.to_datetime(["2025-10-14", "2025-10-15", "2026-01-01", "2026-04-14", "2026-04-15", None]))
    inside = periods.in_heating_season(days, season)
    assert list(inside[:5]) == [False, True, True, True, False]
    assert inside.isna()[5]


def test_a_month_is_heated_when_its_middle_is():
    assert periods.heating_months(((10, 15), (4, 15))) == (1, 2, 3, 10, 11, 12)
    assert periods.heating_months(((10, 16), (4, 16))) == (1, 2, 3, 4, 11, 12)
    # The southern half of the world heats inside one calendar year.
    assert periods.heating_months(((5, 1), (10, 1))) == (5, 6, 7, 8, 9)


def test_a_heating_season_on_a_day_that_does_not_exist_is_refused():
    with pytest.raises(PeriodError, match="month 2, day 30"):
        periods.heating_months(((2, 30), (4, 1)))
