"""Loops of the transient shaper; every array is allocated by the caller."""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

Floats = npt.NDArray[np.floating[Any]]
Integers = npt.NDArray[np.integer[Any]]


@njit(cache=True, nogil=True)
def group_peaks(
    bits: Integers, mask: "np.integer[Any]", span: int, peak_bits: Integers
) -> None:
    """Fill the largest magnitude of each `span` values, all as the bit patterns of floats.

    Without the sign bit floats order like integers, whose maximum vectorises.
    """
    for j in range(peak_bits.size):
        group = bits[j * span : (j + 1) * span]
        highest = peak_bits[j]
        for i in range(group.size):
            highest = max(highest, group[i] & mask)
        peak_bits[j] = highest


@njit(cache=True, nogil=True)
def follow(level: Floats, fall: float, lag: float, most: float, difference: Floats) -> None:
    """Fill the fast minus the slow envelope, in dB.

    The fast one rises at once and falls by the share `fall` of the way a step; the slow one follows it by the
    share `lag`, never more than `most` behind or ahead. Both begin at the first level's floor: silence.
    """
    fast = slow = -200.0
    for j in range(level.size):
        now = level[j]
        fast = max(now, fast + fall * (now - fast))
        slow += lag * (fast - slow)
        slow = min(max(slow, fast - most), fast + most)
        difference[j] = fast - slow


@njit(cache=True, nogil=True)
def apply_nodes(x: Floats, nodes: Floats, group: int, hop: int, y: Floats, gains: Floats) -> None:
    """Multiply by the gain that runs straight from node to node, one at the start of each group of frames.

    `gains[:, b]` takes the smallest, the largest and the mean gain of each hop of frames.
    """
    frames, channels = x.shape
    for block in range(gains.shape[1]):
        first = block * hop
        last = min(frames, first + hop)
        lowest, highest, total = 1e9, 0.0, 0.0
        n = first
        while n < last:
            j = n // group
            stop = min(last, (j + 1) * group)
            start = nodes[j]
            slope = (nodes[j + 1] - start) / group
            for k in range(n, stop):
                gain = start + slope * (k - j * group)
                lowest = min(lowest, gain)
                highest = max(highest, gain)
                total += gain
                for channel in range(channels):
                    y[k, channel] = x[k, channel] * gain
            n = stop
        gains[0, block] = lowest
        gains[1, block] = highest
        gains[2, block] = total / (last - first)
