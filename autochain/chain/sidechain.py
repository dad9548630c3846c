"""A compressor in two steps, for a search that tries many thresholds: the level once, the rest as often as wanted.

What comes out is bit for bit what the stage gives.
"""

from dataclasses import dataclass
from typing import Self

import numpy as np

from autochain.audio.mix import Samples
from autochain.chain.gain_control import CHUNK_FRAMES, Gain, GainComputer, Level, Trace, idle_as_zero, rows
from autochain.chain.idle import idle_trace
from autochain.chain.settings import StageSettings, Value
from autochain.chain.stage import Processed
from autochain.units import ms_to_samples

# Frames per call while only block maxima are wanted; a whole block at least.
_SCAN_FRAMES = 16384


@dataclass(frozen=True, slots=True, kw_only=True)
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
        level_db = np.empty((rows(channels, settings), frames + lookahead), dtype=np.float32)
        level = Level(rate_hz, channels, settings)
        for begin in range(0, frames, CHUNK_FRAMES):
            chunk = samples[begin : begin + CHUNK_FRAMES]
            level.follow(chunk, level_db[:, begin : begin + chunk.shape[0]])
        if lookahead:  # 10 ms at 192 kHz at most: one chunk
            level.follow(np.zeros((lookahead, channels), dtype=samples.dtype), level_db[:, frames:])
        return cls(level_db=level_db, rate_hz=rate_hz, lookahead=lookahead)

    def peak_reduction_db(self, settings: StageSettings, block_frames: int) -> Trace:
        """Largest reduction in each block of `block_frames` of the sound, the last one shorter.

        float32, shape (blocks,), dB, at least 0: the exact block maxima of what `render` does, for solving the
        threshold that does a wanted amount of work. Of the settings it takes those that are not in `key`.
        """
        number, total = self.level_db.shape
        reduction = GainComputer(self.rate_hz, number, settings)
        step = block_frames * max(1, _SCAN_FRAMES // block_frames)
        room = np.empty((number, max(step, self.lookahead)), dtype=np.float32)
        reduction.follow(self.level_db[:, : self.lookahead], room[:, : self.lookahead])
        maxima = []
        for begin in range(self.lookahead, total, step):
            level_db = self.level_db[:, begin : begin + step]
            found = room[:, : level_db.shape[1]]
            reduction.follow(level_db, found)
            row = found[0] if number == 1 else found.max(axis=0)
            maxima.append(np.maximum.reduceat(row, np.arange(0, row.size, block_frames)))
        return idle_as_zero(np.concatenate(maxima)) if maxima else np.empty(0, dtype=np.float32)

    def render(self, samples: Samples, settings: StageSettings) -> Processed:
        """Turn down the sound that the side chain was made of, with settings of the same `key`."""
        frames = samples.shape[0]
        if settings["ratio"] == 1.0:
            return Processed(samples=samples, trace=idle_trace(frames, self.rate_hz))
        samples = np.ascontiguousarray(samples)
        number, total = self.level_db.shape
        reduction, gain = GainComputer(self.rate_hz, number, settings), Gain(self.rate_hz, number)
        output = np.empty_like(samples)
        room = np.empty((number, CHUNK_FRAMES), dtype=np.float32)
        for begin in range(0, total, CHUNK_FRAMES):
            level_db = self.level_db[:, begin : begin + CHUNK_FRAMES]
            found = room[:, : level_db.shape[1]]
            reduction.follow(level_db, found)
            # A frame's gain is the one reached a look-ahead later.
            first = max(0, begin - self.lookahead)
            last = begin + level_db.shape[1] - self.lookahead
            if last > first:
                found = found[:, first + self.lookahead - begin :]
                gain.apply(samples[first:last], found, output[first:last])
        return Processed(samples=output, trace=gain.trace)
