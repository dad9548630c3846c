"""What every processor offers to the chain, and the gain trace it leaves behind."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.chain.parameter import Parameter
from autochain.errors import ParameterError

TRACE_HZ = 100  # a meter redraws no faster; a block is round(rate_hz / TRACE_HZ) frames, the last one shorter

Settings = Mapping[str, float]


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
    process
        (samples, rate_hz, settings) -> Processed. Never modifies its input. Latency is already compensated.
    latency_samples
        (rate_hz, settings) -> delay a real-time version would need.
    linear
        True when the stage is time invariant and linear (its output may be cached before any level is known).
    listen_for
        Plain words: what to listen for while setting it.
    """

    name: str
    label: str
    parameters: tuple[Parameter, ...]
    neutral: Settings
    process: Callable[[Samples, int, Settings], Processed]
    latency_samples: Callable[[int, Settings], int]
    linear: bool = False
    listen_for: tuple[str, ...] = ()

    def parameter(self, name: str) -> Parameter:
        """Return the parameter of that name; ParameterError when there is none."""
        for parameter in self.parameters:
            if parameter.name == name:
                return parameter
        known = ", ".join(p.name for p in self.parameters)
        raise ParameterError(f"{self.name}.{name} is not a parameter; {self.name} has {known}. Check the name.")

    def checked(self, settings: Settings) -> dict[str, float]:
        """Complete settings with defaults and check every range."""
        for name in settings:
            self.parameter(name)
        return {p.name: p.check(settings.get(p.name, p.default), self.name) for p in self.parameters}

    def rounded(self, settings: Settings) -> dict[str, float]:
        """Settings at the steps a hand can set."""
        return {name: self.parameter(name).rounded(value) for name, value in settings.items()}
