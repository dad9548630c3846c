"""A compressor in two steps, for a search that tries many thresholds: the level once, the rest as often as wanted.

What comes out is bit for bit what the stage gives. Several sounds go through one compressor side by side, which is
faster than one after the other; none knows of the others.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Self

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.audio.room import room_for
from autochain.chain import _compressor_kernels as kernels
from autochain.chain.gain_control import CHUNK_FRAMES, Gain, GainComputer, Level, Trace, idle_as_zero, rows
from autochain.chain.idle import idle_trace
from autochain.chain.settings import StageSettings, Value
from autochain.chain.stage import Processed
from autochain.units import ms_to_samples

# Frames per call while only block maxima are wanted; a whole block at least.
_SCAN_FRAMES = 16384
_COARSE_FRAMES = 8


@dataclass(frozen=True, kw_only=True)
class Sidechain:
    """What steers a compressor on one sound.

    Attributes
    ----------
    level_db
        float32, shape (rows, frames + lookahead): as `gain_control.Level` gives it, silence behind the sound. One
        row while one gain serves all channels, otherwise one a channel.
    rate_hz
        Sample rate.
    lookahead
        Frames by which the gain is ahead of the sound.
    """

    level_db: Trace
    rate_hz: int
    lookahead: int

    @staticmethod
    def key(settings: StageSettings) -> tuple[Value, ...]:
        """Values of the settings that a side chain depends on; equal keys, equal side chains of one sound."""
        names = ("sidechain_hpf_hz", "link_percent", "detector", "rms_ms", "lookahead_ms")
        return tuple(settings.value(name) for name in names)

    @classmethod
    def of(cls, samples: Samples, rate_hz: int, settings: StageSettings) -> Self:
        """Listen to `samples`, shape (frames, channels), with a compressor's complete settings."""
        samples = np.ascontiguousarray(samples)
        frames, channels = samples.shape
        lookahead = ms_to_samples(settings["lookahead_ms"], rate_hz)
        level_db = room_for((rows(channels, settings), frames + lookahead))
        level = Level(rate_hz, channels, settings)
        for begin in range(0, frames, CHUNK_FRAMES):
            chunk = samples[begin : begin + CHUNK_FRAMES]
            level.follow(chunk, level_db[:, begin : begin + chunk.shape[0]])
        if lookahead:  # 10 ms at 192 kHz at most: one chunk
            level.follow(np.zeros((lookahead, channels), dtype=samples.dtype), level_db[:, frames:])
        return cls(level_db=level_db, rate_hz=rate_hz, lookahead=lookahead)

    @property
    def frames(self) -> int:
        """Length of the sound."""
        return int(self.level_db.shape[1]) - self.lookahead

    @cached_property
    def coarse_db(self) -> Trace:
        """Highest level of every eight frames, shape (rows, frames / 8 rounded up)."""
        number, total = self.level_db.shape
        coarse = np.empty((number, -(-total // _COARSE_FRAMES)), dtype=np.float32)
        for row in range(number):
            kernels.largest_of_eight(self.level_db[row], coarse[row])
        return coarse


def peak_reductions_db(
    sidechains: Sequence[Sidechain], settings: StageSettings, block_frames: int, *, coarse: bool = False
) -> list[Trace]:
    """Largest reduction of each sound in each block of `block_frames`, the last one shorter.

    Per sound float32, shape (blocks,), dB, at least 0: the exact block maxima of what `render` does, for solving the
    threshold that does a wanted amount of work. Of the settings it takes those that are not in `Sidechain.key`.
    With `coarse` the detector steps over eight frames at a time and sees the highest of them: an eighth of the time,
    and within 0.1 dB for an attack of 1 ms or more.
    """
    step = _COARSE_FRAMES if coarse else 1
    found: list[Trace] = [np.empty(0, dtype=np.float32)] * len(sidechains)
    for places in _alike(sidechains):
        some = [sidechains[place] for place in places]
        levels = [side.coarse_db if coarse else side.level_db for side in some]
        starts = (some[0].lookahead + np.arange(0, some[0].frames, block_frames)) // step
        computer = GainComputer(some[0].rate_hz / step, len(some) * levels[0].shape[0], settings)
        peaks = _block_peaks([row for level in levels for row in level], computer, starts)
        for place, own in zip(places, peaks.reshape(len(some), -1, starts.size), strict=True):
            found[place] = idle_as_zero(own.max(axis=0))
    return found


def _block_peaks(levels_db: Sequence[Trace], computer: GainComputer, starts: npt.NDArray[np.int64]) -> Trace:
    """Largest reduction per row from each start to the next, shape (rows, starts)."""
    total = levels_db[0].size
    peaks = np.empty((len(levels_db), starts.size), dtype=np.float32)
    at_once = max(1, _SCAN_FRAMES // int(starts[1] - starts[0])) if starts.size > 1 else 1
    for first in range(0, starts.size, at_once):
        begin = int(starts[first]) if first else 0
        end = int(starts[first + at_once]) if first + at_once < starts.size else total
        reduction_db = np.empty((len(levels_db), end - begin), dtype=np.float32)
        computer.follow([level[begin:end] for level in levels_db], reduction_db)
        here = starts[first : first + at_once] - begin
        peaks[:, first : first + here.size] = np.maximum.reduceat(reduction_db, here, axis=1)
    return peaks


def render(sidechains: Sequence[Sidechain], sounds: Sequence[Samples], settings: StageSettings) -> list[Processed]:
    """Turn down the sounds that the side chains were made of, with settings of the same `Sidechain.key`."""
    if settings["ratio"] == 1.0:
        idle = [idle_trace(sound.shape[0], side.rate_hz) for side, sound in zip(sidechains, sounds, strict=True)]
        return [Processed(samples=sound, trace=trace) for sound, trace in zip(sounds, idle, strict=True)]
    found: dict[int, Processed] = {}
    for places in _alike(sidechains):
        some = [(sidechains[place], np.ascontiguousarray(sounds[place])) for place in places]
        lookahead, (number, total) = some[0][0].lookahead, some[0][0].level_db.shape
        reduction = GainComputer(some[0][0].rate_hz, len(some) * number, settings)
        gains = [Gain(side.rate_hz, number) for side, _ in some]
        outputs = [room_for(sound.shape, sound.dtype) for _, sound in some]
        room = np.empty((len(some) * number, CHUNK_FRAMES), dtype=np.float32)
        for begin in range(0, total, CHUNK_FRAMES):
            levels_db = [row[begin : begin + CHUNK_FRAMES] for side, _ in some for row in side.level_db]
            reduction_db = room[:, : levels_db[0].size]
            reduction.follow(levels_db, reduction_db)
            # A frame's gain is the one reached a look-ahead later.
            first = max(0, begin - lookahead)
            last = begin + levels_db[0].size - lookahead
            if last <= first:
                continue
            reduction_db = reduction_db[:, first + lookahead - begin :]
            for k, ((_, sound), gain, output) in enumerate(zip(some, gains, outputs, strict=True)):
                gain.apply(sound[first:last], reduction_db[k * number : (k + 1) * number], output[first:last])
        for place, output, gain in zip(places, outputs, gains, strict=True):
            found[place] = Processed(samples=output, trace=gain.trace)
    return [found[place] for place in range(len(sidechains))]


def _alike(sidechains: Sequence[Sidechain]) -> Iterator[list[int]]:
    """Places of side chains that are as long as each other."""
    shapes = [side.level_db.shape for side in sidechains]
    for shape in dict.fromkeys(shapes):
        yield [place for place, own in enumerate(shapes) if own == shape]
