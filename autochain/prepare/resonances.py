"""Resonances worth telling: excess beyond what the notes of clean mixes reach.

The limits stand in `shared/resonance_limits.toml` with how they were made: the most that any of the demo's clean
mixes reaches thereabouts, and a margin. They are high where few notes have much room between them (below
1 kHz) and low above. So a claim is rare, and a mix without one is not called free of resonances.
"""

from dataclasses import dataclass
from functools import cache
from typing import Literal

import numpy as np
import numpy.typing as npt
from scipy.ndimage import maximum_filter1d, minimum_filter1d

from autochain.measure.resonance import (
    BANDS_PER_OCTAVE,
    LANES,
    ResonanceMap,
    bell_height_db,
    seen_bell,
    swing_db,
)
from autochain.resources import read_table

_Doubles = npt.NDArray[np.float64]
Channel = Literal["stereo", "mid", "side", "left", "right"]

LOWEST_HZ, HIGHEST_HZ = 90.0, 12000.0
LEAST_WINDOWS = 150  # 28 s of music: with less, a phrase passes for a habit
_STEEPEST_DB = 45.0  # over the two octaves of a fit: where a mix is band-limited, its edge is no resonance
_UNHEARD_DB = 15.0  # a lane this far under the loudest at that frequency is masked by it
_APART_OCTAVES = 0.6  # two claims closer than this are one
_AROUND_BANDS = 5  # where the exact frequency is looked for: a fifth of an octave
_QS = (2.0, 3.0, 4.0, 6.0, 8.0)
_ONE_SIDED = 0.5  # of the height: what one lane has more than its counterpart makes it that lane's
_PAIRS = {"mid": (0, 1), "side": (1, 0), "left": (2, 3), "right": (3, 2)}
_WANDER_SHARE = 0.75  # of what an excess wanders is taken from it
_SURE = 0.65  # of the limit for passing ones: what stands out and swings that much comes and goes
_NEAR_BANDS = 3
_NEVER = -99.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Resonance:
    """A range that stands out.

    Attributes
    ----------
    freq_hz, q
        Centre, and width as a bell's q, one of 2, 3, 4, 6, 8.
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
    """

    freq_hz: float
    q: float
    excess_db: float
    channel: Channel
    passing: bool
    share: float
    times_s: tuple[float, ...]


def find_resonances(found: ResonanceMap) -> tuple[Resonance, ...]:
    """Every resonance beyond the limits, the largest excess first; none in less than 28 s of music.

    One after the other: what a standing one lifts is taken out before the next is looked for, since its flanks
    bend the spectrum that its neighbours are compared with.
    """
    if found.time_s.size < LEAST_WINDOWS:
        return ()
    left_over = found.left_over_db()
    level, wander, swing = found.level_db(), found.wander_db(), swing_db(left_over)
    free = (found.freq_hz >= LOWEST_HZ) & (found.freq_hz <= HIGHEST_HZ)
    claims: list[Resonance] = []
    while free.any():
        reach = excess_by_test(level, wander, swing)
        beyond = {t: np.where(free, excess - limit_db(t, found.freq_hz), _NEVER) for t, excess in reach.items()}
        test = max(beyond, key=lambda name: float(beyond[name].max()))
        band = int(np.argmax(beyond[test]))
        if beyond[test][band] <= 0.0:
            break
        passing = test[0] == "passing" or _comes_and_goes(reach, found.freq_hz, test[1], band)
        claim = _describe(found, level, left_over[:, LANES.index(test[1])] if passing else None, band)
        claims.append(claim)
        octaves = np.log2(found.freq_hz / claim.freq_hz)
        if not claim.passing:
            at = int(np.argmin(np.abs(octaves)))
            heights = np.maximum(0.0, bell_height_db(level, claim.q)[:, at])
            level = level - heights[:, None] * seen_bell(octaves, claim.q)
        free &= (np.abs(octaves) > _APART_OCTAVES) & (np.arange(free.size) != band)
    return tuple(sorted(claims, key=lambda claim: -claim.excess_db))


def excess_by_test(level_db: _Doubles, wander: _Doubles, swing: _Doubles) -> dict[tuple[str, str], _Doubles]:
    """Excess per band by (test, lane), which the limits are for.

    Tests are `standing` (less 0.75 of what it wanders), `one_sided` (what stands, and that much more than in the
    counterpart lane) and `passing`. A lane 15 dB under the loudest one of a band counts for nothing there, nor where
    its level falls by 45 dB within two octaves.

    Parameters
    ----------
    level_db
        Average level between the notes, shape (lanes, bands).
    wander
        How much the excess wanders, same shape.
    swing
        Swing of what is left over, same shape.
    """
    octave = 2 * BANDS_PER_OCTAVE + 1
    fall_db = maximum_filter1d(level_db, octave, axis=1) - minimum_filter1d(level_db, octave, axis=1)
    heard = (level_db > level_db.max(axis=0) - _UNHEARD_DB) & (fall_db < _STEEPEST_DB)
    standing = bell_height_db(level_db)
    tests: dict[tuple[str, str], _Doubles] = {}
    for k, lane in enumerate(LANES[: level_db.shape[0]]):
        tests["standing", lane] = np.where(heard[k], standing[k] - _WANDER_SHARE * wander[k], _NEVER)
        tests["passing", lane] = np.where(heard[k], swing[k], _NEVER)
    if level_db.shape[0] > 1:
        for lane, (own, other) in _PAIRS.items():
            more = np.minimum(standing[own] - standing[other], standing[own])
            tests["one_sided", lane] = np.where(heard[own], more, _NEVER)
    return tests


