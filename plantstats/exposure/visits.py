"""What a completed visit is, and at which site a line of the visit log was written.

The one definition: a visit counts as completed where its status says so or says nothing.
"""

from __future__ import annotations

import ibis
import ibis.expr.types as ir
import pandas as pd

from plantstats.exposure.inputs import day

COMPLETED = "completed"


def is_completed(status: ir.StringValue) -> ir.BooleanValue:
    """Whether a visit of this status took place, as an expression for any engine.

    Parameters
    ----------
    status : ir.StringValue
        As in the visit log; missing is completed.

    Returns
    -------
    ir.BooleanValue
    """
    return status.coalesce(COMPLETED) == COMPLETED


def completed(visits: pd.DataFrame) -> pd.DataFrame:
    """Completed ones among rows of the visit log.

    Parameters
    ----------
    visits : pandas.DataFrame
        The visit log, or rows of it.

    Returns
    -------
    pandas.DataFrame

    Examples
    --------
    >>> completed(pd.DataFrame({"status": ["completed", None, "missed", "no_access"]})).index.tolist()
    [0, 1]
    """
    return visits[visits["status"].fillna(COMPLETED).eq(COMPLETED)]


def with_site(visits: ir.Table, t: dict[str, ir.Table]) -> ir.Table:
    """Name the site of each line of the visit log.

    Parameters
    ----------
    visits : ibis table
        Lines with plant_id, site_id (either may be missing) and at (day).
    t : dict
        Holds `plants` and the step `stays`.

    Returns
    -------
    ibis table
        The same lines with at_site: the site that the line names, else where its plant stood on that day, else where
        the plant is listed.
    """
    home = t["plants"].select("plant_id", home="site_id")
    there = t["stays"]
    v = visits.left_join(home, "plant_id", rname="{name}_h").drop("plant_id_h")
    on_the_day = [v.plant_id == there.plant_id, v["at"] > there.since, v["at"] <= there.until]
    v = v.left_join(there, on_the_day, rname="{name}_s")
    return v.select(*visits.columns, at_site=ibis.coalesce(v.site_id, v.stood, v.home))


def completed_visits(t: dict[str, ir.Table], as_of: int | ir.IntegerValue) -> ir.Table:
    """Completed lines of the visit log up to a day, with their site on that day.

    Parameters
    ----------
    t : dict of str to ir.Table
        Tables of the records and the steps before, by name.
    as_of : int or ir.IntegerValue
        Last day that counts, in days since 1970-01-01.

    Returns
    -------
    ibis table
        The columns of `visits`, at (day) and at_site.
    """
    visits = t["visits"]
    done = visits.filter(is_completed(visits.status), day(visits.visited_on) <= as_of)
    return with_site(done.mutate(at=day(done.visited_on)), t)
