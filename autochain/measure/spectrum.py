"""Long-term power spectrum of mid and side, from which bands, subsonic energy and low correlation are read.

Windows of about 0.7 s that overlap by half and whose squares add up to 1 everywhere, silence assumed outside
the signal: by Parseval's relation the bins of the spectrum add up to the mean square of the signal, exactly.
The window is sin(pi/2 sin^2(pi (n + 1/2) / N)) (Vorbis I specification, 4.3.7), whose side lobes fall fast
enough for bands 100 dB below their third neighbours.
"""

from copy import deepcopy
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import fft

from autochain.audio.mix import Samples
from autochain.audio.room import in_blocks
from autochain.measure._spectrum_kernels import add_powers, windowed_mid_side
from autochain.measure.stream import WholeUnits
from autochain.units import power_to_db

_Doubles = npt.NDArray[np.float64]

SILENCE_POWER = 1e-12  # -120 dBFS mean square: below it a sound says nothing of image or balance
_SUBSONIC_HZ = 20.0
_WINDOWS_AT_ONCE = 4  # the transform works on several rows at a time; a fixed number, so that bits stay the same
_LOWEST_BINS = 32  # far beyond them the transform of a whole window has died away


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Spectrum:
    """Mean squares per bin over the whole signal, its mean (DC) taken out.

    Mid is (L + R) / sqrt(2) and side (L - R) / sqrt(2), so that mid and side add up to left and right. The mid
    of one channel is the channel itself.

    Attributes
    ----------
    rate_hz
        Sample rate.
    channels
        1 or 2.
    mid, side
        Power per bin, shape (bins,), full scale 1.0; the sum over the bins is the mean square.
    product
        Real part of mid times conjugate side, shape (bins,), in the same unit.
    """

    rate_hz: int
    channels: int
    mid: _Doubles
    side: _Doubles
    product: _Doubles

    @property
    def bin_hz(self) -> float:
        """Distance of two bins; bin k stands for k bin_hz - bin_hz / 2 to k bin_hz + bin_hz / 2."""
        return self.rate_hz / (2.0 * (self.mid.size - 1))

    def between(self, low_hz: float, high_hz: float) -> tuple[float, float]:
        """Mean squares of mid and side between two frequencies; a bin that an edge cuts gives its share."""
        low, high = low_hz / self.bin_hz, high_hz / self.bin_hz
        k = np.arange(max(0, int(low)), min(self.mid.size, int(high) + 2))
        share = np.clip(np.minimum(k + 0.5, high) - np.maximum(k - 0.5, low), 0.0, 1.0)
        return tuple(float((part[k] * share).sum()) for part in (self.mid, self.side))  # type: ignore[return-value]


