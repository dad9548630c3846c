"""The clippers that a tool may be: a static curve, ours or one of its own, with or without oversampling."""

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import scipy.signal

from autochain.chain.clipper import clipping_curve
from autochain.tool import _envelope_kernels as kernels

Floats = npt.NDArray[np.float64]

_FACTOR = 4
_STEPS = 8192


@dataclass(frozen=True, slots=True, kw_only=True)
class ClipperModel:
    """One clipper.

    Attributes
    ----------
    ceiling_dbfs, softness
        Of our curve, the nearest there is.
    gain_db
        Gain behind it.
    curve_db
        The measured curve: input level in dBFS, rising, and gain in dB without `gain_db`; empty where ours fits. It
        moves with the ceiling: `measured_at_dbfs` is the ceiling it was measured at. Over its end the output stays.
    oversampled
        Whether it keeps harmonics from folding back.
    """

    ceiling_dbfs: float
    softness: float
    gain_db: float = 0.0
    curve_db: tuple[tuple[float, float], ...] = field(default=())
    measured_at_dbfs: float = 0.0
    oversampled: bool = True

    def process(self, samples: Floats, rate_hz: int) -> Floats:
        """Clip a sound, shape (frames, channels), float64."""
        if not self.oversampled:
            return self.curve(samples)
        up = scipy.signal.resample_poly(samples, _FACTOR, 1, axis=0, window=("kaiser", 8.0))
        # What was added goes through the low-pass, the sound itself does not.
        added = scipy.signal.resample_poly(self.curve(up) - up, 1, _FACTOR, axis=0, window=("kaiser", 8.0))
        return np.asarray(samples + added)

    def curve(self, values: Floats) -> Floats:
        """Bend values by the static curve."""
        gain = 10.0 ** (0.05 * self.gain_db)
        if not self.curve_db:
            return np.asarray(gain * clipping_curve(values, 10.0 ** (0.05 * self.ceiling_dbfs), self.softness))
        # Read off a table of the magnitude: thirty times as fast as levels in dB, and within 0.0001 dB of it.
        level_db, gain_db = np.array(self.curve_db).T
        level_db = level_db + self.ceiling_dbfs - self.measured_at_dbfs
        top = 10.0 ** (0.05 * level_db[-1])
        size = np.maximum(np.linspace(0.0, top, _STEPS + 1), 1e-10)
        gains = gain * 10.0 ** (0.05 * np.interp(20.0 * np.log10(size), level_db, gain_db))
        flat = np.ascontiguousarray(values).reshape(-1)
        out = np.empty_like(flat)
        kernels.follow_gains(flat, gains, top, out)
        return out.reshape(values.shape)
