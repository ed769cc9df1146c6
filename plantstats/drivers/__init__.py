"""What drives losses: the findings, sentences, tables and charts of the page on effects and watch list."""

from plantstats.drivers.review import Drivers, review

__all__ = ["Drivers", "review"]
