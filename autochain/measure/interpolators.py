"""The interpolation filters of the true-peak readings."""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

_Doubles = npt.NDArray[np.float64]

# BS.1770-5 Annex 2, order 48, in time order. Phase 3 is phase 0 reversed and phase 2 is phase 1 reversed.
_ANNEX2_PHASES = np.array(
    [
        (0.0017089843750, 0.0109863281250, -0.0196533203125, 0.0332031250000, -0.0594482421875,
         0.1373291015625, 0.9721679687500, -0.1022949218750, 0.0476074218750, -0.0266113281250,
         0.0148925781250, -0.0083007812500),
        (-0.0291748046875, 0.0292968750000, -0.0517578125000, 0.0891113281250, -0.1665039062500,
         0.4650878906250, 0.7797851562500, -0.2003173828125, 0.1015625000000, -0.0582275390625,
         0.0330810546875, -0.0189208984375),
    ]
)  # fmt: skip

# From twice to 16 times the rate: content lies below a quarter of the doubled rate, its first image above three
# quarters, and in between a Kaiser window of this shape needs 8 frames for a ripple of -65 dB (Kaiser 1974).
_FINE_HALF = 4
_FINE_KAISER = 6.2


@dataclass(frozen=True, eq=False)
class TruePeakFilter:
    """Mirrored phase pairs, shape (pairs, half): `even` weighs left + right, `odd` left - right."""

    even: _Doubles
    odd: _Doubles

    def taps(self, dtype: np.dtype[Any]) -> tuple[npt.NDArray[Any], npt.NDArray[Any]]:
        """Both in the samples' type."""
        return self.even.astype(dtype), self.odd.astype(dtype)

    @cached_property
    def sums(self) -> _Doubles:
        """What bounds an interpolated point; see `_bounding_sums`."""
        left, right = self.even + self.odd, self.even - self.odd
        return _bounding_sums(np.concatenate([left[:, ::-1], right], axis=1))


@lru_cache
def annex2() -> TruePeakFilter:
    """The published filter of BS.1770-5 Annex 2, x4."""
    # Output n lies between frames n-6 and n-5: tap 6+k weighs the k-th frame to the left, 5-k to the right.
    left, right = _ANNEX2_PHASES[:, 6:], _ANNEX2_PHASES[:, 5::-1]
    return TruePeakFilter((left + right) / 2.0, (left - right) / 2.0)


@lru_cache
def sinc49(ratio: int) -> TruePeakFilter:
    """49 taps of a Hann-windowed sinc at 4 or 2 times the rate."""
    half = 24 // ratio
    return _windowed_sinc(half, ratio, lambda t: 0.5 + 0.5 * np.cos(np.pi * t / half))


@lru_cache
def fine() -> TruePeakFilter:
    """Eight times the rate of a signal with content up to a quarter of its rate."""

    def kaiser(t: _Doubles) -> _Doubles:
        window = np.i0(_FINE_KAISER * np.sqrt(np.maximum(0.0, 1.0 - (t / _FINE_HALF) ** 2)))
        return np.asarray(window / np.i0(_FINE_KAISER))

    return _windowed_sinc(_FINE_HALF, 8, kaiser)


@lru_cache
def midpoint_spectrum(half: int, size: int) -> npt.NDArray[np.complex128]:
    """Spectrum, for real transforms of `size` frames, of a filter that gives the points midway between frames.

    A sinc over `half` frames on each side, the outer half of it faded out by a raised cosine: the longer and
    the flatter, the closer to half the rate it is exact. Point n lies right of frame n.
    """
    response = np.zeros(size)
    response[: 2 * half] = _midpoint_taps(half)
    return np.asarray(np.fft.rfft(np.roll(response, -half)))


@lru_cache
def long_sums(half: int) -> _Doubles:
    """What bounds a point of the midpoint filter followed by the fine one; see `_bounding_sums`."""
    double = np.zeros(4 * half + 1)
    double[1::2] = _midpoint_taps(half)
    double[2 * half] = 1.0
    filter_ = fine()
    left, right = filter_.even + filter_.odd, filter_.even - filter_.odd
    phases = np.concatenate([left[:, ::-1], right], axis=1)
    phases = np.concatenate([phases, phases[:, ::-1], np.eye(1, 2 * _FINE_HALF, _FINE_HALF - 1)])
    # The weights of all frames, for points right of a frame and right of a midpoint.
    both = [np.convolve(double, phase) for phase in phases]
    width = 2 * half + 2 * _FINE_HALF
    rows = np.zeros((2 * len(both), width))
    for i, weights in enumerate(both):
        for parity in (0, 1):
            taken = weights[parity::2]
            rows[2 * i + parity, : taken.size] = taken
    return _bounding_sums(rows)


def _midpoint_taps(half: int) -> _Doubles:
    t = np.arange(-half, half) + 0.5
    fade = np.clip(2.0 * abs(t) / half - 1.0, 0.0, 1.0)
    return np.asarray(np.sinc(t) * (0.5 + 0.5 * np.cos(np.pi * fade)))


def _bounding_sums(rows: _Doubles) -> _Doubles:
    """What bounds a weighing of frames, the largest over all rows: absolute, straight and curved sum.

    A point is at most absolute * m, with m the largest magnitude in reach. A row is also a weighing of two
    neighbouring frames, the heaviest, plus weights on second differences, so a point is at most
    straight * m + curved * d, with d the largest second difference in reach: close for low frequencies.
    """
    absolute = straight = curved = 0.0
    for row in rows:
        middle = int((abs(row[:-1]) + abs(row[1:])).argmax())
        moment = float(row @ (np.arange(row.size) - middle))
        near = row.sum() - moment, moment
        # Without the line that has the row's own sum and moment, what is left is blind to straight lines, so
        # it is a sum of second differences, weighted by its double running sum.
        rest = row.copy()
        rest[middle] -= near[0]
        rest[middle + 1] -= near[1]
        absolute = max(absolute, float(abs(row).sum()))
        straight = max(straight, abs(near[0]) + abs(near[1]))
        curved = max(curved, float(abs(np.cumsum(np.cumsum(rest))).sum()))
    return np.array([absolute, straight, curved])


def _windowed_sinc(half: int, ratio: int, window: Callable[[_Doubles], _Doubles]) -> TruePeakFilter:
    """Phases 1/ratio .. 1/2 with their mirror images, `window` a function of the distance in frames."""
    phase = np.arange(1, ratio // 2 + 1)[:, None] / ratio
    k = np.arange(half)
    left, right = (np.sinc(t) * window(t) for t in (k + phase, k + 1.0 - phase))
    return TruePeakFilter((left + right) / 2.0, (left - right) / 2.0)
