"""Whether a sound goes on after an instant as before, only louder or softer: the mark of an edit."""

import numpy as np
import numpy.typing as npt

from autochain.measure.prediction import gram
from autochain.units import linear_to_db, power_to_db

_Doubles = npt.NDArray[np.float64]

_ORDER = 32
_LEARNED_S = 0.03  # on either side of the instant
_LEAST_POWER = 1e-10
_MOST_DB = 20.0  # beyond it it is a hole or an entry
_ROUGHLY_DB = 9.0  # between the step and the change of level over 30 ms, which the sound itself moves too
_GAINED = 0.1  # what is left of the surprise at the instant, at most, once the step is undone
_PULSES, _AROUND = (1, 4), 4  # samples: what a pulse explains as well is a click
_BETTER = 0.5  # of what the best pulse leaves, at most
_USUAL = 4.0  # and at most this many times what the sound surprises with elsewhere


def gain_step_db(around: _Doubles, rate_hz: int, at: int) -> float | None:
    """Change of gain of one channel at one frame, in dB, positive when louder from there on.

    A linear prediction of order 32 is learned from the 30 ms on both sides (least squares, either side weighted to
    the same power). With a(k) its coefficients, the errors over the first 32 frames after the instant are
    h u(n) + v(n), where h undoes the step in the frames after it,

        u(n) = sum_{k <= n} a(k) x(at + n - k),    v(n) = sum_{k > n} a(k) x(at + n - k);

    their energy is least at h = -<u, v> / <u, u>, in closed form.

    Parameters
    ----------
    around
        Samples of one channel, shape (frames,), 30 ms or more on either side of the instant.
    rate_hz
        Sample rate.
    at
        First frame with the new gain.

    Returns
    -------
    None when no step explains the instant: a click, another sound, nothing odd, too little sound.
    """
    learned = round(_LEARNED_S * rate_hz)
    before, after = around[max(0, at - learned) : at], around[at : at + learned]
    if min(before.size, after.size) < learned:
        return None
    powers = [float(np.mean(side * side)) for side in (before, after)]
    if min(powers) < _LEAST_POWER:
        return None
    products = np.zeros((_ORDER + 1, _ORDER + 1))
    for side, power in zip((before, after), powers, strict=True):
        products += gram(side, _ORDER) / (power * (side.size - _ORDER))
    products[np.diag_indices(_ORDER + 1)] += 1e-9
    a = np.concatenate([[1.0], np.linalg.solve(products[1:, 1:], -products[1:, 0])])
    usual = 0.5 * float(a @ products @ a)  # mean square of the error, re the power of its side
    u = np.convolve(a, after[:_ORDER])[:_ORDER]
    v = np.convolve(a, before[-_ORDER:])[_ORDER:]
    h = -float(u @ v) / max(float(u @ u), 1e-30)
    if h <= 0.0:
        return None
    left, surprise = float(np.sum((h * u + v) ** 2)), float(np.sum((u + v) ** 2))
    if left > min(_GAINED * surprise, _USUAL * usual * powers[0] * _ORDER):
        return None
    # Undoing a step upwards turns down everything after the instant, its noise too, which is no explanation.
    if left > _BETTER * min(1.0, h * h) * _left_by_click(a, u + v):
        return None
    step_db = -linear_to_db(h)
    heard_db = power_to_db(powers[1] / powers[0])
    return step_db if abs(step_db) <= _MOST_DB and abs(step_db - heard_db) <= _ROUGHLY_DB else None


def _left_by_click(a: _Doubles, error: _Doubles) -> float:
    """What is left of the errors after an instant once a pulse of one to four samples around it is undone."""
    left = float(error @ error)
    padded = np.concatenate([np.zeros(_ORDER), a, np.zeros(_ORDER)])
    for width in _PULSES:
        pulse = np.convolve(padded, np.hanning(width + 2)[1:-1])
        for shift in range(-_AROUND, _AROUND + 1):
            shape = pulse[_ORDER - shift : 2 * _ORDER - shift]
            power = float(shape @ shape)
            if power > 1e-12:
                left = min(left, float(error @ error) - float(error @ shape) ** 2 / power)
    return left
