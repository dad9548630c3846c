"""Transient shaper: raises or lowers the start of sounds and what follows, whatever their level.

In steps of about 0.18 ms, with l the largest magnitude of any channel over the last 12.5 ms, in dB:

    fast = l when it rises, falling towards l with a time constant of 10 ms,
    slow = one-pole of fast with time constant `window_ms` (63 %), kept within 24 dB of it,
    d = fast - slow,
    gain = onset_db min(d / 6, 1) where d > 0, body_db min(-d / 6, 1) where d < 0,

as a factor averaged over 1 ms ahead of time and drawn straight between steps. Only level differences enter:
scaling the input scales the output, and a steady tone (40 Hz or more) has d = 0. The gain never passes the set
values. General knowledge of the field (differential envelope), no single source.

With a band the level is that of the band, and only the band is turned up or down; see `band.py` for how, and for
what is left of it outside.
"""

from typing import Any

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.chain import _transient_kernels as kernels
from autochain.chain.band import Band, lag_s
from autochain.chain.delay import DelayLine
from autochain.chain.envelopes import Envelopes, group_frames
from autochain.chain.idle import Idle
from autochain.chain.parameter import Parameter
from autochain.chain.settings import TRANSIENT, StageSettings
from autochain.chain.stage import TRACE_HZ, GainTrace, Runner, Stage
from autochain.errors import ParameterError

# common practice, no source
SMOOTH_MS = 1.0  # of the gain, ahead of time

# Frames that are worked on at a time: what passes from part to part stays in the cache.
_CHUNK_FRAMES = 65536

_Values = npt.NDArray[np.float64]


class Shaper:
    """A transient shaper at work on a stream (`Runner`).

    Parameters
    ----------
    rate_hz, channels
        Of the stream.
    settings
        `onset_db`, -6 (softens hits) to +6 dB (gives edge back), 0 neutral; `body_db`, -6 (drier) to +6 dB
        (longer, denser), 0 neutral; `window_ms`, how long an onset or a decay lasts, 5 (the click) to 60 ms
        (the whole hit); `band_low_hz` and `band_high_hz`, the ends of the band, 0 for open. Complete and checked.
    """

    def __init__(self, rate_hz: int, channels: int, settings: StageSettings) -> None:
        self._channels = channels
        self._dtype: np.dtype[Any] = np.dtype(np.float32)
        low_hz, high_hz = settings["band_low_hz"], settings["band_high_hz"]
        self._band = Band(low_hz, high_hz, rate_hz, channels) if low_hz or high_hz else None
        self._envelopes = Envelopes(rate_hz, channels, settings)
        self._steps = _smoothing_steps(rate_hz)
        self._lag = _lag_steps(rate_hz, high_hz)
        # Gains from the next node's first on, once the lag is over; nodes from the next frame's own on.
        self._early = self._lag
        self._gains: _Values = np.empty(0)
        self._nodes: _Values = np.empty(0)
        self._samples, self._band_delay = DelayLine(), DelayLine()
        self._gain = _Ramp(rate_hz, channels)

    def push(self, block: Samples) -> Samples:
        """Take the next frames; return those whose gain is known."""
        block = np.ascontiguousarray(block)
        self._dtype = block.dtype
        output = np.empty((self._samples.frames + block.shape[0], self._channels), dtype=block.dtype)
        done = 0
        for begin in range(0, block.shape[0], _CHUNK_FRAMES):
            chunk = block[begin : begin + _CHUNK_FRAMES]
            heard, band = self._band.split(chunk) if self._band else (chunk, chunk)
            gains = self._envelopes.gains(heard)
            done += self._emit(gains, chunk, band, output[done:])
        return output[:done]

    def finish(self) -> Samples:
        """Return the frames that wait; the gain stays as it was last."""
        output = np.empty((self._samples.frames, self._channels), dtype=self._dtype)
        if output.shape[0]:
            last = self._envelopes.last()
            gains = np.concatenate((last, np.full(self._steps + self._lag, self._envelopes.latest)))
            self._emit(gains, output[:0], output[:0], output)
        return output

    def _emit(self, gains: _Values, chunk: Samples, band: Samples, output: Samples) -> int:
        """Fill `output` with the frames, `chunk` the newest of them, that the next `gains` suffice for."""
        early = min(self._early, gains.size)
        self._early -= early
        gains = np.concatenate((self._gains, gains[early:]))
        fresh = max(0, gains.size - self._steps + 1)
        total = np.zeros(fresh)
        for k in range(self._steps):
            total += gains[k : k + fresh]
        self._gains = gains[fresh:]
        nodes = np.concatenate((self._nodes, total / self._steps))
        held = self._samples.frames
        frames: int = min(self._gain.frames_until_last(nodes), held + chunk.shape[0])
        done = 0
        bands = self._band_delay if self._band else self._samples
        for piece, part in zip(
            self._samples.span(chunk, -held, frames - held), bands.span(band, -held, frames - held), strict=True
        ):
            self._gain.apply(piece, part, nodes, done, output[done : done + piece.shape[0]])
            done += piece.shape[0]
        self._nodes = nodes[self._gain.groups(frames) :]
        self._samples.keep(chunk, held + chunk.shape[0] - frames)
        if self._band:
            self._band_delay.keep(band, held + chunk.shape[0] - frames)
        return frames

    @property
    def trace(self) -> GainTrace:
        """Reduction of the turned band, negative where level is added; `max_db` is the value farthest from zero."""
        return self._gain.trace


