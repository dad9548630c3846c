"""Loops of the compressors: peak level, detector, gain."""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

Floats = npt.NDArray[np.floating[Any]]


@njit(cache=True, nogil=True)
def linked_peak(flat: Floats, channels: int, peak: Floats) -> None:
    """Fill peak[i] with the largest magnitude of frame i; `flat` holds the frames one after the other."""
    if channels == 2:
        for i in range(peak.size):
            left = abs(flat[2 * i])
            right = abs(flat[2 * i + 1])
            peak[i] = left if left > right else right
    else:
        for i in range(peak.size):
            peak[i] = abs(flat[i])


@njit(cache=True, nogil=True)
def linked_peak_after_biquad(samples: Floats, section: Floats, peak: Floats) -> None:
    """Like `linked_peak` on shape (frames, channels), after one second-order section with float64 state."""
    b0, b1, b2, a1, a2 = section[0], section[1], section[2], section[3], section[4]
    s1, s2, u1, u2 = 0.0, 0.0, 0.0, 0.0
    last = samples.shape[1] - 1  # a single channel is filtered twice, which costs nothing beside the latency
    for i in range(samples.shape[0]):
        x = samples[i, 0]
        y = b0 * x + s1
        s1 = b1 * x - a1 * y + s2
        s2 = b2 * x - a2 * y
        w = samples[i, last]
        z = b0 * w + u1
        u1 = b1 * w - a1 * z + u2
        u2 = b2 * w - a2 * z
        peak[i] = max(abs(y), abs(z))


@njit(cache=True, nogil=True)
def level_from_bits(
    bits: npt.NDArray[np.int32], db_per_octave: np.float32, floor: np.float32, level: Floats
) -> None:
    """Fill level[i] with the dB of a float32 >= 0 given as its bit pattern, not below `floor`.

    log2 = exponent + m + m (1 - m) q(m), m the fraction, q fitted for least largest error. Exact at powers of
    two, elsewhere within 0.0001 dB.
    """
    one = np.float32(1.0)
    for i in range(bits.size):
        exponent = np.float32(np.int32(bits[i] >> 23) - np.int32(127))
        m = np.float32(np.int32(bits[i] & 0x7FFFFF)) * np.float32(2.0**-23)
        q = np.float32(0.148426657) - np.float32(0.0451490499) * m
        q = np.float32(0.44191704) + m * (np.float32(-0.26717941) + m * q)
        db = db_per_octave * (exponent + (m + m * (one - m) * q))
        level[i] = db if db > floor else floor


@njit(cache=True, nogil=True)
def detect(
    level: Floats,
    threshold: float,
    slope: float,
    knee: float,
    attack: float,
    release: float,
    reduction: Floats,
) -> None:
    """Fill `reduction` with the smoothed reduction in dB.

    Gain computer of Giannoulis, Massberg and Reiss (2012), equation 4, written as a reduction; detector of
    their equation 17 (smooth, decoupled). `slope` is 1 - 1/ratio, `attack` and `release` are the pole values.
    """
    half = knee / 2.0
    bend = slope / (2.0 * knee) if knee > 0.0 else 0.0
    peak, smooth = 0.0, 0.0
    for i in range(level.size):
        over = np.float64(level[i]) - threshold + half
        inside = min(max(over, 0.0), knee)
        wanted = bend * inside * inside + slope * max(over - knee, 0.0)
        peak = max(wanted, release * peak + (1.0 - release) * wanted)
        smooth = attack * smooth + (1.0 - attack) * peak
        reduction[i] = smooth


@njit(cache=True, nogil=True)
def detect_block_maxima(
    level: Floats,
    threshold: float,
    slope: float,
    knee: float,
    attack: float,
    release: float,
    block_frames: int,
    maxima: Floats,
) -> None:
    """Fill `maxima` with the largest value per block of what `detect` would fill in."""
    half = knee / 2.0
    bend = slope / (2.0 * knee) if knee > 0.0 else 0.0
    peak, smooth = 0.0, 0.0
    for block in range(maxima.size):
        largest = 0.0
        for i in range(block * block_frames, min((block + 1) * block_frames, level.size)):
            over = np.float64(level[i]) - threshold + half
            inside = min(max(over, 0.0), knee)
            wanted = bend * inside * inside + slope * max(over - knee, 0.0)
            peak = max(wanted, release * peak + (1.0 - release) * wanted)
            smooth = attack * smooth + (1.0 - attack) * peak
            largest = max(largest, smooth)
        maxima[block] = largest


@njit(cache=True, nogil=True)
def apply_gain(
    flat: Floats,
    channels: int,
    reduction: Floats,
    block_frames: int,
    gain: Floats,
    output: Floats,
    maxima: Floats,
    means: Floats,
) -> None:
    """Fill `output` with the frames times 10^(-reduction / 20), and per block largest reduction, mean gain.

    10^(-r/20) is the 64th power of a fifth-order series around 0: within 0.0001 dB up to 120 dB, exactly 1 at
    r = 0. `gain` is room for one block.
    """
    scale = -np.log(10.0) / 20.0 / 64.0
    for block in range(maxima.size):
        start = block * block_frames
        count = min(block_frames, reduction.size - start)
        for i in range(count):
            r = np.float64(reduction[start + i])
            u = scale * (r if r < 120.0 else 120.0)
            p = 1.0 + u * (1.0 + u * (0.5 + u * (1.0 / 6.0 + u * (1.0 / 24.0 + u * (1.0 / 120.0)))))
            p = p * p
            p = p * p
            p = p * p
            p = p * p
            p = p * p
            gain[i] = p * p
        largest = 0.0
        total = 0.0
        for i in range(count):
            largest = max(largest, reduction[start + i])
            total += gain[i]
        maxima[block] = largest
        means[block] = total / count
        if channels == 2:
            for i in range(count):
                output[2 * (start + i)] = flat[2 * (start + i)] * gain[i]
                output[2 * (start + i) + 1] = flat[2 * (start + i) + 1] * gain[i]
        else:
            for i in range(count):
                output[start + i] = flat[start + i] * gain[i]
