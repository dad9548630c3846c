"""Chains of second-order sections on a stream, on left and right or on their sum and difference."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autochain.audio._sections_kernels import run_pair, sum_and_difference
from autochain.audio.mix import Samples

# b0, b1, b2, a1, a2, already divided by a0; shape (5,).
Section = npt.NDArray[np.float64]

IDENTITY: Section = np.array([1.0, 0.0, 0.0, 0.0, 0.0])
IDENTITY.flags.writeable = False

# Frames worked on at a time: they stay in the first cache while all sections pass over them.
_BLOCK_FRAMES = 2048


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """Sections for each of two lanes.

    Attributes
    ----------
    mid_side
        True when the lanes are mid = (L + R)/2 and side = (L - R)/2, False when they are left and right.
    first, second
        What the lanes go through, in order; a single channel is the first lane.
    """

    mid_side: bool
    first: tuple[Section, ...]
    second: tuple[Section, ...]


class SectionFilter:
    """Runs steps over a stream of blocks; state and everything between the steps in float64.

    Parameters
    ----------
    steps
        One after the other.
    channels
        1 or 2. A single channel goes through the first lane of every step and knows no mid and side.
    """

    def __init__(self, steps: Sequence[Step], channels: int) -> None:
        self._channels = channels
        self._steps = [(step.mid_side and channels == 2, _pairs(step)) for step in steps]
        self._states = [np.zeros((len(pairs), 2, 2, 2)) for _, pairs in self._steps]
        self._lanes = np.zeros((_BLOCK_FRAMES, 2))

    def push(self, block: Samples) -> Samples:
        """Filter the next frames; as many come out, of the same dtype. Nothing is delayed."""
        output = np.empty(block.shape, dtype=block.dtype)
        for start in range(0, block.shape[0], _BLOCK_FRAMES):
            piece = slice(start, min(start + _BLOCK_FRAMES, block.shape[0]))
            lanes = self._lanes[: piece.stop - start]
            lanes[:, : self._channels] = block[piece]
            for (mid_side, pairs), states in zip(self._steps, self._states, strict=True):
                if mid_side:
                    sum_and_difference(lanes, 0.5)
                for pair, state in zip(pairs, states, strict=True):
                    run_pair(lanes, pair, state)
                if mid_side:
                    sum_and_difference(lanes, 1.0)
            output[piece] = lanes[:, : self._channels]
        return output


def butterworth_low_pass(freq_hz: float, rate_hz: float) -> Section:
    """Second-order Butterworth low-pass by the bilinear transform, 3.01 dB down at `freq_hz`.

    W3C Group Note "Audio EQ Cookbook" (R. Bristow-Johnson, 2021), LPF with Q = 1/sqrt(2).
    """
    cosine, alpha = _cookbook_terms(freq_hz, rate_hz)
    b = (1.0 - cosine) / 2.0
    return np.array([b, 2.0 * b, b, -2.0 * cosine, 1.0 - alpha]) / (1.0 + alpha)


def butterworth_high_pass(freq_hz: float, rate_hz: float) -> Section:
    """Second-order Butterworth high-pass, the counterpart of `butterworth_low_pass` (the cookbook's HPF)."""
    cosine, alpha = _cookbook_terms(freq_hz, rate_hz)
    b = (1.0 + cosine) / 2.0
    return np.array([b, -2.0 * b, b, -2.0 * cosine, 1.0 - alpha]) / (1.0 + alpha)


def _cookbook_terms(freq_hz: float, rate_hz: float) -> tuple[float, float]:
    w0 = 2.0 * math.pi * freq_hz / rate_hz
    return math.cos(w0), math.sin(w0) * math.sqrt(0.5)  # alpha = sin(w0) / (2 Q)


def section_response(
    section: Section, freq_hz: npt.NDArray[np.float64], rate_hz: int
) -> npt.NDArray[np.complex128]:
    """Complex response of one section at `freq_hz`."""
    z = np.exp(-2j * np.pi * freq_hz / rate_hz)
    b0, b1, b2, a1, a2 = section
    return np.asarray((b0 + z * (b1 + z * b2)) / (1.0 + z * (a1 + z * a2)))


def _pairs(step: Step) -> npt.NDArray[np.float64]:
    """Sections as shape (pairs, lane, 2, 5), filled up with what changes nothing."""
    count = -(-max(len(step.first), len(step.second)) // 2)
    pairs = np.empty((count, 2, 2, 5))
    for lane, sections in enumerate((step.first, step.second)):
        for k in range(2 * count):
            pairs[k // 2, lane, k % 2] = sections[k] if k < len(sections) else IDENTITY
    return pairs
