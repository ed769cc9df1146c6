"""The rival of the benchmark: plant-time and cells in plain, vectorised pandas, for tables without counted lines."""

from __future__ import annotations

import numpy as np
import pandas as pd

from plantstats.exposure.episodes import AIR_WINDOW
from plantstats.exposure.inputs import AGE_CUTS, SUMS, TRANSIENT_DAYS, age_bands
from plantstats.records import Records

EPOCH = pd.Timestamp("1970-01-01")
LOST = ("died", "declined")


def day(dates: pd.Series) -> pd.Series:
    """Days since 1970, missing where there is none."""
    return (dates - EPOCH).dt.days


def cells(records: Records, as_of: pd.Timestamp, by: list[str]) -> pd.DataFrame:
    """What `PlantTime.exposure_table` gives for losses dated "found", without n_plants."""
    cut = (as_of - EPOCH).days
    visits = records.table("visits")
    visits = visits[visits["visited_on"] <= as_of]
    parts = _parts(records, visits, cut)
    air = _air(records, visits, parts[["site_id", "middle"]].drop_duplicates(), cut)
    parts = parts.merge(air, on=["site_id", "middle"], how="left")
    parts[["rh_tenths", "rh_readings"]] = parts[["rh_tenths", "rh_readings"]].fillna(0).astype("int64")
    band = parts["rh_tenths"] // (parts["rh_readings"].clip(lower=1) * 50) * 5
    parts["rh_band"] = band.astype(str).where(parts["rh_readings"] > 0, "missing")
    age = parts["begins"] - parts["installed"]
    *bands, unknown = age_bands()
    ages = np.select([age < c for c in AGE_CUTS], bands[:-1], bands[-1])
    parts["age_band"] = pd.Series(ages, index=parts.index).mask(age.isna(), unknown)
    parts["month"] = (EPOCH + pd.to_timedelta(parts["begins"] + 1, unit="D")).dt.to_period("M").dt.start_time
    for what in ("moved", "repotted"):
        since = parts["begins"] - parts[f"{what}_at"]
        parts[what] = np.select([since.isna(), since < TRANSIENT_DAYS], ["never", "first 90 days"], "later")
    parts["plant_days"] = parts["ends"] - parts["begins"]
    parts["losses"] = parts["died"] + parts["declined"]
    return parts.groupby(by, as_index=False, dropna=False)[list(SUMS)].sum()


