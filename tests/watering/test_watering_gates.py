"""Notes that cannot be used: technicians who never note dry, or leave topsoil blank when they water."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pandas as pd
import pyarrow as pa
import pyarrow.compute as pc
import pyarrow.parquet as pq
import pytest

from plantstats.watering import WateringError, fit_watering
from plantstats.watering.dry_downs import BLANK, NEVER_DRY
from tests.builders.watering_company import CompanyRecords

AS_OF = date(2026, 9, 30)
PLANT = pd.DataFrame(
    [{"species": "Ficus lyrata", "light": "low", "pot": "15-24 cm", "planter": "direct", "heating": False}]
)


@pytest.fixture
def company(tmp_path: Path) -> CompanyRecords:
    return CompanyRecords(tmp_path, plants=120, years=2, seed=46)


def rewritten(company: CompanyRecords, technicians: list[str] | None, blank: bool) -> None:
    """The log as these technicians (all: None) would write it: dry never noted, or topsoil blank when they water."""
    path = company.parquet("visits")
    visits = pq.read_table(path)
    theirs = (
        pa.array([True] * len(visits))
        if technicians is None
        else pc.fill_null(pc.is_in(visits["technician"], pa.array(technicians)), False)
    )
    hit = pc.fill_null(visits["watered"] if blank else pc.equal(visits["topsoil"], "dry"), False)
    word = pc.if_else(pc.and_(theirs, hit), pa.scalar(None if blank else "moist", pa.string()), visits["topsoil"])
    pq.write_table(
        visits.set_column(visits.schema.get_field_index("topsoil"), visits.schema.field("topsoil"), word), path
    )


def half_of(company: CompanyRecords) -> list[str]:
    names = sorted(set(pq.read_table(company.parquet("visits"))["technician"].drop_null().to_pylist()))
    assert len(names) >= 2
    return names[: len(names) // 2]


def test_a_sound_log_leaves_nobody_out(company: CompanyRecords) -> None:
    assert fit_watering(company, AS_OF).left_out.empty


@pytest.mark.parametrize(("blank", "reason"), [(False, NEVER_DRY), (True, BLANK)])
def test_technicians_whose_notes_mislead_are_left_out_by_pseudonym_and_no_longer_slow_the_drying(
    company: CompanyRecords, blank: bool, reason: str
) -> None:
    sound = fit_watering(company, AS_OF).drying[False].days_until_dry(PLANT, 0.5).estimate[0]
    names = half_of(company)
    rewritten(company, names, blank)
    model = fit_watering(company, AS_OF)
    assert set(model.left_out["reason"]) == {reason}
    assert len(model.left_out) == len(names)
    assert model.left_out["technician"].str.fullmatch(r"technician [A-Z]+").all()
    assert not set(names) & set(model.left_out["technician"])
    assert model.drying[False].days_until_dry(PLANT, 0.5).estimate[0] == pytest.approx(sound, rel=0.1)
    account = model.dry_downs.account.set_index("fate")["rows"]
    assert account["watering: noted by a technician whose topsoil notes cannot be used"] > 0


def test_a_log_that_never_notes_dry_is_refused_with_the_reason(company: CompanyRecords) -> None:
    rewritten(company, None, blank=False)
    with pytest.raises(WateringError, match="found topsoil dry: how fast it dries cannot be learned"):
        fit_watering(company, AS_OF)


def test_a_log_in_which_everybody_leaves_topsoil_blank_at_waterings_is_refused_with_the_reason(
    company: CompanyRecords,
) -> None:
    rewritten(company, None, blank=True)
    with pytest.raises(WateringError, match=f"technician A {BLANK}"):
        fit_watering(company, AS_OF)
