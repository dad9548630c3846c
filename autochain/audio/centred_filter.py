"""Long symmetric and antisymmetric filters on a stream, their delay taken out, by blocks of FFT."""

from typing import Any

import numpy as np
import numpy.typing as npt
from scipy import fft

from autochain.audio.mix import Samples

Taps = npt.NDArray[np.float64] | npt.NDArray[np.complex128]

# FFT length in lengths of the filter (longer spends less on overlap, but leaves the cache), and blocks transformed
# together, which the FFT takes several at a time through the processor's vector registers.
_SIZE_IN_TAPS = 4
_BLOCKS_AT_ONCE = 4


class CentredFilter:
    """Overlap-save convolution whose middle tap stands for no delay; silence before the start and after the end.

    Blocks lie on a grid counted from the first frame, so that the way the stream is cut changes no bit.

    Parameters
    ----------
    taps
        Odd length. Real: both channels alike. Complex, for two channels: acts on left + i right, so that
        its imaginary part feeds each channel from the other.
    channels
        1 or 2.
    crossed
        Second filter of the same length that acts on left - i right, or None. With `taps` it makes any real
        2 x 2 matrix of filters: see `matrix_taps`.
    """

    def __init__(self, taps: Taps, channels: int, crossed: Taps | None = None) -> None:
        self.half = taps.size // 2
        self._channels = channels
        # `real` keeps to factors 2, 3 and 5; lengths with factors 7 and 11 took up to half as long again.
        self._size = fft.next_fast_len(_SIZE_IN_TAPS * taps.size, real=True)
        self._hop = self._size - 2 * self.half
        self._taps, self._crossed = taps, crossed
        self._dtype: np.dtype[np.generic] = np.dtype(np.float32)
        self._held = np.empty(0)  # from `half` frames before the next output frame on; made at the first block
        self._filled = 0
        self._taken, self._given = 0, 0

    def push(self, block: Samples) -> Samples:
        """Take the next frames; return those whose surroundings are known."""
        if not self._held.size:
            self._prepare(block.dtype)
        signal = self._as_signal(block)
        ready = max(0, (self._filled + signal.size - 2 * self.half) // self._span) * self._span
        output = np.empty(ready, dtype=self._held.dtype)
        done, place = 0, 0
        while place < signal.size:
            count = min(signal.size - place, self._held.size - self._filled)
            self._held[self._filled : self._filled + count] = signal[place : place + count]
            self._filled += count
            place += count
            if self._filled == self._held.size:
                output[done : done + self._span] = self._filtered(_BLOCKS_AT_ONCE).reshape(-1)
                done += self._span
        self._taken += signal.size
        self._given += ready
        return self._as_samples(output)

    def finish(self) -> Samples:
        """Return what is left."""
        if not self._held.size:
            return np.empty((0, self._channels), dtype=np.float32)
        pieces = []
        while self._given < self._taken:
            left = self._taken - self._given
            self._held[self._filled :] = 0.0
            self._filled = self._held.size
            rows = min(_BLOCKS_AT_ONCE, -(-left // self._hop))
            pieces.append(self._filtered(rows).reshape(-1)[:left])
            self._given += pieces[-1].size
        return self._as_samples(np.concatenate([self._held[:0], *pieces]))

    def _prepare(self, dtype: np.dtype[np.generic]) -> None:
        self._dtype = dtype
        single = dtype == np.float32
        spectrum = np.complex64 if single else np.complex128
        stereo = self._channels == 2
        self._forward, self._backward = (fft.fft, fft.ifft) if stereo else (fft.rfft, fft.irfft)
        work = spectrum if stereo else dtype
        self._span = _BLOCKS_AT_ONCE * self._hop
        self._held = np.zeros(self._span + 2 * self.half, dtype=work)
        self._filled = self.half
        self._response = self._spectrum(self._taps, spectrum)
        self._crossed_response = None if self._crossed is None else self._spectrum(self._crossed, spectrum)

    def _spectrum(self, taps: Taps, dtype: type) -> npt.NDArray[Any]:
        """Response with the middle tap at no delay."""
        ring: npt.NDArray[Any] = np.zeros(self._size, dtype=taps.dtype)
        ring[: taps.size] = taps
        return np.asarray(self._forward(np.roll(ring, -self.half)).astype(dtype))

    def _filtered(self, rows: int) -> npt.NDArray[Any]:
        """Next blocks of output, shape (rows, hop); makes room for what comes next."""
        windows = np.lib.stride_tricks.sliding_window_view(self._held, self._size)[:: self._hop][:rows]
        spectra = self._forward(windows, axis=1)
        if self._crossed_response is None:
            spectra *= self._response
        else:
            mirrored = np.empty_like(spectra)  # of the conjugate of the signal
            np.conjugate(spectra[:, :1], out=mirrored[:, :1])
            np.conjugate(spectra[:, :0:-1], out=mirrored[:, 1:])
            mirrored *= self._crossed_response
            spectra *= self._response
            spectra += mirrored
        filtered = self._backward(spectra, n=self._size, axis=1, overwrite_x=True)
        self._held[: 2 * self.half] = self._held[self._span :]
        self._filled = 2 * self.half
        return np.asarray(filtered[:, self.half : self.half + self._hop])

    def _as_signal(self, block: Samples) -> npt.NDArray[Any]:
        """Frames as numbers: left + i right, or the only channel."""
        block = np.ascontiguousarray(block)
        return block.view(self._held.dtype)[:, 0] if self._channels == 2 else block[:, 0]

    def _as_samples(self, signal: npt.NDArray[Any]) -> Samples:
        return np.ascontiguousarray(signal).view(self._dtype).reshape(-1, self._channels)


def matrix_taps(
    left_left: Taps, right_left: Taps, left_right: Taps, right_right: Taps
) -> tuple[npt.NDArray[np.complex128], npt.NDArray[np.complex128]]:
    """`taps` and `crossed` of the four filters `from_to`.

    With z = L + i R: L = (z + z*)/2 and R = (z - z*)/2i, put into L' + i R' and sorted by z and z*.
    """
    straight = 0.5 * ((left_left + right_right) + 1j * (left_right - right_left))
    crossed = 0.5 * ((left_left - right_right) + 1j * (left_right + right_left))
    return straight.astype(np.complex128), crossed.astype(np.complex128)


def filter_centred(samples: Samples, taps: Taps) -> Samples:
    """Filter a whole sound with real taps; a new array of its shape and dtype."""
    run = CentredFilter(taps, samples.shape[1])
    return np.concatenate([run.push(samples), run.finish()])
