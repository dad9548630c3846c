"""How loud a chain gets at a drive, told from the highest sample of every step of 0.4 ms: nothing is rendered.

With p[k] the largest |sample| of any channel in step k, ahead of the drive:

    q = d p, bent by the clipper's curve, times the transient shaper's gain of q,
    g[k] = d (bent / unbent) (shaper's gain) (gain of the limiter's own loop, with q for a sound of one sample a step),

and the K-weighted power of a 10 ms hop behind the chain is that ahead of it times the mean of g^2 in the hop. What
moves faster than a step, the clipper's ringing and the limiter's detector between samples are left out; for the last,
peaks count as a little higher than the samples are. Stages it does not know are taken to change no level.

A limit of this project: told so, 300 solved chains of seven recordings were off by 0.01 LU in the middle.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.chain.clipper import PARABOLA, clipping_curve, half_width
from autochain.chain.envelopes import Envelopes, group_frames, step_peaks
from autochain.chain.limiter_gain import GainForPeaks
from autochain.chain.settings import CLIPPER, DRIVE, LIMITER, OUTPUT, TRANSIENT, ChainSettings, StageName, StageSettings
from autochain.solve.material import Material
from autochain.units import db_to_linear

_Floats = npt.NDArray[np.float64]
_Singles = npt.NDArray[np.float32]

_STEP_OF_SHAPER = 2  # steps of the transient shaper that are one here
# What peaks between samples and in two four-fold meters are over the samples, in the mean over recordings with odd
# numbers: it takes the 0.02 LU by which the estimate was too loud without it.
_BETWEEN_SAMPLES = np.float32(1.006)
# An excerpt is done at once; hours would take eleven times what their steps take.
_HOPS_AT_ONCE, _STEPS_AT_ONCE = 6_000, 1 << 17


@dataclass(frozen=True, slots=True)
class _Steps:
    """Peaks of one segment; of each scored hop its first step, how many it has, and its power ahead of the drive."""

    peaks: _Singles
    starts: npt.NDArray[np.int64]
    counts: npt.NDArray[np.int64]
    power: _Floats


class Estimate:
    """Loudness behind the drive and the peak stages, at any drive.

    Parameters
    ----------
    before_peaks
        Sound ahead of the drive, one array a segment of `material`.
    hops
        K-weighted power per 10 ms hop of their scored parts.
    stages
        Names of the drive and what is behind, in their order.
    """

    def __init__(
        self,
        material: Material,
        before_peaks: Sequence[Samples],
        hops: Sequence[_Floats],
        stages: Sequence[StageName],
    ) -> None:
        self._material, self._stages = material, stages
        self._frames = _STEP_OF_SHAPER * group_frames(material.rate_hz)
        self._segments = []
        for sound, power, segment in zip(before_peaks, hops, material.segments, strict=True):
            peaks = step_peaks(sound, self._frames).astype(np.float32, copy=False)
            edges = (segment.skip_hops + np.arange(len(power) + 1)) * material.hop // self._frames
            self._segments.append(_Steps(peaks, edges[:-1], np.diff(edges), power))

    def lufs_at(self, settings: ChainSettings) -> float | None:
        """Loudness that a solve aims at, expected of complete settings."""
        return self._material.wanted_lufs([self._power(steps, settings) for steps in self._segments])

    def _power(self, steps: _Steps, settings: ChainSettings) -> _Floats:
        """K-weighted power of every hop behind the chain."""
        gain, squares = self._gain(steps.peaks, settings), np.empty(len(steps.starts), np.float32)
        for first in range(0, len(squares), _HOPS_AT_ONCE):
            starts = steps.starts[first : first + _HOPS_AT_ONCE]
            behind = first + len(starts)
            end = steps.starts[behind] if behind < len(squares) else gain.size
            own = gain[starts[0] : end]
            squares[first:behind] = np.add.reduceat(own * own, starts - starts[0])
        return steps.power * (squares / steps.counts)

    def _gain(self, peaks: _Singles, settings: ChainSettings) -> _Singles:
        """Gain at every step."""
        steps_hz = self._material.rate_hz / self._frames
        shaper = limiter = None
        if TRANSIENT in self._stages and TRANSIENT in settings:
            shaper = Envelopes(self._material.rate_hz, 1, settings[TRANSIENT], self._frames)
        if LIMITER in self._stages and LIMITER in settings:
            limiter = GainForPeaks(steps_hz, settings[LIMITER])
        drive = np.float32(db_to_linear(settings[DRIVE]["gain_db"]))
        gain, limited = np.full_like(peaks, drive), 0
        for begin in range(0, peaks.size, _STEPS_AT_ONCE):
            own = gain[begin : begin + _STEPS_AT_ONCE]
            driven = peaks[begin : begin + _STEPS_AT_ONCE] * drive
            for name in self._stages:
                if name == CLIPPER and name in settings:
                    _clip(driven, own, settings[name])
                elif name == TRANSIENT and shaper is not None:
                    turned = shaper.follow(driven).astype(np.float32)
                    driven *= turned
                    own *= turned
            if limiter is not None:
                limited = _turn(gain, limited, limiter.push(driven * _BETWEEN_SAMPLES))
        if limiter is not None:
            _turn(gain, limited, limiter.finish())
        if OUTPUT in self._stages and OUTPUT in settings:
            gain *= np.float32(db_to_linear(settings[OUTPUT]["trim_db"]))
        return gain


def _turn(gain: _Singles, done: int, turned: _Singles) -> int:
    """Turn the steps from `done` on; returns how many are done then."""
    gain[done : done + turned.size] *= turned
    return done + turned.size


def _clip(peaks: _Singles, gain: _Singles, settings: StageSettings) -> None:
    """Bend peaks over the knee, and turn the gain down by as much."""
    ceiling = db_to_linear(settings["ceiling_dbfs"])
    over = np.flatnonzero(peaks > ceiling - half_width(ceiling, settings["softness"]))
    bent = clipping_curve(peaks[over], ceiling, settings["softness"], settings.word("curve", PARABOLA))
    gain[over] *= bent / peaks[over]
    peaks[over] = bent
