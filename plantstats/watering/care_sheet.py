"""Files beside the page: intervals.csv by site, ways_out.csv, drying.csv by kind of plant, and the care sheet."""

from __future__ import annotations

import io
import re
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from openpyxl import Workbook
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.worksheet.worksheet import Worksheet

from plantstats.watering.design import SEASONS
from plantstats.watering.dry_downs import DRY_DEPTH
from plantstats.watering.fit import RESERVOIR
from plantstats.watering.profiles import BY
from plantstats.writing import write_whole

if TYPE_CHECKING:
    from plantstats.watering.review import WateringReview

HEAD = ("Position", "Species", "Look every", "Water when", "Usually dry by", "Change from now")
WIDTHS = (12, 28, 12, 28, 12, 24)  # characters; together they fill an A4 page upright
FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n")
WHOLE_DAYS = ("usually_by", "inspection_interval", "too_many_from", "now")
OWN_WAY_OUT = "often too dry: see Visits"
OF_SITES = ("site_id", "client_id", "plants", "now", "advised", "decision", "reason", "own_way_out")
ESTIMATES = ("too_dry_now", "too_dry_advised", "cost_now", "cost_advised", "saving", "saving_low", "saving_high")
# openpyxl would write the clock of the machine into the file.
FIXED_TIME = "2000-01-01T00:00:00Z"


def write(review: WateringReview, folder: Path, small_group: int = 0) -> list[Path]:
    """Write intervals.csv, ways_out.csv, drying.csv and care_sheet.xlsx.

    Parameters
    ----------
    review : WateringReview
    folder : pathlib.Path
        Made when absent.
    small_group : int
        Sites with fewer plants keep their advice, not their estimates.

    Returns
    -------
    list of pathlib.Path
        The files. A text that a spreadsheet would take for a formula gets an apostrophe in front.
    """
    book = io.BytesIO()
    workbook(review).save(book)
    tables = {
        "intervals.csv": intervals(review, small_group),
        "ways_out.csv": ways_out(review),
        "drying.csv": drying(review),
    }
    content = {name: csv_text(table).encode("utf-8") for name, table in tables.items()}
    content["care_sheet.xlsx"] = book.getvalue()
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


def sheet_rows(review: WateringReview) -> pd.DataFrame:
    """One row per standing plant: route, site_id, reason, position, species, look, water, usually, change.

    Parameters
    ----------
    review : WateringReview
        As `review.review` gives it.

    Returns
    -------
    pandas.DataFrame

    Notes
    -----
    Only a look has a day. Water is wanted at the looks that find the soil dry to its depth; where more of them than
    `max_still_moist_share` find it moist, the sheet says at about how many it is wanted, so that no look is taken for a
    watering.
    """
    plants = review.advice.plants.merge(
        review.advice.sites[["site_id", "region", "now", "reason"]], on="site_id", how="left"
    )
    season = SEASONS[review.advice.heating]
    usual = review.profiles[review.profiles["season"] == season].set_index(BY)["usually_by"]
    by = usual.reindex(pd.MultiIndex.from_frame(plants[BY])).to_numpy()
    depth = plants["pot"].map(DRY_DEPTH).fillna(DRY_DEPTH["unknown"])
    reservoir, most_moist = plants["planter"] == RESERVOIR, review.max_still_moist_share
    number = plants["plants"].map(lambda n: f" ({n} plants)" if n > 1 else "")
    rows = pd.DataFrame(
        {
            "route": plants["region"].replace("", "route not stated"),
            "site_id": plants["site_id"],
            "site_every": plants["visit_every"],
            "reason": plants["reason"],
            "position": plants["position"],
            "species": plants["species"] + number,
            "look": [f"{d} days" for d in plants["inspection_interval"]],
            "water": [
                f"{'reservoir empty, ' if r else ''}top {d:g} cm dry: {_how_often(m, most_moist)}"
                for d, r, m in zip(depth, reservoir, plants["moist_looks"], strict=True)
            ],
            "usually": [f"day {d:.0f}" if pd.notna(d) else "" for d in by],
            "change": [
                OWN_WAY_OUT if too_dry else _change(n, v, k)
                for n, v, k, too_dry in zip(
                    plants["now"],
                    plants["visit_every"],
                    plants["inspection_interval"],
                    plants["own_way_out"],
                    strict=True,
                )
            ],
        }
    )
    return rows.sort_values(["route", "site_id", "position", "species"], kind="stable", ignore_index=True)


