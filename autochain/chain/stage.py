"""What every processor offers to the chain, and the gain trace it leaves behind."""

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.audio.room import in_blocks, on_disk, room_for
from autochain.chain.parameter import Parameter
from autochain.chain.settings import Given, StageName, StageSettings, Value, near_name
from autochain.errors import ParameterError

TRACE_HZ = 100  # a meter redraws no faster; a block is round(rate_hz / TRACE_HZ) frames, the last one shorter


@dataclass(frozen=True, slots=True, kw_only=True)
class GainTrace:
    """Reduction of one stage over time at TRACE_HZ, in dB, positive where level is taken away.

    Attributes
    ----------
    max_db
        Largest reduction inside each block, shape (blocks,): what a meter with peak hold shows.
    mean_db
        Reduction by the mean gain of each block, shape (blocks,): what the level does.
    """

    max_db: npt.NDArray[np.float32]
    mean_db: npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True, kw_only=True)
class Processed:
    """Output of a stage: the samples, time-aligned with its input and as long, and its trace (None if linear)."""

    samples: Samples
    trace: GainTrace | None = None


class Runner(Protocol):
    """A stage at work on a stream of blocks of any size, the empty one included.

    As many frames come out as went in, aligned with them: the delay is taken out, which is why `push` may give
    fewer frames than it gets (also none) and `finish` the rest. Where the blocks are cut changes no bit.
    """

    def push(self, block: Samples) -> Samples:
        """Take the next frames, shape (frames, channels); return those that are ready. Does not hold on to it."""
        ...

    def finish(self) -> Samples:
        """Return what is left: silence follows."""
        ...

    @property
    def trace(self) -> GainTrace | None:
        """Reduction over the whole stream, complete after `finish`; None for a linear stage."""
        ...


Start = Callable[[int, int, StageSettings], Runner]

_BAND = re.compile(r"band([1-9][0-9]?)_(.+)")


@dataclass(frozen=True, slots=True, kw_only=True)
class Stage:
    """A processor as the chain sees it.

    Attributes
    ----------
    name, label
        Identifier and the words on the sheet.
    parameters
        In the order they are printed.
    neutral
        Settings that leave the input untouched.
    start
        (rate_hz, channels, settings) -> Runner. Output dtype is input dtype.
    latency_samples
        (rate_hz, settings) -> how many frames beyond its own place a frame of the output depends on: the delay
        a real-time version would need.
    linear
        True when the stage is time invariant and linear (its output may be cached before any level is known).
    listen_for
        Plain words: what to listen for while setting it.
    band
        Parameters of one band, for a stage with any number of them (1 to 99): band k has them as
        `band<k>_<name>`, and exists when any of these is set.
    applies
        (settings, parameter name) -> False when the other settings make it meaningless (the gain of a high-pass).
    """

    name: StageName
    label: str
    parameters: tuple[Parameter, ...]
    neutral: StageSettings
    start: Start
    latency_samples: Callable[[int, StageSettings], int]
    linear: bool = False
    listen_for: tuple[str, ...] = ()
    band: tuple[Parameter, ...] = ()
    applies: Callable[[StageSettings, str], bool] = lambda settings, name: True

    def process(self, samples: Samples, rate_hz: int, settings: StageSettings) -> Processed:
        """Run over a whole sound, which is never modified; a runner that changes nothing may return it as it is."""
        runner = self.start(rate_hz, samples.shape[1], settings)
        if self.latency_samples(rate_hz, settings) == 0 and not on_disk(samples.nbytes):
            pieces = [piece for piece in (runner.push(samples), runner.finish()) if piece.shape[0]]
            output = pieces[0] if len(pieces) == 1 else np.concatenate([samples[:0], *pieces])
            return Processed(samples=output, trace=runner.trace)
        # The last frames come by themselves. To gather small pieces, still in the cache, costs less than to join those
        # to one as long as the song.
        output, done = room_for(samples.shape, samples.dtype), 0
        for block in in_blocks(samples):
            piece = runner.push(block)
            output[done : done + piece.shape[0]] = piece
            done += piece.shape[0]
        output[done:] = runner.finish()
        return Processed(samples=output, trace=runner.trace)

    def parameter(self, name: str) -> Parameter:
        """Return the parameter of that name; ParameterError when there is none."""
        for parameter in self.parameters:
            if parameter.name == name:
                return parameter
        numbered = _BAND.fullmatch(name)
        for parameter in self.band if numbered else ():
            assert numbered is not None
            if parameter.name == numbered[2]:
                return replace(parameter, name=name, label=f"band {numbered[1]} {parameter.label}")
        known = [p.name for p in self.parameters] + [f"band1_{p.name}" for p in self.band]
        hint = near_name(name, known, f"{self.name} has {', '.join(known)}.")
        raise ParameterError(f"{self.name}.{name} is not a parameter. {hint}")

    def of(self, settings: Iterable[str]) -> tuple[Parameter, ...]:
        """Parameters that these names are about: the stage's own, and those of every band they name, in order."""
        bands = sorted({int(m[1]) for m in map(_BAND.fullmatch, settings) if m})
        return self.parameters + tuple(self.parameter(f"band{k}_{p.name}") for k in bands for p in self.band)

    def checked(self, settings: StageSettings | Given) -> StageSettings:
        """Complete settings with defaults and check every range."""
        for name in settings:
            self.parameter(name)
        given = dict(settings.items())
        return StageSettings({p.name: p.parsed(given.get(p.name, p.default), self.name) for p in self.of(given)})

    def rounded(self, settings: StageSettings) -> StageSettings:
        """Settings at the steps a hand can set."""
        return StageSettings({name: self.parameter(name).rounded(value) for name, value in settings.items()})

    def bands(self, settings: StageSettings) -> list[StageSettings]:
        """Split complete settings into those of each band, in order, with the parameters' plain names."""
        found: dict[int, dict[str, Value]] = {}
        for name, value in settings.items():
            numbered = _BAND.fullmatch(name)
            if numbered:
                found.setdefault(int(numbered[1]), {})[numbered[2]] = value
        return [StageSettings(found[k]) for k in sorted(found)]
