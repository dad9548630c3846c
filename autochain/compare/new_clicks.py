"""Clicks that a master brought in, and the hard edges that clipping left on its hits.

Both are looked for in what the master differs in from the explained mix, the mix as static filtering and gain alone
would have left it (`measure.linear_change`), so that what the mix holds itself is neither. `find_clicks` names places
in the master and in that difference; each is then asked what explains it:

- a gain that changed: with the local gain taken out, little is left of it;
- a peak that was cut: there the sound is nearer to zero than the explained mix, at the top of what is around it. Such a
  place is an edge, not a click.

What is left is a click when it stands alone, by the curvature of the difference. A click on top of a peak and against
its direction passes for an edge. All limits here are limits of this project.
"""

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.audio.room import in_blocks
from autochain.measure.clicks import find_clicks
from autochain.measure.spikes import SpikeMeter
from autochain.units import linear_to_db

_END_S = 0.15  # the estimated response reaches that far, and beyond an end it sees silence
_LOCAL_S = 0.05
_GAIN_S = 0.005
_ALONE_S = 0.008
_OWN_S = 0.0015
_PULSE = 6  # samples on either side
_STANDS_OUT = 3.5  # as in `measure.clicks`
_CHANGED = 0.5  # of the explained mix's own curvature there: a spike that it has itself has changed by 6 dB
_TOP = 0.7
_CUT = 0.05  # 0.4 dB less than the explained mix
_LEAST_DB = -45.0  # re the peak of the 0.1 s around: what is smaller is left alone
_SAME_S = 0.003
_SILENCE = 1e-4  # -80 dBFS

_Doubles = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class NewClick:
    """A click that the mix does not have.

    Attributes
    ----------
    at_s
        Time in s.
    height_db
        Its height over the peak of the 0.1 s around it in dB.
    """

    at_s: float
    height_db: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NewClicks:
    """What a master has and its mix does not.

    Attributes
    ----------
    clicks
        In order of time; within 3 ms they are one.
    edges_s
        Times of hard edges of cut peaks, likewise.
    """

    clicks: tuple[NewClick, ...]
    edges_s: tuple[float, ...]


def new_clicks(explained: Samples, master: Samples, rate_hz: int) -> NewClicks:
    """Look for both.

    Parameters
    ----------
    explained
        The mix, statically filtered and in step, shape (frames, channels).
    master
        Of the same shape.
    rate_hz
        Sample rate of both.
    """
    found: list[tuple[float, float | None]] = []
    for channel in range(master.shape[1]):
        own, reference = master[:, channel], explained[:, channel]
        both = zip(in_blocks(own), in_blocks(reference), strict=True)
        places = _clicks(in_blocks(own), rate_hz) | _clicks((y - x for y, x in both), rate_hz)
        for at in sorted(places):
            if _END_S * rate_hz < at < own.size - _END_S * rate_hz:
                found += _seen(reference, own, rate_hz, at)
    clicks: list[NewClick] = []
    edges: list[float] = []
    for at_s, height_db in sorted(found, key=lambda one: one[0]):
        if height_db is None:
            edges += [at_s] if not edges or at_s - edges[-1] > _SAME_S else []
        elif not clicks or at_s - clicks[-1].at_s > _SAME_S:
            clicks.append(NewClick(at_s=at_s, height_db=height_db))
    return NewClicks(clicks=tuple(clicks), edges_s=tuple(edges))


def _clicks(blocks: Iterable[Samples], rate_hz: int) -> set[int]:
    """Frames at which one channel clicks."""
    meter = SpikeMeter(rate_hz, 1)
    for block in blocks:
        meter.push(block[:, np.newaxis])
    return {round(click.at_s * rate_hz) for click in find_clicks(meter.result())}


def _seen(reference: Samples, own: Samples, rate_hz: int, at: int) -> list[tuple[float, float | None]]:
    """Time and height of a click at this place, without a height for an edge of a cut peak; empty for neither."""
    reach = round(_LOCAL_S * rate_hz)
    start = at - reach
    x, y = (s[start : at + reach + 1].astype(np.float64) for s in (reference, own))
    x *= _local_gain(x, y, reach, round(_GAIN_S * rate_hz))
    rest = y - x
    bent, bent_x = _curvature(rest), _curvature(x)
    here = slice(reach - _PULSE, reach + _PULSE + 1)
    alone, apart = round(_ALONE_S * rate_hz), round(_OWN_S * rate_hz)
    beside = np.concatenate([bent[reach - alone : reach - apart], bent[reach + apart + 1 : reach + alone + 1]])
    if bent[here].max() < _CHANGED * bent_x[here].max():
        return []
    peak = here.start + int(np.argmax(np.abs(rest[here])))
    height = abs(float(rest[peak]))
    near = slice(reach - round(_GAIN_S * rate_hz), reach + round(_GAIN_S * rate_hz) + 1)
    if abs(y[peak]) >= _TOP * np.abs(y[near]).max() and x[peak] * rest[peak] < 0.0:
        return [((start + peak) / rate_hz, None)] if height > _CUT * abs(x[peak]) else []
    height_db = linear_to_db(height / max(float(np.abs(y).max()), 1e-9))
    if height < _SILENCE or height_db < _LEAST_DB or bent[here].max() < _STANDS_OUT * beside.max():
        return []
    return [((start + peak) / rate_hz, height_db)]


def _local_gain(x: _Doubles, y: _Doubles, middle: int, reach: int) -> float:
    """Median of y over x within `reach` of the middle, where x is not small: cut peaks do not move it."""
    near = slice(middle - reach, middle + reach + 1)
    x, y = x[near], y[near]
    loud = np.abs(x) > 0.1 * np.abs(x).max()
    return float(np.median(y[loud] / x[loud])) if loud.any() else 1.0


def _curvature(x: _Doubles) -> _Doubles:
    out = np.zeros(x.size)
    out[1:-1] = np.abs(x[2:] - 2.0 * x[1:-1] + x[:-2])
    return out
