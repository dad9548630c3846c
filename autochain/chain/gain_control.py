"""The parts of a compressor on a stream: level of the side chain, reduction, gain. State stays between blocks.

D. Giannoulis, M. Massberg, J. D. Reiss, "Digital Dynamic Range Compressor Design - A Tutorial and Analysis",
J. Audio Eng. Soc. 60(6), 2012: gain computer equation 4, detectors equation 16 (smooth, branching) and 17
(smooth, decoupled), placed in the log domain after the gain computer as they advise (equation numbers from
memory).

Rows: one for all channels while they are fully linked or there is one channel, otherwise one for each.
"""

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.chain import _compressor_kernels as kernels
from autochain.chain.crossover import Cascade, butterworth_high
from autochain.chain.idle import idle_trace
from autochain.chain.settings import StageSettings
from autochain.chain.stage import TRACE_HZ, GainTrace
from autochain.units import FLOOR_DB

Trace = npt.NDArray[np.float32]

# Frames that are worked on at a time: what passes from part to part stays in the cache.
CHUNK_FRAMES = 16384

PEAK_LEVEL, RMS_LEVEL = "peak", "rms"
HOLDS, FOLLOWS = "holds", "follows"
# A fall by 10 dB in the release time (W3C Web Audio API, DynamicsCompressorNode), from what is held; for
# `search.strangers`, no setting of our compressors.
FALLS_STRAIGHT, _STRAIGHT_DB = "straight", 10.0
_DETECTORS = {HOLDS: kernels.detect, FOLLOWS: kernels.detect_branching, FALLS_STRAIGHT: kernels.detect_straight}
_SIDE_BY_SIDE = 4  # rows whose smoothers run together
_ROOM_FRAMES = 512


def pole(time_ms: float, rate_hz: float) -> float:
    """One-pole smoother that reaches 1 - 1/e of a step after `time_ms` (equation 7)."""
    return math.exp(-1.0 / (time_ms * 1e-3 * rate_hz))


def idle_as_zero(reduction_db: Trace) -> Trace:
    """Reduction with 0 for what is below 1e-9 dB: a detector at rest."""
    return np.where(reduction_db > 1e-9, reduction_db, np.float32(0.0))


def rows(channels: int, settings: StageSettings) -> int:
    """Rows of level and reduction: 1 when one gain serves all channels."""
    return 1 if settings["link_percent"] == 100.0 else channels


class Level:
    """Level that steers the gain, in dBFS: 20 log10 of the magnitude within 0.0002 dB, -200 dB for silence.

    Parameters
    ----------
    rate_hz, channels
        Of the stream.
    settings
        `sidechain_hpf_hz`: corner of a 12 dB per octave high-pass in front, 0 for none. `detector`: PEAK_LEVEL, the
        magnitude as it is, or RMS_LEVEL, the root of its mean square over `rms_ms` (63 % time of a one-pole average;
        3.01 dB lower on a sine). `link_percent`: 100 takes the louder channel's level for all of them, 0 each
        channel's own, between them the same share of both in dB.
    """

    def __init__(self, rate_hz: int, channels: int, settings: StageSettings) -> None:
        hpf_hz = settings["sidechain_hpf_hz"]
        self._high_pass = Cascade([butterworth_high(hpf_hz, rate_hz)], channels) if hpf_hz else None
        self._rms_pole = pole(settings["rms_ms"], rate_hz) if settings.word("detector") == RMS_LEVEL else None
        self._link = np.float32(settings["link_percent"] / 100.0)
        self._channels = channels
        self._filtered = np.empty((CHUNK_FRAMES, channels), dtype=np.float32)
        self._magnitude = np.empty((channels, CHUNK_FRAMES), dtype=np.float32)
        self._mean = np.zeros((channels, 1))
        mean_square = self._rms_pole is not None
        self._db_per_octave = np.float32((10.0 if mean_square else 20.0) * math.log10(2.0))

    def follow(self, samples: Samples, level_db: Trace) -> None:
        """Fill `level_db`, shape (rows, frames), for the next `samples`, at most CHUNK_FRAMES."""
        frames = samples.shape[0]
        if self._high_pass is not None:
            self._high_pass.run(samples, self._filtered[:frames])
            samples = self._filtered[:frames]
        if self._rms_pole is None and level_db.shape[0] == 1:  # the loudest channel's peak, found at once
            peak = self._magnitude[0, :frames]
            kernels.linked_peak(samples.reshape(-1), self._channels, peak)
            self._decibels(peak, level_db[0])
            return
        magnitude = self._magnitude[:, :frames]
        np.abs(samples.T, out=magnitude, casting="same_kind")
        for channel in range(self._channels):
            if self._rms_pole is not None:
                kernels.mean_square(magnitude[channel], self._rms_pole, self._mean[channel])
            self._decibels(magnitude[channel], magnitude[channel])
        linked = magnitude.max(axis=0)
        if level_db.shape[0] == 1:
            level_db[0] = linked
        else:
            level_db[:] = self._link * linked + (np.float32(1.0) - self._link) * magnitude

    def _decibels(self, magnitude: Trace, level_db: Trace) -> None:
        kernels.level_from_bits(magnitude.view(np.int32), self._db_per_octave, np.float32(FLOOR_DB), level_db)


