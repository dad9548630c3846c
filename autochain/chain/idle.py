"""A stage whose settings change nothing."""

import numpy as np

from autochain.audio.mix import Samples
from autochain.chain.stage import TRACE_HZ, GainTrace


class Idle:
    """Runner that returns every block as it is, and a trace of zeros."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._rate_hz = rate_hz
        self._frames = 0
        self._nothing: Samples = np.empty((0, channels), dtype=np.float32)

    def push(self, block: Samples) -> Samples:
        """Return the block itself."""
        self._frames += block.shape[0]
        self._nothing = block[:0]
        return block

    def finish(self) -> Samples:
        """Nothing is left."""
        return self._nothing

    @property
    def trace(self) -> GainTrace:
        """Zeros."""
        return idle_trace(self._frames, self._rate_hz)


def idle_trace(frames: int, rate_hz: int) -> GainTrace:
    """Trace of a stage that leaves everything as it is."""
    nothing = np.zeros(-(-frames // round(rate_hz / TRACE_HZ)), dtype=np.float32)
    return GainTrace(max_db=nothing, mean_db=nothing)
