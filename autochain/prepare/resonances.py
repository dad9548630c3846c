"""Resonances worth telling: narrow humps beyond what finished music has, that can be seen in its averaged spectrum.

A place is told when three things hold. Its excess lies beyond a limit (`shared/resonance_limits.toml` says how the
limits were made: on finished recordings, in units of the ripple that the song has around the place). It is a hump:
the spectrum falls on both sides of it, on average and in the mean of the power, so that the knee of a roll-off, a
codec's band limit or the step to a noise floor is none. And it can be heard: not far under the loudest range, nor
under what the ranges below it mask. So a claim is rare, and a mix without one is not called free of resonances.
"""

from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter1d, median_filter, percentile_filter

from autochain.measure.resonance import (
    BANDS_PER_OCTAVE,
    CHANNEL_VIEWS,
    ResonanceMap,
    bell_height_db,
    seen_bell,
    swing_db,
)
from autochain.prepare.finding import Certainty
from autochain.resources import read_table

_Doubles = npt.NDArray[np.float64]
_Truths = npt.NDArray[np.bool_]
Channel = Literal["stereo", "mid", "side", "left", "right"]

_LOWEST_HZ, _HIGHEST_HZ = 90.0, 10000.0
_LEAST_WINDOWS = 150  # 28 s of music: with less, a phrase passes for a habit
_UNHEARD_DB = 15.0  # a lane this far under the loudest at that frequency is masked by it
# What can be heard, limits of this project: no further than this under the loudest range (bands of the same share of
# an octave), nor under a line that falls from the ranges below by so much an octave, as masking spreads upwards at
# moderate levels.
_FAR_UNDER_DB = 50.0
_MASKED_DB, _MASKING_DB_PER_OCTAVE = 12.0, 24.0
# A hump: how far the middle of a flank, 1/8 to 3/8 of an octave away, lies under the top; least, and of the height.
_FLANK_BANDS = (3, 9)
_LEAST_FALL_DB, _FALL_SHARE = 1.0, 0.25
_RIPPLE_BANDS = 36  # on either side: 1.5 octaves
_MEDIAN_TO_DEVIATION = 1.4826  # of a normal distribution
_APART_OCTAVES = 0.6  # two claims closer than this are one
_FIT_BANDS = 18  # of the description, on either side: 0.75 octaves
_AROUND_BANDS = 3  # where the exact frequency is looked for: an eighth of an octave
_LEAST_EXCESS_DB, _LEAST_Q = 3.5, 3.0  # less is seen by hardly anybody, broader is tone; limits of this project
_LEAST_LASTING_DB = 3.0  # so much of it lasts
_QS = (2.0, 3.0, 4.0, 6.0, 8.0, 12.0)
_ONE_SIDED = 0.5  # of the height: what one lane has more than its counterpart makes it that lane's
_PAIRS = {"mid": (0, 1), "side": (1, 0), "left": (2, 3), "right": (3, 2)}
_SURE = 0.65  # of the limit for passing ones: what stands out and swings that much comes and goes
_NEAR_BANDS = 3
_LEAST_PASSING_DB = 3.0  # height while it is there
_NEVER = -99.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Resonance:
    """A range that stands out.

    Attributes
    ----------
    freq_hz, q
        Centre, and width as a bell's q, one of 3, 4, 6, 8, 12.
    excess_db
        By how much, while it is there.
    channel
        Where it lives.
    passing
        True when it comes and goes.
    share
        Part of the time for which it is there; 1 when it always is.
    times_s
        Mix times at which it is strongest; empty when it is always there.
    usual_db
        Excess up to which this song's own ripple reaches there.
    certainty
        How sure it is that this is no music: `certain` or `likely`.
    """

    freq_hz: float
    q: float
    excess_db: float
    channel: Channel
    passing: bool
    share: float
    times_s: tuple[float, ...]
    usual_db: float | None = None
    certainty: Certainty = "certain"


def find_resonances(found: ResonanceMap) -> tuple[Resonance, ...]:
    """Every resonance beyond the limits, the largest excess first; none in less than 28 s of music."""
    if found.time_s.size < _LEAST_WINDOWS:
        return ()
    left_over = found.left_over_db()
    level = found.level_db()
    reach = reach_by_test(found, swing_db(left_over))
    free = (found.freq_hz >= _LOWEST_HZ) & (found.freq_hz <= _HIGHEST_HZ)
    claims: list[Resonance] = []
    while free.any():
        beyond = {
            test: np.where(free, times / _limit_times(test[0], found.freq_hz), _NEVER) for test, times in reach.items()
        }
        test = max(beyond, key=lambda name: float(beyond[name].max()))
        band = int(np.argmax(beyond[test]))
        over = float(beyond[test][band])
        if over <= 1.0:
            break
        kind, lane = test
        goes = kind == "passing" or _comes_and_goes(reach, found.freq_hz, lane, band)
        claim = _describe(found, level, left_over[:, CHANNEL_VIEWS.index(lane)] if goes else None, band, over)
        if claim is None:
            free[band] = False
            continue
        claims.append(claim)
        free &= (np.abs(np.log2(found.freq_hz / claim.freq_hz)) > _APART_OCTAVES) & (np.arange(free.size) != band)
    return tuple(sorted(claims, key=lambda claim: -claim.excess_db))


