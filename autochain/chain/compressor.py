"""Two compressors with one engine: a slow one that glues the mix, a fast one that catches its loudest parts.

Feed-forward, in three parts (`gain_control.py`, with the source of every equation):

1. `Level`: the channels' level in dB, peak or rms, linked or not, after an optional high-pass.
2. `GainComputer`: gain computer (threshold T, ratio R, soft knee W), then attack and release.
3. `Gain`: the sound, behind by the look-ahead, turned down.

Why the detector that holds is the default: it keeps a tone's peak between its cycles, so that a steady tone of
peak level p is reduced by what the curve says at p for every attack; the one that follows settles far below with
a slow attack. And it releases toward the level that is there, without a corner. Its release is felt through the
attack: the fall takes about attack + release.

Time constants are those of a 63 % step response. No make-up gain: the drive sets the level. Latency is the
look-ahead. With ratio 1 the input is returned bit for bit.
"""

from typing import Any

import numpy as np

from autochain.audio.mix import Samples
from autochain.chain.delay import DelayLine
from autochain.chain.gain_control import (
    CHUNK_FRAMES,
    FOLLOWS,
    HOLDS,
    PEAK_LEVEL,
    RMS_LEVEL,
    Gain,
    GainComputer,
    Level,
    rows,
)
from autochain.chain.idle import Idle
from autochain.chain.parameter import Parameter, choice
from autochain.chain.settings import BUS_COMPRESSOR, PEAK_COMPRESSOR, StageSettings
from autochain.chain.stage import GainTrace, Runner, Stage
from autochain.units import ms_to_samples


class Compressor:
    """A compressor at work on a stream (`Runner`); settings complete and checked, ratio over 1."""

    def __init__(self, rate_hz: int, channels: int, settings: StageSettings) -> None:
        number = rows(channels, settings)
        self._lookahead = ms_to_samples(settings["lookahead_ms"], rate_hz)
        self._level = Level(rate_hz, channels, settings)
        self._reduction = GainComputer(rate_hz, number, settings)
        self._gain = Gain(rate_hz, number)
        self._delay = DelayLine()
        self._level_db, self._reduction_db = np.empty((2, number, CHUNK_FRAMES), dtype=np.float32)
        self._channels = channels
        self._dtype: np.dtype[Any] = np.dtype(np.float32)

    def push(self, block: Samples) -> Samples:
        """Take the next frames; return those whose gain is known."""
        block = np.ascontiguousarray(block)
        self._dtype = block.dtype
        ready = self._delay.frames + block.shape[0] - self._lookahead
        output = np.empty((max(0, ready), block.shape[1]), dtype=block.dtype)
        done = 0
        for begin in range(0, block.shape[0], CHUNK_FRAMES):
            chunk = block[begin : begin + CHUNK_FRAMES]
            frames = chunk.shape[0]
            level_db, reduction_db = self._level_db[:, :frames], self._reduction_db[:, :frames]
            self._level.follow(chunk, level_db)
            self._reduction.follow(level_db, reduction_db)
            # The reduction at a frame belongs to the sound of a look-ahead ago; before the first there is none.
            first = max(-self._lookahead, -self._delay.frames)
            for piece in self._delay.span(chunk, first, frames - self._lookahead):
                place = first + self._lookahead
                count = piece.shape[0]
                self._gain.apply(piece, reduction_db[:, place : place + count], output[done : done + count])
                first += count
                done += count
            self._delay.keep(chunk, min(self._lookahead, self._delay.frames + frames))
        return output

    def finish(self) -> Samples:
        """Return what waits for its gain: silence follows."""
        return self.push(np.zeros((self._lookahead, self._channels), dtype=self._dtype))

    @property
    def trace(self) -> GainTrace:
        """Largest reduction of any channel and reduction of the mean gain of all, complete after `finish`."""
        return self._gain.trace


def _start(rate_hz: int, channels: int, settings: StageSettings) -> Runner:
    return Idle(rate_hz, channels) if settings["ratio"] == 1.0 else Compressor(rate_hz, channels, settings)


def _latency(rate_hz: int, settings: StageSettings) -> int:
    if settings.get("ratio") == 1.0:
        return 0
    return ms_to_samples(settings.get("lookahead_ms", 0.0), rate_hz)


def _applies(settings: StageSettings, name: str) -> bool:
    return name != "rms_ms" or settings.word("detector", PEAK_LEVEL) == RMS_LEVEL


