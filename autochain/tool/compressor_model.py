"""The compressors that a tool may be: what is smoothed, and where.

Ours smooths the reduction, behind the curve. Many others smooth the level, before it: then a step far over the
threshold is answered sooner than a small one, and the way back is straight in dB (`SMOOTHS_LEVEL`). Both are here, so
that a tool is described by what it does.
"""

import math
from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from autochain.chain import _compressor_kernels as ours
from autochain.chain.crossover import Cascade, butterworth_high
from autochain.chain.gain_control import pole
from autochain.tool import _envelope_kernels as kernels
from autochain.tool.gain_curve import loudest

Floats = npt.NDArray[np.float64]

Smooths = Literal["level", "reduction"]
Detector = Literal["peak", "rms"]
ReleaseShape = Literal["holds", "follows"]
StereoLink = Literal["loudest", "mean", "own"]


@dataclass(frozen=True, slots=True, kw_only=True)
class CompressorModel:
    """One compressor.

    Attributes
    ----------
    threshold_dbfs, ratio, knee_db
        The curve, knee centred on the threshold; for `rms` on the level of a mean square.
    attack_ms, release_ms
        63 % times of what is smoothed.
    smooths
        `level`: a one-pole average of magnitude (`peak`) or power (`rms`), then the curve. `reduction`: the curve,
        then our detector of that `shape`; `rms` has an average over `rms_ms` in front.
    link
        What steers both channels: the louder, the mean of both, or each its own.
    sidechain_hpf_hz
        Corner of a 12 dB per octave high-pass before the detector, 0 for none.
    lookahead_ms
        By how much the gain is ahead of the sound.
    gain_db
        Gain behind it.
    """

    threshold_dbfs: float
    ratio: float
    knee_db: float
    attack_ms: float
    release_ms: float
    detector: Detector = "peak"
    smooths: Smooths = "level"
    shape: ReleaseShape = "holds"
    rms_ms: float = 10.0
    link: StereoLink = "loudest"
    sidechain_hpf_hz: float = 0.0
    lookahead_ms: float = 0.0
    gain_db: float = 0.0

    def process(self, samples: Floats, rate_hz: int) -> Floats:
        """Turn a sound down, shape (frames, channels), float64."""
        gain_db = self.gain_db - self.reduction_db(samples, rate_hz)
        return np.asarray(samples * 10.0 ** (gain_db / 20.0))

    def reduction_db(self, samples: Floats, rate_hz: int) -> Floats:
        """What is taken, dB, shape (frames, 1), or (frames, channels) where each channel has its own."""
        heard = samples
        if self.sidechain_hpf_hz:
            heard = np.empty_like(samples)
            Cascade([butterworth_high(self.sidechain_hpf_hz, rate_hz)], samples.shape[1]).run(samples, heard)
        windowed = self.smooths == "reduction" and self.detector == "rms"
        if windowed and self.link == "loudest" and samples.shape[1] > 1:
            # Ours: the louder of both mean squares, not the mean square of the louder samples.
            columns = (np.ascontiguousarray(column) for column in np.abs(heard).T)
            louder = np.max([self.level_db(column, rate_hz) for column in columns], axis=0)
            return self._ahead(self._smoothed(louder, rate_hz)[:, None], rate_hz)
        if self.link == "loudest":
            size = loudest(heard)[:, None]
        elif self.link == "mean" and samples.shape[1] == 2:
            size = (0.5 * (np.abs(heard[:, 0]) + np.abs(heard[:, 1])))[:, None]
        else:
            size = np.abs(heard)
        found = np.stack([self.of_size(np.ascontiguousarray(column), rate_hz) for column in size.T], axis=1)
        return self._ahead(found, rate_hz)

    def of_size(self, size: Floats, rate_hz: int, peak_db: Floats | None = None) -> Floats:
        """The same from one magnitude, without look-ahead, shape (frames,); `peak_db` is its level where known."""
        if self.smooths == "level":
            out = np.empty(size.size)
            attack, release = (-math.expm1(-1e3 / (ms * rate_hz)) for ms in (self.attack_ms, self.release_ms))
            power = self.detector == "rms"
            heard, per_decade = (size * size, 10.0) if power else (size, 20.0)
            kernels.follow_level(heard, attack, release, *self._curve, per_decade, out)
            return out
        if peak_db is None or self.detector == "rms":
            peak_db = self.level_db(size, rate_hz)
        return self._smoothed(peak_db, rate_hz)

    @property
    def _curve(self) -> tuple[float, float, float]:
        return self.threshold_dbfs, 1.0 - 1.0 / self.ratio, self.knee_db

    def _smoothed(self, level_db: Floats, rate_hz: int) -> Floats:
        out = np.empty(level_db.size)
        poles = pole(self.attack_ms, rate_hz), pole(self.release_ms, rate_hz)
        kernel = ours.detect if self.shape == "holds" else ours.detect_branching
        kernel(level_db, *self._curve, *poles, np.zeros(2), out)
        return out

    def _ahead(self, reduction_db: Floats, rate_hz: int) -> Floats:
        ahead = min(round(1e-3 * self.lookahead_ms * rate_hz), len(reduction_db))
        if not ahead:
            return reduction_db
        return np.concatenate([reduction_db[ahead:], np.repeat(reduction_db[-1:], ahead, axis=0)])

    def level_db(self, size: Floats, rate_hz: int) -> Floats:
        """What our detector hears of a magnitude, dBFS."""
        if self.detector == "peak":
            return np.asarray(20.0 * np.log10(np.maximum(size, 1e-10)))
        mean = size.copy()
        ours.mean_square(mean, pole(self.rms_ms, rate_hz), np.zeros(1))
        return np.asarray(10.0 * np.log10(np.maximum(mean, 1e-20)))
