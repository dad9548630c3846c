"""Loops of the loudness measure; the caller allocates every array.

A recursive filter waits for its own last output, so one signal leaves most of the processor idle. Here up to
`LANES` hops of 10 ms run side by side, each from a filter at rest. The filter is linear: what was left in it
at the start of a hop adds a ringing that is known in advance, so the powers are completed afterwards, hop by
hop, from four sums kept along the way.
"""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

LANES = 32  # hops times channels at once: the sums below then stay in the nearest cache
STATES = 4
# Far under anything audible, far above the denormal range: a filter state this small is set to zero at the
# end of a hop, because denormal arithmetic in a long digital silence costs some hundred cycles per operation.
_QUIET = 1e-60

_Floats = npt.NDArray[np.floating[Any]]
_Doubles = npt.NDArray[np.float64]


@njit(cache=True, nogil=True)
def _lane_sums(rows: _Doubles, shelf: _Doubles, high_pass: _Doubles, ringing: _Doubles, sums: _Doubles) -> None:
    """Filter every lane from rest; `rows` holds frame after frame of all lanes, an even number of frames.

    `sums` (9 LANES) receives per lane the four end states, the sum of p^2 and the four sums of p times
    `ringing`, p being the weighted signal. Both filters in transposed direct form II. Two frames a turn: half
    the loads and stores. All lanes' values lie in one array, so that the compiler knows what overlaps.
    """
    b0, b1, b2, a1, a2 = shelf[0], shelf[1], shelf[2], shelf[3], shelf[4]
    c1, c2 = high_pass[0], high_pass[1]
    sums[:] = 0.0
    for n in range(0, ringing.shape[0], 2):
        row = rows[n * LANES : (n + 2) * LANES]
        p0, p1, p2, p3 = ringing[n, 0], ringing[n, 1], ringing[n, 2], ringing[n, 3]
        q0, q1, q2, q3 = ringing[n + 1, 0], ringing[n + 1, 1], ringing[n + 1, 2], ringing[n + 1, 3]
        for j in range(LANES):
            x = row[j]
            u = b0 * x + sums[j]
            s1 = (b1 * x + sums[LANES + j]) - a1 * u
            s2 = b2 * x - a2 * u
            p = u + sums[2 * LANES + j]
            h1 = (sums[3 * LANES + j] - 2.0 * u) - c1 * p
            h2 = u - c2 * p
            x = row[LANES + j]
            u = b0 * x + s1
            sums[j] = (b1 * x + s2) - a1 * u
            sums[LANES + j] = b2 * x - a2 * u
            q = u + h1
            sums[2 * LANES + j] = (h2 - 2.0 * u) - c1 * q
            sums[3 * LANES + j] = u - c2 * q
            sums[4 * LANES + j] += p * p + q * q
            sums[5 * LANES + j] += p * p0 + q * q0
            sums[6 * LANES + j] += p * p1 + q * q1
            sums[7 * LANES + j] += p * p2 + q * q2
            sums[8 * LANES + j] += p * p3 + q * q3


@njit(cache=True, nogil=True)
def k_weighted_hops(
    flat: _Floats,
    channels: int,
    hop: int,
    shelf: _Doubles,
    high_pass: _Doubles,
    ringing: _Doubles,
    ringing_power: _Doubles,
    advance: _Doubles,
    state: _Doubles,
    rows: _Doubles,
    sums: _Doubles,
    out: _Doubles,
) -> None:
    """Fill `out` (hops,) with the K-weighted mean square summed over channels; `state` carries over.

    `flat` holds the interleaved frames of exactly those hops, 1 or 2 channels; `shelf` is b0, b1, b2, a1, a2
    and `high_pass` is a1, a2 (its numerator is 1, -2, 1). A state s (4,) rings as `ringing` @ s, shape (hop
    or hop + 1, 4) with a leading row of zeros where hop is odd, has the energy s @ `ringing_power` @ s, and
    becomes `advance` @ s after the hop. `state` has shape (channels, 4), `rows` (ringing frames * LANES,),
    `sums` (9 LANES,).
    """
    group = LANES // channels
    lead = ringing.shape[0] - hop
    width = hop * channels
    rows[: lead * LANES] = 0.0
    for first in range(0, out.size, group):
        count = min(group, out.size - first)
        block = flat[first * width : (first + count) * width]
        for n in range(hop):
            row = rows[(lead + n) * LANES : (lead + n + 1) * LANES]
            if count < group:
                row[:] = 0.0
            source = block[n * channels :]
            if channels == 2:  # written out: a loop over two channels costs as much as the filters
                for k in range(count):
                    row[2 * k] = source[k * width]
                    row[2 * k + 1] = source[k * width + 1]
            else:
                for k in range(count):
                    row[k] = source[k * width]
        _lane_sums(rows, shelf, high_pass, ringing, sums)
        for k in range(count):
            total = 0.0
            for c in range(channels):
                lane = k * channels + c
                s = state[c]
                s0, s1, s2, s3 = s[0], s[1], s[2], s[3]
                energy = sums[4 * LANES + lane]
                quiet = 0.0
                for i in range(STATES):
                    g = ringing_power[i]
                    energy += s[i] * (
                        2.0 * sums[(5 + i) * LANES + lane] + (g[0] * s0 + g[1] * s1 + g[2] * s2 + g[3] * s3)
                    )
                for i in range(STATES):
                    a = advance[i]
                    s[i] = sums[i * LANES + lane] + (a[0] * s0 + a[1] * s1 + a[2] * s2 + a[3] * s3)
                    quiet += abs(s[i])
                if quiet < _QUIET:
                    s[:] = 0.0
                total += max(0.0, energy)  # rounding may leave a hair under zero
            out[first + k] = total / hop
