"""Bells that cut only while their band is loud: for a resonance or a harshness that comes and goes.

Per band, with both channels linked:

1. Detector: the W3C Note's band-pass (0 dB at `freq_hz`, the same `q`), and the same turned by 90 degrees by
   a first-order all-pass; the root of the sum of their squares is the envelope. At the centre it is steady, a
   sine of peak level p reads p; an octave away it ripples and reads up to 2 dB high. The louder channel counts.
2. Gain computer: ratio 2:1 above `threshold_db` with a soft knee of 6 dB (D. Giannoulis, M. Massberg, J. D.
   Reiss, J. Audio Eng. Soc. 60(6), 2012, equation 4 from memory), but never more than `range_db`.
3. Attack and release of a 63 % step, by the same paper's smooth decoupled detector, in steps of 0.4 to 0.5 ms.
   The band-pass rises by itself with 2 q / (2 pi freq_hz), which comes on top.
4. A bell of that gain at `freq_hz`: the cookbook's bell in the form of a state variable filter (A. Simper,
   "Solving the continuous SVF equations using trapezoidal integration", 2013, from memory), whose coefficients
   glide from step to step; in this form no movement can make it unstable. Standing still it is exactly the
   cookbook's bell of that gain, whose upper flank is steeper than its analogue model's near Nyquist (3 dB, q 2, at
   44.1 kHz: 0.1 dB off at most with a centre of 4 kHz, 0.4 dB with 8 kHz, 1 dB with 12 kHz).

The change is added to the sound, so while nothing is cut the output is the input bit for bit. Latency 0: a
reduction begins in the step after the one that called for it.
"""

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.chain._dynamic_bell_kernels import run_band
from autochain.chain.equaliser import CHANNELS, refuse_single_sides
from autochain.chain.parameter import Parameter, choice
from autochain.chain.settings import DYNAMIC_BELL, StageSettings
from autochain.chain.stage import TRACE_HZ, GainTrace, Runner, Stage

# common practice, no source
RATIO = 2.0
KNEE_DB = 6.0

_LONGEST_STEP_S = 0.5e-3
_PIECE_FRAMES = 8192

# Left and right to the two voices of the kernel, and the voices' change back.
_INTO = {
    "stereo": ((1.0, 0.0), (0.0, 1.0)),
    "mid": ((0.5, 0.5), (0.0, 0.0)),
    "side": ((0.5, -0.5), (0.0, 0.0)),
    "left": ((1.0, 0.0), (0.0, 0.0)),
    "right": ((0.0, 1.0), (0.0, 0.0)),
}
_BACK = {**_INTO, "mid": ((1.0, 1.0), (0.0, 0.0)), "side": ((1.0, -1.0), (0.0, 0.0))}


def gain_step_frames(rate_hz: int) -> int:
    """Frames of one step of the gain: the longest part of a trace block under 0.5 ms."""
    block = round(rate_hz / TRACE_HZ)
    return max(n for n in range(1, max(2, int(_LONGEST_STEP_S * rate_hz) + 1)) if block % n == 0)


class _Band:
    """One bell at work."""

    def __init__(self, band: StageSettings, rate_hz: int, channels: int) -> None:
        where = band.word("channel")
        if channels == 1:
            where = "left"  # the only lane
        self.into, self.back = np.array(_INTO[where]), np.array(_BACK[where])
        step_s = gain_step_frames(rate_hz) / rate_hz
        attack, release = (math.exp(-step_s / (band[name] * 1e-3)) for name in ("attack_ms", "release_ms"))
        self.curve = np.array([
            math.tan(math.pi * band["freq_hz"] / rate_hz), band["q"], band["threshold_db"], KNEE_DB, 1.0 - 1.0 / RATIO,
            -band["range_db"], attack, release,
        ])  # fmt: skip
        self.state, self.memory = np.zeros(3), np.zeros((2, 6))