def reach_by_test(found: ResonanceMap, swing: _Doubles) -> dict[tuple[str, str], _Doubles]:
    """Excess per band by (test, lane), which the limits are for.

    Tests are `standing`, in units of the ripple around the band, and `passing`, the swing in dB. Where there is no
    hump to be seen, or nothing to be heard, a standing one counts for nothing; where a lane lies 15 dB under the
    loudest one of a band, neither does.

    Parameters
    ----------
    found
        The map.
    swing
        Swing of what is left over, shape (lanes, bands).
    """
    level, power, lasting = found.level_db(), found.power_db(), found.lasting_db()
    heard = _audible(power, found.freq_hz)
    seen = _humps(level, lasting) & _humps(power, lasting) & (lasting >= _LEAST_LASTING_DB)
    ripple = _ripple_db(lasting)
    tests: dict[tuple[str, str], _Doubles] = {}
    for k, lane in enumerate(CHANNEL_VIEWS[: level.shape[0]]):
        tests["standing", lane] = np.where(heard[k] & seen[k], lasting[k] / ripple[k], _NEVER)
        tests["passing", lane] = np.where(heard[k], swing[k], _NEVER)
    return tests


def _ripple_db(lasting: _Doubles) -> _Doubles:
    """How far the excess of the bands within 1.5 octaves spreads, and 1 dB on top, as powers add; same shape."""
    spread = _MEDIAN_TO_DEVIATION * median_filter(np.abs(lasting), (1, 2 * _RIPPLE_BANDS + 1), mode="nearest")
    return np.hypot(1.0, spread)


def _humps(level_db: _Doubles, height_db: _Doubles) -> _Truths:
    """Whether the level falls on both sides of a band, by a share of the height, shape (lanes, bands)."""
    first, last = _FLANK_BANDS
    size = last - first + 1
    middle = (first + last) // 2
    padded = np.pad(level_db, [(0, 0), (last + size, last + size)], mode="edge")
    flank = percentile_filter(padded, 50.0, (1, size))
    bands = level_db.shape[1]
    start = last + size
    below, above = (flank[:, start + side * middle : start + side * middle + bands] for side in (-1, 1))
    top = maximum_filter1d(level_db, 3, axis=1)
    return np.asarray(top - np.maximum(below, above) >= np.maximum(_LEAST_FALL_DB, _FALL_SHARE * height_db))


def _audible(power_db: _Doubles, freq_hz: _Doubles) -> _Truths:
    """Whether a band can be heard beside the others and the other lanes, shape (lanes, bands)."""
    share = power_db + 10.0 * np.log10(freq_hz)
    loudest = share.max(axis=0)
    octaves = np.log2(freq_hz)
    spread = loudest + _MASKING_DB_PER_OCTAVE * octaves
    mask = np.maximum.accumulate(spread) - _MASKING_DB_PER_OCTAVE * octaves - _MASKED_DB
    return np.asarray(
        (share > loudest - _UNHEARD_DB) & (share > loudest.max() - _FAR_UNDER_DB) & (share > mask)
    )


def _limit_times(test: str, freq_hz: _Doubles | float) -> _Doubles:
    """What a reach has to pass, by test and frequency."""
    nodes, limits = _limits()
    return np.asarray(np.interp(np.log2(freq_hz), nodes, limits[test]))


@cache
def _limits() -> tuple[_Doubles, dict[str, _Doubles]]:
    table = read_table("resonance_limits.toml")
    limits = {"standing": np.array(table["standing_ripples"]), "passing": np.array(table["passing_db"])}
    return np.log2(np.array(table["freq_hz"])), limits


@cache
def _certain() -> tuple[float, float]:
    """From how many times the limit, and from what excess in dB, one is certain."""
    table = read_table("resonance_limits.toml")
    return float(table["certain_times"]), float(table["certain_excess_db"])


def _comes_and_goes(reach: dict[tuple[str, str], _Doubles], freq_hz: _Doubles, lane: str, band: int) -> bool:
    """Whether what stands out around a band of a lane swings nearly as much as passing ones have to."""
    near = _near(band, freq_hz.size)
    test = ("passing", lane)
    return bool((reach[test][near] > _SURE * _limit_times("passing", freq_hz[near])).any())


def _near(band: int, bands: int) -> slice:
    return slice(max(0, band - _NEAR_BANDS), min(bands, band + _NEAR_BANDS + 1))


