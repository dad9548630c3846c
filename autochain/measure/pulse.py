"""Whether what stands at an instant is a pulse of a few samples laid over a sound that goes on as before.

A linear prediction is learned from the sound on both sides, the instant left out; with a(k) its coefficients, the n
samples from an instant on are replaced by those that make the prediction error smallest (least-squares interpolation:
Janssen, Veldhuis and Vries, IEEE Trans. ASSP 34, 1986, from memory). What that takes off the energy of the error is the
part of it in the space of n shifted a(k),

    Q(t) = |U' e(t .. t + n + p - 1)|^2,   U an orthonormal basis of the n shifted a(k).

A pulse takes nearly all its surprise with it, so Q over what is left is small everywhere near it. The start of a note
or a drum is not interpolated away: what follows surprises as well.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from numpy.lib.stride_tricks import sliding_window_view

_Doubles = npt.NDArray[np.float64]

REACH_S = 0.032  # of sound needed on either side
_ORDER = 32
_LENGTHS = (1, 2, 3, 4)  # samples at 44.1 and 48 kHz
_OFF = 8  # how far from the instant a pulse may begin or end, samples
_LEFT_OUT = 20
_NEAR_S = 0.008
_LEAST_POWER = 1e-14


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pulse:
    """One pulse in one channel.

    Attributes
    ----------
    start
        Its first sample, counted from the instant that was looked at.
    shape
        The pulse itself, shape (samples,), full scale 1.0.
    without
        The sound around with the pulse taken out, as long as what was looked at.
    stands_out
        How far it stands over the largest of what is left within 8 ms, as a ratio of amplitudes.
    changes_db
        How much larger what surprises, or the slopes of the sound, are in the 8 ms after it than in those before it, in
        dB: whichever changes more.
    """

    start: int
    shape: _Doubles
    without: _Doubles
    stands_out: float
    changes_db: float

    @property
    def height(self) -> float:
        """Largest sample of it, full scale 1.0."""
        return float(np.abs(self.shape).max())


def find_pulse(around: _Doubles, rate_hz: int) -> Pulse | None:
    """The pulse within a few samples of the middle that explains most of what is odd there.

    Parameters
    ----------
    around
        One channel, shape (frames,), `REACH_S` on either side of the instant.
    rate_hz
        Sample rate.

    Returns
    -------
    None in silence.
    """
    scale = max(1, round(rate_hz / 46000.0))
    middle, near, off = around.size // 2, round(_NEAR_S * rate_hz), _OFF * scale
    a = _predictor(around, middle - _LEFT_OUT * scale, middle + _LEFT_OUT * scale)
    if a is None:
        return None
    error = np.convolve(around, a)[: around.size]
    best: Pulse | None = None
    for length in _LENGTHS:
        n = length * scale
        shifted = np.zeros((n + _ORDER, n))
        for j in range(n):
            shifted[j : j + _ORDER + 1, j] = a
        basis, triangle = np.linalg.qr(shifted)
        first = middle - off
        taken = _taken(error[first : middle + off + _ORDER], basis)
        start = first + int(taken.argmax())
        shape = np.linalg.solve(triangle, basis.T @ error[start : start + n + _ORDER])
        rest = error.copy()
        rest[start : start + n + _ORDER] -= shifted @ shape
        left = _taken(rest[middle - near : middle + near + n + _ORDER], basis)
        ratio = float(np.sqrt(taken.max() / max(float(left.max()), 1e-30)))
        if best is None or ratio > best.stands_out:
            without = around.copy()
            without[start : start + n] -= shape
            ends = (middle - near, start, start + n, middle + near)
            best = Pulse(
                start=start - middle,
                shape=shape,
                without=without,
                stands_out=ratio,
                changes_db=max(_change_db(rest, *ends), _change_db(np.diff(without), *ends), key=abs),
            )
    return best


def _taken(error: _Doubles, basis: _Doubles) -> _Doubles:
    """Energy that a pulse would take off the error, for every place at which it may begin."""
    parts = sliding_window_view(error, basis.shape[0]) @ basis
    return np.asarray(np.einsum("ij,ij->i", parts, parts))


def _change_db(values: _Doubles, first: int, end: int, start: int, last: int) -> float:
    """Level from `start` to `last` over that from `first` to `end`, in dB."""
    before, after = float(np.mean(values[first:end] ** 2)), float(np.mean(values[start:last] ** 2))
    return 10.0 * float(np.log10(max(after, 1e-30) / max(before, 1e-30)))


def _predictor(around: _Doubles, first: int, last: int) -> _Doubles | None:
    """Coefficients learned on both sides of what is left out, each weighted to the same power; None in silence."""
    gram = np.zeros((_ORDER + 1, _ORDER + 1))
    for side in (around[:first], around[last:]):
        rows = sliding_window_view(side, _ORDER + 1)[:, ::-1]
        own = rows.T @ rows / len(rows)
        if own[0, 0] < _LEAST_POWER:
            return None
        gram += own / own[0, 0]
    gram[np.diag_indices(_ORDER + 1)] += 1e-9
    return np.concatenate([[1.0], np.linalg.solve(gram[1:, 1:], -gram[1:, 0])])
