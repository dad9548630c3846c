"""Two envelopes of a level, and the gain that their difference asks for."""

import math
from typing import Any

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.audio.room import in_blocks
from autochain.chain import _transient_kernels as kernels
from autochain.chain.settings import StageSettings
from autochain.units import FLOOR_DB

# common practice, no source, for the four times and levels below
STEP_HZ = 5500.0  # envelopes and gain move in steps of about 0.18 ms
HOLD_MS = 12.5  # half a period of 40 Hz: a steady tone from there up has a steady level
FALL_MS = 10.0  # of the fast envelope: rounds off the stairs that the hold makes of a decay
FULL_DB = 6.0  # envelope difference at which the gain reaches the set value
MOST_DB = 24.0  # the envelopes part no further, so that nothing depends on how deep a pause before a hit was

_TINY = 1e-12  # -240 dB, so that the logarithm exists

_Values = npt.NDArray[np.float64]


def group_frames(rate_hz: int) -> int:
    """Frames per step of the envelopes."""
    return max(1, round(rate_hz / STEP_HZ))


class Envelopes:
    """Gain factors, one a step, of what has come so far; see `transient.py` for the rule.

    Parameters
    ----------
    rate_hz, channels
        Of the stream.
    settings
        `onset_db`, `body_db`, `window_ms`.
    step_frames
        Frames a step, for a coarser look than the stage takes.

    Attributes
    ----------
    latest
        The last gain given; 1 before the first.
    """

    def __init__(
        self, rate_hz: int, channels: int, settings: StageSettings, step_frames: int | None = None
    ) -> None:
        step_frames = group_frames(rate_hz) if step_frames is None else step_frames
        self._span = step_frames * channels
        step_ms = 1e3 * step_frames / rate_hz
        hold = max(1, round(HOLD_MS / step_ms))
        self._past: Samples = np.zeros(hold - 1)
        self._begun = np.zeros(2, dtype=np.int64)
        self._fall, self._follow = 1.0 - math.exp(-step_ms / FALL_MS), 1.0 - math.exp(-step_ms / settings["window_ms"])
        self._envelopes = np.full(2, FLOOR_DB)
        nepers = math.log(10.0) / 20.0  # a dB
        self._onset, self._body = nepers * settings["onset_db"], nepers * settings["body_db"]
        self._float: np.dtype[Any] = np.dtype(np.float32)
        self.latest = 1.0

    def gains(self, heard: Samples) -> _Values:
        """Gains of the steps that the next frames complete."""
        self._float = heard.dtype
        return self.follow(_completed(heard, self._span, self._begun))

    def last(self) -> _Values:
        """Gain of the step that has begun, if any."""
        begun = self._begun[1:] if self._begun[0] else self._begun[:0]
        bits = np.int32 if self._float.itemsize == 4 else np.int64
        return self.follow(begun.astype(bits).view(self._float))

    def follow(self, peaks: Samples) -> _Values:
        """Gains of the next steps, given the largest magnitude in each."""
        if peaks.size == 0:
            return np.empty(0)
        # Causal: the window ends at its own place; before the signal there is silence.
        peaks = np.concatenate((self._past.astype(peaks.dtype, copy=False), peaks))
        self._past = peaks[peaks.size - self._past.size :]
        held = _largest_of(peaks, self._past.size + 1).astype(np.float64)
        level = np.log(np.maximum(held, _TINY, out=held), out=held)
        level *= 20.0 / math.log(10.0)
        np.maximum(level, FLOOR_DB, out=level)
        kernels.follow(
            level, self._fall, self._follow, MOST_DB, FULL_DB, self._onset, self._body, self._envelopes, level
        )
        gains = np.exp(level, out=level)
        self.latest = float(gains[-1])
        return gains


def step_peaks(samples: Samples, frames: int) -> Samples:
    """Largest magnitude of any channel in every `frames` frames, the last step of what is there."""
    span, begun = frames * samples.shape[1], np.zeros(2, dtype=np.int64)
    peaks, done = np.empty(-(-samples.shape[0] // frames), samples.dtype), 0
    for block in in_blocks(samples):
        done += _complete(np.ascontiguousarray(block).reshape(-1), span, begun, peaks[done:])
    if done < peaks.size:
        peaks[done] = np.abs(samples[done * frames :]).max()
    return peaks


def _completed(samples: Samples, span: int, begun: npt.NDArray[np.int64]) -> Samples:
    """Largest magnitudes of the steps of `span` values that the next ones complete; `begun` goes on."""
    peaks = np.empty(samples.size // span + 1, samples.dtype)
    return peaks[: _complete(samples.reshape(-1), span, begun, peaks)]


def _complete(flat: Samples, span: int, begun: npt.NDArray[np.int64], peaks: Samples) -> int:
    """Fill `peaks` with them, and tell how many they are."""
    bits = np.dtype(np.int32) if flat.dtype.itemsize == 4 else np.dtype(np.int64)
    mask = bits.type(np.iinfo(bits).max)  # all but the sign bit
    return int(kernels.group_peaks(flat.view(bits), mask, span, begun, peaks.view(bits)))


def _largest_of(values: Samples, count: int) -> Samples:
    """Largest of `count` values in a row, for each place where as many begin; by windows of doubled length."""
    width = 1
    while 2 * width <= count:
        values = np.maximum(values[:-width], values[width:])
        width *= 2
    rest = count - width
    return np.asarray(np.maximum(values[: values.size - rest], values[rest:]) if rest else values)
