"""True peak: the highest level of the waveform between the samples.

Three readings, because compliant meters differ by up to 0.4 dB: the published filter of BS.1770-5 Annex 2,
the 49-tap windowed sinc of the open-source library libebur128, and a long filter at 16 times the rate.
None is ever below the sample peak; each is the maximum over channels, and None for silence.

A block of frames whose largest neighbouring sample times the filter's absolute sum stays under the peak found
so far cannot hold a higher one and is left out; the result is that of the full evaluation.

Sources: Rec. ITU-R BS.1770-5 (2023) Annex 2; libebur128 (facts of its interpolator).
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.measure._true_peak_kernels import BLOCK, block_maxima, highest_peak, peaks_per_hop
from autochain.measure.loudness import hop_frames
from autochain.units import linear_to_db

_Doubles = npt.NDArray[np.float64]

# BS.1770-5 Annex 2, order 48, in time order. Phase 3 is phase 0 reversed and phase 2 is phase 1 reversed.
_ANNEX2_PHASES = np.array(
    [
        (0.0017089843750, 0.0109863281250, -0.0196533203125, 0.0332031250000, -0.0594482421875,
         0.1373291015625, 0.9721679687500, -0.1022949218750, 0.0476074218750, -0.0266113281250,
         0.0148925781250, -0.0083007812500),
        (-0.0291748046875, 0.0292968750000, -0.0517578125000, 0.0891113281250, -0.1665039062500,
         0.4650878906250, 0.7797851562500, -0.2003173828125, 0.1015625000000, -0.0582275390625,
         0.0330810546875, -0.0189208984375),
    ]
)  # fmt: skip

# 64 frames around each interval, Kaiser 7: within 0.05 dB of FFT interpolation up to 0.45 of the rate.
_X16_HALF = 32
_X16_KAISER = 7.0


@dataclass(frozen=True, slots=True, kw_only=True)
class TruePeakReading:
    """The peak readings of one signal, each the maximum over channels; all None for silence.

    Attributes
    ----------
    annex2_dbtp
        BS.1770-5 Annex 2 filter, x4.
    sinc49_dbtp
        49-tap Hann-windowed sinc, x4 below 96 kHz, x2 below 192 kHz, else the sample peak.
    x16_dbtp
        64-tap Kaiser-windowed sinc, x16.
    sample_peak_dbfs
        Largest sample.
    highest_dbtp
        The highest of the four.
    """

    annex2_dbtp: float | None
    sinc49_dbtp: float | None
    x16_dbtp: float | None
    sample_peak_dbfs: float | None
    highest_dbtp: float | None


@dataclass(frozen=True, slots=True)
class _Interpolator:
    """Mirrored phase pairs, shape (pairs, half): `even` weighs left + right, `odd` left - right."""

    even: _Doubles
    odd: _Doubles

    @property
    def absolute_sum(self) -> float:
        """Largest magnitude that samples within +-1 can give."""
        return float(2.0 * np.maximum(abs(self.even), abs(self.odd)).sum(axis=1).max())

    def taps(self, dtype: np.dtype[Any]) -> tuple[npt.NDArray[Any], npt.NDArray[Any]]:
        return self.even.astype(dtype), self.odd.astype(dtype)


class _Signal:
    """Samples flattened, with the block maxima that all readings share."""

    def __init__(self, samples: Samples) -> None:
        self.frames, self.channels = samples.shape
        self.flat = np.ascontiguousarray(samples).reshape(-1)
        self.maxima = np.empty(-(-self.frames // BLOCK))
        block_maxima(self.flat, self.channels, self.maxima)
        self.sample_peak = float(self.maxima.max(initial=0.0))

    def peak(self, filter_: _Interpolator, rings_on: bool = True) -> float:
        """Linear peak; `rings_on` counts the intervals after the last frame too."""
        if self.sample_peak == 0.0:
            return 0.0
        even, odd = filter_.taps(self.flat.dtype)
        half = even.shape[1]
        bounds = np.zeros(self.maxima.size + 1)
        bounds[:-1] = self.maxima
        bounds[1:] = np.maximum(bounds[1:], self.maxima)
        # The margin covers the rounding of float32 sums, so that no block is left out by a hair.
        bounds *= filter_.absolute_sum * (1.0 + 1e-5)
        end = self.frames + half if rings_on else self.frames - half
        work = _scratch(half, self.channels, self.flat.dtype)
        loudest = int(bounds.argmax())
        found = highest_peak(self.flat, self.channels, end, even, odd, bounds, loudest, work)
        return max(self.sample_peak, float(found))


def annex2_dbtp(samples: Samples) -> float | None:
    """Peak in dBTP with the filter table of BS.1770-5 Annex 2, x4, ringing beyond both ends included.

    Exact for the table: 0.2 dB high to 0.45 dB low on steady tones, depending on frequency and phase; at most
    6.12 dB above the sample peak.

    Parameters
    ----------
    samples
        Shape (frames, 1 or 2), full scale +-1.0.
    """
    return _level(_Signal(samples).peak(_annex2()))


def sinc49_dbtp(samples: Samples, rate_hz: int) -> float | None:
    """Peak in dBTP as libebur128 reads it.

    49-tap Hann-windowed sinc, x4 below 96 kHz, x2 from there to below 192 kHz, the sample peak above. Like
    that library it gives no value that would need frames after the end.

    Parameters
    ----------
    samples
        Shape (frames, 1 or 2), full scale +-1.0.
    rate_hz
        44100 to 192000.
    """
    return _level(_sinc49_peak(_Signal(samples), rate_hz))


def x16_dbtp(samples: Samples) -> float | None:
    """Peak in dBTP at 16 times the rate, by a 64-tap Kaiser-windowed sinc, ringing beyond both ends included.

    Within 0.05 dB of FFT interpolation for content below 0.45 of the rate. Content above depends on the
    length of the filter: signals with falling treble clipped at the base rate read within 0.15 dB (twice the
    length would give 0.08), full-band white noise up to 0.25 dB low, the same hard-clipped up to 0.8 dB low.

    Parameters
    ----------
    samples
        Shape (frames, 1 or 2), full scale +-1.0.
    """
    return _level(_Signal(samples).peak(_x16()))


def read_true_peak(samples: Samples, rate_hz: int) -> TruePeakReading:
    """Read all three and the sample peak.

    Parameters
    ----------
    samples
        Shape (frames, 1 or 2), full scale +-1.0.
    rate_hz
        44100 to 192000.
    """
    signal = _Signal(samples)
    peaks = (signal.peak(_annex2()), _sinc49_peak(signal, rate_hz), signal.peak(_x16()), signal.sample_peak)
    annex2, sinc49, x16, sample = map(_level, peaks)
    return TruePeakReading(
        annex2_dbtp=annex2,
        sinc49_dbtp=sinc49,
        x16_dbtp=x16,
        sample_peak_dbfs=sample,
        highest_dbtp=_level(max(peaks)),
    )


def hop_peaks(samples: Samples, rate_hz: int) -> _Doubles:
    """Linear Annex 2 peak of each 10 ms hop, shape (hops,), aligned with `weighted_hops`.

    A hop owns its frames and the interval right of each; nothing is below its sample peak.

    Parameters
    ----------
    samples
        Shape (frames, 1 or 2), full scale +-1.0.
    rate_hz
        44100 to 192000.
    """
    frames, channels = samples.shape
    hop = hop_frames(rate_hz)
    out = np.empty(frames // hop)
    flat = np.ascontiguousarray(samples).reshape(-1)
    even, odd = _annex2().taps(flat.dtype)
    peaks_per_hop(flat, channels, hop, even, odd, _scratch(even.shape[1], channels, flat.dtype), out)
    return out


def _level(peak: float) -> float | None:
    return linear_to_db(peak) if peak > 0.0 else None


def _scratch(half: int, channels: int, dtype: np.dtype[Any]) -> npt.NDArray[Any]:
    return np.empty((4 * BLOCK + 2 * half) * channels, dtype=dtype)


def _sinc49_peak(signal: _Signal, rate_hz: int) -> float:
    if rate_hz >= 192000:
        return signal.sample_peak
    return signal.peak(_sinc49(4 if rate_hz < 96000 else 2), rings_on=False)


@lru_cache
def _annex2() -> _Interpolator:
    # Output n lies between frames n-6 and n-5: tap 6+k weighs the k-th frame to the left, 5-k to the right.
    left, right = _ANNEX2_PHASES[:, 6:], _ANNEX2_PHASES[:, 5::-1]
    return _Interpolator((left + right) / 2.0, (left - right) / 2.0)


@lru_cache
def _sinc49(ratio: int) -> _Interpolator:
    half = 24 // ratio
    return _windowed_sinc(half, ratio, lambda t: 0.5 + 0.5 * np.cos(np.pi * t / half))


@lru_cache
def _x16() -> _Interpolator:
    def kaiser(t: _Doubles) -> _Doubles:
        window = np.i0(_X16_KAISER * np.sqrt(np.maximum(0.0, 1.0 - (t / _X16_HALF) ** 2)))
        return np.asarray(window / np.i0(_X16_KAISER))

    return _windowed_sinc(_X16_HALF, 16, kaiser)


def _windowed_sinc(half: int, ratio: int, window: Callable[[_Doubles], _Doubles]) -> _Interpolator:
    """Phases 1/ratio .. 1/2 with their mirror images, `window` a function of the distance in frames."""
    phase = np.arange(1, ratio // 2 + 1)[:, None] / ratio
    k = np.arange(half)
    left, right = (np.sinc(t) * window(t) for t in (k + phase, k + 1.0 - phase))
    return _Interpolator((left + right) / 2.0, (left - right) / 2.0)
