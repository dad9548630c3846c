"""Transient shaper: raises or lowers the start of sounds and what follows, whatever their level."""

import math

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter1d

from autochain.audio.mix import Samples
from autochain.chain import _transient_kernels as kernels
from autochain.chain.parameter import Parameter
from autochain.chain.stage import TRACE_HZ, GainTrace, Processed, Settings, Stage, buffered

# common practice, no source, for the five values below
STEP_HZ = 5500.0  # envelopes and gain move in steps of about 0.18 ms
HOLD_MS = 12.5  # half a period of 40 Hz: a steady tone from there up has a steady level
FALL_MS = 10.0  # of the fast envelope: rounds off the stairs that the hold makes of a decay
FULL_DB = 6.0  # envelope difference at which the gain reaches the set value
SMOOTH_MS = 1.0  # of the gain, ahead of time
MOST_DB = 24.0  # the envelopes part no further, so that nothing depends on how deep a pause before a hit was
FLOOR_DB = -200.0


def process(samples: Samples, rate_hz: int, settings: Settings) -> Processed:
    """Shape transients by the difference of two envelopes.

    In steps of about 0.18 ms, with l the largest magnitude of any channel over the last 12.5 ms, in dB:

        fast = l when it rises, falling towards l with a time constant of 10 ms,
        slow = one-pole of fast with time constant `window_ms` (63 %), kept within 24 dB of it,
        d = fast - slow,
        gain = onset_db min(d / 6, 1) where d > 0, body_db min(-d / 6, 1) where d < 0,

    as a factor averaged over 1 ms ahead of time and drawn straight between steps. Only level differences
    enter: scaling the input scales the output, and a steady tone (40 Hz or more) has d = 0. The gain never
    passes the set values. General knowledge of the field (differential envelope), no single source.

    Parameters
    ----------
    samples
        Shape (frames, channels).
    rate_hz
        Sample rate.
    settings
        `onset_db`, -6 (softens hits) to +6 dB (gives edge back), 0 neutral; `body_db`, -6 (drier) to +6 dB
        (longer, denser), 0 neutral; `window_ms`, how long an onset or a decay lasts, 5 (the click) to 60 ms
        (the whole hit). Complete and checked. With both gains at 0 the output is the input, bit for bit.

    Returns
    -------
    Processed
        Samples and trace, both channels sharing one gain. Reduction is negative where level is added;
        `max_db` is the value farthest from zero.
    """
    frames = samples.shape[0]
    hop = round(rate_hz / TRACE_HZ)
    blocks = -(-frames // hop)
    if frames == 0 or (settings["onset_db"] == 0.0 and settings["body_db"] == 0.0):
        still = np.zeros(blocks, np.float32)
        return Processed(samples=samples.copy(), trace=GainTrace(max_db=still, mean_db=still.copy()))
    group = group_frames(rate_hz)
    gain = 10.0 ** (_gain_db(_difference_db(samples, group, rate_hz, settings["window_ms"]), settings) / 20.0)
    steps = _smoothing_steps(rate_hz)
    ahead = np.concatenate((gain, np.full(steps, gain[-1])))
    nodes = np.mean([ahead[k : k + gain.size + 1] for k in range(steps)], axis=0)
    output = np.empty_like(samples)
    gains = np.empty((3, blocks))
    kernels.apply_nodes(samples, nodes, group, hop, output, gains)
    cut, boost, mean = -20.0 * np.log10(gains)
    return Processed(
        samples=output,
        trace=GainTrace(
            max_db=np.where(np.abs(cut) >= np.abs(boost), cut, boost).astype(np.float32) + np.float32(0.0),
            mean_db=mean.astype(np.float32) + np.float32(0.0),  # no minus zero
        ),
    )


def _difference_db(
    samples: Samples, group: int, rate_hz: int, window_ms: float
) -> npt.NDArray[np.float64]:
    """Fast minus slow envelope per group of frames, dB."""
    frames, channels = samples.shape
    dtype = samples.dtype
    integer = np.dtype(np.int32) if dtype.itemsize == 4 else np.dtype(np.int64)
    peak = np.zeros(-(-frames // group), dtype)
    mask = integer.type(np.iinfo(integer).max)  # all but the sign bit
    kernels.group_peaks(samples.reshape(-1).view(integer), mask, group * channels, peak.view(integer))
    step_ms = 1e3 * group / rate_hz
    hold = max(1, round(HOLD_MS / step_ms))
    # Causal: the window ends at its own place; before the signal there is silence.
    held = maximum_filter1d(peak.astype(np.float64), hold, mode="constant", origin=(hold - 1) // 2)
    level = np.full(held.size, FLOOR_DB)
    np.log10(held, out=level, where=held > 0.0)
    level[held > 0.0] *= 20.0
    difference = np.empty(level.size)
    kernels.follow(
        level, 1.0 - math.exp(-step_ms / FALL_MS), 1.0 - math.exp(-step_ms / window_ms), MOST_DB, difference
    )
    return difference


def _gain_db(difference_db: npt.NDArray[np.float64], settings: Settings) -> npt.NDArray[np.float64]:
    share = np.clip(difference_db / FULL_DB, -1.0, 1.0)
    return np.where(share > 0.0, settings["onset_db"], -settings["body_db"]) * share


def group_frames(rate_hz: int) -> int:
    """Frames per step of the envelopes."""
    return max(1, round(rate_hz / STEP_HZ))


def _smoothing_steps(rate_hz: int) -> int:
    return max(1, round(SMOOTH_MS * 1e-3 * rate_hz / group_frames(rate_hz)))


def latency_samples(rate_hz: int, settings: Settings) -> int:
    """Delay of a real-time version: the averaging ahead, one step, and the group being filled."""
    return (_smoothing_steps(rate_hz) + 1) * group_frames(rate_hz) - 2


STAGE = Stage(
    name="transient",
    label="transient shaper",
    parameters=(
        Parameter(
            name="onset_db",
            label="onset",
            unit="dB",
            low=-6.0,
            high=6.0,
            default=0.0,
            step=0.1,
            ends="-6 softens every hit; +6 gives edge back",
        ),
        Parameter(
            name="body_db",
            label="body",
            unit="dB",
            low=-6.0,
            high=6.0,
            default=0.0,
            step=0.1,
            ends="-6 dries the decays; +6 lengthens them",
        ),
        Parameter(
            name="window_ms",
            label="window",
            unit="ms",
            low=5.0,
            high=60.0,
            default=20.0,
            step=1.0,
            scale="log",
            ends="5 reaches the click of a hit; 60 the whole of it",
        ),
    ),
    neutral={"onset_db": 0.0, "body_db": 0.0},
    start=buffered(process),
    latency_samples=latency_samples,
    listen_for=(
        "drums regain the edge that the stages before took, without a click of their own",
        "vocal consonants and guitar picks growing too sharp: less onset",
    ),
)
