"""Ways back to full gain after a limiter has turned the level down."""

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from autochain.chain import _limiter_kernels as kernels
from autochain.chain.settings import StageSettings
from autochain.units import ms_to_samples

RELEASES = ("fixed", "by_work", "two_stage")  # in the order of `kernels.FIXED` and the rest
# What other limiters do with a release time, for `search.strangers`: no settings of this one.
IN_DB, STRAIGHT = "in_db", "straight"
_WAYS = (*RELEASES, IN_DB, STRAIGHT)
_STRAIGHT_DB = 10.0  # the gain rises by in the release time: W3C Web Audio API, DynamicsCompressorNode
# Release `by_work`: a frame counts as busy up to this long after one that needed reduction; the share of busy
# frames is remembered with this time constant; at a share of 1 the release is this much slower.
# Common practice, no source: kick patterns lie 250 to 500 ms apart, hi-hats and rolls under 30 ms of peaks.
BUSY_HOLD_MS = 30.0
BUSY_MEMORY_MS = 500.0
BUSY_SLOWEST = 6.0
# Release `two_stage`: the slow stage's time constant over the fast one's. Common practice, no source.
TWO_STAGE_RATIO = 10.0


class Release(NamedTuple):
    """A way of release and what its loop takes, in this order: its number, shares a frame, frames."""

    way: int
    fall: float
    follow: float
    slowest: float
    hold: int
    remember: float


def release_of(rate_hz: float, settings: StageSettings) -> Release:
    """A limiter's way back to gain 1. It never takes anything from what is needed.

    With d the reduction 1 - gain, u what is needed (held over the look-ahead), a = 1 - exp(-1 / (tau fs)) and tau
    `release_ms`, the time after which 63 % of the way back is done:

    - `fixed`: d[n] = max(u[n], (1 - a) d[n-1]).
    - `by_work`: a is divided by 1 + (BUSY_SLOWEST - 1) p[n], p[n] = p[n-1] + b (busy[n] - p[n-1]),
      b = 1 - exp(-1 / (BUSY_MEMORY_MS fs)).
    - `two_stage`: d[n] = max(u[n], q[n], (1 - a) d[n-1]), q[n] = q[n-1] + c (u[n] - q[n-1]),
      c = 1 - exp(-1 / (TWO_STAGE_RATIO tau fs)).

    and of other limiters, with g the gain:

    - IN_DB: 63 % of the way back in dB: ln g[n] = min(ln(1 - u[n]), (1 - a) ln g[n-1]).
    - STRAIGHT: 10 dB in `release_ms`: g[n] = min(1 - u[n], (1 + s) g[n-1]), s = 10^(10 / (20 release_ms fs)) - 1.
    """
    way, release_ms = settings.word("release_behaviour"), settings["release_ms"]
    rise = math.expm1(math.log(10.0) * _STRAIGHT_DB / 20.0 / (1e-3 * release_ms * rate_hz))
    return Release(
        way=_WAYS.index(way),
        fall=rise if way == STRAIGHT else _share(release_ms, rate_hz),
        follow=_share(TWO_STAGE_RATIO * settings["release_ms"], rate_hz),
        slowest=BUSY_SLOWEST,
        hold=ms_to_samples(BUSY_HOLD_MS, rate_hz),
        remember=_share(BUSY_MEMORY_MS, rate_hz),
    )


def first_state(rate_hz: float, settings: StageSettings) -> npt.NDArray[np.float64]:
    """State of a release before the first frame, shape (3,)."""
    how = release_of(rate_hz, settings)
    return np.array([0.0, 0.0, how.hold + 1.0 if how.way == kernels.BY_WORK else 0.0])


def _share(time_ms: float, rate_hz: float) -> float:
    """Share of the way that a one-pole of that time constant goes in a frame."""
    return -math.expm1(-1.0 / (1e-3 * time_ms * rate_hz))