def workbook(review: WateringReview) -> Workbook:
    """The care sheet as a workbook: one sheet per route, sites one below the other, A4 upright.

    Parameters
    ----------
    review : WateringReview
        As `review.review` gives it.

    Returns
    -------
    Workbook
    """
    book = Workbook()
    book.remove(book.active)
    fixed = pd.Timestamp(FIXED_TIME).to_pydatetime().replace(tzinfo=None)
    book.properties.created = book.properties.modified = fixed
    book.properties.creator = "plantstats"
    for route, rows in sheet_rows(review).groupby("route", sort=True):
        _sheet(book.create_sheet(_title(str(route), book)), str(route), rows, review)
    return book


def harmless(text: str) -> str:
    """Text that no spreadsheet runs as a formula.

    Parameters
    ----------
    text : str

    Returns
    -------
    str
    """
    return "'" + text if str(text).startswith(FORMULA) else str(text)


def _how_often(moist_looks: float, most_moist: float) -> str:
    """At how many looks water is wanted; where more than a few find it moist, a look is no watering."""
    if moist_looks <= most_moist:
        return "at most looks"
    return f"at about 1 look in {max(round(1 / max(1 - moist_looks, 0.01)), 2)}"


def _change(now: int, visit: int, look: int) -> str:
    """What is new for a plant. Looks are whole numbers of visits."""
    if look == now:
        return "none"
    return f"was every {now} days" if visit != now else f"only at one visit in {look // now}"


def _title(route: str, book: Workbook) -> str:
    r"""A sheet name that a workbook accepts (no []:*?/\\, at most 31 letters) and that is not taken."""
    plain = re.sub(r"[\[\]:*?/\\']", " ", route).strip()[:28] or "route"
    taken = {name.lower() for name in book.sheetnames}
    number = next(n for n in range(1, len(taken) + 2) if (plain if n == 1 else f"{plain} {n}").lower() not in taken)
    return plain if number == 1 else f"{plain} {number}"


def _sheet(sheet: Worksheet, route: str, rows: pd.DataFrame, review: WateringReview) -> None:
    bold, thin = Font(bold=True), Side(style="thin", color="9AA5B1")
    season, other = SEASONS[review.advice.heating], SEASONS[not review.advice.heating]
    lead = [
        (f"Care sheet, route {route}: {season}, made from records until {review.as_of.isoformat()}", bold),
        (f"From {review.turns_on.isoformat()} the {other} begins: use the sheet for it.", None),
        ("The finger in the pot decides. Only how often changes, never how much water at once.", None),
        ("Days by which a plant is usually dry count from its last watering.", None),
    ]
    for text, font in lead:
        sheet.append([harmless(text)])
        sheet.merge_cells(start_row=sheet.max_row, end_row=sheet.max_row, start_column=1, end_column=len(HEAD))
        if font:
            sheet.cell(sheet.max_row, 1).font = font
        sheet.cell(sheet.max_row, 1).alignment = Alignment(wrap_text=True, vertical="top")
    sheet.append(list(HEAD))
    head = sheet.max_row
    for cell in sheet[head]:
        cell.font, cell.fill = bold, PatternFill("solid", fgColor="E4E7EB")
        cell.alignment = Alignment(wrap_text=True, vertical="top")
    for site, part in rows.groupby("site_id", sort=True):
        sheet.append(
            [harmless(f"Site {site}: visit every {part['site_every'].iloc[0]} days ({part['reason'].iloc[0]})")]
        )
        sheet.merge_cells(start_row=sheet.max_row, end_row=sheet.max_row, start_column=1, end_column=len(HEAD))
        sheet.cell(sheet.max_row, 1).font = bold
        sheet.cell(sheet.max_row, 1).alignment = Alignment(wrap_text=True, vertical="top")
        for row in part[["position", "species", "look", "water", "usually", "change"]].itertuples(index=False):
            sheet.append([harmless(value) for value in row])
            for cell in sheet[sheet.max_row]:
                cell.border = Border(bottom=thin)
                cell.alignment = Alignment(wrap_text=True, vertical="top")
                # Never a formula, whatever a name in the records begins with.
                cell.data_type = "s"
    for letter, width in zip("ABCDEF", WIDTHS, strict=True):
        sheet.column_dimensions[letter].width = width
    sheet.page_setup.paperSize, sheet.page_setup.orientation = sheet.PAPERSIZE_A4, sheet.ORIENTATION_PORTRAIT
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.print_title_rows = f"{head}:{head}"
    sheet.freeze_panes = f"A{head + 1}"
    sheet.oddFooter.left.text, sheet.oddFooter.right.text = "plantstats care sheet", "page &P of &N"
