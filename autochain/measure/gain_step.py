"""Whether a sound goes on after an instant as before, only louder or softer: the mark of an edit."""

import numpy as np
import numpy.typing as npt

from autochain.units import linear_to_db

_Doubles = npt.NDArray[np.float64]

_ORDER = 32
_LEARNED_S = 0.03  # before (or after) the instant, from which the other side is foretold
_FORETOLD_S = 0.0007
_LEAST_ALIKE = 0.8  # correlation of what is foretold with what is there
_AGREE_DB = 2.0  # between the answers of both directions
REACH_S = 0.035


def gain_step_db(around: _Doubles, rate_hz: int, at: int) -> float | None:
    """Change of gain at one frame, in dB, positive when louder from there on.

    One channel is foretold over 0.7 ms from the 30 ms on the other side of the instant, by linear prediction of
    order 32 (covariance method: least squares), forwards and backwards; the change is the ratio of what is there to
    what was foretold (least squares, both directions averaged).

    Parameters
    ----------
    around
        Samples of one channel, shape (frames,), 35 ms or more on either side of the instant.
    rate_hz
        Sample rate.
    at
        First frame with the new gain.

    Returns
    -------
    None when the sound does not go on as foretold: a click, another sound, too little sound.
    """
    learned = round(_LEARNED_S * rate_hz)
    before, after = around[max(0, at - learned) : at], around[at : at + learned]
    if min(before.size, after.size) < learned // 2:
        return None
    forwards = _ratio(before, after, rate_hz)
    backwards = _ratio(after[::-1], before[::-1], rate_hz)
    if forwards is None or backwards is None:
        return None
    up, down = linear_to_db(forwards), -linear_to_db(backwards)
    return 0.5 * (up + down) if abs(up - down) <= _AGREE_DB else None


def _ratio(past: _Doubles, future: _Doubles, rate_hz: int) -> float | None:
    count = round(_FORETOLD_S * rate_hz)
    rows = np.lib.stride_tricks.sliding_window_view(past, _ORDER + 1)
    power = float(past @ past)
    if power <= 1e-12 * past.size:
        return None
    gram = rows[:, :-1].T @ rows[:, :-1]
    gram[np.diag_indices(_ORDER)] += 1e-7 * power
    weights = np.linalg.solve(gram, rows[:, :-1].T @ rows[:, -1])
    told = np.concatenate([past[-_ORDER:], np.zeros(count)])
    for n in range(_ORDER, told.size):
        told[n] = weights @ told[n - _ORDER : n]
    told, real = told[_ORDER:], future[:count]
    product, square = float(told @ real), float(told @ told)
    if square <= 0.0 or product <= _LEAST_ALIKE * np.sqrt(square * float(real @ real)):
        return None
    return product / square