class GainComputer:
    """Gain computer and detector: reduction in dB, above 0 by 1e-25 at the least; before the first frame it is 0.

    Parameters
    ----------
    rate_hz
        Sample rate.
    number
        Rows.
    settings
        `threshold_db`, `ratio`, `knee_db`: reduction starts half a knee under the threshold and rises by
        1 - 1/ratio dB per dB. `attack_ms`, `release_ms`: time to 63 % of a rise, and of a fall.
        `release_shape`: HOLDS keeps the reduction that a tone's peaks ask for between them, its fall takes
        about attack + release; FOLLOWS gives back at once, its fall takes the release alone.
    """

    def __init__(self, rate_hz: float, number: int, settings: StageSettings) -> None:
        self._shape = settings.word("release_shape")
        self._curve = settings["threshold_db"], 1.0 - 1.0 / settings["ratio"], settings["knee_db"]
        attack, release = pole(settings["attack_ms"], rate_hz), pole(settings["release_ms"], rate_hz)
        fall_db = _STRAIGHT_DB / (settings["release_ms"] * 1e-3 * rate_hz)
        self._times = attack, fall_db if self._shape == FALLS_STRAIGHT else release
        self._states = np.zeros((-(-number // _SIDE_BY_SIDE) * _SIDE_BY_SIDE, 2))
        self._room = np.empty((2, _SIDE_BY_SIDE, _ROOM_FRAMES))

    def follow(self, level_db: Sequence[Trace] | Trace, reduction_db: Sequence[Trace] | Trace) -> None:
        """Fill `reduction_db` for the next `level_db`, a row each, all as long as each other."""
        for first in range(0, len(level_db), _SIDE_BY_SIDE):
            rows = range(first, min(first + _SIDE_BY_SIDE, len(level_db)))
            if len(rows) > 1 and self._shape == HOLDS:
                # Places without a row follow the last one, for nobody.
                missing = _SIDE_BY_SIDE - len(rows)
                levels = [level_db[row] for row in rows] + [level_db[rows[-1]]] * missing
                found = [reduction_db[row] for row in rows] + [np.empty_like(level_db[0])] * missing
                states = self._states[first : first + _SIDE_BY_SIDE]
                a, b, c, d = levels
                kernels.detect_four(a, b, c, d, *self._curve, *self._times, states, self._room, *found)
                continue
            kernel = _DETECTORS[self._shape]
            for row in rows:
                kernel(level_db[row], *self._curve, *self._times, self._states[row], reduction_db[row])


class Gain:
    """Turns frames down by their reduction and notes what it did.

    Parameters
    ----------
    rate_hz
        Sample rate, for the blocks of the trace.
    number
        Rows of reduction.
    """

    def __init__(self, rate_hz: int, number: int) -> None:
        self._number = number
        self._room = np.empty((number, round(rate_hz / TRACE_HZ)))  # gains of the block that has begun
        self._begun = np.zeros(2, dtype=np.int32)
        self._maxima: list[npt.NDArray[np.int32]] = []
        self._means: list[npt.NDArray[np.float64]] = []

    def apply(self, samples: Samples, reduction_db: Trace, output: Samples) -> None:
        """Fill `output` with `samples`, both C-contiguous (frames, channels), turned down.

        `reduction_db` has shape (rows, frames); met within 0.0002 dB; more than 120 dB is 120.
        """
        most = samples.shape[0] // self._room.shape[1] + 1
        maxima, means = np.empty(most, dtype=np.int32), np.empty(most)
        other = reduction_db[1] if self._number == 2 else reduction_db[0, :0]
        completed = kernels.apply_reduction(
            samples.reshape(-1), samples.shape[1], reduction_db[0], reduction_db[0].view(np.int32),
            other, other.view(np.int32), self._room, self._begun, output.reshape(-1), maxima, means,
        )  # fmt: skip
        if completed:
            self._maxima.append(maxima[:completed])
            self._means.append(means[:completed])

    @property
    def trace(self) -> GainTrace:
        """Largest reduction of any channel, and reduction of the mean gain of all channels, per block so far."""
        frames, largest = self._begun
        maxima, means = list(self._maxima), list(self._means)
        if frames:
            maxima.append(np.array([largest], dtype=np.int32))
            means.append(self._room[:, :frames].mean(keepdims=True)[0])
        if not means:
            return idle_trace(0, TRACE_HZ)
        return GainTrace(
            max_db=idle_as_zero(np.concatenate(maxima).view(np.float32)),
            # Adding 0 turns the -0 of an idle block into 0.
            mean_db=(-20.0 * np.log10(np.concatenate(means)) + 0.0).astype(np.float32),
        )
