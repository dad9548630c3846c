"""Loops of the ear model and of the added-distortion measure: arrays in, arrays of the caller filled.

Frames lie along the last axis: every frame needs the same sums in the same order, so the innermost loop runs over
independent frames and can be vectorised without changing the order of any sum.
"""

import math
from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

_Floats = npt.NDArray[np.float64]
_Singles = npt.NDArray[np.float32]
_Ints = npt.NDArray[np.int64]


@njit(cache=True, nogil=True)
def cut_frames(
    flat: npt.NDArray[np.floating[Any]], channels: int, hop: int, begin: int, window: _Singles, out: _Singles
) -> None:
    """Windowed frames begin, begin + 1, ... into out (frames, 2 len(window)), as pairs left, right.

    `flat` holds interleaved samples; a single channel is paired with zeros. A frame that does not lie in the sound
    as a whole is all zeros.
    """
    size = window.size
    for t in range(out.shape[0]):
        start = (begin + t) * hop * channels
        row = out[t]
        if start < 0 or start + size * channels > flat.size:
            row[:] = np.float32(0.0)
            continue
        sound = flat[start : start + size * channels]
        if channels == 2:
            for i in range(size):
                row[2 * i] = window[i] * np.float32(sound[2 * i])
                row[2 * i + 1] = window[i] * np.float32(sound[2 * i + 1])
        else:
            for i in range(size):
                row[2 * i] = window[i] * np.float32(sound[i])
                row[2 * i + 1] = np.float32(0.0)


@njit(cache=True, nogil=True)
def part_channels(z: npt.NDArray[np.complex64], out: _Singles) -> None:
    """Spectra of left and right from those of left + j right (bins, frames), into out (channels, 2, bins, frames).

    out holds the lowest bins' real and imaginary parts. The transform of a real signal is Hermitian, so
    L[k] = (Z[k] + conj Z[-k]) / 2 and R[k] = (Z[k] - conj Z[-k]) / 2j.
    """
    size = z.shape[0]
    half = np.float32(0.5)
    for k in range(out.shape[2]):
        a = z[k]
        b = z[(size - k) % size]
        real = out[0, 0, k]
        imaginary = out[0, 1, k]
        for t in range(a.size):
            real[t] = half * (a[t].real + b[t].real)
            imaginary[t] = half * (a[t].imag - b[t].imag)
        if out.shape[0] == 2:
            real = out[1, 0, k]
            imaginary = out[1, 1, k]
            for t in range(a.size):
                real[t] = half * (a[t].imag + b[t].imag)
                imaginary[t] = half * (b[t].real - a[t].real)


@njit(cache=True, nogil=True)
def group_power(x: _Singles, start: _Ints, first_bin: _Ints, weight: _Floats, out: _Floats) -> None:
    """Band sums of |x|^2 into out (bands, frames); x is real and imaginary part, shape (2, bins, frames)."""
    frames = x.shape[2]
    for b in range(first_bin.size):
        xx = out[b]
        xx[:] = 0.0
        k = first_bin[b]
        for i in range(start[b], start[b + 1]):
            w = weight[i]
            x0 = x[0, k]
            x1 = x[1, k]
            for t in range(frames):
                xr = np.float64(x0[t])
                xi = np.float64(x1[t])
                xx[t] += w * (xr * xr + xi * xi)
            k += 1


@njit(cache=True, nogil=True)
def group_cross_power(
    x: _Singles, y: _Singles, start: _Ints, first_bin: _Ints, weight: _Floats, out: _Floats
) -> None:
    """Band sums of |y|^2 and x* y (real, imaginary part) into out, shape (3, bands, frames).

    x and y are real and imaginary parts, shape (2, bins, frames).
    """
    frames = x.shape[2]
    for b in range(first_bin.size):
        yy = out[0, b]
        re = out[1, b]
        im = out[2, b]
        yy[:] = 0.0
        re[:] = 0.0
        im[:] = 0.0
        k = first_bin[b]
        for i in range(start[b], start[b + 1]):
            w = weight[i]
            x0 = x[0, k]
            x1 = x[1, k]
            y0 = y[0, k]
            y1 = y[1, k]
            for t in range(frames):
                xr = np.float64(x0[t])
                xi = np.float64(x1[t])
                yr = np.float64(y0[t])
                yi = np.float64(y1[t])
                yy[t] += w * (yr * yr + yi * yi)
                re[t] += w * (xr * yr + xi * yi)
                im[t] += w * (xr * yi - xi * yr)
            k += 1


