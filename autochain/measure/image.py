"""Guards of the stereo image and the tonal balance: what a level chain should leave alone."""

from typing import NamedTuple

import numpy as np
import numpy.typing as npt
from scipy import fft

from autochain.audio.mix import Samples
from autochain.audio.room import in_blocks
from autochain.measure._image_kernels import add_pair_powers, windowed_pairs
from autochain.measure.spectrum import SILENCE_POWER
from autochain.measure.stream import WholeUnits

_OCTAVES_HZ = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
_TILT_SPAN_OCTAVES = len(_OCTAVES_HZ) - 1

# A side signal 30 dB under the mid (or the reverse) is not heard as width: changes below count for nothing.
_NARROWEST_DB = -30.0
_WIDEST_DB = 30.0
# An octave 50 dB under the strongest one says nothing about the balance.
_UNHEARD_DB = -50.0
_ANY_RATE_HZ = 44100  # sums over the whole signal do not depend on how long its hops are
_WINDOWS_AT_ONCE = 8  # their samples and spectra stay in the cache

_Floats = npt.NDArray[np.float64]


class BalanceShift(NamedTuple):
    """Shift of image and tilt in dB, both >= 0."""

    image_shift_db: float
    tilt_shift_db: float


class BalanceReference:
    """Band energies of the mix, measured once and compared with many outputs.

    Octave bands from 63 Hz to 8 kHz, by the power spectra of side-by-side sine windows of about 90 ms.

    Parameters
    ----------
    reference
        The mix, shape (frames, channels), full scale +-1.0.
    rate_hz
        Sample rate.
    """

    def __init__(self, reference: Samples, rate_hz: int) -> None:
        self._rate_hz = rate_hz
        octaves = _OctavePowers(rate_hz)
        for block in in_blocks(reference):
            octaves.push(block)
        self._mid, self._side = octaves.result()

    def compare(self, output: Samples) -> BalanceShift:
        """Shift of `output` against the mix; its overall gain does not matter.

        Parameters
        ----------
        output
            Same channels as the mix.

        Returns
        -------
        image_shift_db
            Absolute change of the side/mid level ratio per octave, averaged with the mix's energies as
            weights; ratios are held inside +-30 dB. 0 for mono.
        tilt_shift_db
            Absolute slope of the line fitted to the octaves' level changes, times the 7 octaves from 63 Hz
            to 8 kHz. Octaves more than 50 dB under the mix's strongest do not count; 0 with fewer than three.
        """
        meter = self.meter()
        meter.push(output)
        return meter.result()

    def meter(self) -> "BalanceMeter":
        """Start to compare an output that comes in blocks, which change no bit."""
        return BalanceMeter(self)

    def _shift(self, mid: _Floats, side: _Floats) -> BalanceShift:
        before, after = self._mid + self._side, mid + side
        total = before.sum()
        if total <= SILENCE_POWER or after.sum() <= SILENCE_POWER:
            return BalanceShift(0.0, 0.0)
        change_db = np.abs(_width_db(mid, side) - _width_db(self._mid, self._side))
        heard = (before >= before.max() * 10.0 ** (_UNHEARD_DB / 10.0)) & (after > 0.0)
        slope = 0.0
        if np.count_nonzero(heard) >= 3:
            octave = np.arange(len(_OCTAVES_HZ))[heard]
            level_db = 10.0 * np.log10(after[heard] / before[heard])
            slope = float(np.polynomial.polynomial.polyfit(octave, level_db, 1)[1])
        return BalanceShift(float(change_db @ before / total), abs(slope) * _TILT_SPAN_OCTAVES)


class BalanceMeter:
    """Compares an output that comes in blocks with a reference."""

    def __init__(self, reference: BalanceReference) -> None:
        self._reference = reference
        self._octaves = _OctavePowers(reference._rate_hz)

    def push(self, block: Samples) -> None:
        """Take the next frames, shape (frames, channels)."""
        self._octaves.push(block)

    def result(self) -> BalanceShift:
        """Of everything pushed."""
        return self._reference._shift(*self._octaves.result())


class _OctavePowers:
    """Mean power of mid and side in the octave bands of a stream."""

    def __init__(self, rate_hz: int) -> None:
        self._size = 4096 * max(1, round(rate_hz / 48000))
        self._share = _octave_shares(self._size, rate_hz)
        self._pieces = WholeUnits(_WINDOWS_AT_ONCE * self._size)
        self._sums = np.zeros((2, self._share.shape[0]))
        self._windows = 0

    def push(self, block: Samples) -> None:
        for piece in self._pieces.push(block):
            self._add(piece, piece.shape[0] // self._size)

    def result(self) -> tuple[_Floats, _Floats]:
        """Both, each shape (octaves,); a sound shorter than a window is followed by silence."""
        rest = self._pieces.rest()
        self._add(rest, max(rest.shape[0] // self._size, 0 if self._windows else 1))
        # Parseval's relation: two sides of the spectrum, and a window whose mean square is 1/2.
        scale = 4.0 / (self._size * float(self._size) * self._windows)
        both, product = self._sums
        mid, side = ((0.25 * both + sign * 0.5 * product) @ self._share for sign in (1.0, -1.0))
        return np.maximum(mid, 0.0) * scale, np.maximum(side, 0.0) * scale

    def _add(self, samples: Samples, windows: int) -> None:
        size, flat = self._size, samples.reshape(-1)
        window = np.sin(np.pi * (np.arange(size) + 0.5) / size).astype(samples.dtype)
        pairs = np.empty((min(windows, _WINDOWS_AT_ONCE), 2 * size), samples.dtype)
        complexes = np.result_type(samples.dtype, np.complex64)
        for start in range(0, windows, _WINDOWS_AT_ONCE):
            rows = pairs[: windows - start]
            windowed_pairs(flat, samples.shape[1], start * size, window, rows)
            add_pair_powers(np.asarray(fft.fft(rows.view(complexes), axis=1, overwrite_x=True)), self._sums)
        self._windows += windows


def _octave_shares(size: int, rate_hz: int) -> _Floats:
    """Part of each FFT bin's width that lies in each octave, shape (bins, octaves).

    The lowest octave is four bins wide: whole bins alone would shift its centre by a sixth of an octave.
    """
    centres = np.array(_OCTAVES_HZ) * size / rate_hz
    low, high = centres / np.sqrt(2.0), centres * np.sqrt(2.0)
    bins = np.arange(int(high[-1]) + 2)[:, None]
    return np.asarray(np.clip(np.minimum(bins + 0.5, high) - np.maximum(bins - 0.5, low), 0.0, 1.0))


def _width_db(mid: _Floats, side: _Floats) -> _Floats:
    """Side over mid in dB, held inside what is heard as width."""
    ratio_db = 10.0 * np.log10(np.maximum(side, 1e-20) / np.maximum(mid, 1e-20))
    return np.asarray(np.clip(ratio_db, _NARROWEST_DB, _WIDEST_DB))
