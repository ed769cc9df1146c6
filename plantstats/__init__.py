"""The records desk of an interior-plant care business: what was lost, how often to look, what the promise costs."""

__version__ = "0.1.0"
