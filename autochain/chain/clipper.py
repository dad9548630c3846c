"""Soft clipper: takes the tops off the waveform, oversampled; what stays below the knee is not touched."""

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autochain.audio.cells import CELL_FRAMES, Cells, grown
from autochain.audio.mix import Samples
from autochain.audio.oversample import BLOCK_FRAMES, Watch, decimator, interpolator, margin, scratch
from autochain.chain import _clipper_kernels as kernels
from autochain.chain.parameter import Parameter, choice
from autochain.chain.settings import CLIPPER, StageSettings
from autochain.chain.stage import TRACE_HZ, GainTrace, Stage
from autochain.units import db_to_linear

FACTORS = {"x4": 4, "x8": 8, "x16": 16}
# At 44.1 kHz the interpolator is flat within 0.001 dB to 20 kHz and 100 dB down from 24.1 kHz, where images of
# 20 kHz begin.
UP = {factor: interpolator(factor, 36, 10.06) for factor in FACTORS.values()}
# The low-pass after the curve is flat as far and 100 dB down from half the rate on: no harmonic that the oversampled
# curve made folds back anywhere in the band.
DOWN = {factor: decimator(factor, 72, 10.2, 0.4768) for factor in FACTORS.values()}
_UP_REACH, _DOWN_REACH = 36, 72
# Points this far outside a cell reach into it: whole blocks.
_SIDE = BLOCK_FRAMES * -(-_DOWN_REACH // BLOCK_FRAMES)
_AROUND = _SIDE + margin(UP[4])


# In the order of `kernels.BY_PARABOLA` and the rest. The last two are those of other clippers, as `curve`; for
# `search.strangers`, no setting of this one.
PARABOLA, TANH, CUBIC = _CURVES = ("parabola", "tanh", "cubic")


def clipping_curve(
    u: npt.ArrayLike, ceiling: float, softness: float, curve: str = PARABOLA
) -> npt.NDArray[np.float64]:
    """Bend values by the static clipping curve.

    f(u) = u up to c - w, c - (c + w - |u|)^2 / (4 w) up to c + w, then c (odd in u), with w = c s / 200: the
    hard clip averaged over a window of half width w, hence with a continuous slope.

    Parameters
    ----------
    u
        Samples.
    ceiling
        c, the largest output magnitude, linear.
    softness
        s, 0 (hard clip) to 100 % (bends from 0.5 c to 1.5 c).
    curve
        Other ways from the knee c - w to the ceiling, with x = (|u| - c + w) / w: TANH c - w + w tanh x, CUBIC
        c - w + w (x - 4/27 x^3) up to x = 3/2, then c. Both begin with slope 1 and pass c nowhere.
    """
    u = np.asarray(u, dtype=np.float64)
    a, w = np.abs(u), half_width(ceiling, softness)
    if w == 0.0:
        return np.asarray(np.copysign(np.minimum(a, ceiling), u))
    x = (a - ceiling + w) / w
    if curve == PARABOLA:
        bent = np.where(a < ceiling + w, ceiling - (ceiling + w - a) ** 2 / (4.0 * w), ceiling)
    elif curve == TANH:
        bent = ceiling - w + w * np.tanh(x)
    else:
        bent = np.where(x < 1.5, ceiling - w + w * (x - 4.0 / 27.0 * x**3), ceiling)
    return np.asarray(np.copysign(np.where(a <= ceiling - w, a, bent), u))


def half_width(ceiling: float, softness: float) -> float:
    """Half width of the bend around the ceiling, linear: half the ceiling at softness 100 %."""
    return 0.005 * softness * ceiling


def factor(settings: StageSettings) -> int:
    """By how much `oversampling` multiplies the rate."""
    return FACTORS[settings.word("oversampling")]


@dataclass(slots=True)
class _Work:
    """What depends on the sample type."""

    up_taps: Samples
    down_taps: Samples
    up: Samples
    tops: Samples
    residual: Samples
    watch: Watch


class Clipping:
    """Clip a stream to `ceiling_dbfs`.

    y = x + down(f(up x) - up x), with up and down by `oversampling`: where no sample or point between in reach
    passes the knee, the output is the input bit for bit. Interpolation and low-pass run in the sample type (float32:
    errors near -148 dBFS rms in clipped noise, none where nothing clips). Channels are clipped one by one,
    as each waveform has its own tops. The low-pass after the curve rings: samples may pass the ceiling, by 1 to 2 dB
    on noisy drum hits and 4 dB on clipped white noise, which is left to the limiter behind.

    Parameters
    ----------
    rate_hz
        Sample rate, for the trace.
    channels
        1 or 2.
    settings
        `ceiling_dbfs`: output magnitude that is not passed, -24 (far below most mixes' peaks: heavy
        distortion) to +24 dBFS (out of the way). `softness`: 0 % hard clip, identity up to the ceiling; 100 %
        identity up to 6 dB below it. `oversampling`: x4, x8 or x16. All are complete and checked.

    Attributes
    ----------
    trace
        `max_db` is |u| over |f(u)| at the largest point of any channel, `mean_db` the mean of f(u)/u over all
        points and channels.
    """

    def __init__(self, rate_hz: int, channels: int, settings: StageSettings) -> None:
        self._softness = settings["softness"]
        self._ceiling = db_to_linear(settings["ceiling_dbfs"])
        self._width = half_width(self._ceiling, self._softness)
        self._curve = settings.word("curve", PARABOLA)
        self._factor = factor(settings)
        self._hop = round(rate_hz / TRACE_HZ)
        self._cells = Cells(channels, before=_AROUND, after=_AROUND)
        self._first = 0  # frame that the next cell begins with
        self._frames = 0
        self._peak, self._loss = np.zeros(1), np.zeros((channels, 1))
        self._work: _Work | None = None
        self.trace: GainTrace | None = None

    def push(self, block: Samples) -> Samples:
        """Take the next frames; return those that are ready."""
        self._frames += block.shape[0]
        return self._cells.push(block, self._clip)

    def finish(self) -> Samples:
        """Return the rest."""
        rest = self._cells.finish(self._clip)
        self.trace = self._traced()
        return rest

    def _clip(self, window: Samples, output: Samples, low: int, high: int) -> None:
        work = self._work = self._work or self._prepared(window)
        starts, stops = work.watch.runs(
            window, _AROUND - _SIDE, _AROUND + CELL_FRAMES + _SIDE, self._ceiling - self._width
        )
        if starts.size:
            hops = (self._first + CELL_FRAMES) // self._hop + 1
            self._peak, self._loss = grown(self._peak, hops), grown(self._loss, hops)
            kernels.clip_runs(
                window.reshape(-1), starts, stops, work.up_taps, work.down_taps, self._ceiling, self._width,
                _CURVES.index(self._curve), work.up, work.tops, _AROUND - _SIDE - _DOWN_REACH, work.residual,
                _AROUND + low, _AROUND + high, self._first - _AROUND, self._hop, self._peak, self._loss,
            )  # fmt: skip
            kernels.add_residual(window, _AROUND, work.residual, _SIDE + _DOWN_REACH, output)
        else:
            output[:] = window[_AROUND : _AROUND + CELL_FRAMES]
        self._first += CELL_FRAMES

    def _prepared(self, window: Samples) -> _Work:
        frames, channels = window.shape
        dtype = window.dtype
        filter_ = UP[self._factor]
        up = scratch(filter_, channels, dtype)
        return _Work(
            up_taps=filter_.mirrored.astype(dtype),
            down_taps=DOWN[self._factor].astype(dtype),
            up=up,
            tops=np.empty(up.shape[1], dtype),
            residual=np.zeros((channels, CELL_FRAMES + 2 * (_SIDE + _DOWN_REACH)), dtype),
            watch=Watch(filter_, frames, channels, dtype),
        )

    def _traced(self) -> GainTrace:
        hops = -(-self._frames // self._hop)
        peak, loss = np.zeros((2, hops))
        known = min(hops, self._peak.size)
        peak[:known], loss[:known] = self._peak[:known], self._loss.sum(axis=0)[:known]
        points = np.full(hops, float(self._factor * self._loss.shape[0] * self._hop))
        if self._frames % self._hop:
            points[-1] *= self._frames % self._hop / self._hop
        safe = np.where(peak > 0.0, peak, 1.0)
        clipped = np.where(peak > 0.0, clipping_curve(safe, self._ceiling, self._softness, self._curve), 1.0)
        return GainTrace(
            max_db=(20.0 * np.log10(safe / clipped)).astype(np.float32),
            mean_db=(-20.0 * np.log10(1.0 - loss / points)).astype(np.float32),
        )


def latency_samples(rate_hz: int, settings: StageSettings) -> int:
    """Delay of a real-time version: both filters' reach; the result is time-aligned (delay 0)."""
    return _UP_REACH + _DOWN_REACH - 1


STAGE = Stage(
    name=CLIPPER,
    label="soft clipper",
    parameters=(
        Parameter(
            name="ceiling_dbfs",
            label="ceiling",
            unit="dBFS",
            low=-24.0,
            high=24.0,
            default=0.0,
            step=0.1,
            ends="lower clips more; above the mix's peaks nothing happens",
        ),
        Parameter(
            name="softness",
            label="softness",
            unit="%",
            low=0.0,
            high=100.0,
            default=0.0,
            step=5.0,
            ends="0 clips hard; 100 starts to bend 6 dB below the ceiling",
        ),
        choice(
            name="oversampling",
            label="oversampling",
            choices=tuple(FACTORS),
            default="x4",
            ends="x4 is quick; x16 folds back least of what a hard clip makes",
            quiet=True,
        ),
    ),
    neutral=StageSettings({"ceiling_dbfs": 24.0, "softness": 0.0}),
    start=Clipping,
    latency_samples=latency_samples,
    listen_for=(
        "hits lose their first edge before anything sounds distorted",
        "crackle or grit on sustained notes: back off",
    ),
)


def reduction_db(peak_dbfs: float, ceiling_dbfs: float, softness: float) -> float:
    """Reduction of a peak by the static curve, dB, >= 0."""
    peak, ceiling = db_to_linear(peak_dbfs), db_to_linear(ceiling_dbfs)
    return max(0.0, 20.0 * math.log10(peak / float(clipping_curve(peak, ceiling, softness))))
