"""Records: files in any dress become typed tables, and every row of every file is accounted for."""

from plantstats.records.errors import RecordError
from plantstats.records.load import Records, load, survey
from plantstats.records.propose import propose_settings
from plantstats.records.species import species_table
from plantstats.settings import Settings

__all__ = ["RecordError", "Records", "Settings", "load", "propose_settings", "species_table", "survey"]
