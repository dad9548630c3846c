"""True peak: the highest level of the waveform between the samples.

Three readings, because compliant meters differ:

- Annex 2, the published filter of BS.1770-5: 12 frames, x4. Below 0.45 of the rate it reads a steady tone 0.22 dB
  high to 0.45 dB low, depending on frequency and phase.
- sinc49, the 49-tap windowed sinc of the open-source library libebur128: x4, from 96 kHz on x2. Tones of 0.05 to
  0.45 of the rate at 44.1 kHz read 0.07 dB high to 0.44 dB low.
- x16, a sinc over 12288 frames, then 16 times the rate: within 0.05 dB of endless interpolation for content up to
  0.4995 of the rate. Steady tones still nearer to half the rate, and alternating runs of thousands of samples, which
  only an endless filter resolves, read up to 2 dB off.

What that means for a limiter's own ceiling (measured on the five demo mixes, 44.1 kHz): after our limiter alone,
9 dB in, all three agree within 0.01 dB and no margin is needed; behind a soft clipper it wants 0.1 to 0.2 dB. Where
peaks are clipped at the base rate, 12 dB deep, the shorter filters lie between 0.45 dB under and 0.1 dB over x16, so
a limiter that trusts one of them needs 0.5 dB.
White noise, strong up to half the rate, is another matter: x16 finds up to 0.7 dB more than a short detector held.
So the ceiling is only sure after the fact, by the highest of the three. None is ever below the sample peak; each is
the maximum over channels, and None for silence.

A block of frames that by a bound cannot hold a higher peak than the one found so far is left out; the result
is that of the full evaluation.

Sources: Rec. ITU-R BS.1770-5 (2023) Annex 2; libebur128 (facts of its interpolator).
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.audio.room import in_blocks
from autochain.measure._true_peak_kernels import BLOCK, SCRATCH_BLOCKS, peaks_per_hop
from autochain.measure.interpolators import annex2, sinc49
from autochain.measure.loudness import hop_frames
from autochain.measure.peak_search import AROUND_FRAMES, BODY_BLOCKS, BODY_FRAMES, SixteenTimes, piece_levels
from autochain.measure.stream import Pieces
from autochain.units import linear_to_db

_Doubles = npt.NDArray[np.float64]

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
        Sinc over 12288 frames, x16.
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


@dataclass(frozen=True, slots=True, kw_only=True)
class _Peaks:
    """Linear readings so far."""

    sample: float = 0.0
    annex2: float = 0.0
    sinc49: float = 0.0
    x16: float = 0.0


READINGS = ("annex2", "sinc49", "x16")
QUICK_READINGS = READINGS[:2]  # a sixth of the time of all


class TruePeakMeter:
    """The readings of a stream; how the stream is cut into blocks changes no bit. Memory does not grow.

    Parameters
    ----------
    rate_hz
        44100 to 192000.
    channels
        1 or 2.
    readings
        Those to take, of `READINGS`; the others equal the sample peak.
    """

    def __init__(self, rate_hz: int, channels: int, readings: Sequence[str] = READINGS) -> None:
        self._readings = frozenset(readings)
        self._ratio = 4 if rate_hz < 96000 else 2 if rate_hz < 192000 else 1
        self._pieces = Pieces(channels, AROUND_FRAMES, BODY_FRAMES, AROUND_FRAMES, lead=AROUND_FRAMES)
        self._peaks = _Peaks()
        self._sixteen: SixteenTimes | None = None

    def push(self, block: Samples) -> None:
        """Take the next frames, shape (frames >= 0, channels), full scale +-1.0, float32 or float64."""
        for line in self._pieces.push(block):
            self._peaks = self._raised(self._peaks, line, line.shape[0])

    def result(self) -> TruePeakReading:
        """Readings of all frames so far, with what rings on after them."""
        peaks = self._peaks
        for line, end in self._pieces.rest():
            peaks = self._raised(peaks, line, end)
        sample = peaks.sample
        annex2, sinc49, x16 = (max(sample, peak) for peak in (peaks.annex2, peaks.sinc49, peaks.x16))
        return TruePeakReading(
            annex2_dbtp=_level(annex2),
            sinc49_dbtp=_level(sinc49),
            x16_dbtp=_level(x16),
            sample_peak_dbfs=_level(sample),
            highest_dbtp=_level(max(annex2, sinc49, x16)),
        )

    def _raised(self, peaks: _Peaks, line: Samples, end: int) -> _Peaks:
        """Peaks after a piece of the stream, which ends at frame `end` of it if not later."""
        levels = piece_levels(line)
        sample = max(peaks.sample, float(levels.level.max()))
        annex, sinc, x16 = (max(sample, peak) for peak in (peaks.annex2, peaks.sinc49, peaks.x16))
        if "annex2" in self._readings:
            annex = levels.highest(annex2(), annex, BODY_BLOCKS)
        if "sinc49" in self._readings and self._ratio > 1:
            # libebur128 gives no value that would need frames after the end
            filter_ = sinc49(self._ratio)
            sinc = levels.highest(filter_, sinc, BODY_BLOCKS, end - filter_.even.shape[1])
        if "x16" in self._readings:
            if self._sixteen is None:
                self._sixteen = SixteenTimes(line.shape[1], line.dtype)
            x16 = self._sixteen.raised(x16, line, levels)
        return _Peaks(sample=sample, annex2=annex, sinc49=sinc, x16=x16)


class HopPeakMeter:
    """Linear Annex 2 peak per 10 ms of a stream; how it is cut into blocks changes no bit.

    A hop owns its frames and the interval right of each, the first one also what rings before it; nothing is
    below its sample peak. Memory grows by 8 bytes per 10 ms.

    Parameters
    ----------
    rate_hz
        44100 to 192000.
    channels
        1 or 2.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._hop = hop_frames(rate_hz)
        self._half = annex2().even.shape[1]
        self._hops = 64
        self._pieces = Pieces(channels, 2 * self._half, self._hops * self._hop, self._half)
        self._peaks: list[_Doubles] = []

    def push(self, block: Samples) -> None:
        """Take the next frames, shape (frames >= 0, channels), full scale +-1.0, float32 or float64."""
        for line in self._pieces.push(block):
            self._peaks.append(self._piece_peaks(line, self._hops, first=not self._peaks))

    def result(self) -> _Doubles:
        """Peak of each complete hop so far, shape (hops,), aligned with `HopMeter.result`."""
        peaks = list(self._peaks)
        for line, end in self._pieces.rest():
            count = min(self._hops, (end - 2 * self._half) // self._hop)
            if count > 0:
                peaks.append(self._piece_peaks(line, count, first=not peaks))
        return np.concatenate(peaks) if peaks else np.empty(0)

    def _piece_peaks(self, line: Samples, count: int, first: bool) -> _Doubles:
        out = np.empty(count)
        even, odd = annex2().taps(line.dtype)
        peaks_per_hop(
            line.reshape(-1), line.shape[1], 2 * self._half, self._half if first else 0, self._hop,
            even, odd, _scratch(line), out,
        )  # fmt: skip
        return out


def annex2_dbtp(samples: Samples) -> float | None:
    """Peak in dBTP with the filter table of BS.1770-5 Annex 2, x4, ringing beyond both ends included.

    Exact for the table: 0.2 dB high to 0.45 dB low on steady tones, depending on frequency and phase; at most
    6.12 dB above the sample peak.

    Parameters
    ----------
    samples
        Shape (frames, 1 or 2), full scale +-1.0.
    """
    return _read(samples, 48000, "annex2").annex2_dbtp


def read_true_peak(samples: Samples, rate_hz: int) -> TruePeakReading:
    """Read all three and the sample peak.

    Parameters
    ----------
    samples
        Shape (frames, 1 or 2), full scale +-1.0.
    rate_hz
        44100 to 192000.
    """
    return _read(samples, rate_hz, *READINGS)


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
    meter = HopPeakMeter(rate_hz, samples.shape[1])
    for block in in_blocks(samples):
        meter.push(block)
    return meter.result()


def _read(samples: Samples, rate_hz: int, *readings: str) -> TruePeakReading:
    meter = TruePeakMeter(rate_hz, samples.shape[1], readings)
    for block in in_blocks(samples):
        meter.push(block)
    return meter.result()


def _level(peak: float) -> float | None:
    return linear_to_db(peak) if peak > 0.0 else None


def _scratch(line: Samples) -> Samples:
    return np.empty(SCRATCH_BLOCKS * BLOCK * line.shape[1], dtype=line.dtype)
