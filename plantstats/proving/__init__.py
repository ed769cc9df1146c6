"""The proving ground: what reports print, held against the known truth of many invented companies."""

from plantstats.proving.figures import figures, sentence
from plantstats.proving.run import prove

__all__ = ["figures", "prove", "sentence"]
