"""Plant-time: who was at risk on which days, under which conditions, and what was lost.

One chain of ibis expressions leads from the typed records to *episodes* (rows of split person-time) and from
episodes to tables of rates. It runs on DuckDB in this process; the same chain compiles for other engines, so that a
cluster can take it.

How days are counted. A day at risk is a whole day after the day of entry, up to and including the day of
exit, so a life from 6 January to 31 March has 84 days and a loss found on 1 October lies in October. Cut
points therefore belong to the part that they end: (lo, hi] for ages and calendar alike, the rule of the
published splitting checks. An episode is written half-open, [from_on, to_on): its first day at risk, and the
day after its last.
"""

from plantstats.exposure.build import build, last_day
from plantstats.exposure.environment import DRY_AIR_BELOW
from plantstats.exposure.episodes import plan, rate_table
from plantstats.exposure.inputs import POT_CLASSES, READS, SINCE_BANDS, age_bands, pot_class, unbound
from plantstats.exposure.plant_time import PlantTime
from plantstats.exposure.visits import completed
from plantstats.schema.causes import LOSSES, OUTCOMES

__all__ = [
    "DRY_AIR_BELOW",
    "LOSSES",
    "OUTCOMES",
    "POT_CLASSES",
    "READS",
    "SINCE_BANDS",
    "PlantTime",
    "age_bands",
    "build",
    "completed",
    "last_day",
    "plan",
    "pot_class",
    "rate_table",
    "unbound",
]