class SpectrumMeter:
    """Collects a `Spectrum` from blocks of any size; the size does not change a bit of the result.

    float32 blocks are transformed in float32: bins more than about 130 dB under the strongest ones hold
    rounding noise.

    Parameters
    ----------
    rate_hz
        Sample rate.
    channels
        1 or 2.
    """

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._rate_hz, self._channels = rate_hz, channels
        size = 32768 * max(1, round(rate_hz / 48000))
        self._hop = size // 2
        self._pieces = WholeUnits(_WINDOWS_AT_ONCE * self._hop)
        self._frames = 0
        self._at = 0  # first frame of the next piece
        self._before: Samples | None = None  # the hop before the next piece
        self._powers = np.zeros((3, self._hop + 1))
        # Products of mid and side with a constant 1 of the signal's length, and of that constant with itself.
        self._with_constant = np.zeros((channels, self._hop + 1), dtype=np.complex128)
        self._constant = np.zeros(self._hop + 1)

    def push(self, block: Samples) -> None:
        """Take the next frames, shape (frames, channels)."""
        self._frames += block.shape[0]
        unit = _WINDOWS_AT_ONCE * self._hop
        for piece in self._pieces.push(block):
            for start in range(0, piece.shape[0], unit):
                self._take(piece[start : start + unit], self._at + unit)

    def result(self) -> Spectrum:
        """Spectrum of everything pushed so far."""
        return deepcopy(self)._ended()

    def _ended(self) -> Spectrum:
        unit = _WINDOWS_AT_ONCE * self._hop
        rest = self._pieces.rest()
        dtype = rest.dtype if self._before is None else self._before.dtype
        padded = np.zeros((2 * unit, self._channels), dtype)
        padded[: rest.shape[0]] = rest
        self._take(padded[:unit], self._frames)
        self._take(padded[unit:], self._frames)  # the second half of the last window
        powers = self._powers
        if self._frames:
            # The mean as the windows see it: the constant that leaves least in the lowest bin.
            mean = self._with_constant[:, 0].real / self._constant[0]
            pairs = [(0, 0, 0)] if self._channels == 1 else [(0, 0, 0), (1, 1, 1), (2, 0, 1)]
            for row, a, b in pairs:
                powers[row] -= mean[b] * self._with_constant[a].real + mean[a] * self._with_constant[b].real
                powers[row] += mean[a] * mean[b] * self._constant
            # Both sides of the spectrum, but for the two bins that have no mirror image.
            scale = np.full(powers.shape[1], 2.0)
            scale[[0, -1]] = 1.0
            powers *= scale / (2.0 * self._hop * self._frames)
            np.maximum(powers[:2], 0.0, out=powers[:2])
        return Spectrum(
            rate_hz=self._rate_hz, channels=self._channels, mid=powers[0], side=powers[1], product=powers[2]
        )

    def _take(self, unit: Samples, end: int) -> None:
        """Add the windows that end in a unit of four hops; the signal ends at frame `end` or later."""
        channels, hop = self._channels, self._hop
        window = _window(2 * hop, unit.dtype)
        before = np.zeros((hop, channels), unit.dtype) if self._before is None else self._before
        rows = np.empty((_WINDOWS_AT_ONCE * channels, 2 * hop), unit.dtype)
        windowed_mid_side(before.reshape(-1), unit.reshape(-1), channels, window, rows)
        spectra = fft.rfft(rows, axis=1)
        add_powers(spectra.view(rows.dtype), channels, self._powers)
        by_window = spectra.reshape(_WINDOWS_AT_ONCE, channels, -1)
        for j in range(_WINDOWS_AT_ONCE):
            start = self._at + (j - 1) * hop
            constant = _constant(2 * hop, max(0, -start), min(2 * hop, max(0, end - start)))
            self._with_constant[:, : constant.size] += by_window[j, :, : constant.size] * constant.conj()
            self._constant[: constant.size] += np.abs(constant) ** 2
        self._before = unit[-hop:].copy()
        self._at += unit.shape[0]


def measure_spectrum(samples: Samples, rate_hz: int) -> Spectrum:
    """`Spectrum` of a whole signal, shape (frames, channels); see `SpectrumMeter`."""
    meter = SpectrumMeter(rate_hz, samples.shape[1])
    for block in in_blocks(samples):
        meter.push(block)
    return meter.result()


def subsonic_db(spectrum: Spectrum) -> float | None:
    """Energy below 20 Hz in dB re the whole energy, both channels together, the mean (DC) left out of both.

    It lies under the range of hearing, and takes room under the ceiling for nothing.

    Returns
    -------
    At most 0; -30 dB is a thousandth. None for silence.
    """
    total = float(spectrum.mid.sum() + spectrum.side.sum())
    if total <= SILENCE_POWER:
        return None
    return min(0.0, power_to_db(sum(spectrum.between(0.0, _SUBSONIC_HZ)) / total))


def share_under_db(spectrum: Spectrum, corner_hz: float) -> float:
    """Energy below a frequency re the whole, in dB (-200 for silence)."""
    both = spectrum.mid + spectrum.side
    below = both[: int(2.0 * corner_hz / spectrum.rate_hz * (both.size - 1)) + 1]
    return power_to_db(float(below.sum()) / max(float(both.sum()), 1e-30))


@cache
def _window(size: int, dtype: np.dtype[Any]) -> npt.NDArray[Any]:
    n = (np.arange(size) + 0.5) / size
    window = np.sin(0.5 * np.pi * np.sin(np.pi * n) ** 2).astype(dtype)
    window.setflags(write=False)
    return window


@lru_cache(maxsize=8)  # whole windows share one entry, the cut ones of every signal have their own
def _constant(size: int, start: int, stop: int) -> npt.NDArray[np.complex128]:
    """Transform of a window over a constant 1 that lasts from its frame `start` to `stop`.

    Of a whole window only the lowest bins are given; the step of a cut one reaches through all of them.
    """
    if start >= stop:
        return np.zeros(0, dtype=np.complex128)
    part = np.zeros(size)
    part[start:stop] = _window(size, np.dtype(np.float64))[start:stop]
    spectrum = np.asarray(fft.rfft(part))
    return spectrum[:_LOWEST_BINS].copy() if stop - start == size else spectrum
