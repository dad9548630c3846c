"""Loop of one dynamic bell."""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

Floats = npt.NDArray[np.floating[Any]]


@njit(cache=True, nogil=True)
def run_band(
    lanes: Floats,
    group_frames: int,
    groups_per_block: int,
    into: Floats,
    back: Floats,
    curve: Floats,
    state: Floats,
    memory: Floats,
    maxima: Floats,
    means: Floats,
) -> None:
    """Turn down one band of lanes[frame, 2] in place; the frames are whole groups.

    Two voices, voice v = into[v, 0] left + into[v, 1] right, whose change goes back times back[v, 0] to the left
    and back[v, 1] to the right. `curve` is tan(w0/2), q, threshold, knee, slope, range, attack and release (pole
    values per group). `state` holds the reduction's peak, the reduction at the end and at the start of the
    group, in dB; `memory[v]` the two memories of the detector's filter, input and output of its all-pass, and the
    two memories of the bell. `maxima` and `means` keep the largest reduction and the least mean gain per block.
    """
    g, q, threshold, knee, slope, most, attack, release = curve
    damping = 1.0 / q
    d1 = 1.0 / (1.0 + g * (g + damping))
    d2 = g * d1
    d3 = g * d2
    turn = (g - 1.0) / (g + 1.0)
    half = knee / 2.0
    bend = slope / (2.0 * knee)
    peak, end, begin = state
    total = 0.0
    for group in range(lanes.shape[0] // group_frames):
        first = group * group_frames
        working = begin > 0.0 or end > 0.0
        top = 0.0
        for v in range(2):
            wl, wr = into[v]
            if wl == 0.0 and wr == 0.0:
                continue
            s1, s2, x1, p1, b1, b2 = memory[v]
            if not working:  # the bell is the detector's filter as long as it does nothing
                b1, b2 = s1, s2
            # Both ends of the ramp: k = 1/(Q A) and its coefficient, and what is added of the band.
            gain = 10.0 ** (-begin / 40.0)
            a1 = 1.0 / (1.0 + g * (g + damping / gain))
            m1 = damping / gain * (gain * gain - 1.0)
            gain = 10.0 ** (-end / 40.0)
            a1_step = (1.0 / (1.0 + g * (g + damping / gain)) - a1) / group_frames
            m1_step = (damping / gain * (gain * gain - 1.0) - m1) / group_frames
            for i in range(first, first + group_frames):
                x = wl * lanes[i, 0] + wr * lanes[i, 1]
                v3 = x - s2
                band = d1 * s1 + d2 * v3
                low = s2 + d2 * s1 + d3 * v3
                s1 = 2.0 * band - s1
                s2 = 2.0 * low - s2
                y = damping * band
                p1 = turn * (y - p1) + x1
                x1 = y
                power = y * y + p1 * p1
                top = power if power > top else top
                if working:
                    a1 += a1_step
                    m1 += m1_step
                    a2 = g * a1
                    v3 = x - b2
                    band = a1 * b1 + a2 * v3
                    low = b2 + a2 * b1 + g * a2 * v3
                    b1 = 2.0 * band - b1
                    b2 = 2.0 * low - b2
                    change = m1 * band
                    lanes[i, 0] += back[v, 0] * change
                    lanes[i, 1] += back[v, 1] * change
            memory[v, 0], memory[v, 1], memory[v, 2], memory[v, 3] = s1, s2, x1, p1
            memory[v, 4], memory[v, 5] = b1, b2
        block = group // groups_per_block
        maxima[block] = max(maxima[block], begin, end)
        total += 0.5 * (10.0 ** (-begin / 20.0) + 10.0 ** (-end / 20.0))
        if group % groups_per_block == groups_per_block - 1 or first + group_frames == lanes.shape[0]:
            means[block] = min(means[block], total / (group % groups_per_block + 1))
            total = 0.0
        over = 10.0 * np.log10(top + 1e-20) - threshold + half
        inside = min(max(over, 0.0), knee)
        wanted = min(most, bend * inside * inside + slope * max(over - knee, 0.0))
        peak = max(wanted, release * peak + (1.0 - release) * wanted)
        begin = end
        end = attack * end + (1.0 - attack) * peak
        if wanted == 0.0 and end < 1e-5:
            peak, end = 0.0, 0.0
    state[0], state[1], state[2] = peak, end, begin