def _parameters(
    *,
    threshold_db: float,
    ratio: float,
    knee_db: float,
    attack_ms: tuple[float, float, float],
    release_ms: tuple[float, float, float],
    sidechain_hpf_hz: float,
) -> tuple[Parameter, ...]:
    """Return the parameters of one compressor; three numbers are low, high and default.

    All ranges and defaults: common practice, no source.
    """
    # The finest attack step is the shortest attack of the stage.
    return (
        Parameter(
            name="threshold_db", label="threshold", unit="dBFS",
            low=-60.0, high=0.0, default=threshold_db, step=0.1,
            ends="lower works all the time, higher only on the loudest peaks",
        ),
        Parameter(
            name="ratio", label="ratio", unit="",
            low=1.0, high=10.0, default=ratio, step=0.1,
            ends="1 does nothing, 10 is almost a limiter",
        ),
        Parameter(
            name="knee_db", label="knee", unit="dB",
            low=0.0, high=12.0, default=knee_db, step=0.5,
            ends="0 sets in at once, 12 eases in from 6 dB under the threshold",
        ),
        Parameter(
            name="attack_ms", label="attack", unit="ms",
            low=attack_ms[0], high=attack_ms[1], default=attack_ms[2], step=attack_ms[0], scale="log",
            ends="shorter catches hits and dulls them, longer lets them through",
        ),
        Parameter(
            name="release_ms", label="release", unit="ms",
            low=release_ms[0], high=release_ms[1], default=release_ms[2], step=1.0, scale="log",
            ends="shorter is denser and roughens the bass, longer is smoother and stays down",
        ),
        Parameter(
            name="sidechain_hpf_hz", label="side-chain high-pass", unit="Hz",
            low=20.0, high=300.0, default=sidechain_hpf_hz, step=1.0, scale="log", off=0.0,
            ends="lower lets the kick drive the gain, higher ignores it",
        ),
        Parameter(
            name="link_percent", label="stereo link", unit="%",
            low=0.0, high=100.0, default=100.0, step=5.0, quiet=True,
            ends="0 turns each side down by its own level, 100 both alike, which keeps the image",
        ),
        choice(
            name="detector", label="detector", choices=(PEAK_LEVEL, RMS_LEVEL), default=PEAK_LEVEL, quiet=True,
            ends="peak hears every crest, rms the power: 3 dB lower on a sine, still lower on drums",
        ),
        Parameter(
            name="rms_ms", label="rms window", unit="ms",
            low=1.0, high=100.0, default=10.0, step=1.0, scale="log", quiet=True,
            ends="shorter follows every cycle of the bass, longer reacts later",
        ),
        Parameter(
            name="lookahead_ms", label="look-ahead", unit="ms",
            low=0.0, high=10.0, default=0.0, step=0.1, quiet=True,
            ends="0 lets the start of a hit through, longer has turned down before it comes",
        ),
        choice(
            name="release_shape", label="release shape", choices=(HOLDS, FOLLOWS), default=HOLDS, quiet=True,
            ends="holds keeps a tone's reduction between its cycles, follows gives it back at once and does less",
        ),
    )


BUS = Stage(
    name=BUS_COMPRESSOR,
    label="bus compressor",
    parameters=_parameters(
        threshold_db=-18.0,
        ratio=2.0,
        knee_db=6.0,
        attack_ms=(1.0, 100.0, 20.0),
        release_ms=(30.0, 1000.0, 150.0),
        sidechain_hpf_hz=90.0,
    ),
    neutral=StageSettings({"ratio": 1.0}),
    start=_start,
    latency_samples=_latency,
    applies=_applies,
    listen_for=(
        "the meter should breathe with the song, back near 0 between phrases",
        "drum hits that lose their start: lengthen the attack",
        "the whole mix dipping with every kick: raise the side-chain high-pass",
    ),
)

PEAK = Stage(
    name=PEAK_COMPRESSOR,
    label="peak compressor",
    parameters=_parameters(
        threshold_db=-10.0,
        ratio=4.0,
        knee_db=3.0,
        attack_ms=(0.1, 10.0, 1.0),
        release_ms=(20.0, 300.0, 60.0),
        sidechain_hpf_hz=0.0,
    ),
    neutral=StageSettings({"ratio": 1.0}),
    start=_start,
    latency_samples=_latency,
    applies=_applies,
    listen_for=(
        "it should move only in the loudest bars, 1 to 2 dB",
        "rough or buzzing bass: lengthen the release",
        "snare and consonants turning blunt: lengthen the attack or raise the threshold",
    ),
)
