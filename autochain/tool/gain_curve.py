"""The gain that a processor had, read from test and bounce in short blocks."""

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.tool import _envelope_kernels as kernels
from autochain.tool.signal import Stretch

Floats = npt.NDArray[np.float64]
Places = npt.NDArray[np.int64]

_FIRST_MS = 0.25  # half a period of the bursts' tone
_LONGEST_MS = 60.0
_GROWTH = 1.35
_BEFORE_MS = (12.0, 8.0, 6.0, 4.0, 3.0, 2.0, 1.5, 1.0, 0.5)  # before a step, where a look-ahead shows


def edges(segments: Sequence[Stretch], rate_hz: int, origin: int) -> Places:
    """Where blocks begin, from `origin` on: short behind and before every step, long where nothing happens."""
    found = list[int]()
    for one in segments:
        span = one.span(rate_hz)
        # Half a period at least: what a block reads is weighted by the wave's power.
        step = max(_FIRST_MS, 500.0 / one.freq_hz if one.shape in ("tone", "flat", "peaky") else 2.5)
        half = step
        at_ms, last_ms = 0.0, 1e3 * one.seconds
        before = [last_ms - ms for ms in _BEFORE_MS if ms % half == 0.0 and last_ms - ms > 20.0]
        stop = before[0] if before else last_ms - 0.5 * half
        while at_ms < stop:
            found.append(span.start + round(1e-3 * at_ms * rate_hz))
            at_ms += step
            step = half * max(1, round(min(_LONGEST_MS, _GROWTH * step) / half + 0.2))
        found += [span.start + round(1e-3 * ms * rate_hz) for ms in before]
    return np.unique(np.array(found, dtype=np.int64)) - origin


def gain_db(played: Floats, heard: Floats, starts: Places) -> Floats:
    """Gain of each block in dB: the share of what was played in what was heard, by least squares.

    Shape (frames, channels) both; blocks with no sound, or turned over, read as NaN.
    """
    power = np.add.reduceat(summed(played, played), starts)
    shared = np.add.reduceat(summed(played, heard), starts)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.asarray(np.where((power > 1e-12) & (shared > 0.0), 20.0 * np.log10(shared / power), np.nan))


def summed(one: Floats, other: Floats) -> Floats:
    """Product of two sounds per frame, summed over channels.

    A column at a time: over an axis of two numpy takes thirty times as long.
    """
    total = one[:, 0] * other[:, 0]
    for channel in range(1, one.shape[1]):
        total += one[:, channel] * other[:, channel]
    return np.asarray(total)


def loudest(samples: Samples | Floats) -> Floats:
    """Magnitude of every frame in its loudest channel."""
    size = np.abs(samples[:, 0]).astype(np.float64)
    for channel in range(1, samples.shape[1]):
        np.maximum(size, np.abs(samples[:, channel]), out=size)
    return size


def of_reduction_db(power: Floats, reduction_db: Floats, starts: Places) -> Floats:
    """What `gain_db` would read of a known reduction; `power` is the square of what is turned down."""
    gains = np.empty(starts.size)
    kernels.weighted_gains(power, reduction_db, starts, gains)
    return np.asarray(20.0 * np.log10(gains))