def _describe(
    found: ResonanceMap, level: _Doubles, left_over: npt.NDArray[np.float32] | None, band: int, over: float
) -> Resonance | None:
    """What is known of a resonance at a band; of one that comes and goes with what is left over in its lane.

    `over` says how many times its limit it reaches. None for what is broad or small, and where a passing one is no
    hump while it is there.
    """
    passing = left_over is not None
    there = np.ones(found.time_s.size, dtype=bool)
    if left_over is not None:
        near = _near(band, found.freq_hz.size)
        band = near.start + int(np.argmax(swing_db(left_over[:, None])[0, near]))
        over_time = left_over[:, band]
        high, low = np.percentile(over_time, (85.0, 20.0))
        there = over_time > 0.5 * (high + low)
        curves = found.level_db(there) - found.level_db(~there)
        if not _hump_while_there(found, there, band):
            return None
    else:
        curves = level
    channel, curve = _place(curves, level, band)
    at, q, height = _fitted(curve, band)
    if height < _LEAST_EXCESS_DB or q < _LEAST_Q:
        return None
    usual = float(_limit_times("standing", found.freq_hz[band]) * _ripple_db(found.lasting_db())[:, band].min())
    times, excess = _certain()
    return Resonance(
        freq_hz=float(found.freq_hz[0] * 2.0 ** (at / BANDS_PER_OCTAVE)),
        q=q,
        excess_db=height,
        channel=channel,
        passing=passing,
        share=float(there.mean()) if passing else 1.0,
        times_s=_strongest(found.time_s, over_time) if passing else (),
        usual_db=usual,
        certainty="certain" if over >= times and height >= excess else "likely",
    )


def _hump_while_there(found: ResonanceMap, there: _Truths, band: int) -> bool:
    """Whether a hump can be seen in the windows of a passing one, in any lane that is heard."""
    near = slice(max(0, band - 1), band + 2)
    level, power = found.level_db(there), found.power_db(there)
    height = bell_height_db(level)
    seen = _humps(level, height) & _humps(power, height) & (height >= _LEAST_PASSING_DB)
    seen &= _audible(power, found.freq_hz)
    return bool(seen[:, near].any())


def _place(curves: _Doubles, level: _Doubles, band: int) -> tuple[Channel, _Doubles]:
    """Channel, and the curve in which the resonance shows best, from one curve per lane.

    One lane has it when it has half of the height more than its counterpart.
    """
    if curves.shape[0] == 1:
        return "stereo", curves[0]
    near = slice(max(0, band - 2), band + 3)
    heights = bell_height_db(curves)[:, near].max(axis=1)
    heard = level[:, band] > level[:, band].max() - _UNHEARD_DB
    most = float(heights[heard].max())
    for one, other in (("left", "right"), ("mid", "side")):
        own, opposite = _PAIRS[one]
        more = float(heights[own] - heights[opposite])
        winner: Channel = one if more > 0.0 else other  # type: ignore[assignment]
        if abs(more) > _ONE_SIDED * most:
            own, opposite = _PAIRS[winner]
            return winner, curves[own] - curves[opposite] if one == "left" else curves[own]
    return "stereo", curves[2:].mean(axis=0)


def _fitted(curve: _Doubles, band: int) -> tuple[float, float, float]:
    """Band (with a fraction), q and height of the bell on a parabola that explains a curve best around a band."""
    u = np.arange(-_FIT_BANDS, _FIT_BANDS + 1) / BANDS_PER_OCTAVE
    levels = np.pad(curve, _FIT_BANDS, mode="reflect", reflect_type="odd")[band : band + 2 * _FIT_BANDS + 1]
    best = (np.inf, float(band), _QS[0], 0.0)
    for away in np.arange(-_AROUND_BANDS, _AROUND_BANDS + 0.25, 0.5):
        for q in _QS:
            columns = np.stack([np.ones_like(u), u, u * u, seen_bell(u - away / BANDS_PER_OCTAVE, q)], axis=1)
            solution, *_ = np.linalg.lstsq(columns, levels, rcond=None)
            error = float(np.square(levels - columns @ solution).sum())
            if solution[-1] > 0.0 and error < best[0]:  # an excess, never a hole
                best = (error, band + float(away), q, float(solution[-1]))
    return best[1], best[2], best[3]


def _strongest(time_s: _Doubles, over_time: npt.NDArray[np.float32]) -> tuple[float, ...]:
    """Up to three times of the strongest windows, at least 5 s apart, in order."""
    times: list[float] = []
    for k in np.argsort(-over_time, kind="stable"):
        if len(times) == 3:
            break
        if all(abs(float(time_s[k]) - t) >= 5.0 for t in times):
            times.append(float(time_s[k]))
    return tuple(sorted(times))
