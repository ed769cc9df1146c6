"""Files beside the page: intervals.csv by site, ways_out.csv, drying.csv by kind of plant; rows of the care sheet."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from plantstats.watering import care_workbook
from plantstats.watering.care_workbook import harmless
from plantstats.watering.design import SEASONS
from plantstats.watering.dry_downs import DRY_DEPTH
from plantstats.watering.fit import RESERVOIR
from plantstats.watering.profiles import BY
from plantstats.writing import write_whole

if TYPE_CHECKING:
    from plantstats.watering.advice import Advice
    from plantstats.watering.review import WateringReview

WHOLE_DAYS = ("usually_by", "inspection_interval", "too_many_from", "now")
OWN_WAY_OUT = "often found too dry"
OF_SITES = ("site_id", "client_id", "plants", "now", "advised", "decision", "reason", "own_way_out")
ESTIMATES = ("too_dry_now", "too_dry_advised", "cost_now", "cost_advised", "saving", "saving_low", "saving_high")
NEXT_VISITS = 4  # dates that the sheet gives
NEAR = 1  # days by which a look may come early rather than a whole visit late


@dataclass(frozen=True)
class Known:
    """What is known of plants and sites beside the advice; a sheet can be made without it.

    Attributes
    ----------
    plants : pandas.DataFrame
        By plant_id: room, common_name, watered_on, seen_on, mark (why it is to be watched; "" for none).
    sites : pandas.DataFrame
        By site_id: site_name, address, access_note.
    """

    plants: pd.DataFrame = field(default_factory=pd.DataFrame)
    sites: pd.DataFrame = field(default_factory=pd.DataFrame)

    def of_plants(self, column: str, ids: pd.Series) -> pd.Series:
        """A column for these plants, missing where it is not known.

        Parameters
        ----------
        column : str
            Its name.
        ids : pandas.Series
            Ids.

        Returns
        -------
        pandas.Series
        """
        values = self.plants[column] if column in self.plants else pd.Series(dtype="object")
        return values.reindex(ids).set_axis(ids.index)

    def of_sites(self, column: str, ids: pd.Series) -> pd.Series:
        """A column for these sites as text, "" where it is not known.

        Parameters
        ----------
        column : str
            Its name.
        ids : pandas.Series
            Ids.

        Returns
        -------
        pandas.Series
        """
        values = self.sites[column] if column in self.sites else pd.Series(dtype="object")
        return values.reindex(ids).set_axis(ids.index).astype("object").fillna("")


def write(review: WateringReview, folder: Path, small_group: int = 0, known: Known | None = None) -> list[Path]:
    """Write intervals.csv, ways_out.csv, drying.csv and care_sheet.xlsx.

    Parameters
    ----------
    review : WateringReview
    folder : pathlib.Path
        Made when absent.
    small_group : int
        Sites with fewer plants keep their advice, not their estimates.
    known : Known, optional
        Names, rooms, last waterings and marks for the care sheet.

    Returns
    -------
    list of pathlib.Path
        The files. A text that a spreadsheet would take for a formula gets an apostrophe in front.
    """
    tables = {
        "intervals.csv": intervals(review, small_group),
        "ways_out.csv": ways_out(review),
        "drying.csv": drying(review),
    }
    content = {name: csv_text(table).encode("utf-8") for name, table in tables.items()}
    seasons = [(SEASONS[one.heating], sheet_rows(review, known, one)) for one in (review.advice, review.other_season)]
    content["care_sheet.xlsx"] = care_workbook.workbook(seasons, review.as_of)
    return [write_whole(folder / name, whole) for name, whole in content.items()]


def intervals(review: WateringReview, small_group: int = 0) -> pd.DataFrame:
    """The advice of each site, as on the page: whole days, the reason, shares and money with their limits.

    Parameters
    ----------
    review : WateringReview
        As `review.review` gives it.
    small_group : int, default 0
        Sites with fewer plants keep no estimates.

    Returns
    -------
    pandas.DataFrame
        One row per site.
    """
    sites = review.advice.sites[[*OF_SITES, *ESTIMATES]].copy()
    sites.loc[sites["plants"] < small_group, list(ESTIMATES)] = np.nan
    shares = [column for column in ESTIMATES if column.startswith("too_dry")]
    return sites.round({column: 3 if column in shares else 2 for column in ESTIMATES})


def ways_out(review: WateringReview) -> pd.DataFrame:
    """Ways out of each plant, as on the page.

    Parameters
    ----------
    review : WateringReview
        As `review.review` gives it.

    Returns
    -------
    pandas.DataFrame
    """
    rows = review.advice.ways_out
    return rows.round({"price": 2, "price_low": 2, "price_high": 2, "probability": 3, "too_dry": 3})


def drying(review: WateringReview) -> pd.DataFrame:
    """Table of `profiles.profiles`, days until dry to a tenth, all else whole.

    Parameters
    ----------
    review : WateringReview
        As `review.review` gives it.

    Returns
    -------
    pandas.DataFrame
    """
    table = review.profiles.copy()
    for column in WHOLE_DAYS:
        table[column] = table[column].round().astype("Int64")
    table[["too_dry_now", "still_moist"]] = table[["too_dry_now", "still_moist"]].round(3)
    for column in [c for c in table if c.startswith("dry_")]:
        table[column] = table[column].round(1)
    return table


def csv_text(table: pd.DataFrame) -> str:
    """A table as CSV that no spreadsheet runs as a formula.

    Parameters
    ----------
    table : pandas.DataFrame

    Returns
    -------
    str
    """
    table = table.copy()
    for column in table.select_dtypes(["str", "object"]):
        table[column] = table[column].map(harmless, na_action="ignore")
    return table.to_csv(index=False, lineterminator="\n")


def sheet_rows(review: WateringReview, known: Known | None = None, advice: Advice | None = None) -> pd.DataFrame:
    """One row per standing plant, in walking order.

    Parameters
    ----------
    review : WateringReview
    known : Known, optional
    advice : Advice, optional
        That of the other season in place of the present one.

    Returns
    -------
    pandas.DataFrame
        route, site_id, site, address, access, site_every, reason, visits (dates of the next visits), place, plant, pot,
        watered (date), looks (dates of the next looks), due (whether the next visit is a look), water, usually, mark.

    Notes
    -----
    Only a look has a day. Water is wanted at the looks that find the soil dry to its depth; where more of them than
    `max_still_moist_share` find it moist, the sheet says at about how many it is wanted, so that no look is taken for a
    watering. Visits go on from the last one to the site, at the advised interval.
    """
    known, advice = known or Known(), advice or review.advice
    later = advice is not review.advice
    plants = advice.plants.merge(advice.sites[["site_id", "region", "reason"]], on="site_id", how="left")
    plants = plants.astype(dict.fromkeys(plants.select_dtypes("str"), "object"))  # read one by one
    usual = review.profiles[review.profiles["season"] == SEASONS[advice.heating]].set_index(BY)["usually_by"]
    by = usual.reindex(pd.MultiIndex.from_frame(plants[BY])).to_numpy()
    seen = pd.to_datetime(known.of_plants("seen_on", plants["plant_id"]))
    watered = pd.to_datetime(known.of_plants("watered_on", plants["plant_id"]))
    start = review.turns_on if later else review.as_of
    last_visit = seen.groupby(plants["site_id"]).transform("max")
    visits = [
        _visits(day, int(every), start) for day, every in zip(_dates(last_visit), plants["visit_every"], strict=True)
    ]
    looks = [
        _looks(day, int(look), dates)
        for day, look, dates in zip(_dates(seen), plants["inspection_interval"], visits, strict=True)
    ]
    watered_on = _dates(watered)
    depth = plants["pot"].map(DRY_DEPTH).fillna(DRY_DEPTH["unknown"])
    number = plants["plants"].map(lambda n: f" ({n} plants)" if n > 1 else "")
    name = known.of_plants("common_name", plants["plant_id"]).astype("object").fillna(plants["species"])
    room = known.of_plants("room", plants["plant_id"]).astype("object").fillna("")
    site_name = known.of_sites("site_name", plants["site_id"])
    rows = pd.DataFrame(
        {
            "route": plants["region"].replace("", "route not stated"),
            "site_id": plants["site_id"],
            "site": [f"{n} ({s})" if n else s for n, s in zip(site_name, plants["site_id"], strict=True)],
            "address": known.of_sites("address", plants["site_id"]),
            "access": known.of_sites("access_note", plants["site_id"]),
            "site_every": plants["visit_every"],
            "reason": plants["reason"],
            "visits": visits,
            "position": plants["position"],
            "place": [", ".join(filter(None, pair)) for pair in zip(room, plants["position"], strict=True)],
            "plant": name + number,
            "pot": plants["pot"].replace("unknown", ""),
            "watered": [None if later else day for day in watered_on],
            "looks": looks,
            "due": [
                bool(look) and bool(dates) and look[0] == dates[0] for look, dates in zip(looks, visits, strict=True)
            ],
            "inspection_interval": plants["inspection_interval"],
            "water": [
                f"{'reservoir empty, ' if p == RESERVOIR else ''}top {d:g} cm dry: "
                f"{_how_often(m, review.max_still_moist_share)}"
                for d, p, m in zip(depth, plants["planter"], plants["moist_inspections"], strict=True)
            ],
            "usually": [_usually(None if later else day, days) for day, days in zip(watered_on, by, strict=True)],
            "mark": [
                OWN_WAY_OUT if too_dry else mark
                for mark, too_dry in zip(
                    known.of_plants("mark", plants["plant_id"]).astype("object").fillna(""),
                    plants["own_way_out"],
                    strict=True,
                )
            ],
        }
    )
    walk = rows["position"].map(_walking_order)
    order = rows.assign(walk=walk).sort_values(["route", "site_id", "walk", "plant"], kind="stable")
    return order.drop(columns=["walk", "position"]).reset_index(drop=True)


@lru_cache(maxsize=65536)
def _walking_order(position: str) -> tuple[tuple[int, str], ...]:
    """Numbers in a place by their size: "2-9" before "2-10", and both before "10-1"."""
    parts = re.findall(r"\d+|\D+", str(position))
    return tuple((int(part), "") if part.isdigit() else (-1, part) for part in parts)


def _visits(last: date | None, every: int, start: date) -> list[date]:
    """The next visits after a day, at an interval from the last one; none where no visit is on record."""
    if last is None:
        return []
    past = max((start - last).days // every + 1, 1)
    return [last + timedelta(days=every * (past + n)) for n in range(NEXT_VISITS)]


def _looks(seen: date | None, every: int, visits: list[date]) -> list[date]:
    """Those of the next visits at which a plant is to be looked at: the first due, then at its interval."""
    looks: list[date] = []
    due = date.min if seen is None else seen + timedelta(days=every - NEAR)
    for day in visits:
        if day >= due:
            looks.append(day)
            due = day + timedelta(days=every - NEAR)
    return looks


def _dates(days: pd.Series) -> list[date | None]:
    return [None if missing else day for day, missing in zip(days.dt.date, days.isna(), strict=True)]


def _usually(watered: date | None, days: float) -> str:
    """By when a plant is usually dry: a date, or days after watering where the last watering is not known."""
    if pd.isna(days):
        return ""
    if watered is None:
        return f"{days:.0f} days after water"
    return care_workbook.day_text(watered + timedelta(days=int(days)))


def _how_often(moist_inspections: float, most_moist: float) -> str:
    """At how many looks water is wanted; where more than a few find it moist, a look is no watering."""
    if moist_inspections <= most_moist:
        return "at most looks"
    return f"at about 1 look in {max(round(1 / max(1 - moist_inspections, 0.01)), 2)}"
