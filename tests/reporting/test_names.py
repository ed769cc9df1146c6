"""File names from names: different for different ids, harmless everywhere, the same from run to run."""

from __future__ import annotations

import re
import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st

from plantstats.reporting import ReportError, safe_name

# Ids such as may stand in a list of sites; the last six are pairs of which each needs its own file.
IDS = [
    "../../outside",
    "A/B",
    "A\\B",
    "C:evil",
    "CON",
    "aux",
    "..",
    ".",
    "x" * 300,
    "-rf",
    "a\nb",
    "~root",
    "S1.html",
    "%2e%2e%2f",
    "\u202egpj.1S",
    "LPT1",
    "COM9.txt",
    "café",
    "cafe",
    "S1",
    "s1",
    " S1 ",
    "S1 ",
    "S-1",
    "S_1",
]


def test_different_ids_get_different_files_also_where_capitals_do_not_count():
    assert len({safe_name(one).casefold() for one in IDS}) == len(IDS)


def test_a_name_can_stand_in_any_folder_and_on_any_command_line():
    for one in IDS:
        name = safe_name(one)
        assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]{0,50}", name), one
        assert name.upper() not in {"CON", "PRN", "AUX", "NUL", "COM1", "LPT1"}


def test_plain_ids_in_capitals_stay_as_they_are():
    assert [safe_name(one) for one in ("C01", "HB-7", "S0024", "A_1")] == ["C01", "HB-7", "S0024", "A_1"]


def test_names_stay_the_same_from_run_to_run():
    # The first ten hexadecimal digits of the SHA-256 of "s1", taken with sha256sum.
    assert safe_name("s1") == "s1-e8bc163c82"
    assert safe_name("Hall 7/b").startswith("hall-7-b-")


def test_composed_and_decomposed_letters_are_one_name():
    assert safe_name("Caf\u00e9") == safe_name("Cafe\u0301")


@pytest.mark.parametrize("empty", ["", "   ", "\n"])
def test_an_empty_name_is_refused(empty: str):
    with pytest.raises(ReportError, match="a name is empty"):
        safe_name(empty)


@given(st.text(min_size=1), st.text(min_size=1))
def test_any_two_names_that_differ_get_files_that_differ(one: str, other: str):
    if not one.strip() or not other.strip():
        return
    same = unicodedata.normalize("NFC", one) == unicodedata.normalize("NFC", other)
    assert (safe_name(one).casefold() == safe_name(other).casefold()) == same
    assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9_-]{0,50}", safe_name(one))


def test_a_name_that_looks_like_one_of_ours_gets_no_others_file():
    # "S1-E8BC163C82" is plain, and on Windows the same file as safe_name("s1").
    ours = safe_name("s1").upper()
    assert safe_name(ours).casefold() != safe_name("s1").casefold()
