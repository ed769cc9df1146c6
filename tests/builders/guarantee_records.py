"""A small firm with running guarantees, written by hand."""

from __future__ import annotations

from plantstats import records


def write(folder, **tables):
    for name, text in tables.items():
        (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    return records.load(folder)


SMALL = {
    "sites": "site_id,client_id\nS1,C1\nS2,C2\n",
    "plants": (
        "plant_id,site_id,species,pot_cm,light,installed_on,guarantee_until,cost,quantity\n"
        "P1,S1,Ficus lyrata,30,medium,2025-11-01,2026-10-31,40.00,\n"  # in force for 31 days more
        "P2,S1,Ficus lyrata,30,medium,2025-09-30,2026-09-30,40.00,\n"  # ends on the day
        "P3,S1,Ficus lyrata,30,medium,2026-01-10,2027-01-09,40.00,\n"  # replaced in May
        "P4,S1,Ficus lyrata,30,medium,2026-05-20,2027-05-20,,\n"  # its successor, no cost on record
        "P5,S2,Ficus lyrata,30,medium,2026-02-01,2027-02-01,90.00,3\n"  # three plants, contract ends 2026-12-31
        "P6,S2,Ficus lyrata,30,medium,2026-02-01,,40.00,\n"  # no guarantee
    ),
    "replacements": (
        "plant_id,replaced_on,cause,replaced_by,covered,plant_cost,labour_minutes\n"
        "P3,2026-05-20,pest,P4,guaranteed,40.00,20\n"
    ),
    "visits": (
        "visited_on,plant_id,condition,minutes\n"
        "2026-09-30,P1,4,6\n2026-09-30,P4,4,6\n2026-09-30,P5,4,6\n2026-09-28,P6,4,\n"
    ),
    "contracts": (
        "client_id,site_id,starts_on,ends_on,monthly_fee,months,cap,excluded\n"
        "C1,S1,2025-01-01,,100.00,12,1,theft building_failure\nC2,,2025-10-01,2026-12-31,50.00,12,,\n"
    ),
}
