"""Quotes of invented companies whose truth is known: the stated points hold as often as they say.

The long version (200 companies) is benchmarks/guarantee_calibration.py; this one is bounded in time.
"""

import importlib.util
import sys
from pathlib import Path

import numpy as np
import pytest

from plantstats.guarantee.fitted_hazards import FittedHazards

SCRIPT = Path(__file__).resolve().parents[2] / "tests" / "benchmarks" / "guarantee_calibration.py"


@pytest.fixture(scope="module")
def companies():
    spec = importlib.util.spec_from_file_location("guarantee_calibration", SCRIPT)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    yield module
    del sys.modules[spec.name]


def test_the_80_and_95_percent_points_hold_as_often_as_they_say(companies):
    # Chances worked out exactly from each company's truth. Over 100 companies: 79.2 (se 0.6) and 94.8 (se 0.3);
    # one company's chance varies by about 6 in 100, so that 12 leave a standard error of 1.7: bounds of 2 to 3 of it.
    held = companies.coverage(12, sites=30, per_site=7, draws=100, effects=100)
    assert 0.76 <= held["at_80"].mean() <= 0.84
    assert 0.92 <= held["at_95"].mean() <= 0.975
    assert held["ratio"].mean() == pytest.approx(1, abs=0.12)


def test_the_test_above_would_see_quotes_that_forget_how_sites_differ(companies, monkeypatch):
    monkeypatch.setattr(FittedHazards, "_frailty_variance", lambda self, n_samples, seed: np.zeros(n_samples))
    held = companies.coverage(4, first=100, sites=30, per_site=7, draws=100, effects=100)
    assert held["at_95"].mean() < 0.92
