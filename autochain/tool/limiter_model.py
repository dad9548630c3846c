"""The limiters that a tool may be: how the gain comes down ahead of a peak, and how it goes back."""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt
import scipy.ndimage
import scipy.signal

from autochain.tool import _envelope_kernels as kernels
from autochain.tool.gain_curve import loudest

Floats = npt.NDArray[np.float64]

Way = Literal["smooth", "ramp", "instant"]
_POINTS = 4  # per sample where the true peak is read


@dataclass(frozen=True, slots=True, kw_only=True)
class LimiterModel:
    """One limiter.

    Attributes
    ----------
    ceiling_dbfs
        What no peak passes; of the true peak where `true_peak`.
    way
        `smooth`: as ours, the need held over the look-ahead, an exponential way back, two averages over the attack.
        `ramp`: straight lines in gain, down within the look-ahead, back in the release from any depth. `instant`: down
        at once, back as the level's envelope falls, an exponential of the magnitude.
    release_ms
        63 % time of the way back; of a ramp the whole of it.
    lookahead_ms, attack_ms
        How far ahead the gain begins to move, and how long it takes (smooth alone).
    linked
        One gain for both channels.
    gain_db
        Gain behind it.
    """

    ceiling_dbfs: float
    way: Way
    release_ms: float
    lookahead_ms: float = 0.0
    attack_ms: float = 0.0
    true_peak: bool = False
    linked: bool = True
    gain_db: float = 0.0

    def process(self, samples: Floats, rate_hz: int) -> Floats:
        """Limit a sound, shape (frames, channels), float64."""
        size = sizes(samples, self.true_peak)
        columns = [loudest(size)] if self.linked else list(size.T)
        gains = np.stack([self.gain(np.ascontiguousarray(one), rate_hz) for one in columns], axis=1)
        return np.asarray(samples * gains * 10.0 ** (0.05 * self.gain_db))

    def gain(self, size: Floats, rate_hz: int) -> Floats:
        """Gain over time for one magnitude, without `gain_db`."""
        ceiling = 10.0 ** (0.05 * self.ceiling_dbfs)
        ahead = min(round(1e-3 * self.lookahead_ms * rate_hz), size.size)
        if self.way == "ramp":
            need = np.minimum(1.0, ceiling / np.maximum(size, 1e-12))
            gain = np.empty(size.size)
            kernels.ramp_gain(need, ahead, max(1, round(1e-3 * self.release_ms * rate_hz)), gain)
            return gain
        fall = math.exp(-1e3 / (self.release_ms * rate_hz))
        if self.way == "instant":
            envelope = np.empty(size.size)
            kernels.fall_back(size, fall, 1.0 - fall, envelope)
            gain = np.minimum(1.0, ceiling / np.maximum(envelope, 1e-12))
            return np.concatenate([gain[ahead:], np.full(ahead, gain[-1])])
        attack = min(round(1e-3 * self.attack_ms * rate_hz), ahead)
        taken = 1.0 - np.minimum(1.0, ceiling / np.maximum(size, 1e-12))
        # What comes is held from a look-ahead before it on; the averages look `attack` back.
        held = scipy.ndimage.maximum_filter1d(taken, ahead + 1, origin=-((ahead + 1) // 2))
        kernels.fall_back(held, fall, 0.0, taken)
        for length in (attack // 2 + 1, attack + 1 - attack // 2):
            taken = _average(taken, length)
        return np.asarray(1.0 - taken)


def sizes(samples: Floats, true_peak: bool) -> Floats:
    """Magnitude per frame; with `true_peak` the largest of four points around it."""
    if not true_peak:
        return np.abs(samples)
    fine = np.abs(scipy.signal.resample_poly(samples, _POINTS, 1, axis=0, window=("kaiser", 8.0)))
    near = scipy.ndimage.maximum_filter1d(fine, _POINTS + 1, axis=0)
    return np.asarray(near[::_POINTS][: len(samples)])


def _average(values: Floats, length: int) -> Floats:
    """Mean of the last `length` values."""
    if length <= 1:
        return values
    total = np.cumsum(np.concatenate([np.full(length, values[0]), values]))
    return np.asarray((total[length:] - total[:-length]) / length)
