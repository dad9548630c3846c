"""How the level of the master moves against that of the mix, read from the two files alone."""

import numpy as np

from autochain.measure.loudness import Series, loud_hops
from autochain.measure.movement import gain_movement_db

_QUIET_DB = 30.0  # hops further under the mean tell nothing about gain


def gain_course_db(reference: Series, master: Series) -> Series:
    """Gain over time: level of each 10 ms of the master over that of the reference, relative to its median.

    Parameters
    ----------
    reference, master
        K-weighted powers per 10 ms of the same stretch (`loudness.weighted_hops`).

    Returns
    -------
    dB, shape (hops,); 0 where the reference is more than 30 dB under its mean. Clipped hits count as gain that falls.
    """
    count = min(reference.size, master.size)
    reference, master = reference[:count], master[:count]
    heard = reference > reference.mean() * 10.0 ** (-_QUIET_DB / 10.0) if count else np.zeros(0, dtype=bool)
    gain = np.zeros(count)
    if heard.any():
        gain[heard] = 10.0 * np.log10(np.maximum(master[heard], 1e-20) / reference[heard])
        gain[heard] -= np.median(gain[heard])
    return gain


def movement_between_db(reference: Series, master: Series, reference_lufs: float) -> float:
    """Rms of that gain between 0.5 and 20 Hz in the loud parts: `movement.gain_movement_db` without the traces.

    A gain that swings like a sine of amplitude A dB reads A / sqrt(2).
    """
    gain = gain_course_db(reference, master)
    return gain_movement_db([-gain], [loud_hops(reference, reference_lufs)[: gain.size]])
