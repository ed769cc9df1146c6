"""The proving ground: what reports print, held against the known truth of many invented companies."""

from plantstats.proving.figures import figures, sentence
from plantstats.proving.run import ProvingError, prove

__all__ = ["ProvingError", "figures", "prove", "sentence"]
