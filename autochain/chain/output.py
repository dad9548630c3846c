"""What happens to the sound last: a static trim, its ends cut and faded, and silence around it where it is played.

The trim is what makes the ceiling a promise: a limiter may miss a peak between samples by tenths of a dB, a gain
measured afterwards and applied to the whole song cannot (`held_trim_db`).

    y[n] = g a[n] b[n] x[n],   a rises as (1 - cos(pi t / T)) / 2 over `fade_in_ms`, b falls alike at the end,

both raised cosines, and both 0 over what is cut. This stage's output is as long as its input, so that times stay mix
times; `with_silence` takes away what is cut and adds the silence, where a file is written. Where what is cut was
silent, the file then has the silence that is set, whatever the mix had.
"""

import itertools
import math

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.audio.room import gathered, in_blocks
from autochain.chain.parameter import Parameter
from autochain.chain.settings import OUTPUT, ChainSettings, StageSettings
from autochain.chain.stage import GainTrace, Stage
from autochain.errors import ParameterError
from autochain.units import db_to_linear, ms_to_samples

TRIM_STEP_DB = 0.1
ENDS = ("head_cut_ms", "tail_cut_ms", "fade_in_ms", "fade_out_ms")  # what fits one mix only


def held_trim_db(true_peak_dbtp: float, ceiling_dbtp: float, allowance_db: float) -> float:
    """Trim, 0 or less and a whole number of steps, that brings a reading under a ceiling.

    Parameters
    ----------
    true_peak_dbtp
        Highest true-peak reading of the sound before the trim.
    ceiling_dbtp
        What no peak may pass.
    allowance_db
        Room to leave for what comes after the reading, such as dither.
    """
    excess_db = true_peak_dbtp + allowance_db - ceiling_dbtp
    steps = max(0, math.ceil(excess_db / TRIM_STEP_DB - 1e-9))
    return round(-steps * TRIM_STEP_DB, 6) + 0.0


def with_silence(samples: Samples, rate_hz: int, settings: StageSettings) -> Samples:
    """Return what goes into a file: without what is cut, with the silence at head and tail; a new array.

    Parameters
    ----------
    samples
        What the chain gives, shape (frames, channels).
    rate_hz, settings
        Of this stage, complete.

    Raises
    ------
    ParameterError
        Nothing is left.
    """
    first, last = kept_frames(samples.shape[0], rate_hz, settings)
    head, tail = (ms_to_samples(settings[f"{end}_silence_ms"], rate_hz) for end in ("head", "tail"))
    before, behind = (np.zeros((frames, samples.shape[1]), samples.dtype) for frames in (head, tail))
    pieces = itertools.chain([before], in_blocks(samples[first:last]), [behind])
    return gathered(pieces, (head + last - first + tail, samples.shape[1]), samples.dtype)


def kept_frames(frames: int, rate_hz: int, settings: StageSettings) -> tuple[int, int]:
    """First frame that is kept, and the one after the last; ParameterError where that leaves nothing."""
    head, tail = (ms_to_samples(settings[f"{end}_cut_ms"], rate_hz) for end in ("head", "tail"))
    if head + tail >= frames > 0:
        raise ParameterError(
            f"output.head_cut_ms and output.tail_cut_ms are {settings['head_cut_ms']:g} and "
            f"{settings['tail_cut_ms']:g} ms: nothing is left of a sound of {1e3 * frames / rate_hz:.0f} ms. "
            f"Cut less."
        )
    return head, frames - tail


def without_ends(settings: ChainSettings) -> ChainSettings:
    """Settings of a chain for a stretch of the song: cuts and fades belong to the song's own ends."""
    if OUTPUT not in settings:
        return settings
    return settings.with_(OUTPUT, {name: 0.0 for name in ENDS if name in settings[OUTPUT]})


def with_ends(part: Samples, first: int, frames: int, rate_hz: int, settings: StageSettings) -> Samples:
    """What this stage makes of a stretch of a song, to the bit; a new array.

    Parameters
    ----------
    part
        The stretch ahead of this stage, shape (frames, channels).
    first, frames
        The song's frame at which it begins, and the song's length.
    rate_hz, settings
        Of this stage, complete.
    """
    part = np.ascontiguousarray(part * part.dtype.type(db_to_linear(settings["trim_db"])))
    rise = _rise(*(ms_to_samples(settings[n], rate_hz) for n in ("head_cut_ms", "fade_in_ms")))
    fall = _rise(*(ms_to_samples(settings[n], rate_hz) for n in ("tail_cut_ms", "fade_out_ms")))[::-1]
    for curve, begins in ((rise, 0), (fall, frames - fall.size)):
        start, stop = max(first, begins), min(first + part.shape[0], begins + curve.size)
        if start < stop:
            own = part[start - first : stop - first]
            own[:] = (own * curve[start - begins : stop - begins, None]).astype(part.dtype)
    return part