class _Ramp:
    """Draws the gain between nodes, applies it and notes what it did."""

    def __init__(self, rate_hz: int, channels: int) -> None:
        self._group, self._channels = group_frames(rate_hz), channels
        self._room = np.empty(round(rate_hz / TRACE_HZ))
        self._begun = np.array([0.0, np.inf, 0.0])
        self._hops: list[_Values] = []

    def groups(self, frames: int) -> int:
        """Whole groups of frames, each with a node at its start."""
        return frames // self._group

    def frames_until_last(self, nodes: _Values) -> int:
        """Frames from the first to the last node."""
        return max(0, nodes.size - 1) * self._group

    def apply(self, samples: Samples, band: Samples, nodes: _Values, offset: int, output: Samples) -> None:
        """Fill `output` with `samples` whose `band` is turned; the first is `offset` frames behind the first node."""
        gains = np.empty((3, samples.shape[0] // self._room.size + 1))
        completed = kernels.apply_nodes(
            samples.reshape(-1), band.reshape(-1), self._channels, nodes, offset, self._group,
            self._room, self._begun, output.reshape(-1), gains,
        )  # fmt: skip
        if completed:
            self._hops.append(gains[:, :completed])

    @property
    def trace(self) -> GainTrace:
        """Reduction by the gain farthest from 1, negative where level is added, and by the mean gain, per hop."""
        count = int(self._begun[0])
        rest = np.empty((3, 0))
        if count:
            rest = np.array([[self._begun[1]], [self._begun[2]], [self._room[:count].mean()]])
        cut, boost, mean = -20.0 * np.log10(np.concatenate([*self._hops, rest], axis=1))
        return GainTrace(
            max_db=np.where(np.abs(cut) >= np.abs(boost), cut, boost).astype(np.float32) + np.float32(0.0),
            mean_db=mean.astype(np.float32) + np.float32(0.0),  # no minus zero
        )


def _smoothing_steps(rate_hz: int) -> int:
    return max(1, round(SMOOTH_MS * 1e-3 * rate_hz / group_frames(rate_hz)))


def _lag_steps(rate_hz: int, band_high_hz: float) -> int:
    return round(lag_s(band_high_hz) * rate_hz / group_frames(rate_hz))


def latency_samples(rate_hz: int, settings: StageSettings) -> int:
    """Delay of a real-time version: the heard band's lag, the averaging ahead, one step, the group being filled."""
    if settings.get("onset_db") == 0.0 and settings.get("body_db") == 0.0:
        return 0
    steps = _smoothing_steps(rate_hz) + 1 + _lag_steps(rate_hz, settings.get("band_high_hz", 0.0))
    return steps * group_frames(rate_hz) - 2


def _start(rate_hz: int, channels: int, settings: StageSettings) -> Runner:
    low_hz, high_hz = settings["band_low_hz"], settings["band_high_hz"]
    if low_hz and high_hz and high_hz < 2.0 * low_hz:
        raise ParameterError(
            f"transient.band_low_hz is {low_hz:g} Hz and band_high_hz {high_hz:g} Hz; the high end must be an "
            f"octave above the low end at least. Raise band_high_hz to {2.0 * low_hz:g} Hz, or set one of them to 0 "
            "for an open end."
        )
    if settings["onset_db"] == 0.0 and settings["body_db"] == 0.0:
        return Idle(rate_hz, channels)
    return Shaper(rate_hz, channels, settings)


STAGE = Stage(
    name=TRANSIENT,
    label="transient shaper",
    parameters=(
        Parameter(
            name="onset_db",
            label="onset",
            unit="dB",
            low=-6.0,
            high=6.0,
            default=0.0,
            step=0.1,
            ends="-6 softens every hit; +6 gives edge back",
        ),
        Parameter(
            name="body_db",
            label="body",
            unit="dB",
            low=-6.0,
            high=6.0,
            default=0.0,
            step=0.1,
            ends="-6 dries the decays; +6 lengthens them",
        ),
        Parameter(
            name="window_ms",
            label="window",
            unit="ms",
            low=5.0,
            high=60.0,
            default=20.0,
            step=1.0,
            scale="log",
            ends="5 reaches the click of a hit; 60 the whole of it",
        ),
        Parameter(
            name="band_low_hz",
            label="band from",
            unit="Hz",
            low=40.0,
            high=8000.0,
            default=0.0,
            step=1.0,
            scale="log",
            ends="off works on everything below the upper end; higher leaves kick and bass alone",
            off=0.0,
            quiet=True,
        ),
        Parameter(
            name="band_high_hz",
            label="band to",
            unit="Hz",
            low=80.0,
            high=16000.0,
            default=0.0,
            step=1.0,
            scale="log",
            ends="off works on everything above the lower end; lower leaves cymbals and consonants alone",
            off=0.0,
            quiet=True,
        ),
    ),
    neutral=StageSettings({"onset_db": 0.0, "body_db": 0.0}),
    start=_start,
    latency_samples=latency_samples,
    listen_for=(
        "drums regain the edge that the stages before took, without a click of their own",
        "vocal consonants and guitar picks growing too sharp: less onset",
    ),
)
