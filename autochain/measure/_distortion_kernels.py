"""Loops of the ear model and of the added-distortion measure: arrays in, arrays of the caller filled."""

import math

import numpy as np
import numpy.typing as npt
from numba import njit

_Floats = npt.NDArray[np.float64]
_Ints = npt.NDArray[np.int64]
_Spectra = npt.NDArray[np.complex64]


@njit(cache=True, nogil=True)
def group_cross_power(
    x: _Spectra, y: _Spectra, start: _Ints, first_bin: _Ints, weight: _Floats, out: _Floats
) -> None:
    """Band sums of |x|^2, |y|^2 and x* y (real, imaginary part) into out, shape (4, frames, bands)."""
    for t in range(x.shape[0]):
        for b in range(first_bin.size):
            xx = 0.0
            yy = 0.0
            re = 0.0
            im = 0.0
            k = first_bin[b]
            for i in range(start[b], start[b + 1]):
                w = weight[i]
                xr = np.float64(x[t, k].real)
                xi = np.float64(x[t, k].imag)
                yr = np.float64(y[t, k].real)
                yi = np.float64(y[t, k].imag)
                xx += w * (xr * xr + xi * xi)
                yy += w * (yr * yr + yi * yi)
                re += w * (xr * yr + xi * yi)
                im += w * (xr * yi - xi * yr)
                k += 1
            out[0, t, b] = xx
            out[1, t, b] = yy
            out[2, t, b] = re
            out[3, t, b] = im


@njit(cache=True, nogil=True)
def spread_and_smear(
    energy: _Floats,
    noise: _Floats,
    slope: _Floats,
    band_bark: float,
    loudest: float,
    norm: _Floats,
    decay: _Floats,
    offset: _Floats,
    smeared: _Floats,
    work: _Floats,
    out: _Floats,
) -> None:
    """1 / mask of each frame and band into out (frames, bands); `smeared` (bands,) carries over in time.

    `work` has shape (3, bands).

    Spreading as in BS.1387-1, annex 2, 2.1.7: each band's energy runs down 27 dB/Bark below it and by a slope
    that depends on level above it; the shares of one band add up to its energy; bands add as powers of 0.4.
    """
    bands = energy.shape[1]
    a_low = 10.0 ** (-2.7 * band_bark)
    a_low_04 = a_low**0.4
    source = work[0]
    ratio = work[1]
    spread = work[2]
    for t in range(energy.shape[0]):
        for b in range(bands):
            e = max(energy[t, b] + noise[b], 1e-12)
            log_ratio = slope[b] + 0.2 * band_bark * math.log(min(e, loudest))
            a_up = math.exp(log_ratio)
            low = (1.0 - a_low ** (b + 1)) / (1.0 - a_low)
            up = (1.0 - math.exp((bands - b) * log_ratio)) / (1.0 - a_up)
            source[b] = math.exp(0.4 * math.log(e / (low + up - 1.0)))
            ratio[b] = math.exp(0.4 * log_ratio)
        running = 0.0
        for b in range(bands - 1, -1, -1):
            running = a_low_04 * running + source[b]
            spread[b] = running
        for b in range(bands):
            v = source[b]
            r = ratio[b]
            for m in range(b + 1, bands):
                v *= r
                spread[m] += v
        for b in range(bands):
            s = spread[b]
            s = s * s * math.sqrt(s) * norm[b]
            smeared[b] = decay[b] * smeared[b] + (1.0 - decay[b]) * s
            out[t, b] = offset[b] / max(smeared[b], s)


@njit(cache=True, nogil=True)
def regional_residual(
    power: _Floats,
    begin: int,
    end: int,
    counted: npt.NDArray[np.bool_],
    region_low: _Ints,
    region_high: _Ints,
    inverse_mask: npt.NDArray[np.float32],
    work: _Floats,
    ratio: npt.NDArray[np.float32],
    totals: _Floats,
) -> None:
    """Residual over mask for frames begin..end-1 of power (4, frames, bands) into ratio (end - begin, bands).

    totals (3,) gains the energies of reference, explained part of the output, and residual. `counted`
    (end - begin,) tells which frames count; others get zeros. `inverse_mask` has the shape of `ratio`, `work`
    (3, bands).
    """
    bands = power.shape[2]
    frames = power.shape[1]
    xx = work[0]
    re = work[1]
    im = work[2]
    for t in range(begin, end):
        if not counted[t - begin]:
            ratio[t - begin] = 0.0
            continue
        first = max(0, t - 1)
        last = min(frames, t + 2)
        for b in range(bands):
            xx[b] = 0.0
            re[b] = 0.0
            im[b] = 0.0
            for s in range(first, last):
                xx[b] += power[0, s, b]
                re[b] += power[2, s, b]
                im[b] += power[3, s, b]
        for b in range(bands):
            sxx = 0.0
            sre = 0.0
            sim = 0.0
            for m in range(region_low[b], region_high[b] + 1):
                sxx += xx[m]
                sre += re[m]
                sim += im[m]
            gr = 0.0
            gi = 0.0
            if sxx > 0.0:
                gr = sre / sxx
                gi = sim / sxx
            explained = (gr * gr + gi * gi) * power[0, t, b]
            residual = power[1, t, b] - 2.0 * (gr * power[2, t, b] + gi * power[3, t, b]) + explained
            residual = max(residual, 0.0)
            totals[0] += power[0, t, b]
            totals[1] += explained
            totals[2] += residual
            ratio[t - begin, b] = residual * inverse_mask[t - begin, b]
