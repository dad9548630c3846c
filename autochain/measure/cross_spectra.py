"""Averaged power and cross spectra of two sounds in step, the ground under `align` and `transfer`.

P. D. Welch, "The use of fast Fourier transform for the estimation of power spectra", IEEE Trans. Audio
Electroacoust. 15 (1967): Hann windows that overlap by half, periodograms averaged. A sound longer than the
wanted number of windows is sampled evenly. Spectra are float32, sums float64.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import scipy.fft

from autochain.audio.mix import Samples

Floats = npt.NDArray[np.float64]
Complexes = npt.NDArray[np.complex128]

_CHUNK_WINDOWS = 16
# Neighbouring Hann windows at half overlap share (1/6)^2 of their variance: Welch 1967, equation for
# overlapped segments, 1 + 2 rho.
_INDEPENDENT_SHARE = 1.0 / (1.0 + 2.0 / 36.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class CrossSpectra:
    """Averages over windows, per bin from 0 Hz to half the rate, all on the same arbitrary scale.

    Attributes
    ----------
    xx
        Cross powers within the first sound, x_j conj(x_k), shape (bins, channels, channels).
    yx
        Cross powers y_i conj(x_j), shape (bins, channels, channels).
    yy
        Powers of the second sound, shape (bins, channels).
    windows
        Number of windows that statistics may count as independent.
    """

    xx: Complexes
    yx: Complexes
    yy: Floats
    windows: float


def cross_spectra(x: Samples, y: Samples, window_samples: int, most_windows: int) -> CrossSpectra:
    """Average the spectra of two sounds of equal shape.

    Parameters
    ----------
    x, y
        Shape (frames, channels), at least `window_samples` frames.
    window_samples
        Length of a window.
    most_windows
        At most so many windows are looked at, evenly spread.
    """
    frames, channels = x.shape
    n, bins = window_samples, window_samples // 2 + 1
    count = min(most_windows, 2 * (frames - n) // n + 1)
    starts = np.linspace(0, frames - n, count).astype(np.int64)
    window = np.hanning(n + 1)[:n].astype(np.float32)
    xx = np.zeros((bins, channels, channels), dtype=np.complex128)
    yx, yy = xx.copy(), np.zeros((bins, channels))
    for begin in range(0, count, _CHUNK_WINDOWS):
        chunk = starts[begin : begin + _CHUNK_WINDOWS]
        X, Y = ([_spectra(sound[:, c], chunk, window) for c in range(channels)] for sound in (x, y))
        for i in range(channels):
            yy[:, i] += _product(Y[i], Y[i]).real
            for j in range(channels):
                yx[:, i, j] += _product(Y[i], X[j])
                if j >= i:
                    xx[:, i, j] += _product(X[i], X[j])
    for j in range(channels):
        for i in range(j):
            xx[:, j, i] = xx[:, i, j].conj()
    return CrossSpectra(xx=xx / count, yx=yx / count, yy=yy / count, windows=max(1.0, count * _INDEPENDENT_SHARE))


def debiased(coherence: Floats, windows: float, inputs: int = 1) -> Floats:
    """Coherence without what `windows` averages show by chance, not below 0.

    E[C] = C + (1 - C) inputs / windows near C = 0 (G. C. Carter, Proc. IEEE 75 (1987), section III).
    """
    chance = min(0.99, inputs / windows)
    return np.asarray(np.maximum(0.0, (coherence - chance) / (1.0 - chance)))


def _spectra(
    sound: npt.NDArray[np.floating], starts: npt.NDArray[np.int64], window: npt.NDArray[np.float32]
) -> npt.NDArray[np.complex64]:
    frames = np.stack([sound[s : s + window.size] for s in starts]).astype(np.float32, copy=False)
    return np.asarray(scipy.fft.rfft(frames * window, axis=1, overwrite_x=True))


def _product(a: npt.NDArray[np.complex64], b: npt.NDArray[np.complex64]) -> Complexes:
    return np.asarray(np.einsum("wf,wf->f", a, b.conj())).astype(np.complex128)