class DynamicBells:
    """Runner of the stage. Works on whole trace blocks, so up to 10 ms stay inside between blocks."""

    def __init__(self, rate_hz: int, channels: int, bands: Sequence[StageSettings]) -> None:
        self._bands = [_Band(band, rate_hz, channels) for band in bands]
        self._channels = channels
        self._group = gain_step_frames(rate_hz)
        self._block = round(rate_hz / TRACE_HZ)
        self._piece = max(1, _PIECE_FRAMES // self._block) * self._block
        self._lanes = np.zeros((self._piece, 2))
        self._rest: Samples = np.zeros((0, channels), dtype=np.float32)
        self._maxima: list[npt.NDArray[np.float64]] = []
        self._means: list[npt.NDArray[np.float64]] = []

    @property
    def trace(self) -> GainTrace:
        """At each moment that of the band that cuts most, at its centre."""
        maxima = np.concatenate([np.empty(0), *self._maxima])
        means = np.concatenate([np.empty(0), *self._means])
        # Adding 0 turns the -0 of an idle block into 0.
        mean_db = -20.0 * np.log10(means) + 0.0
        return GainTrace(max_db=maxima.astype(np.float32), mean_db=mean_db.astype(np.float32))

    def push(self, block: Samples) -> Samples:
        """Return the whole trace blocks that are there."""
        rest = self._rest
        whole = (rest.shape[0] + block.shape[0]) // self._block * self._block
        output = np.empty((whole, self._channels), dtype=block.dtype)
        if whole:
            self._run(rest, block, output)
            self._rest = block[block.shape[0] - (rest.shape[0] + block.shape[0] - whole) :].copy()
        elif block.shape[0]:
            self._rest = np.concatenate([rest.astype(block.dtype), block])
        else:
            self._rest = rest.astype(block.dtype)
        return output

    def finish(self) -> Samples:
        """Return what is left of the last block."""
        output = np.empty_like(self._rest)
        if self._rest.shape[0]:
            self._run(self._rest, self._rest[:0], output)
            self._rest = self._rest[:0]
        return output

    def _run(self, head: Samples, tail: Samples, output: Samples) -> None:
        """Fill `output` from as many frames of both parts together."""
        count, split = output.shape[0], head.shape[0]
        blocks = -(-count // self._block)
        maxima, means = np.zeros(blocks), np.ones(blocks)
        for start in range(0, count, self._piece):
            stop = min(start + self._piece, count)
            lanes = self._lanes[: -(-(stop - start) // self._group) * self._group]
            cut = min(max(split - start, 0), stop - start)  # frames of this piece that lie in `head`
            lanes[:cut, : self._channels] = head[start : start + cut]
            lanes[cut : stop - start, : self._channels] = tail[start + cut - split : stop - split]
            lanes[stop - start :] = 0.0
            piece = slice(start // self._block, -(-stop // self._block))
            for band in self._bands:
                run_band(
                    lanes, self._group, self._block // self._group, band.into, band.back, band.curve,
                    band.state, band.memory, maxima[piece], means[piece],
                )  # fmt: skip
            output[start:stop] = lanes[: stop - start, : self._channels]
        self._maxima.append(maxima)
        self._means.append(means)


def _start(rate_hz: int, channels: int, settings: StageSettings) -> Runner:
    if channels == 1:
        refuse_single_sides(STAGE.name, settings)
    bands = [
        band
        for band in STAGE.bands(settings)
        if band["range_db"] < 0.0 and (channels == 2 or band.word("channel") != "side")
    ]
    return DynamicBells(rate_hz, channels, bands)


def _no_latency(rate_hz: int, settings: StageSettings) -> int:
    return 0


STAGE = Stage(
    name=DYNAMIC_BELL,
    label="dynamic bell",
    parameters=(),
    # All ranges and defaults: common practice, no source.
    band=(
        Parameter(
            name="freq_hz", label="frequency", unit="Hz", low=20.0, high=16000.0, default=3000.0, step=1.0,
            scale="log", ends="centre of the band that is heard and cut",
        ),
        Parameter(
            name="q", label="Q", unit="", low=0.5, high=8.0, default=2.0, step=0.01, scale="log",
            ends="lower is broader, higher takes out a single resonance",
        ),
        Parameter(
            name="threshold_db", label="threshold", unit="dBFS", low=-60.0, high=0.0, default=-24.0, step=0.1,
            ends="lower works all the time, higher only when the band sticks out",
        ),
        Parameter(
            name="range_db", label="range", unit="dB", low=-6.0, high=0.0, default=-3.0, step=0.1,
            ends="0 does nothing, -6 lets it cut deep",
        ),
        Parameter(
            name="attack_ms", label="attack", unit="ms", low=1.0, high=100.0, default=10.0, step=0.1, scale="log",
            ends="shorter catches consonants and hits, longer only sustained sound",
        ),
        Parameter(
            name="release_ms", label="release", unit="ms", low=10.0, high=1000.0, default=100.0, step=1.0,
            scale="log", ends="shorter follows every note, longer stays down over the phrase",
        ),
        choice(
            name="channel", label="channel", choices=CHANNELS, default="stereo", quiet=True,
            ends="mid is what both loudspeakers share, side is what differs",
        ),
    ),
    neutral=StageSettings({}),
    start=_start,
    latency_samples=_no_latency,
    listen_for=(
        "it should move only when the fault is there, 1 to 3 dB",
        "a lisp or a hollow sound while it cuts: less range or a higher threshold",
    ),
)  # fmt: skip
