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

from autochain.measure.prediction import gram

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
    most = _LENGTHS[-1] * scale
    shifted = np.zeros((most + _ORDER, most))
    for j in range(most):
        shifted[j : j + _ORDER + 1, j] = a
    # The first columns of both belong to the shorter pulses.
    basis, triangle = np.linalg.qr(shifted)
    # U' e for every place within 8 ms, shape (columns, places).
    first = middle - near
    beside = error[first : middle + near + most + _ORDER]
    parts = np.stack(
        [np.correlate(beside, basis[: j + 1 + _ORDER, j], "valid")[: 2 * near + 1] for j in range(most)]
    )
    places = slice(near - off, near + off + 1)
    best = (0, 0, np.zeros(0), 0.0)
    for n in (length * scale for length in _LENGTHS):
        taken = _energy(parts[:n, places])[: 2 * off - n + 1]
        at = near - off + int(taken.argmax())
        shape = np.linalg.solve(triangle[:n, :n], parts[:n, at])
        left = parts[:n].copy()
        reach = n + _ORDER - 1
        undone = shifted[: n + _ORDER, :n] @ shape
        for j in range(n):
            left[j, at - reach : at + reach + 1] -= np.correlate(undone, basis[: n + _ORDER, j], "full")
        ratio = float(np.sqrt(taken.max() / max(float(_energy(left).max()), 1e-30)))
        if not best[0] or ratio > best[3]:
            best = (n, first + at, shape, ratio)
    n, start, shape, ratio = best
    rest, without = error.copy(), around.copy()
    rest[start : start + n + _ORDER] -= shifted[: n + _ORDER, :n] @ shape
    without[start : start + n] -= shape
    ends = (middle - near, start, start + n, middle + near)
    return Pulse(
        start=start - middle,
        shape=shape,
        without=without,
        stands_out=ratio,
        changes_db=max(_change_db(rest, *ends), _change_db(np.diff(without), *ends), key=abs),
    )


def _energy(parts: _Doubles) -> _Doubles:
    """Energy that a pulse takes off the error, for every place at which it may begin."""
    return np.asarray(np.einsum("ij,ij->j", parts, parts))


def _change_db(values: _Doubles, first: int, end: int, start: int, last: int) -> float:
    """Level from `start` to `last` over that from `first` to `end`, in dB."""
    before, after = float(np.mean(values[first:end] ** 2)), float(np.mean(values[start:last] ** 2))
    return 10.0 * float(np.log10(max(after, 1e-30) / max(before, 1e-30)))


def _predictor(around: _Doubles, first: int, last: int) -> _Doubles | None:
    """Coefficients learned on both sides of what is left out, each weighted to the same power; None in silence."""
    products = np.zeros((_ORDER + 1, _ORDER + 1))
    for side in (around[:first], around[last:]):
        own = gram(side, _ORDER) / (side.size - _ORDER)
        if own[0, 0] < _LEAST_POWER:
            return None
        products += own / own[0, 0]
    products[np.diag_indices(_ORDER + 1)] += 1e-9
    return np.concatenate([[1.0], np.linalg.solve(products[1:, 1:], -products[1:, 0])])