def _parts(records: Records, visits: pd.DataFrame, cut: int) -> pd.DataFrame:
    plants = records.table("plants").merge(records.table("sites")[["site_id", "observed_from"]], on="site_id")
    looks = visits[visits["plant_id"].notna() & visits["status"].fillna("completed").eq("completed")]
    looks = looks.assign(at=day(looks["visited_on"]))
    first = plants["plant_id"].map(looks.groupby("plant_id")["at"].min())
    observed, installed = day(plants["observed_from"]), day(plants["installed_on"])
    begins = installed.fillna(first).fillna(observed)
    plants = plants.assign(installed=installed, entry=np.fmax(begins, observed))
    told = records.table("replacements")
    gone = pd.concat(
        [
            pd.DataFrame(
                {
                    "plant_id": told["plant_id"],
                    "at": day(told["found_on"]).fillna(day(told["replaced_on"])),
                    "outcome": told["outcome"].fillna("died"),
                    "rank": 0,
                }
            ),
            pd.DataFrame(
                {
                    "plant_id": plants["plant_id"],
                    "at": day(plants["removed_on"]),
                    "outcome": plants["outcome"].fillna("withdrawn"),
                    "rank": 1,
                }
            ),
        ]
    ).dropna(subset="at")
    gone = gone.sort_values(["plant_id", "rank", "at"]).drop_duplicates("plant_id")
    plants = plants.merge(gone, on="plant_id", how="left")
    # Taken away alive on the day of entry: never at risk.
    plants = plants[~(plants["at"].eq(plants["entry"]) & ~plants["outcome_y"].isin(LOST))]
    plants["at"] = plants[["at"]].assign(least=plants["entry"] + 1).max(axis=1, skipna=False)
    counts = plants["at"] <= cut
    plants["leave"] = plants["at"].where(counts, cut)
    plants["outcome"] = plants["outcome_y"].where(counts)
    plants = plants[plants["entry"] < plants["leave"]]
    base = plants[["plant_id", "entry", "leave", "installed"]]

    moves = records.table("moves")
    moves = moves.assign(at=day(moves["moved_on"]))[lambda m: m["at"] <= cut].sort_values(["plant_id", "at"])
    moves["place"] = moves.groupby("plant_id").cumcount() + 1
    shifted = looks.loc[looks["moved"].fillna(False), ["plant_id", "at"]]
    moved = pd.concat([moves[["plant_id", "at"]], shifted]).drop_duplicates().merge(base, on="plant_id")
    repots = looks.loc[looks["repotted"].fillna(False), ["plant_id", "at"]].merge(base, on="plant_id")
    placed = moves[["plant_id", "at", "place"]].merge(base, on="plant_id")
    month = {
        which: (EPOCH + pd.to_timedelta(base[which], unit="D")).dt.to_period("M").astype("int64").to_numpy()
        for which in ("entry", "leave")
    }
    reps = month["leave"] - month["entry"]
    every = base.loc[base.index.repeat(reps)]
    number = np.repeat(month["entry"], reps) + np.arange(len(every)) - np.repeat(reps.cumsum() - reps, reps) + 1
    ends = pd.PeriodIndex.from_ordinals(number, freq="M").start_time
    frames = [
        base.assign(at=base["entry"]),
        base.assign(at=base["leave"]),
        every.assign(at=(ends - EPOCH).days - 1),
        *[base.assign(at=base["installed"] + c) for c in AGE_CUTS],
        placed.assign(at=np.fmax(placed["at"], placed["entry"])),
        moved.assign(moved_at=moved["at"], at=np.fmax(moved["at"], moved["entry"])),
        moved.assign(at=moved["at"] + TRANSIENT_DAYS),
        repots.assign(repotted_at=repots["at"], at=np.fmax(repots["at"], repots["entry"])),
        repots.assign(at=repots["at"] + TRANSIENT_DAYS),
    ]
    cuts = pd.concat(frames, ignore_index=True)
    cuts = cuts[(cuts["at"] >= cuts["entry"]) & (cuts["at"] <= cuts["leave"])]
    cuts = cuts.groupby(["plant_id", "at"], as_index=False)[["place", "moved_at", "repotted_at"]].max()
    so_far = cuts.groupby("plant_id")[["place", "moved_at", "repotted_at"]].cummax()
    cuts[["place", "moved_at", "repotted_at"]] = so_far.groupby(cuts["plant_id"]).ffill()
    cuts["ends"] = cuts.groupby("plant_id")["at"].shift(-1)
    parts = cuts.dropna(subset="ends").rename(columns={"at": "begins"})
    parts["place"] = parts["place"].fillna(0)
    parts = parts.merge(plants[["plant_id", "species", "installed", "leave", "outcome"]], on="plant_id")
    where = pd.concat(
        [
            plants[["plant_id", "site_id", "light"]].assign(place=0),
            moves.rename(columns={"to_site_id": "site_id", "to_light": "light"})[
                ["plant_id", "site_id", "light", "place"]
            ],
        ]
    )
    where = where.sort_values(["plant_id", "place"])
    where[["site_id", "light"]] = where.groupby("plant_id")[["site_id", "light"]].ffill()
    parts = parts.merge(where, on=["plant_id", "place"], how="left")
    parts["light"] = parts["light"].fillna("unknown")
    last = parts["ends"].eq(parts["leave"])
    for outcome, name in (
        ("died", "died"),
        ("declined", "declined"),
        ("client", "client_exits"),
        ("withdrawn", "withdrawn"),
    ):
        parts[name] = (last & parts["outcome"].eq(outcome)).astype("int64")
    parts = parts.astype({"begins": "int64", "ends": "int64"})
    return parts.assign(middle=parts["begins"] + (parts["ends"] - parts["begins"] + 1) // 2)


def _stood(records: Records, visits: pd.DataFrame) -> pd.Series:
    """Site to which a plant had moved before the day of each visit; missing where it never had."""
    moves = records.table("moves").dropna(subset=["to_site_id", "moved_on"])
    moves = moves.sort_values(["moved_on", "to_site_id"]).drop_duplicates(["plant_id", "moved_on"], keep="last")
    lines = visits[["plant_id", "visited_on"]].assign(row=visits.index).dropna().sort_values("visited_on")
    stood = pd.merge_asof(
        lines, moves, left_on="visited_on", right_on="moved_on", by="plant_id", allow_exact_matches=False
    )
    return stood.set_index("row")["to_site_id"].reindex(visits.index)


def _air(records: Records, visits: pd.DataFrame, wanted: pd.DataFrame, cut: int) -> pd.DataFrame:
    home = records.table("plants").set_index("plant_id")["site_id"]
    read = visits[visits["rh_percent"].notna()]
    loggers = records.table("readings")
    loggers = loggers[loggers["rh_percent"].notna()]
    both = pd.concat(
        [
            pd.DataFrame(
                {
                    "site_id": read["site_id"].fillna(_stood(records, read)).fillna(read["plant_id"].map(home)),
                    "at": day(read["visited_on"]),
                    "tenths": (read["rh_percent"] * 10).round(),
                }
            ),
            pd.DataFrame(
                {
                    "site_id": loggers["site_id"],
                    "at": day(loggers["read_at"].dt.normalize()),
                    "tenths": (loggers["rh_percent"] * 10).round(),
                }
            ),
        ]
    )
    both = both[both["at"] <= cut]
    daily = both.groupby(["site_id", "at"])["tenths"].agg(rh_tenths="sum", rh_readings="count").reset_index()
    asked = pd.DataFrame({"site_id": wanted["site_id"], "at": wanted["middle"] - 1, "rh_tenths": 0.0, "rh_readings": 0})
    days = pd.concat([daily, asked]).groupby(["site_id", "at"], as_index=False).sum()
    days["on"] = EPOCH + pd.to_timedelta(days["at"], unit="D")
    window = days.groupby("site_id").rolling(f"{AIR_WINDOW}D", on="on")[["rh_tenths", "rh_readings"]].sum()
    days[["rh_tenths", "rh_readings"]] = window[["rh_tenths", "rh_readings"]].round().to_numpy()
    return days.assign(middle=days["at"] + 1)[["site_id", "middle", "rh_tenths", "rh_readings"]]
