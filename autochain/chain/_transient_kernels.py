"""Loops of the transient shaper; every array and all state come from the caller."""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

from autochain.chain._compressor_kernels import mean_of

Floats = npt.NDArray[np.floating[Any]]
Integers = npt.NDArray[np.integer[Any]]


@njit(cache=True, nogil=True)
def group_peaks(bits: Integers, mask: "np.integer[Any]", span: int, begun: Integers, peak_bits: Integers) -> int:
    """Fill the largest magnitude of each `span` values, all as the bit patterns of floats.

    Without the sign bit floats order like integers, whose maximum vectorises. `begun` is of the group that has
    begun: values so far, largest magnitude. Returns how many groups were completed.
    """
    completed = 0
    start = 0
    while start < bits.size:
        count = min(span - begun[0], bits.size - start)
        group = bits[start : start + count]
        highest = begun[1]
        for i in range(group.size):
            highest = max(highest, group[i] & mask)
        start += count
        begun[0] += count
        begun[1] = highest
        if begun[0] == span:
            peak_bits[completed] = highest
            begun[:] = 0
            completed += 1
    return completed


@njit(cache=True, nogil=True)
def follow(
    level: Floats,
    fall: float,
    lag: float,
    most: float,
    full: float,
    up: float,
    down: float,
    state: Floats,
    gain: Floats,
) -> None:
    """Fill the gain asked for by the difference of a fast and a slow envelope, in the unit of `up` and `down`.

    The fast one rises at once and falls by the share `fall` of the way a step; the slow one follows it by the
    share `lag`, never more than `most` behind or ahead. `state` is both. Where the fast one is above, the gain is
    `up` times the share of `full` by which it is, 1 at most; where it is below, likewise `down`.
    """
    fast, slow = state[0], state[1]
    for j in range(level.size):
        now = level[j]
        fast = max(now, fast + fall * (now - fast))
        slow += lag * (fast - slow)
        slow = min(max(slow, fast - most), fast + most)
        share = min(max((fast - slow) / full, -1.0), 1.0)
        gain[j] = up * share if share > 0.0 else -down * share
    state[0], state[1] = fast, slow


@njit(cache=True, nogil=True)
def apply_nodes(
    flat: Floats,
    band: Floats,
    channels: int,
    nodes: Floats,
    offset: int,
    group: int,
    room: Floats,
    begun: Floats,
    output: Floats,
    gains: Floats,
) -> int:
    """Fill `output` with frames plus (gain - 1) times their band; the gain runs straight from node to node.

    There is a node at the start of each group of frames; the first frame is `offset` frames behind the first node.
    `flat`, `band` and `output` hold the frames one after the other. `room` keeps the gains of the hop that has
    begun, and is as long as a hop; `begun` is how many there are, the smallest and the largest. `gains[:, b]` takes
    smallest, largest and mean gain of hop b. Returns how many hops were completed.
    """
    frames = flat.size // channels
    step = 1.0 / group
    completed = 0
    start = 0
    node = offset // group
    inside = offset % group
    while start < frames:
        have = int(begun[0])
        count = min(room.size - have, frames - start)
        gain = room[have : have + count]
        lowest, highest = begun[1], begun[2]
        n = 0
        while n < count:
            run = min(group - inside, count - n)
            first = nodes[node]
            slope = (nodes[node + 1] - first) * step
            for i in range(run):
                gain[n + i] = first + slope * (inside + i)
            one, other = gain[n], gain[n + run - 1]
            lowest = min(lowest, min(one, other))
            highest = max(highest, max(one, other))
            n += run
            inside += run
            if inside == group:
                inside = 0
                node += 1
        here = flat[start * channels : (start + count) * channels]
        turned = band[start * channels : (start + count) * channels]
        out = output[start * channels : (start + count) * channels]
        if channels == 2:
            for i in range(count):
                out[2 * i] = here[2 * i] + (gain[i] - 1.0) * turned[2 * i]
                out[2 * i + 1] = here[2 * i + 1] + (gain[i] - 1.0) * turned[2 * i + 1]
        else:
            for i in range(count):
                out[i] = here[i] + (gain[i] - 1.0) * turned[i]
        start += count
        begun[0] = have + count
        begun[1], begun[2] = lowest, highest
        if begun[0] == room.size:
            gains[0, completed] = lowest
            gains[1, completed] = highest
            gains[2, completed] = mean_of(room)
            begun[0], begun[1], begun[2] = 0.0, np.inf, 0.0
            completed += 1
    return completed
