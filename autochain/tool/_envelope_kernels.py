"""Loops of the processors that ours are not: an envelope of the level before the curve, ramps of a limiter."""

from typing import Any

import numpy as np
import numpy.typing as npt
from numba import njit

Floats = npt.NDArray[np.floating[Any]]


@njit(cache=True, nogil=True)
def follow_level(
    size: Floats,
    attack: float,
    release: float,
    threshold: float,
    slope: float,
    knee: float,
    per_decade: float,
    reduction: Floats,
) -> None:
    """Fill `reduction`, dB, from a magnitude or a power smoothed before the curve.

    e += (s - e) k, k the share of `attack` where s > e, else of `release`; level = per_decade lg e, 20 for a magnitude,
    10 for a power. The curve is the gain computer of `chain.gain_control`.
    """
    lowest = threshold - knee / 2.0
    bend = slope / (2.0 * knee) if knee > 0.0 else 0.0
    floor = 10.0 ** (lowest / per_decade)
    envelope = 0.0
    for i in range(size.size):
        s = size[i]
        rising = envelope + (s - envelope) * attack
        falling = envelope + (s - envelope) * release
        envelope = rising if s > envelope else falling
        if envelope > floor:
            over = per_decade * np.log10(envelope) - lowest
            inside = over if over < knee else knee
            beyond = over - knee if over > knee else 0.0
            reduction[i] = bend * inside * inside + slope * beyond
        else:
            reduction[i] = 0.0


@njit(cache=True, nogil=True)
def ramp_gain(need: Floats, ahead: int, back: int, gain: Floats) -> None:
    """Fill `gain` with straight ramps: down to every need within `ahead` frames, back to 1 in `back` frames.

    `need` is 1 where nothing is needed. The way back takes `back` frames from any depth.
    """
    now, step = 1.0, 0.0
    for i in range(need.size):
        now = now + step
        if now > 1.0:
            now = 1.0
        if need[i] < now:
            now = need[i]
            step = (1.0 - now) / back
        gain[i] = now
    if ahead <= 0:
        return
    later, step = 1.0, 0.0
    for i in range(need.size - 1, -1, -1):
        later = later + step
        if later > 1.0:
            later = 1.0
        if gain[i] < later:
            later = gain[i]
            step = (1.0 - later) / ahead
        gain[i] = later


@njit(cache=True, nogil=True)
def weighted_gains(power: Floats, reduction: Floats, starts: npt.NDArray[np.int64], gains: Floats) -> None:
    """Fill gains[k] with the mean of 10^(-r / 20) over block k, weighted by `power`; the last block ends with both.

    The power of ten is that of `chain._compressor_kernels.gain_of`, within 0.0001 dB.
    """
    scale = -np.log(10.0) / 20.0 / 64.0
    for k in range(starts.size):
        stop = starts[k + 1] if k + 1 < starts.size else power.size
        total, turned = 0.0, 0.0
        for i in range(starts[k], stop):
            r = reduction[i]
            u = scale * (r if r < 120.0 else 120.0)
            p = 1.0 + u * (1.0 + u * (0.5 + u * (1.0 / 6.0 + u * (1.0 / 24.0 + u * (1.0 / 120.0)))))
            p = p * p
            p = p * p
            p = p * p
            p = p * p
            p = p * p
            total += power[i]
            turned += power[i] * p * p
        gains[k] = turned / total if total > 0.0 else 1.0


@njit(cache=True, nogil=True)
def fall_back(size: Floats, fall: float, toward: float, envelope: Floats) -> None:
    """Fill `envelope`: up at once, down by the share `fall` a frame toward the share `toward` of what comes."""
    now = 0.0
    for i in range(size.size):
        now = now * fall + toward * size[i]
        if size[i] > now:
            now = size[i]
        envelope[i] = now


@njit(cache=True, nogil=True)
def follow_gains(values: Floats, gains: Floats, top: float, out: Floats) -> None:
    """Fill `out` with values turned by a gain that goes with their magnitude; over `top` the output stays.

    `gains` has the gain at even steps of the magnitude from 0 to `top`, and is taken to be straight between them.
    """
    last = gains.size - 1
    per_step = last / top
    end = top * gains[last]
    for i in range(values.size):
        value = values[i]
        size = abs(value)
        if size >= top:
            out[i] = end if value > 0.0 else -end
        else:
            at = size * per_step
            k = int(at)
            out[i] = value * (gains[k] + (at - k) * (gains[k + 1] - gains[k]))
