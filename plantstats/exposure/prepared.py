"""Texts that every process of a review needs, made on import: once, in the process they are forked from."""

from plantstats.exposure.build import chain
from plantstats.exposure.inputs import AGE_CUTS

# What hangs on the heating season is the last step alone, which each process makes anew.
STEPS = chain(None, "duckdb", "found", (), AGE_CUTS, False)
