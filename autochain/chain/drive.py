"""Drive: one static gain into the first peak stage, the value that sets how loud the result gets.

`y = 10^(gain_db / 20) x`. Latency 0. At 0 dB the input is returned bit for bit.
"""

from autochain.audio.mix import Samples
from autochain.chain.parameter import Parameter
from autochain.chain.stage import Processed, Settings, Stage, buffered
from autochain.units import db_to_linear


def process(samples: Samples, rate_hz: int, settings: Settings) -> Processed:
    """Multiply by one gain; keeps the dtype."""
    gain_db = settings["gain_db"]
    if gain_db == 0.0:
        return Processed(samples=samples)
    return Processed(samples=samples * samples.dtype.type(db_to_linear(gain_db)))


def _no_latency(rate_hz: int, settings: Settings) -> int:
    return 0


STAGE = Stage(
    name="drive",
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
    neutral={"gain_db": 0.0},
    start=buffered(process),
    latency_samples=_no_latency,
    linear=True,
    listen_for=("the input gain of the next stage: set it last, by the loudness reading",),
)
