"""What lies between a mix and its master, in figures, words and pictures."""

from autochain.compare.comparison import Comparison, compare

__all__ = ["Comparison", "compare"]
