"""Texts that every process of a review needs, made on import: once, in the process they are forked from.

Of records whose settings name no heating season of their own; others make theirs when asked.
"""

from plantstats import periods
from plantstats.exposure.build import chain, days_of_visits_sql
from plantstats.exposure.inputs import AGE_CUTS
from plantstats.settings import Settings

MONTHS = tuple(sorted(periods.heating_months(Settings().heating_season)))
STEPS = chain(None, "duckdb", "found", MONTHS, AGE_CUTS, False)
DAYS_OF_VISITS = days_of_visits_sql("duckdb")