def limit_db(test: tuple[str, str], freq_hz: _Doubles) -> _Doubles:
    """What an excess has to pass, by (test, lane) and frequency."""
    nodes, limits = _limits()
    kind, lane = test
    group = lane if lane in ("mid", "side") else "left_right"
    return np.asarray(np.interp(np.log2(freq_hz), nodes, limits[f"{kind}_{group}_db"]))


@cache
def _limits() -> tuple[_Doubles, dict[str, _Doubles]]:
    table = read_table("resonance_limits.toml")
    limits = {name: np.array(values) for name, values in table.items() if name.endswith("_db")}
    return np.log2(np.array(table["freq_hz"])), limits


def _comes_and_goes(reach: dict[tuple[str, str], _Doubles], freq_hz: _Doubles, lane: str, band: int) -> bool:
    """Whether what stands out around a band of a lane swings nearly as much as passing ones have to."""
    near = _near(band, freq_hz.size)
    test = ("passing", lane)
    return bool((reach[test][near] > _SURE * limit_db(test, freq_hz[near])).any())


def _near(band: int, bands: int) -> slice:
    return slice(max(0, band - _NEAR_BANDS), min(bands, band + _NEAR_BANDS + 1))


def _describe(found: ResonanceMap, level: _Doubles, left_over: npt.NDArray[np.float32] | None, band: int) -> Resonance:
    """What is known of a resonance at a band; of one that comes and goes with what is left over in its lane."""
    passing = left_over is not None
    there = np.ones(found.time_s.size, dtype=bool)
    if left_over is not None:
        near = _near(band, found.freq_hz.size)
        band = near.start + int(np.argmax(swing_db(left_over[:, None])[0, near]))
        course = left_over[:, band]
        high, low = np.percentile(course, (85.0, 20.0))
        there = course > 0.5 * (high + low)
        curves = found.level_db(there) - found.level_db(~there)
    else:
        curves = level
    channel, curve = _place(curves, level, band, found.freq_hz[band], passing)
    at, q, height = _fitted(curve, band)
    return Resonance(
        freq_hz=float(found.freq_hz[0] * 2.0 ** (at / BANDS_PER_OCTAVE)),
        q=q,
        excess_db=height,
        channel=channel,
        passing=passing,
        share=float(there.mean()) if passing else 1.0,
        times_s=_strongest(found.time_s, course) if passing else (),
    )


def _place(curves: _Doubles, level: _Doubles, band: int, freq_hz: float, passing: bool) -> tuple[Channel, _Doubles]:
    """Channel, and the curve in which the resonance shows best, from one curve per lane.

    One lane has it when it has half of the height more than its counterpart, or more than clean mixes ever have:
    notes that are in both make the height larger, and the difference not.
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
        enough = _ONE_SIDED * most
        if not passing:
            enough = min(enough, float(limit_db(("one_sided", winner), np.array(freq_hz))))
        if abs(more) > enough:
            own, opposite = _PAIRS[winner]
            return winner, curves[own] - curves[opposite] if one == "left" else curves[own]
    return "stereo", curves[2:].mean(axis=0)


def _fitted(curve: _Doubles, band: int) -> tuple[float, float, float]:
    """Band (with a fraction), q and height of the bell that explains a curve best around a band."""
    reach = BANDS_PER_OCTAVE
    padded = np.pad(curve, reach, mode="reflect", reflect_type="odd")
    u = np.arange(-reach, reach + 1) / BANDS_PER_OCTAVE
    best = (np.inf, float(band), _QS[0], 0.0)
    for at in np.arange(band - _AROUND_BANDS, band + _AROUND_BANDS + 0.25, 0.5):
        middle = int(np.clip(round(at), 0, curve.size - 1))
        levels = padded[middle : middle + 2 * reach + 1]
        for q in _QS:
            bell = seen_bell(u - (at - middle) / BANDS_PER_OCTAVE, q)
            columns = np.stack([np.ones_like(u), u, u * u, bell], axis=1)
            solution, *_ = np.linalg.lstsq(columns, levels, rcond=None)
            error = float(np.square(levels - columns @ solution).sum())
            # An excess, never a hole; and of the same error per variance, whatever lies around.
            error /= float(np.square(levels - levels.mean()).sum()) + 1e-9
            if solution[-1] > 0.0 and error < best[0]:
                best = (error, float(at), q, float(solution[-1]))
    return best[1], best[2], best[3]


def _strongest(time_s: _Doubles, course: npt.NDArray[np.float32]) -> tuple[float, ...]:
    """Up to three times of the strongest windows, at least 5 s apart, in order."""
    times: list[float] = []
    for k in np.argsort(-course, kind="stable"):
        if len(times) == 3:
            break
        if all(abs(float(time_s[k]) - t) >= 5.0 for t in times):
            times.append(float(time_s[k]))
    return tuple(sorted(times))
