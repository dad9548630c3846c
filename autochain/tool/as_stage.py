"""A tool at set positions in a chain: what it makes of a whole sound, alone or as a stage among ours."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from autochain.audio.mix import Samples
from autochain.chain.settings import StageSettings
from autochain.chain.stage import TRACE_HZ, GainTrace, Stage
from autochain.tool.fit_equaliser import EqualiserModel
from autochain.tool.gain_curve import gain_db, loudest
from autochain.tool.tool import Model, Tool

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """One tool at set positions.

    Attributes
    ----------
    tool
        The tool.
    positions
        Knobs by role; several for one band of an equaliser after the other.
    around_db
        The sound is turned down by this before it and up again behind it; 0 for no gains.
    """

    tool: Tool
    positions: tuple[Mapping[str, float], ...]
    around_db: float = 0.0

    @property
    def models(self) -> tuple[Model, ...]:
        """What runs, one after the other."""
        return tuple(self.tool.at(own) for own in self.positions)

    @property
    def behind_db(self) -> float:
        """Gain behind it, which is no reduction."""
        return behind_db(self.tool)

    def process(self, samples: Floats, rate_hz: int) -> Floats:
        """Run it over a whole sound, shape (frames, channels), float64."""
        out = samples * 10.0 ** (-0.05 * self.around_db)
        for model in self.models:
            out = model.process(out, rate_hz)
        return np.asarray(out * 10.0 ** (0.05 * self.around_db))


def behind_db(tool: Tool) -> float:
    """Gain behind a tool as it was measured."""
    return float(getattr(tool.models[0], "gain_db", 0.0))


def stage_on_tool(stage: Stage, placed: Placed) -> Stage:
    """The stage done by a tool: it has the settings of ours and follows none of them.

    A model needs its whole sound: nothing comes out before the end.
    """

    def start(rate_hz: int, channels: int, settings: StageSettings) -> _Gathering:
        return _Gathering(placed, rate_hz, channels)

    return replace(stage, start=start, latency_samples=lambda rate_hz, settings: 0)


class _Gathering:
    """Takes all there is, and gives it when nothing follows."""

    def __init__(self, placed: Placed, rate_hz: int, channels: int) -> None:
        self._placed, self._rate_hz = placed, rate_hz
        self._nothing = np.zeros((0, channels), np.float32)
        self._blocks = list[Samples]()
        self._trace: GainTrace | None = None

    def push(self, block: Samples) -> Samples:
        self._blocks.append(block.copy())  # which is not ours to keep
        return block[:0]

    def finish(self) -> Samples:
        sound = np.concatenate(self._blocks) if self._blocks else self._nothing
        self._blocks.clear()
        if not len(sound):
            return sound
        before = sound.astype(np.float64)
        after = self._placed.process(before, self._rate_hz)
        if not any(isinstance(model, EqualiserModel) for model in self._placed.models):
            self._trace = _trace(before, after, self._placed.behind_db, self._rate_hz)
        return after.astype(sound.dtype)

    @property
    def trace(self) -> GainTrace | None:
        return self._trace


def _trace(before: Floats, after: Floats, behind: float, rate_hz: int) -> GainTrace:
    """Reduction at the top of every block, and by its mean gain."""
    hop = round(rate_hz / TRACE_HZ)
    starts = np.arange(0, len(before), hop)
    size = loudest(before)
    whole = np.zeros(starts.size * hop)
    whole[: size.size] = size
    tops = starts + whole.reshape(-1, hop).argmax(axis=1)
    top, out = size[tops], loudest(after[tops])
    at_top = np.where(top > 1e-4, 20.0 * np.log10(np.maximum(top, 1e-9) / np.maximum(out, 1e-9)) + behind, 0.0)
    mean = np.nan_to_num(-gain_db(before, after, starts) + behind, nan=0.0, posinf=0.0, neginf=0.0)
    return GainTrace(max_db=at_top.astype(np.float32), mean_db=mean.astype(np.float32))
