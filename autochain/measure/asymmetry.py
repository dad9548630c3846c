"""How unevenly a signal's positive and negative peaks reach, and what that costs a peak stage.

All measures look at 50 ms windows of the loud parts. `loud` marks the loud 10 ms hops; a window counts when
most of its five hops are loud. The peaks of a window are taken over both channels, because a linked clipper
or limiter follows the louder one. Values are in dB, at least 0.

- `asymmetry_reduction_db`: reduction a peak stage does on one polarity beyond the other.
- `asymmetry_series`: how far positive and negative peaks differ in level, with the polarity that reaches further.
"""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.audio.room import in_blocks

HOP_HZ = 100  # hops of 10 ms
HOPS_PER_WINDOW = 5
_WINDOWS_AT_ONCE = 40  # 2 s, which stay in the cache from one look to the next

Loud = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Asymmetry:
    """Difference between the levels of positive and negative peaks.

    Attributes
    ----------
    level_db
        Size of the difference in dB, at least 0.
    polarity
        +1 when positive peaks reach further, -1 when negative ones do, 0 when neither does.
    """

    level_db: float
    polarity: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AsymmetrySeries:
    """Asymmetry of the loud windows, in the channel whose mean is larger.

    Attributes
    ----------
    values_db
        20 log10(max x / max -x) of each counted window, shape (windows,): positive when positive peaks reach
        further. Windows with one polarity only are left out; empty for silence.
    first_hops
        First hop of each of these windows, shape (windows,).
    """

    values_db: npt.NDArray[np.float64]
    first_hops: npt.NDArray[np.int64]

    @property
    def mean(self) -> Asymmetry | None:
        """The figure: size and polarity of the mean; None when no window counts."""
        if not self.values_db.size:
            return None
        mean = float(np.mean(self.values_db))
        return Asymmetry(level_db=abs(mean), polarity=int(np.sign(mean)))


def window_frames(rate_hz: int) -> int:
    """Frames of one 50 ms window."""
    return HOPS_PER_WINDOW * round(rate_hz / HOP_HZ)


def loud_windows(loud: Loud, frames: int, rate_hz: int) -> npt.NDArray[np.intp]:
    """Return the indices of the whole windows of which most hops are loud.

    Parameters
    ----------
    loud
        One flag per 10 ms hop, from the first frame on. Hops without a flag are not loud.
    frames
        Length of the signal.
    rate_hz
        Sample rate.
    """
    windows = frames // window_frames(rate_hz)
    flags = np.zeros(windows * HOPS_PER_WINDOW, dtype=bool)
    known = min(flags.size, loud.size)
    flags[:known] = loud[:known]
    return np.flatnonzero(flags.reshape(windows, HOPS_PER_WINDOW).sum(axis=1) * 2 > HOPS_PER_WINDOW)


def asymmetry_reduction_db(samples: Samples, rate_hz: int, threshold_linear: float, loud: Loud) -> float:
    """Reduction that one polarity needs beyond the other, averaged over the loud windows.

    With r+ = max(0, 20 log10(max x / c)) and r- the same for -x, the value is |mean r+ - mean r-|: the
    difference keeps its sign until after the average, so that the chance differences between the peaks of a
    symmetric signal cancel: of the 0.8 dB by which they differ window by window, 20 s of noise keep 0.03 dB on
    average and seldom more than 0.07.

    Parameters
    ----------
    samples
        Shape (frames, channels): the input of the first peak stage.
    rate_hz
        Sample rate.
    threshold_linear
        The level c above which that stage works, full scale 1.0.
    loud
        One flag per 10 ms hop.

    Returns
    -------
    float
        dB, at least 0; 0 when nothing is loud, for then nothing is reduced.
    """
    upper, lower = _reductions(samples, rate_hz, threshold_linear, loud)
    return abs(float(upper.mean() - lower.mean())) if upper.size else 0.0


def asymmetry_series(
    highest: npt.NDArray[np.float64], lowest: npt.NDArray[np.float64], counted: npt.NDArray[np.intp]
) -> AsymmetrySeries:
    """Asymmetry over time, from the extremes of the 50 ms windows.

    Parameters
    ----------
    highest, lowest
        Largest and smallest sample of every whole window, shape (windows, channels).
    counted
        Which of them are loud, from `loud_windows`.
    """
    found = AsymmetrySeries(values_db=np.empty(0), first_hops=np.empty(0, dtype=np.int64))
    for channel in range(highest.shape[1]):
        top, bottom = highest[counted, channel], -lowest[counted, channel]
        known = (top > 0.0) & (bottom > 0.0)
        values_db = 20.0 * np.log10(top[known] / bottom[known])
        if values_db.size and (not found.values_db.size or abs(values_db.mean()) > abs(found.values_db.mean())):
            found = AsymmetrySeries(values_db=values_db, first_hops=counted[known].astype(np.int64) * HOPS_PER_WINDOW)
    return found


def _reductions(
    samples: Samples, rate_hz: int, threshold_linear: float, loud: Loud
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Return r+ and r- of every window that counts."""
    length, channels = window_frames(rate_hz), samples.shape[1]
    highest, lowest = np.empty((2, samples.shape[0] // length), samples.dtype)
    for first, part in enumerate(in_blocks(samples[: highest.size * length], _WINDOWS_AT_ONCE * length)):
        windows = part.reshape(-1, length * channels)  # both channels together: the louder one counts
        own = slice(first * _WINDOWS_AT_ONCE, first * _WINDOWS_AT_ONCE + len(windows))
        highest[own], lowest[own] = windows.max(axis=1), windows.min(axis=1)
    counted = loud_windows(loud, samples.shape[0], rate_hz)
    # Under the threshold nothing is reduced, so clamping there before the logarithm loses nothing.
    upper, lower = (
        20.0 * np.log10(np.maximum(peak[counted] / np.float64(threshold_linear), 1.0)) for peak in (highest, -lowest)
    )
    return upper, lower
