"""Drive: one static gain into the first peak stage, the value that sets how loud the result gets.

`y = 10^(gain_db / 20) x`. Latency 0. At 0 dB the input is returned bit for bit.
"""

import numpy as np

from autochain.audio.mix import Samples
from autochain.chain.parameter import Parameter
from autochain.chain.settings import DRIVE, StageSettings
from autochain.chain.stage import GainTrace, Stage
from autochain.units import db_to_linear


class FixedGain:
    """Runner that multiplies by one gain; keeps the dtype."""

    trace: GainTrace | None = None

    def __init__(self, channels: int, gain_db: float) -> None:
        self._gain = None if gain_db == 0.0 else db_to_linear(gain_db)
        self._nothing: Samples = np.zeros((0, channels), np.float32)

    def push(self, block: Samples) -> Samples:
        """Return the block, louder or quieter."""
        return block if self._gain is None else block * block.dtype.type(self._gain)

    def finish(self) -> Samples:
        """Nothing is left."""
        return self._nothing


def _start(rate_hz: int, channels: int, settings: StageSettings) -> FixedGain:
    return FixedGain(channels, settings["gain_db"])


def _no_latency(rate_hz: int, settings: StageSettings) -> int:
    return 0


STAGE = Stage(
    name=DRIVE,
    label="drive",
    parameters=(
        Parameter(
            name="gain_db",
            label="gain",
            unit="dB",
            low=-60.0,
            high=40.0,
            default=0.0,
            step=0.1,
            ends="lower is quieter; higher pushes more peaks into the stages after it",
        ),
    ),
    neutral=StageSettings({"gain_db": 0.0}),
    start=_start,
    latency_samples=_no_latency,
    linear=True,
    listen_for=("the input gain of the next stage: set it last, until your loudness meter reads the target",),
)