@njit(cache=True, nogil=True)
def sums_up_to(power: _Floats, out: _Floats) -> None:
    """Sums over three neighbouring frames and the bands under each into out (bands + 1, frames).

    `power` has shape (bands, frames + 2): a region's sum is the difference of two rows of `out`.
    """
    bands = power.shape[0]
    frames = out.shape[1]
    out[0] = 0.0
    for b in range(bands):
        row = power[b]
        under = out[b]
        to = out[b + 1]
        for t in range(frames):
            to[t] = under[t] + (row[t] + row[t + 1] + row[t + 2])


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
    """1 / mask of each band and frame into out (bands, frames); `smeared` (bands,) carries over in time.

    `energy` has the shape of `out`, `work` (2, bands, frames).

    Spreading as in BS.1387-1, annex 2, 2.1.7: each band's energy runs down 27 dB/Bark below it and by a slope
    that depends on level above it; the shares of one band add up to its energy; bands add as powers of 0.4.
    """
    bands = energy.shape[0]
    frames = energy.shape[1]
    a_low = 10.0 ** (-2.7 * band_bark)
    a_low_04 = a_low**0.4
    spread = out
    for b in range(bands):
        source = work[0, b]
        ratio = work[1, b]
        low = (1.0 - a_low ** (b + 1)) / (1.0 - a_low)
        for t in range(frames):
            log_e = math.log(max(energy[b, t] + noise[b], 1e-12))
            log_ratio = slope[b] + 0.2 * band_bark * min(log_e, math.log(loudest))
            r = math.exp(0.4 * log_ratio)
            a_up = r * r * math.sqrt(r)
            up = (1.0 - math.exp((bands - b) * log_ratio)) / (1.0 - a_up)
            source[t] = math.exp(0.4 * (log_e - math.log(low + up - 1.0)))
            ratio[t] = r
    for t in range(frames):
        spread[bands - 1, t] = work[0, bands - 1, t]
    for b in range(bands - 2, -1, -1):
        above = spread[b + 1]
        row = spread[b]
        source = work[0, b]
        for t in range(frames):
            row[t] = a_low_04 * above[t] + source[t]
    for b in range(bands):
        share = work[0, b]
        ratio = work[1, b]
        for m in range(b + 1, bands):
            row = spread[m]
            for t in range(frames):
                share[t] *= ratio[t]
                row[t] += share[t]
    for b in range(bands):
        row = spread[b]
        state = smeared[b]
        keep = decay[b]
        for t in range(frames):
            s = row[t]
            s = s * s * math.sqrt(s) * norm[b]
            state = keep * state + (1.0 - keep) * s
            row[t] = offset[b] / max(state, s)
        smeared[b] = state


@njit(cache=True, nogil=True)
def region_power(
    power: _Floats, region_low: _Ints, region_high: _Ints, sums: _Floats, out: _Floats
) -> None:
    """Power of each band's region into out (bands, frames); 1 without any, for then all other sums are 0, too.

    `power` has shape (bands, frames + 2), `sums` (bands + 1, frames).
    """
    sums_up_to(power, sums)
    for b in range(out.shape[0]):
        top = sums[region_high[b] + 1]
        bottom = sums[region_low[b]]
        to = out[b]
        for t in range(out.shape[1]):
            known = top[t] - bottom[t]
            to[t] = known if known > 0.0 else 1.0


@njit(cache=True, nogil=True)
def regional_residual(
    known: _Floats,
    region: _Floats,
    power: _Floats,
    region_low: _Ints,
    region_high: _Ints,
    inverse_mask: _Singles,
    sums: _Floats,
    ratio: _Floats,
    band_sums: _Floats,
    frame_sums: _Floats,
) -> None:
    """Residual over mask of frames, each band explained by the gain of its region in this frame and its neighbours.

    known (bands, frames + 2) is the reference's power, power (3, bands, frames + 2) what `group_cross_power` fills,
    first and last frame but as neighbours; region (bands, frames) is what `region_power` fills.
    band_sums (bands,) gains the ratio summed over frames; frame_sums (5, frames) is filled with its sum and its
    maximum over bands and with the energies of reference, explained part of the output, and residual. `sums` has
    shape (2, bands + 1, frames), `ratio` (frames,).
    """
    bands = inverse_mask.shape[0]
    frames = inverse_mask.shape[1]
    sums_up_to(power[1], sums[0])
    sums_up_to(power[2], sums[1])
    frame_sums[:] = 0.0
    total = frame_sums[0]
    worst = frame_sums[1]
    reference_sum = frame_sums[2]
    explained_sum = frame_sums[3]
    residual_sum = frame_sums[4]
    for b in range(bands):
        re_top = sums[0, region_high[b] + 1]
        re_bottom = sums[0, region_low[b]]
        im_top = sums[1, region_high[b] + 1]
        im_bottom = sums[1, region_low[b]]
        xx = known[b]
        yy = power[0, b]
        re = power[1, b]
        im = power[2, b]
        around = region[b]
        mask = inverse_mask[b]
        for t in range(frames):
            gr = (re_top[t] - re_bottom[t]) / around[t]
            gi = (im_top[t] - im_bottom[t]) / around[t]
            explained = (gr * gr + gi * gi) * xx[t + 1]
            residual = yy[t + 1] - 2.0 * (gr * re[t + 1] + gi * im[t + 1]) + explained
            residual = residual if residual > 0.0 else 0.0
            r = residual * np.float64(mask[t])
            total[t] += r
            worst[t] = r if r > worst[t] else worst[t]
            reference_sum[t] += xx[t + 1]
            explained_sum[t] += explained
            residual_sum[t] += residual
            ratio[t] = r
        band_sum = 0.0
        for t in range(frames):
            band_sum += ratio[t]
        band_sums[b] += band_sum
