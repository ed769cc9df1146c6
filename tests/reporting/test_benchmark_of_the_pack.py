"""The benchmark of the pack runs, and its limits can be broken."""

from __future__ import annotations

from dataclasses import replace

from tests.benchmarks import pack
from tests.builders.demo_review import DemoReview


def test_the_pack_of_the_demo_is_measured_and_limits_can_fail(demo: DemoReview):
    one = demo.measured
    assert one.visits > 1000 and one.plants >= 400
    # Two processes compute, eight notebooks show, and PDF, care sheet and workbook have one each; what they used is in
    # the time of the whole.
    assert len(one.processes) == 13
    assert sum(process["seconds"] for process in one.processes) < one.cpu
    assert 0.1 < one.peak_gib < one.all_gib < 3
    # Limits are held on a quiet machine by the script alone; here they are only shown to bite.
    quick = replace(one, wall=1.0, second_page=0.1)
    assert pack.over([quick], 0.1) == []
    assert pack.over([replace(quick, wall=16.0)], 0.1) == [f"{one.plants:,} plants: pack: 16.00 s, limit 15"]
    assert pack.over([quick], 0.4) == ["plantstats --help: 0.40 s, limit 0.3"]
    large = replace(quick, plants=20_000, wall=4.5)
    assert pack.over([replace(quick, plants=400), large], 0.1) == [
        "pack at 20,000 plants / at 400: 4.50 times, limit 4"
    ]
    assert "second page: 3.50 s" in pack.over([replace(quick, second_page=3.5)], 0.1)[0]
