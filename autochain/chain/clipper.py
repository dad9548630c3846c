"""Soft clipper: takes the tops off the waveform, oversampled; what stays below the knee is not touched."""

import math

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.audio.oversample import FACTOR, PIECE_FRAMES, block_levels, fourth_band, runs_above, scratch
from autochain.chain import _clipper_kernels as kernels
from autochain.chain.parameter import Parameter
from autochain.chain.stage import TRACE_HZ, GainTrace, Processed, Settings, Stage, buffered
from autochain.units import db_to_linear

# At 44.1 kHz flat within 0.001 dB to 20 kHz; 100 dB down from 24.1 kHz, where images of 20 kHz begin and from
# where harmonics could fold back below 20 kHz. Between, the transition around half the sample rate folds onto
# itself.
FILTER = fourth_band(36, 10.06)


def curve(u: npt.ArrayLike, ceiling: float, softness: float) -> npt.NDArray[np.float64]:
    """Bend values by the static clipping curve.

    f(u) = u up to c - w, c - (c + w - |u|)^2 / (4 w) up to c + w, then c (odd in u), with w = c s / 200: the
    hard clip averaged over a window of half width w, hence with a continuous slope.

    Parameters
    ----------
    u
        Samples.
    ceiling
        c, the largest output magnitude, linear.
    softness
        s, 0 (hard clip) to 100 % (bends from 0.5 c to 1.5 c).
    """
    u = np.asarray(u, dtype=np.float64)
    a, w = np.abs(u), half_width(ceiling, softness)
    with np.errstate(divide="ignore", invalid="ignore"):
        bent = ceiling - (ceiling + w - a) ** 2 / (4.0 * w)
    f = np.where(a <= ceiling - w, a, np.where(a >= ceiling + w, ceiling, bent))
    return np.asarray(np.copysign(f, u))


def half_width(ceiling: float, softness: float) -> float:
    """Half width of the bend around the ceiling, linear: half the ceiling at softness 100 %."""
    return 0.005 * softness * ceiling


def process(samples: Samples, rate_hz: int, settings: Settings) -> Processed:
    """Clip to `ceiling_dbfs`.

    y = x + down(f(up x) - up x), with up and down by four: where no sample or quarter point in reach passes
    the knee, the output is the input bit for bit. Interpolation and low-pass run in the sample type (float32:
    errors near -148 dBFS rms in clipped noise, none where nothing clips). Channels are clipped one by one,
    as each waveform has its own tops. The low-pass after the curve rings: samples may pass the ceiling, by 1 to 2 dB
    on noisy drum hits and 4 dB on clipped white noise, which is left to the limiter behind.

    Parameters
    ----------
    samples
        Shape (frames, channels).
    rate_hz
        Sample rate, for the trace.
    settings
        `ceiling_dbfs`: output magnitude that is not passed, -24 (far below most mixes' peaks: heavy
        distortion) to +24 dBFS (out of the way). `softness`: 0 % hard clip, identity up to the ceiling; 100 %
        identity up to 6 dB below it. Both are complete and checked.

    Returns
    -------
    Processed
        Samples and trace: `max_db` is |u| over |f(u)| at the largest quarter point of any channel, `mean_db`
        the mean of f(u)/u over all quarter points and channels.
    """
    ceiling = db_to_linear(settings["ceiling_dbfs"])
    width = half_width(ceiling, settings["softness"])
    frames, channels = samples.shape
    hop = round(rate_hz / TRACE_HZ)
    peak, loss = np.zeros((2, -(-frames // hop)))
    output = samples.copy()
    starts, stops = runs_above(block_levels(samples), ceiling - width, FILTER)
    if starts.size:
        residual = np.zeros((channels, frames + 2 * FILTER.reach), samples.dtype)
        line, up = scratch(FILTER, samples.dtype)
        kernels.clip_runs(
            samples, starts, stops, FILTER.taps.astype(samples.dtype), PIECE_FRAMES, ceiling, width, hop,
            line, up, residual, peak, loss,
        )  # fmt: skip
        kernels.add_residual(starts, stops, residual, output)
    return Processed(samples=output, trace=_trace(peak, loss, frames, channels, hop, settings, ceiling))


def _trace(
    peak: npt.NDArray[np.float64],
    loss: npt.NDArray[np.float64],
    frames: int,
    channels: int,
    hop: int,
    settings: Settings,
    ceiling: float,
) -> GainTrace:
    points = np.full(peak.size, float(FACTOR * channels * hop))
    if frames % hop:
        points[-1] = FACTOR * channels * (frames % hop)
    safe = np.where(peak > 0.0, peak, 1.0)
    clipped = np.where(peak > 0.0, curve(safe, ceiling, settings["softness"]), 1.0)
    return GainTrace(
        max_db=(20.0 * np.log10(safe / clipped)).astype(np.float32),
        mean_db=(-20.0 * np.log10(1.0 - loss / points)).astype(np.float32),
    )


def latency_samples(rate_hz: int, settings: Settings) -> int:
    """Delay of a real-time version: both filters' reach; the offline result is time-aligned (delay 0)."""
    return 2 * FILTER.reach - 1


STAGE = Stage(
    name="clipper",
    label="soft clipper",
    parameters=(
        Parameter(
            name="ceiling_dbfs",
            label="ceiling",
            unit="dBFS",
            low=-24.0,
            high=24.0,
            default=0.0,
            step=0.1,
            ends="lower clips more; above the mix's peaks nothing happens",
        ),
        Parameter(
            name="softness",
            label="softness",
            unit="%",
            low=0.0,
            high=100.0,
            default=0.0,
            step=5.0,
            ends="0 clips hard; 100 starts to bend 6 dB below the ceiling",
        ),
    ),
    neutral={"ceiling_dbfs": 24.0, "softness": 0.0},
    start=buffered(process),
    latency_samples=latency_samples,
    listen_for=(
        "snare and kick lose their first edge before anything sounds distorted",
        "crackle or grit on sustained bass and vocals: back off",
    ),
)


def reduction_db(peak_dbfs: float, ceiling_dbfs: float, softness: float) -> float:
    """Reduction of a peak by the static curve, dB, >= 0."""
    peak, ceiling = db_to_linear(peak_dbfs), db_to_linear(ceiling_dbfs)
    return max(0.0, 20.0 * math.log10(peak / float(curve(peak, ceiling, softness))))
