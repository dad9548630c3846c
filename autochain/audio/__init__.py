"""Sound as arrays: the mix, files, test signals, oversampling, the Hilbert pair."""

from autochain.audio.mix import Mix, Samples

__all__ = ["Mix", "Samples"]
