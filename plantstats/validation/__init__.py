"""Validation: what reports print, held against the known truth of many invented companies.

`run.validate` makes the companies and the table; `figures` and `quoted` say what the committed table holds.
"""

from plantstats.validation.figures import figures, older, quoted, sentence

__all__ = ["figures", "older", "quoted", "sentence"]
