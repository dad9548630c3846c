"""Look-ahead limiter: turns the level down smoothly and ahead of time, so that no peak passes the ceiling."""

import math
from collections.abc import Callable
from functools import cache

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.audio.oversample import PIECE_FRAMES, block_levels, fourth_band, runs_above, scratch
from autochain.chain import _limiter_kernels as kernels
from autochain.chain.parameter import Parameter
from autochain.chain.stage import TRACE_HZ, GainTrace, Processed, Settings, Stage, buffered
from autochain.resources import read_table
from autochain.units import db_to_linear, ms_to_samples

# Its points read steady sines within 0.11 dB up to 0.455 of the sample rate (20 kHz at 44.1 kHz). No filter
# of finite length does so up to half the rate.
DETECTOR = fourth_band(36, 3.0)
# A band-limited peak exceeds its nearest quarter point by at most 1 / cos(pi/8) = 0.688 dB (ITU-R BS.1770-5,
# Annex 2, Attachment 1): where every quarter point stays below this share of the ceiling, so does the signal.
SURE = 0.92

Release = Callable[[npt.NDArray[np.float32], int, Settings], None]


def release_even(gain: npt.NDArray[np.float32], rate_hz: int, settings: Settings) -> None:
    """Release behaviour `even`: one time constant, whatever came before. Works in place.

    r[n] = min(g[n], r[n-1] + a (1 - r[n-1])), a = 1 - exp(-1 / (tau fs)): `release_ms` is tau, after which
    63 % of the way back to gain 1 is done (in the linear gain). The gain never rises over g.
    """
    coefficient = 1.0 - math.exp(-1.0 / (1e-3 * settings["release_ms"] * rate_hz))
    kernels.release_even(gain, coefficient)


def process(samples: Samples, rate_hz: int, settings: Settings, release: Release = release_even) -> Processed:
    """Limit the true peak to `ceiling_dbtp`.

    With L the look-ahead in frames, p[n] the largest peak of any channel around n (four points per frame from
    n - 3/4 to n + 3/4 and the parabola through them), c the ceiling:

        g[n] = min(1, c / p[n]),  m[n] = min(g[n-L .. n]),  r = release of m,  s = h * r,  y[n] = x[n] s[n+L],

    h two averages in a row, L + 1 long together. Every m in reach of h at n knows g[n], r never exceeds m,
    and h averages, so s never exceeds the g it answers: the samples cannot pass the ceiling (Hämäläinen,
    DAFx-02, for the minimum before the smoothing). The published four-fold meter of
    ITU-R BS.1770 is asked as well, as it reads up to 0.2 dB over the true peak. The true peak can pass by what
    the detector misses and by the peaks that the moving gain itself makes: under 0.05 dB for content up to
    20 kHz at 44.1 kHz; 0.2 to 0.8 dB for content that reaches half the sample rate at full level (noise).

    Where nothing in reach exceeds the ceiling and the release has ended, the gain is exactly 1 and the
    samples pass bit for bit. Gains are float32, their sums exact.

    Parameters
    ----------
    samples
        Shape (frames, channels).
    rate_hz
        Sample rate.
    settings
        `ceiling_dbtp` -24 to 0 dBTP; `lookahead_ms`, the time the gain takes to come down, 0.5 (bites, keeps
        level) to 10 ms (smooth, softens attacks); `release_ms`, 2 (loud, distorts bass) to 1000 ms (clean,
        pumps or sits low). Complete and checked.
    release
        Release behaviour: changes the held gain in place, downwards only.

    Returns
    -------
    Processed
        Samples and trace, both channels sharing one gain.
    """
    ceiling = db_to_linear(settings["ceiling_dbtp"])
    frames = samples.shape[0]
    look_ahead = lookahead_samples(rate_hz, settings)
    hop = round(rate_hz / TRACE_HZ)
    blocks = -(-frames // hop)
    gain = np.ones(frames + look_ahead + 2, np.float32)
    if not _lower(samples, ceiling, gain):
        still = np.zeros(blocks, np.float32)
        return Processed(samples=samples.copy(), trace=GainTrace(max_db=still, mean_db=still.copy()))
    kernels.hold_minimum(gain, *np.empty((2, look_ahead + 1), np.float32))
    release(gain, rate_hz, settings)
    output = np.empty_like(samples)
    lowest, mean = np.empty((2, blocks))
    half = look_ahead // 2 + 1
    kernels.smooth_and_apply(gain, half, look_ahead + 2 - half, samples, hop, output, lowest, mean)
    return Processed(samples=output, trace=GainTrace(max_db=_reduction(lowest), mean_db=_reduction(mean)))


def _lower(samples: Samples, ceiling: float, gain: npt.NDArray[np.float32]) -> bool:
    """Lower `gain` where a peak passes the ceiling; False when none does."""
    starts, stops = runs_above(block_levels(samples), SURE * ceiling, DETECTOR)
    if not starts.size:
        return False
    line, up = scratch(DETECTOR, samples.dtype)
    found = kernels.lower_gain(
        samples, starts, stops, DETECTOR.taps.astype(samples.dtype), _meter_rows().astype(samples.dtype),
        PIECE_FRAMES, ceiling, SURE * ceiling, line, up, np.empty_like(up), gain,
    )  # fmt: skip
    return bool(found)


@cache
def _meter_rows() -> npt.NDArray[np.float64]:
    """Read the four phases of ITU-R BS.1770-5, Annex 2.

    Over frames n - 5 .. n + 6 they give the points n + 1/8, 3/8, 5/8 and 7/8.
    """
    return np.ascontiguousarray(np.array(read_table("true_peak.toml")["annex2"]["phases"])[:, ::-1])


def _reduction(gain: npt.NDArray[np.float64]) -> npt.NDArray[np.float32]:
    return np.abs(20.0 * np.log10(gain)).astype(np.float32)  # abs: the gain is at most 1, and no minus zero


def lookahead_samples(rate_hz: int, settings: Settings) -> int:
    """Look-ahead L in whole frames."""
    return ms_to_samples(settings["lookahead_ms"], rate_hz)


def latency_samples(rate_hz: int, settings: Settings) -> int:
    """Delay of a real-time version: the look-ahead and the detector's reach."""
    return lookahead_samples(rate_hz, settings) + DETECTOR.reach


STAGE = Stage(
    name="limiter",
    label="limiter",
    parameters=(
        Parameter(
            name="ceiling_dbtp",
            label="ceiling",
            unit="dBTP",
            low=-24.0,
            high=0.0,
            default=-1.0,
            step=0.1,
            ends="the level no peak passes, true peak",
        ),
        Parameter(
            name="lookahead_ms",
            label="look-ahead",
            unit="ms",
            low=0.5,
            high=10.0,
            default=2.0,
            step=0.1,
            scale="log",
            ends="0.5 bites and keeps level; 10 is smooth and softens attacks",
        ),
        Parameter(
            name="release_ms",
            label="release",
            unit="ms",
            low=2.0,
            high=1000.0,
            default=60.0,
            step=1.0,
            scale="log",
            ends="2 is loud and distorts bass; 1000 is clean and holds the level down",
        ),
    ),
    neutral={"ceiling_dbtp": 0.0},
    start=buffered(process),
    latency_samples=latency_samples,
    listen_for=(
        "kick and snare losing weight: longer look-ahead or less work for the limiter",
        "bass growing rough: longer release",
        "the mix breathing with the kick: shorter release",
    ),
)