class _Finish:
    """Trim, cuts and fades; holds back as much as is cut and faded at the end."""

    trace: GainTrace | None = None

    def __init__(self, rate_hz: int, channels: int, settings: StageSettings) -> None:
        self._gain = db_to_linear(settings["trim_db"])
        self._rise = _rise(*(ms_to_samples(settings[n], rate_hz) for n in ("head_cut_ms", "fade_in_ms")))
        self._fall = _rise(*(ms_to_samples(settings[n], rate_hz) for n in ("tail_cut_ms", "fade_out_ms")))[::-1]
        self._plain = self._gain == 1.0 and not self._rise.size and not self._fall.size
        self._held: Samples | None = None
        self._channels = channels
        self._done = 0

    def push(self, block: Samples) -> Samples:
        if self._plain:
            return block
        block = block * block.dtype.type(self._gain)
        rising = min(max(0, self._rise.size - self._done), block.shape[0])
        if rising:
            rise = self._rise[self._done : self._done + rising, None]
            block[:rising] = (block[:rising] * rise).astype(block.dtype)
        self._done += block.shape[0]
        held = block if self._held is None else np.concatenate([self._held, block])
        ready = max(0, held.shape[0] - self._fall.size)
        self._held = held[ready:]
        return held[:ready]

    def finish(self) -> Samples:
        if self._held is None:
            return np.zeros((0, self._channels), np.float32)
        last, self._held = self._held, None
        fall = self._fall[self._fall.size - last.shape[0] :, None]
        return (last * fall).astype(last.dtype)


def _rise(cut: int, frames: int) -> npt.NDArray[np.float64]:
    rise = 0.5 - 0.5 * np.cos(np.pi * (np.arange(frames) + 0.5) / max(1, frames))
    return np.concatenate([np.zeros(cut), rise])


def _latency_samples(rate_hz: int, settings: StageSettings) -> int:
    return 0


def _ms(name: str, label: str, high: float, default: float, ends: str, *, quiet: bool = False) -> Parameter:
    return Parameter(
        name=name, label=label, unit="ms", low=0.0, high=high, default=default, step=1.0, ends=ends, quiet=quiet
    )


STAGE = Stage(
    name=OUTPUT,
    label="output",
    parameters=(
        Parameter(
            name="trim_db", label="trim", unit="dB", low=-24.0, high=0.0, default=0.0, step=TRIM_STEP_DB, quiet=True,
            ends="0 leaves the limiter's ceiling the last word; lower takes what peaks between samples exceed it by",
        ),
        # Defaults and ranges: common practice, no source.
        _ms("head_cut_ms", "cut at the start", 600_000.0, 0.0, "0 keeps all; more than the silence cuts the attack",
            quiet=True),
        _ms("tail_cut_ms", "cut at the end", 600_000.0, 0.0, "0 keeps all; more than its silence cuts the last tail",
            quiet=True),
        _ms("head_silence_ms", "silence before", 10_000.0, 200.0, "0 starts at once; players may swallow the start"),
        _ms("tail_silence_ms", "silence after", 30_000.0, 200.0, "0 ends with the last sample; longer adds a pause"),
        _ms("fade_in_ms", "fade in", 10_000.0, 0.0, "0 touches nothing; longer softens the first attack", quiet=True),
        _ms("fade_out_ms", "fade out", 60_000.0, 0.0, "0 touches nothing; longer cuts into the last tail", quiet=True),
    ),
    neutral=StageSettings({
        "trim_db": 0.0, "head_cut_ms": 0.0, "tail_cut_ms": 0.0, "head_silence_ms": 0.0, "tail_silence_ms": 0.0,
        "fade_in_ms": 0.0, "fade_out_ms": 0.0,
    }),
    start=_Finish,
    latency_samples=_latency_samples,
    linear=False,
    listen_for=("the very first attack and the last tail, whole and without a click",),
)  # fmt: skip
